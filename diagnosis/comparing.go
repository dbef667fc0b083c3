package diagnosis

import (
	"fmt"

	"leadsman/chart"
)

// comparing is a comparison on its way.
type comparing struct {
	out              Comparison
	a, b             *mouth // the earlier and the later exam
	o                *CompareOptions
	other            bool // another examiner, probe or way of rounding
	noise            *ErrorModel
	depth, loss      [2]int // sums over the matched sites by exam, half-millimetres
	bleeding, plaque pairedAnswers
	depths, losses   differences
	crossings        []crossing
	shallowed        int // sites that were pockets
}

// Compare pairs two exams of one mouth site by site. Both may be in any numbering.
func Compare(before, after *chart.Chart, o CompareOptions) Comparison {
	w := comparing{a: newMouth(before, &o.Options), b: newMouth(after, &o.Options), o: &o,
		other: o.OtherExaminer || o.OtherProbe, noise: o.errors()}
	for i := range w.b.teeth {
		now := &w.b.teeth[i]
		was := w.a.find(now.t)
		w.presence(was, now)
		if was != nil && was.stand == natural {
			w.tooth(was, now)
		}
	}
	out := &w.out
	w.totals()
	w.chances()
	out.Error = w.noise
	out.ClosedPercent = ratio(100*float64(out.Closed), out.Remeasured)
	w.b.residual(out)
	w.afterwards()
	out.Sites, out.Teeth, out.Retreat, out.Notes = list(out.Sites), list(out.Teeth), list(out.Retreat), list(out.Notes)
	for _, l := range []*[]chart.SiteRef{&out.NotRemeasured, &out.Residual6, &out.ResidualBleeding, &out.WorseSites, &out.Confirmed} {
		*l = list(*l)
	}
	return *out
}

// presence notes teeth that came or went. was is nil for a tooth that the earlier chart does not have.
func (w *comparing) presence(was, now *tooth) {
	out := &w.out
	switch {
	case was == nil:
		if now.stand != gone {
			out.NewTeeth = append(out.NewTeeth, now.t)
		}
	case was.stand == natural && now.stand == gone:
		out.LostTeeth = append(out.LostTeeth, now.t)
	case was.stand != implant && now.stand == implant:
		out.NewImplants = append(out.NewImplants, now.t)
	case was.stand == gone && now.stand == natural && now.mentioned && now.depths() > 0:
		out.NewTeeth = append(out.NewTeeth, now.t)
	}
}

// tooth compares what was a natural tooth. Its pockets count although it may be there no more.
func (w *comparing) tooth(was, now *tooth) {
	for s := range was.sites {
		if was.sites[s].depth >= closureBaseline {
			w.out.Pockets++
		}
	}
	if now.stand != natural {
		return
	}
	tc := ToothChange{Tooth: now.t}
	for s := range now.sites {
		w.site(&tc, chart.SiteRef{Tooth: now.t, Site: chart.Site(s)}, &was.sites[s], &now.sites[s])
	}
	if tc.Matched > 0 {
		w.out.add(&tc)
	}
}

// add takes a tooth into the sums of the mouth.
func (c *Comparison) add(tc *ToothChange) {
	c.Teeth = append(c.Teeth, *tc)
	c.Improved += tc.Improved
	c.Within += tc.Within
	c.Worse += tc.Worse
	c.NotSure += tc.NotSure
	c.LossImproved += tc.LossImproved
	c.LossWorse += tc.LossWorse
	c.LossNotSure += tc.LossNotSure
	c.Before.Depths += tc.Matched
}

