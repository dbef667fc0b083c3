package diagnosis

import (
	"fmt"
	"math"
	"strconv"

	"leadsman/chart"
)

// CompareOptions say what differs between two exams beside the mouth.
type CompareOptions struct {
	Options
	OtherExaminer bool // another examiner
	OtherProbe    bool // another probe or another way of rounding
	OtherMethod   bool // attachment loss measured directly in one of them: not classed then
	Days          *int // since the end of non-surgical therapy; nil if it is not known
	Therapy       bool // active therapy lies between the two exams: healing is expected
}

// Class is what a difference between two readings of a site means.
type Class string

const (
	NotCompared Class = "not-compared" // one reading is missing
	Improved    Class = "improved"
	WithinError Class = "within-error"
	Worse       Class = "worse"
	NotSure     Class = "not-sure" // 2 mm between different examiners or probes
)

// changeClass classes a difference, later less earlier. Within 1 mm is measurement error; with
// another examiner, probe or rounding a change needs 3 mm.
// Source: Andrade et al. 2012, doi:10.1590/S1806-83242012000100010 (repeats within 1 mm); the
// threshold and the stricter one are engineering choices.
func changeClass(before, after chart.MM, other bool) Class {
	if !before.Known() || !after.Known() {
		return NotCompared
	}
	d := after.Half() - before.Half()
	size := max(d, -d)
	switch {
	case size < 2*changeMM:
		return WithinError
	case other && size < 2*changeOtherExaminerMM:
		return NotSure
	case d < 0:
		return Improved
	}
	return Worse
}

// ChangeFrom is the least difference of two readings that ChangeClass takes for more than error.
func ChangeFrom(other bool) chart.MM {
	if other {
		return chart.Millimetres(changeOtherExaminerMM)
	}
	return chart.Millimetres(changeMM)
}

// SiteChange is one site at two exams.
type SiteChange struct {
	Tooth          chart.Tooth `json:"tooth"` // FDI
	Site           chart.Site  `json:"site"`
	DepthBefore    chart.MM    `json:"depthBefore"`
	DepthAfter     chart.MM    `json:"depthAfter"`
	LossBefore     chart.MM    `json:"lossBefore"` // attachment loss
	LossAfter      chart.MM    `json:"lossAfter"`
	BleedingBefore *bool       `json:"bleedingBefore"`
	BleedingAfter  *bool       `json:"bleedingAfter"`
	Depth          Class       `json:"depth"`
	Loss           Class       `json:"loss"`
	Pocket         bool        `json:"pocket"`    // 5 mm or more before
	Closed         bool        `json:"closed"`    // a pocket before; 4 mm at most and dry now
	Shallow        bool        `json:"shallow"`   // a pocket before; 4 mm at most now
	NewPocket      bool        `json:"newPocket"` // 5 mm or more now, under it before
	Became         Became      `json:"became"`    // what became of it, attachment before depth
	Confirmed      bool        `json:"confirmed"` // a change for the worse that both depths of a double reading show
	Denied         bool        `json:"denied"`    // the second depth of a double reading does not show it
	Note           string      `json:"note,omitempty"`
}

// Became is what became of a site. Attachment goes before depth: a pocket that is shallower because the margin receded has
// not healed. The arithmetic is that of ChangeClass; how many sites errors of measurement alone would class so stands in
// Comparison.Chance.
type Became string

const (
	BecameUnknown   Became = "not-compared"
	BecameSame      Became = "same"
	BecameClosed    Became = "closed"     // a pocket before, 4 mm at most and dry now, no attachment lost
	BecameBetter    Became = "better"     // attachment gained, or shallower where attachment is not known
	BecameShallower Became = "shallower"  // shallower with the same attachment: the margin receded
	BecameDeeper    Became = "deeper"     // deeper with the same attachment: the margin grew
	BecameWorse     Became = "worse"      // attachment lost, or deeper where attachment is not known
	BecameNewPocket Became = "new-pocket" // a pocket now and none before, no attachment lost by the threshold
	BecameNotSure   Became = "not-sure"   // 2 mm between two examiners or probes
)