// site compares one site, x before and y after.
func (w *comparing) site(tc *ToothChange, ref chart.SiteRef, x, y *site) {
	out := &w.out
	switch {
	case x.depth < 0 && y.depth < 0:
		return
	case y.depth < 0:
		out.NotRemeasured = append(out.NotRemeasured, ref)
	}
	c := w.classed(ref, x, y)
	sp := w.noise.at(ref.Tooth, ref.Site, x.rec.Depth, w.other)
	if x.depth >= 0 && y.depth >= 0 {
		tc.Matched++
		tc.DeepestBefore, tc.DeepestAfter = deeper(tc.DeepestBefore, c.DepthBefore), deeper(tc.DeepestAfter, c.DepthAfter)
		c.Depth.count(&tc.Improved, &tc.Within, &tc.Worse, &tc.NotSure)
		w.sumDepth(&c, x, y, sp)
		w.pocket(&c, x, y)
	}
	if c.Loss != NotCompared {
		tc.LossMatched++
		tc.WorstBefore, tc.WorstAfter = deeper(tc.WorstBefore, c.LossBefore), deeper(tc.WorstAfter, c.LossAfter)
		c.Loss.count(&tc.LossImproved, &out.LossWithin, &tc.LossWorse, &tc.LossNotSure)
		w.losses.add(sp, c.LossAfter.Half()-c.LossBefore.Half())
	}
	if again := y.rec.Again; again.Known() && (c.Loss == Worse || c.Depth == Worse) {
		c.Confirmed = again.Half()-y.rec.Depth.Half()+c.rise() >= 2*threshold(w.other)
		c.Denied = !c.Confirmed
	}
	c.Became = c.became()
	if c.Became == BecameWorse || c.Became == BecameDeeper {
		out.WorseSites = append(out.WorseSites, ref)
		if c.Confirmed {
			out.Confirmed = append(out.Confirmed, ref)
		}
	}
	if c.LossBefore.Known() && c.LossAfter.Known() {
		out.Before.Losses++
		w.loss[0] += c.LossBefore.Half()
		w.loss[1] += c.LossAfter.Half()
	}
	w.bleeding.add(x.flags[chart.Bleeding], y.flags[chart.Bleeding])
	w.plaque.add(x.flags[chart.Plaque], y.flags[chart.Plaque])
	out.Sites = append(out.Sites, c)
}

// classed sets the readings of a site beside each other and classes their differences.
func (w *comparing) classed(ref chart.SiteRef, x, y *site) SiteChange {
	c := SiteChange{Tooth: ref.Tooth, Site: ref.Site, DepthBefore: x.rec.Depth, DepthAfter: y.rec.Depth, LossBefore: x.lossMM, LossAfter: y.lossMM,
		BleedingBefore: answerOf(x.flags[chart.Bleeding]), BleedingAfter: answerOf(y.flags[chart.Bleeding]),
		Depth: changeClass(x.rec.Depth, y.rec.Depth, w.other), Loss: changeClass(x.lossMM, y.lossMM, w.other)}
	switch {
	case c.Loss != NotCompared && (w.o.OtherMethod || x.clamped || y.clamped):
		c.Loss = NotCompared
		c.Note = "attachment loss measured in another way or taken as 0: shown, not classed"
	case c.Loss != NotCompared && (x.assumed || y.assumed):
		c.Loss = NotCompared
		c.Note = "a margin is assumed, not measured: attachment is not classed"
	case c.Depth == Improved && c.Loss == Worse:
		c.Note = "shallower because the margin receded; attachment was lost"
	case c.Depth == Improved && c.Loss == WithinError:
		c.Note = "shallower, attachment unchanged"
	}
	return c
}

// count adds to the counter of the class.
func (c Class) count(improved, within, worse, notSure *int) {
	switch c {
	case Improved:
		*improved++
	case WithinError:
		*within++
	case Worse:
		*worse++
	case NotSure:
		*notSure++
	}
}

// sumDepth adds a site that was probed at both exams to the sums, and to what chance is worked out from.
func (w *comparing) sumDepth(c *SiteChange, x, y *site, sp *spread) {
	w.depth[0] += c.DepthBefore.Half()
	w.depth[1] += c.DepthAfter.Half()
	w.depths.add(sp, c.DepthAfter.Half()-c.DepthBefore.Half())
	w.crossings = append(w.crossings, crossing{sp, x.depth, x.flags[chart.Bleeding]})
	countDeep(&w.out.Before, x.depth)
	countDeep(&w.out.After, y.depth)
}

// pocket says what became of a pocket, or whether there is a new one. A pocket is closed when it is shallow and dry and no
// attachment was lost.
func (w *comparing) pocket(c *SiteChange, x, y *site) {
	out := &w.out
	if x.depth < closureBaseline {
		if y.depth >= closureBaseline {
			c.NewPocket = true
			out.NewPockets++
		}
		return
	}
	c.Pocket = true
	out.Remeasured++
	if y.depth <= closedDepth {
		w.shallowed++
	}
	if y.half > 2*closedDepth {
		return
	}
	c.Shallow = true
	out.Shallow++
	switch dry := y.flags[chart.Bleeding]; {
	case dry == chart.NotRecorded:
		out.Unanswered++
	case dry == chart.Yes:
	case c.Loss == Worse:
		out.Receded++
	default:
		c.Closed = true
		out.Closed++
	}
}