// became judges a site by its classes.
func (c *SiteChange) became() Became {
	switch {
	case c.Depth == NotCompared:
		return BecameUnknown
	case c.Denied:
		return BecameSame
	case c.Loss == Worse, c.Loss == NotCompared && c.Depth == Worse:
		return BecameWorse
	case c.Closed:
		return BecameClosed
	case c.NewPocket:
		return BecameNewPocket
	case c.Loss == Improved, c.Loss == NotCompared && c.Depth == Improved:
		return BecameBetter
	case c.Depth == Improved:
		return BecameShallower
	case c.Depth == Worse:
		return BecameDeeper
	case c.Loss == NotSure || c.Depth == NotSure:
		return BecameNotSure
	}
	return BecameSame
}

// ToothChange sums up one tooth.
type ToothChange struct {
	Tooth         chart.Tooth `json:"tooth"`
	Matched       int         `json:"matched"` // sites with a depth at both exams
	Improved      int         `json:"improved"`
	Within        int         `json:"withinError"`
	Worse         int         `json:"worse"`
	NotSure       int         `json:"notSure"`
	DeepestBefore chart.MM    `json:"deepestBefore"` // of the matched sites
	DeepestAfter  chart.MM    `json:"deepestAfter"`
	LossMatched   int         `json:"lossMatched"` // sites with an attachment loss at both exams
	LossImproved  int         `json:"lossImproved"`
	LossWorse     int         `json:"lossWorse"`
	LossNotSure   int         `json:"lossNotSure"`
	WorstBefore   chart.MM    `json:"worstBefore"` // greatest attachment loss of these sites
	WorstAfter    chart.MM    `json:"worstAfter"`
}

// Totals are numbers of one exam over the sites that both exams recorded, so that a lost tooth
// does not make a mean look better.
type Totals struct {
	Depths          int      `json:"depths"` // matched sites with a depth
	MeanDepth       *float64 `json:"meanDepth"`
	Losses          int      `json:"losses"`
	MeanLoss        *float64 `json:"meanLoss"`
	Ge4             int      `json:"ge4"`
	Ge5             int      `json:"ge5"`
	Ge6             int      `json:"ge6"`
	BleedingSites   int      `json:"bleedingSites"` // matched sites with an answer
	BleedingPercent *float64 `json:"bleedingPercent"`
	PlaqueSites     int      `json:"plaqueSites"`
	PlaquePercent   *float64 `json:"plaquePercent"`
}

// Retreat is a site to look at again, with the reason.
type Retreat struct {
	chart.SiteRef
	Depth chart.MM `json:"depth"`
	Why   string   `json:"why"`
}

// Comparison is what changed between two exams of one mouth.
type Comparison struct {
	Sites         []SiteChange    `json:"sites"` // sites with a depth at either exam, by FDI number
	Teeth         []ToothChange   `json:"teeth"`
	Before        Totals          `json:"before"`
	After         Totals          `json:"after"`
	Improved      int             `json:"improved"` // by depth
	Within        int             `json:"withinError"`
	Worse         int             `json:"worse"`
	NotSure       int             `json:"notSure"`
	LossImproved  int             `json:"lossImproved"` // by attachment
	LossWithin    int             `json:"lossWithinError"`
	LossWorse     int             `json:"lossWorse"`
	LossNotSure   int             `json:"lossNotSure"`
	LostTeeth     chart.Teeth     `json:"lostTeeth"`
	NewImplants   chart.Teeth     `json:"newImplants"`
	NewTeeth      chart.Teeth     `json:"newTeeth"` // present now, absent before: look again
	NotRemeasured []chart.SiteRef `json:"notRemeasured"`

	Pockets       int      `json:"pockets"`    // at the first exam, on teeth that are still there or not
	Remeasured    int      `json:"remeasured"` // of them
	Closed        int      `json:"closed"`
	Shallow       int      `json:"shallow"`
	Unanswered    int      `json:"unanswered"` // shallow, bleeding not recorded: not counted as closed
	Receded       int      `json:"receded"`    // shallow and dry, but attachment was lost: not counted as closed
	NewPockets    int      `json:"newPockets"`
	ClosedPercent *float64 `json:"closedPercent"` // of the remeasured; nil without pockets

	Residual6        []chart.SiteRef `json:"residual6"`        // 6 mm and more now
	ResidualBleeding []chart.SiteRef `json:"residualBleeding"` // 5 mm and more, bleeding
	WorseSites       []chart.SiteRef `json:"worseSites"`       // by attachment, or by depth where it is not known: probe again before they count
	Confirmed        []chart.SiteRef `json:"confirmed"`        // of these, measured twice
	Retreat          []Retreat       `json:"retreat"`

	Chance      Chances     `json:"chance"`
	Error       *ErrorModel `json:"error"`    // what the figures of chance rest on
	Endpoint    Finding     `json:"endpoint"` // of the later exam
	Gingiva     Finding     `json:"gingiva"`  // of the later exam; a patient stays one
	Window      string      `json:"window"`   // early, inside, late or ""
	Provisional bool        `json:"provisional"`
	Notes       []string    `json:"notes"`
}