// totals makes means and percentages of the sums.
func (w *comparing) totals() {
	out := &w.out
	out.After.Depths, out.After.Losses = out.Before.Depths, out.Before.Losses
	bled, plaque := [2]int{w.bleeding.first, w.bleeding.second}, [2]int{w.plaque.first, w.plaque.second}
	for i, t := range []*Totals{&out.Before, &out.After} {
		t.MeanDepth = ratio(float64(w.depth[i])/2, t.Depths)
		t.MeanLoss = ratio(float64(w.loss[i])/2, t.Losses)
		t.BleedingSites, t.BleedingPercent = w.bleeding.sites, ratio(100*float64(bled[i]), w.bleeding.sites)
		t.PlaqueSites, t.PlaquePercent = w.plaque.sites, ratio(100*float64(plaque[i]), w.plaque.sites)
	}
}

// chances sets beside each change what errors of measurement alone give.
func (w *comparing) chances() {
	out, limit := &w.out, threshold(w.other)
	ch := &out.Chance
	ch.NewPockets, ch.Closed = w.depths.crossed(w.crossings, w.a.depthLevels(), w.noise, &w.a.answers)
	ch.NewPockets.Seen, ch.Closed.Seen = out.NewPockets, out.Closed
	ch.Worse, ch.Improved = w.losses.chances(limit, out.LossWorse, out.LossImproved)
	ch.Deeper, ch.Shallower = w.depths.chances(limit, out.Worse, out.Improved)
	for _, n := range [...]struct {
		chance *Chance
		back   int // sites that changed the other way: unchanged, as many
	}{{&ch.Worse, out.LossImproved}, {&ch.Improved, out.LossWorse}, {&ch.Deeper, out.Improved}, {&ch.Shallower, out.Worse}, {&ch.NewPockets, w.shallowed}, {&ch.Closed, out.NewPockets}} {
		n.chance.close()
		n.chance.Beyond = n.chance.Beyond && signTest(n.chance.Seen, n.back) <= chanceSign
	}
	ch.Bleeding = w.noise.bleedingChance(w.bleeding.sites, w.bleeding.first, w.bleeding.second)
}

func (th *tooth) depths() int {
	n := 0
	for s := range th.sites {
		if th.sites[s].depth >= 0 {
			n++
		}
	}
	return n
}

func answerOf(y chart.YesNo) *bool {
	if !y.Recorded() {
		return nil
	}
	v := y == chart.Yes
	return &v
}

func deeper(a, b chart.MM) chart.MM {
	if !a.Known() || b.Half() > a.Half() {
		return b
	}
	return a
}

func countDeep(t *Totals, depth int8) {
	if depth >= 4 {
		t.Ge4++
	}
	if depth >= 5 {
		t.Ge5++
	}
	if depth >= 6 {
		t.Ge6++
	}
}

func ratio(sum float64, n int) *float64 {
	if n == 0 {
		return nil
	}
	r := sum / float64(n)
	return &r
}

// residual lists what is left to treat at the later exam.
// Source: Sanz et al. 2020, doi:10.1111/jcpe.13290 (from memory): 4 and 5 mm that bleed are
// instrumented again, from 6 mm surgery is considered.
func (m *mouth) residual(out *Comparison) {
	worse := map[chart.SiteRef]bool{}
	for _, r := range out.WorseSites {
		worse[r] = true
	}
	for _, th := range m.scored {
		for s := range th.sites {
			v := &th.sites[s]
			ref := chart.SiteRef{Tooth: th.t, Site: chart.Site(s)}
			bleeds := v.flags[chart.Bleeding] == chart.Yes
			if v.depth >= endpointDepth {
				out.Residual6 = append(out.Residual6, ref)
			}
			if v.half > 2*endpointDry && bleeds {
				out.ResidualBleeding = append(out.ResidualBleeding, ref)
			}
			why := ""
			switch {
			case v.depth >= endpointDepth:
				why = "6 mm or more: consider surgery or referral"
			case v.depth >= stableBleedingDepth && bleeds:
				why = "4 to 5 mm with bleeding: repeat subgingival instrumentation"
			case worse[ref]:
				why = "worse by 2 mm or more: probe again, then decide"
			case v.flags[chart.Suppuration] == chart.Yes:
				why = "suppuration"
			default:
				continue
			}
			out.Retreat = append(out.Retreat, Retreat{ref, v.rec.Depth, why})
		}
	}
}

// afterwards adds the state of the later exam and says what limits the comparison.
func (w *comparing) afterwards() {
	out, b := &w.out, w.b
	cr := b.caseOf()
	if cr.answer != isYes {
		if was := w.a.caseOf(); was.answer == isYes {
			cr.answer = isYes // a periodontitis patient stays one
		}
	}
	t := b.tally()
	out.Endpoint, out.Gingiva = b.endpointOf(), b.gingivaOf(&cr, &t)[0]
	w.noteTeeth()
	w.notePockets()
	w.noteChance()
	w.noteTime()
	out.Provisional = len(out.NotRemeasured) > 0 || out.Unanswered > 0
}

func (w *comparing) note(when bool, format string, args ...any) {
	if when {
		w.out.Notes = append(w.out.Notes, fmt.Sprintf(format, args...))
	}
}

// noteTeeth names the teeth that are not compared.
func (w *comparing) noteTeeth() {
	out, b := &w.out, w.b
	w.note(w.a.n != b.n, "The two exams use different numberings; teeth are paired by position.")
	w.note(len(out.LostTeeth) > 0, "Lost since: tooth %s. Only sites that both exams recorded count in means and shares.", b.labels(out.LostTeeth))
	w.note(len(out.NewImplants) > 0, "Implant placed since: %s; not compared with the tooth.", b.labels(out.NewImplants))
	var swapped []chart.Tooth
	for i := range b.teeth {
		if was := w.a.find(b.teeth[i].t); was != nil && was.stand == implant && b.teeth[i].stand == natural {
			swapped = append(swapped, was.t)
		}
	}
	w.note(len(swapped) > 0, "An implant at the first exam and a natural tooth now, which cannot be: %s. Correct the wrong one; nothing is compared there.", b.labels(swapped))
	w.note(len(out.NewTeeth) > 0, "Present now but absent before: %s. Check both charts.", b.labels(out.NewTeeth))
}

// notePockets says which sites and pockets do not count, and why.
func (w *comparing) notePockets() {
	out := &w.out
	missed, left := len(out.NotRemeasured), out.Pockets-out.Remeasured
	w.note(missed > 0, "%s of the first exam on teeth that are still there were not probed again: not compared.", many(missed, "site"))
	w.note(left > 0, "%s of the first exam are on lost teeth or were not probed again: they leave the denominator of closed pockets.", many(left, "pocket"))
	w.note(out.Pockets == 0, "No pocket of 5 mm or more at the first exam: the share of closed pockets does not apply.")
	w.note(out.Unanswered > 0, "%s became shallow without an answer on bleeding: not counted as closed.", many(out.Unanswered, "pocket"))
	w.note(w.other, "Another examiner, probe or way of rounding: a change counts from 3 mm on, 2 mm is \"not sure\".")
	w.note(out.Receded > 0, "%s became shallow and dry because the margin receded; attachment was lost there: not counted as closed.", many(out.Receded, "pocket"))
}

// noteChance says what a change for the worse is worth.
func (w *comparing) noteChance() {
	out := &w.out
	for _, c := range [...]struct {
		what   string
		chance *Chance
	}{{"Attachment lost", &out.Chance.Worse}, {"New pockets", &out.Chance.NewPockets}} {
		verdict := "That does not exceed chance: single sites are questions, not findings."
		if c.chance.Beyond {
			verdict = "That is more than chance."
		}
		w.note(c.chance.Seen > 0, "%s: %s. %s", c.what, c.chance.text(), verdict)
	}
	w.note(len(out.WorseSites) > len(out.Confirmed) && !out.Chance.Worse.Beyond, "Measure the worse sites again at the same visit; a single site counts only when it is seen twice.")
}

// noteTime says what the time between the exams, and since therapy, means.
func (w *comparing) noteTime() {
	w.note(w.o.Therapy, "Active therapy lies between the two exams: what got better is healing, and no rate of progression follows from the difference.")
	days := w.o.Days
	if days == nil {
		return
	}
	w.out.Window = reevaluationWindow(*days)
	w.note(w.out.Window == "early", "Day %d after therapy: under 4 weeks, healing is not finished (common practice, no source).", *days)
	w.note(w.out.Window == "late", "Day %d after therapy: later than the usual 4 to 8 weeks (common practice, no source).", *days)
}

// reevaluationWindow says whether a day after non-surgical therapy lies in the usual 4 to 8 weeks:
// early, inside or late. Common practice, no source; texts disagree (Segelnick and Weinberg 2006,
// J Periodontol 77:1598-1601, abstract seen).
func reevaluationWindow(days int) string {
	switch {
	case days < reevaluationFirstDay:
		return "early"
	case days > reevaluationLastDay:
		return "late"
	}
	return "inside"
}