// Chances sets beside each change what errors of measurement alone give.
type Chances struct {
	Worse      Chance `json:"worse"`    // attachment lost by 2 mm or more
	Improved   Chance `json:"improved"` // attachment gained
	Deeper     Chance `json:"deeper"`   // depth
	Shallower  Chance `json:"shallower"`
	NewPockets Chance `json:"newPockets"`
	Closed     Chance `json:"closed"`
	Bleeding   Chance `json:"bleeding"` // bleeding sites more (or, negative, fewer) than before
}

// Compare pairs two exams of one mouth site by site. Both may be in any numbering.
func Compare(before, after *chart.Chart, o CompareOptions) Comparison {
	a, b := newMouth(before, &o.Options), newMouth(after, &o.Options)
	var out Comparison
	other := o.OtherExaminer || o.OtherProbe
	var sums [2]struct{ depth, loss, bleed, plaque int }
	bleedSites, plaqueSites := 0, 0
	limit, noise := threshold(other), o.errors()
	out.Error = noise
	levels := a.depthLevels()
	var depths, losses differences
	var crossings []crossing
	shallowed := 0 // sites that were pockets
	for i := range b.teeth {
		now := &b.teeth[i]
		was := a.find(now.t)
		if was == nil {
			if now.stand != gone {
				out.NewTeeth = append(out.NewTeeth, now.t)
			}
			continue
		}
		switch {
		case was.stand == natural && now.stand == gone:
			out.LostTeeth = append(out.LostTeeth, now.t)
		case was.stand != implant && now.stand == implant:
			out.NewImplants = append(out.NewImplants, now.t)
		case was.stand == gone && now.stand == natural && now.mentioned && now.depths() > 0:
			out.NewTeeth = append(out.NewTeeth, now.t)
		}
		if was.stand != natural {
			continue
		}
		tc := ToothChange{Tooth: now.t}
		for s := range now.sites {
			x := &was.sites[s]
			ref := chart.SiteRef{Tooth: now.t, Site: chart.Site(s)}
			pocket := x.depth >= closureBaseline
			if pocket {
				out.Pockets++
			}
			if now.stand != natural {
				continue
			}
			y := &now.sites[s]
			if x.depth < 0 && y.depth < 0 {
				continue
			}
			if x.depth >= 0 && y.depth < 0 {
				out.NotRemeasured = append(out.NotRemeasured, ref)
			}
			c := SiteChange{Tooth: now.t, Site: ref.Site, DepthBefore: x.rec.Depth, DepthAfter: y.rec.Depth, LossBefore: x.lossMM, LossAfter: y.lossMM,
				BleedingBefore: answerOf(x.flags[chart.Bleeding]), BleedingAfter: answerOf(y.flags[chart.Bleeding]),
				Depth: changeClass(x.rec.Depth, y.rec.Depth, other), Loss: changeClass(x.lossMM, y.lossMM, other)}
			sp := noise.at(now.t, ref.Site, x.rec.Depth, other)
			switch {
			case c.Loss != NotCompared && (o.OtherMethod || x.clamped || y.clamped):
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
			if x.depth >= 0 && y.depth >= 0 {
				tc.Matched++
				tc.DeepestBefore, tc.DeepestAfter = deeper(tc.DeepestBefore, c.DepthBefore), deeper(tc.DeepestAfter, c.DepthAfter)
				sums[0].depth += c.DepthBefore.Half()
				sums[1].depth += c.DepthAfter.Half()
				depths.add(sp, c.DepthAfter.Half()-c.DepthBefore.Half())
				crossings = append(crossings, crossing{sp, x.depth, x.flags[chart.Bleeding]})
				countDeep(&out.Before, x.depth)
				countDeep(&out.After, y.depth)
				switch c.Depth {
				case Improved:
					tc.Improved++
				case WithinError:
					tc.Within++
				case Worse:
					tc.Worse++
				case NotSure:
					tc.NotSure++
				}
				if pocket {
					c.Pocket = true
					out.Remeasured++
					if y.depth <= closedDepth {
						shallowed++
					}
					if y.half <= 2*closedDepth {
						c.Shallow = true
						out.Shallow++
						switch y.flags[chart.Bleeding] {
						case chart.No:
							if c.Loss == Worse {
								out.Receded++
								break
							}
							c.Closed = true
							out.Closed++
						case chart.NotRecorded:
							out.Unanswered++
						}
					}
				} else if y.depth >= closureBaseline {
					c.NewPocket = true
					out.NewPockets++
				}
			}
			if c.Loss != NotCompared {
				tc.LossMatched++
				tc.WorstBefore, tc.WorstAfter = deeper(tc.WorstBefore, c.LossBefore), deeper(tc.WorstAfter, c.LossAfter)
				losses.add(sp, c.LossAfter.Half()-c.LossBefore.Half())
				switch c.Loss {
				case Improved:
					tc.LossImproved++
				case WithinError:
					out.LossWithin++
				case Worse:
					tc.LossWorse++
				case NotSure:
					tc.LossNotSure++
				}
			}
			if again := y.rec.Again; again.Known() && (c.Loss == Worse || c.Depth == Worse) {
				c.Confirmed = again.Half()-y.rec.Depth.Half()+c.rise() >= 2*limit
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
				sums[0].loss += c.LossBefore.Half()
				sums[1].loss += c.LossAfter.Half()
			}
			match := func(f chart.Flag, n *int, before, after *int) {
				if x.flags[f].Recorded() && y.flags[f].Recorded() {
					*n++
					if x.flags[f] == chart.Yes {
						*before++
					}
					if y.flags[f] == chart.Yes {
						*after++
					}
				}
			}
			match(chart.Bleeding, &bleedSites, &sums[0].bleed, &sums[1].bleed)
			match(chart.Plaque, &plaqueSites, &sums[0].plaque, &sums[1].plaque)
			out.Sites = append(out.Sites, c)
		}
		if now.stand == natural && tc.Matched > 0 {
			out.Teeth = append(out.Teeth, tc)
			out.Improved += tc.Improved
			out.Within += tc.Within
			out.Worse += tc.Worse
			out.NotSure += tc.NotSure
			out.LossImproved += tc.LossImproved
			out.LossWorse += tc.LossWorse
			out.LossNotSure += tc.LossNotSure
			out.Before.Depths += tc.Matched
		}
	}
	out.After.Depths, out.After.Losses = out.Before.Depths, out.Before.Losses
	for i, t := range []*Totals{&out.Before, &out.After} {
		t.MeanDepth = ratio(float64(sums[i].depth)/2, t.Depths)
		t.MeanLoss = ratio(float64(sums[i].loss)/2, t.Losses)
		t.BleedingSites, t.BleedingPercent = bleedSites, ratio(100*float64(sums[i].bleed), bleedSites)
		t.PlaqueSites, t.PlaquePercent = plaqueSites, ratio(100*float64(sums[i].plaque), plaqueSites)
	}
	ch := &out.Chance
	ch.NewPockets, ch.Closed = depths.crossed(crossings, levels, noise, &a.answers)
	ch.NewPockets.Seen, ch.Closed.Seen = out.NewPockets, out.Closed
	ch.Worse, ch.Improved = losses.chances(limit, out.LossWorse, out.LossImproved)
	ch.Deeper, ch.Shallower = depths.chances(limit, out.Worse, out.Improved)
	for _, n := range [...]struct {
		chance *Chance
		back   int // sites that changed the other way: unchanged, as many
	}{{&ch.Worse, out.LossImproved}, {&ch.Improved, out.LossWorse}, {&ch.Deeper, out.Improved}, {&ch.Shallower, out.Worse}, {&ch.NewPockets, shallowed}, {&ch.Closed, out.NewPockets}} {
		n.chance.close()
		n.chance.Beyond = n.chance.Beyond && signTest(n.chance.Seen, n.back) <= chanceSign
	}
	ch.Bleeding = noise.bleedingChance(bleedSites, sums[0].bleed, sums[1].bleed)
	out.ClosedPercent = ratio(100*float64(out.Closed), out.Remeasured)
	b.residual(&out)
	out.afterwards(a, b, &o)
	out.Sites, out.Teeth, out.Retreat, out.Notes = list(out.Sites), list(out.Teeth), list(out.Retreat), list(out.Notes)
	for _, l := range []*[]chart.SiteRef{&out.NotRemeasured, &out.Residual6, &out.ResidualBleeding, &out.WorseSites, &out.Confirmed} {
		*l = list(*l)
	}
	return out
}

// rise is by how much a site that got worse did so, in half-millimetres: in attachment, or in depth where that is not known.
func (c *SiteChange) rise() int {
	if c.Loss == Worse {
		return c.LossAfter.Half() - c.LossBefore.Half()
	}
	return c.DepthAfter.Half() - c.DepthBefore.Half()
}

// depthLevels are the depths of a mouth in whole millimetres, and by spread what each weighs.
type depthLevels struct {
	count   [chart.MaxDepth + 1]float64
	weights map[spread]*[chart.MaxDepth + 1]float64
}

func (m *mouth) depthLevels() *depthLevels {
	l := &depthLevels{weights: map[spread]*[chart.MaxDepth + 1]float64{}}
	for i := range l.count {
		l.count[i] = 0.5 // none is impossible
	}
	for _, th := range m.scored {
		for s := range th.sites {
			if d := th.sites[s].depth; d >= 0 {
				l.count[d]++
			}
		}
	}
	return l
}

// weigh finds weights w such that w[x] w[y] s(y-x), summed over y, is the number of sites read as x: pairs of readings of an unchanged
// mouth, in which either reading has the mouth's distribution of depths and both differ as the spread says. It is found by iteration.
func (l *depthLevels) weigh(s *spread) *[chart.MaxDepth + 1]float64 {
	if w := l.weights[*s]; w != nil {
		return w
	}
	w := new([chart.MaxDepth + 1]float64)
	for x := range w {
		w[x] = math.Sqrt(l.count[x])
	}
	for range 40 {
		next := *w
		for x := range w {
			sum := 0.0
			for y := range w {
				sum += w[y] * s.of(y-x)
			}
			next[x] = math.Sqrt(w[x] * l.count[x] / sum)
		}
		*w = next
	}
	l.weights[*s] = w
	return w
}

// crosses is the chance that a second reading of a site lies on the other side of the limit of a pocket although nothing
// changed. A reading that is rare in the mouth is likelier a misreading of a common one than the other way round: that is the
// regression to the mean of sites chosen because they were deep. shift is the share of the sites that read 1 mm more (negative: less).
func (l *depthLevels) crosses(s *spread, depth int8, shift float64) float64 {
	w := l.weigh(s)
	pocket := depth >= closureBaseline
	share, by := math.Abs(shift), 1
	if shift < 0 {
		by = -1
	}
	over, all := 0.0, 0.0
	for y, n := range w {
		p := n * s.of(y-int(depth))
		all += p
		if pocket == (y <= closedDepth) {
			over += p * (1 - share)
		}
		if pocket == (y+by <= closedDepth) {
			over += p * share
		}
	}
	if all == 0 {
		return 0
	}
	return over / all
}

// crossing is a reading that may lie on the other side of the limit of a pocket when it is repeated.
type crossing struct {
	spread *spread
	depth  int8
	bled   chart.YesNo
}

// crossed is how many new pockets and how many closed ones a repeated exam has without any change.
func (d *differences) crossed(all []crossing, levels *depthLevels, noise *ErrorModel, mouth *bleedingAnswers) (opened, closed Chance) {
	shift, scatter := d.shift(), d.scatter()
	for _, c := range all {
		s := c.spread.wider(scatter)
		pocket := c.depth >= closureBaseline
		if p := levels.crosses(&s, c.depth, shift); pocket {
			closed.Sites++
			closed.Expected += p * noise.dry(c.bled, mouth)
		} else {
			opened.Sites++
			opened.Expected += p
		}
	}
	return opened, closed
}

// chances are the sites that read more by the limit, and those that read less.
func (d *differences) chances(limit, more, less int) (up, down Chance) {
	shift := d.shift()
	return Chance{Sites: d.sites, Seen: more, Expected: d.expected(limit, shift)}, Chance{Sites: d.sites, Seen: less, Expected: d.expected(limit, -shift)}
}

// dry is the chance that a site does not bleed at a second look, given the first.
func (m *ErrorModel) dry(was chart.YesNo, mouth *bleedingAnswers) float64 {
	if mouth.sites == 0 {
		return 1
	}
	dry := 1 - float64(mouth.yes)/float64(mouth.sites)
	switch was {
	case chart.Yes:
		return (1 - m.bleeding) * dry
	case chart.No:
		return m.bleeding + (1-m.bleeding)*dry
	}
	return dry
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
func (out *Comparison) afterwards(a, b *mouth, o *CompareOptions) {
	note := func(format string, args ...any) { out.Notes = append(out.Notes, fmt.Sprintf(format, args...)) }
	cr := b.caseOf()
	if cr.answer != isYes {
		if was := a.caseOf(); was.answer == isYes {
			cr.answer = isYes // a periodontitis patient stays one
		}
	}
	t := b.tally()
	out.Endpoint, out.Gingiva = b.endpointOf(), b.gingivaOf(&cr, &t)[0]
	if a.n != b.n {
		note("The two exams use different numberings; teeth are paired by position.")
	}
	if len(out.LostTeeth) > 0 {
		note("Lost since: tooth %s. Only sites that both exams recorded count in means and shares.", b.labels(out.LostTeeth))
	}
	if len(out.NewImplants) > 0 {
		note("Implant placed since: %s; not compared with the tooth.", b.labels(out.NewImplants))
	}
	var swapped []chart.Tooth
	for i := range b.teeth {
		if was := a.find(b.teeth[i].t); was != nil && was.stand == implant && b.teeth[i].stand == natural {
			swapped = append(swapped, was.t)
		}
	}
	if len(swapped) > 0 {
		note("An implant at the first exam and a natural tooth now, which cannot be: %s. Correct the wrong one; nothing is compared there.", b.labels(swapped))
	}
	if len(out.NewTeeth) > 0 {
		note("Present now but absent before: %s. Check both charts.", b.labels(out.NewTeeth))
	}
	if n := len(out.NotRemeasured); n > 0 {
		note("%s of the first exam on teeth that are still there were not probed again: not compared.", many(n, "site"))
	}
	if n := out.Pockets - out.Remeasured; n > 0 {
		note("%s of the first exam are on lost teeth or were not probed again: they leave the denominator of closed pockets.", many(n, "pocket"))
	}
	if out.Pockets == 0 {
		note("No pocket of 5 mm or more at the first exam: the share of closed pockets does not apply.")
	}
	if out.Unanswered > 0 {
		note("%s became shallow without an answer on bleeding: not counted as closed.", many(out.Unanswered, "pocket"))
	}
	if o.OtherExaminer || o.OtherProbe {
		note("Another examiner, probe or way of rounding: a change counts from 3 mm on, 2 mm is \"not sure\".")
	}
	if out.Receded > 0 {
		note("%s became shallow and dry because the margin receded; attachment was lost there: not counted as closed.", many(out.Receded, "pocket"))
	}
	for _, c := range []struct {
		what   string
		chance Chance
	}{{"Attachment lost", out.Chance.Worse}, {"New pockets", out.Chance.NewPockets}} {
		if c.chance.Seen > 0 {
			note("%s: %s. %s", c.what, c.chance.text(), map[bool]string{true: "That is more than chance.", false: "That does not exceed chance: single sites are questions, not findings."}[c.chance.Beyond])
		}
	}
	if n := len(out.WorseSites) - len(out.Confirmed); n > 0 && !out.Chance.Worse.Beyond {
		note("Measure the worse sites again at the same visit; a single site counts only when it is seen twice.")
	}
	if o.Therapy {
		note("Active therapy lies between the two exams: what got better is healing, and no rate of progression follows from the difference.")
	}
	if o.Days != nil {
		out.Window = reevaluationWindow(*o.Days)
		switch out.Window {
		case "early":
			note("Day %d after therapy: under 4 weeks, healing is not finished (common practice, no source).", *o.Days)
		case "late":
			note("Day %d after therapy: later than the usual 4 to 8 weeks (common practice, no source).", *o.Days)
		}
	}
	out.Provisional = len(out.NotRemeasured) > 0 || out.Unanswered > 0
}

// many writes a number with its noun: "1 site", "3 sites", "2 teeth".
func many(n int, noun string) string {
	switch {
	case n == 1:
		return "1 " + noun
	case noun == "tooth":
		return strconv.Itoa(n) + " teeth"
	}
	return strconv.Itoa(n) + " " + noun + "s"
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
