package diagnosis

import (
	"fmt"
	"slices"

	"leadsman/chart"
)

type answer uint8

const (
	unsure answer = iota
	isNo
	isYes
)

func (a answer) word() string { return [...]string{"indeterminate", "no", "yes"}[a] }

// plain is the same for people.
func (a answer) plain() string { return [...]string{"not decided", "no", "yes"}[a] }

// caseResult is the answer of the case definition.
type caseResult struct {
	answer  answer   // as it counts, with the clinician's own answer and the history
	rule    answer   // by the readings alone
	byB     bool     // by middle sites only
	teeth   []*tooth // that meet the criterion
	finding Finding
}

// caseOf answers whether the mouth is a periodontitis case.
//
// A: at least two teeth with detectable interdental loss, among them two that are no neighbours.
// B: at least two teeth with a middle site of 3 mm loss or more and a depth over 3 mm at that site.
// Sites whose loss has another cause are left out; that is asked, the chart cannot know.
// Source: Papapanou et al. 2018, doi:10.1002/JPER.17-0721 (seen, secondary).
func (m *mouth) caseOf() caseResult {
	d := m.o.detectable()
	r := caseResult{finding: Finding{Code: "periodontitis.case", Rule: "CASE", Source: srcCase,
		Recorded: m.lossRecorded, Eligible: m.lossEligible}}
	f := &r.finding

	// A pair of measured margins goes before one that rests on assumed ones.
	a, b, found := m.pair(d, func(th *tooth, s chart.Site) bool { return th.sites[s].assumed })
	if !found && m.anyAssumed() {
		a, b, found = m.pair(d, nil)
	}
	mid := m.middleLoss()
	switch {
	case found:
		r.byPair(m, a, b)
		m.noteDetectable(f, d)
		m.askSecondMolars(f, d)
	case len(mid.teeth) >= caseTeeth:
		r.byMiddle(m, &mid)
	case m.bonePair() != [2]*tooth{}:
		r.byBone(m, m.bonePair())
	case m.pairPossible(d) || mid.possible >= caseTeeth:
		f.Text = "Whether this is a periodontitis case cannot be said: attachment loss is unknown at sites that could decide it."
		f.Missing = append(f.Missing, m.lossMissing("yes", "no"))
	default:
		r.rule = isNo
		f.Text = "No attachment loss at two teeth that are not neighbours, and none with depth at middle sites."
		if len(m.classed) < caseTeeth {
			f.Text = fmt.Sprintf("The case definition needs %d natural teeth; %d can be judged here.", caseTeeth, len(m.classed))
		}
		m.noteGreyZone(f)
	}
	m.assumed(f, r.rule == isNo && m.anyAssumed())
	r.answer = r.rule
	r.overrule(m.p)
	f.Value = word(r.answer.word())
	f.Provisional = f.Provisional || len(f.Missing) > 0 || r.answer == unsure
	return r
}

// byPair: criterion A is met.
func (r *caseResult) byPair(m *mouth, a, b *tooth) {
	f := &r.finding
	r.rule, r.teeth = isYes, []*tooth{a, b}
	f.Because = append(f.Because, a.siteEvidence(a.worstSite), b.siteEvidence(b.worstSite))
	f.Text = fmt.Sprintf("Interdental attachment loss at two teeth that are not neighbours (%s: %s mm, %s: %s mm).",
		m.at(a.t, a.worstSite), a.sites[a.worstSite].lossMM, m.at(b.t, b.worstSite), b.sites[b.worstSite].lossMM)
}

// byMiddle: criterion B is met. Interdental loss goes before middle sites for stage and extent, also where a radiograph shows it.
func (r *caseResult) byMiddle(m *mouth, mid *middleLoss) {
	f := &r.finding
	r.rule, r.byB, r.teeth = isYes, m.bonePair() == [2]*tooth{}, mid.teeth
	for i, th := range mid.teeth {
		f.Because = append(f.Because, th.siteEvidence(mid.sites[i]))
	}
	f.Text = fmt.Sprintf("Attachment loss of 3 mm or more with a depth over 3 mm at middle sites of %d teeth.", len(mid.teeth))
}

// byBone: criterion A is met where bone loss on a radiograph stands for attachment loss that is not known.
func (r *caseResult) byBone(m *mouth, pair [2]*tooth) {
	f := &r.finding
	r.rule, r.teeth = isYes, pair[:]
	var found [2]string
	for i, th := range pair {
		if th.byBone() {
			f.Because = append(f.Because, th.boneEvidence())
			found[i] = fmt.Sprintf("%s bone loss of %s percent on a radiograph", m.label(th.t), decimal(th.bone))
		} else {
			f.Because = append(f.Because, th.siteEvidence(th.worstSite))
			found[i] = fmt.Sprintf("%s attachment loss of %s mm", m.at(th.t, th.worstSite), th.sites[th.worstSite].lossMM)
		}
	}
	f.Text = "Loss at two teeth that are not neighbours: " + found[0] + ", " + found[1] + ". Where attachment loss is not known, bone loss stands for it."
	f.Missing = append(f.Missing, m.lossMissing("yes", "no"))
}

// overrule puts what is known of the patient over the readings: the clinician's own answer, and that a periodontitis patient stays one.
func (r *caseResult) overrule(p *chart.Patient) {
	f := &r.finding
	switch {
	case p.PeriodontitisConfirmed != nil:
		r.answer = isNo
		if *p.PeriodontitisConfirmed {
			r.answer = isYes
		}
		if r.answer != r.rule {
			f.Notes = append(f.Notes, "The clinician's own answer stands; by the readings alone it is: "+r.rule.plain()+".")
			f.Text = "The clinician answered " + r.answer.word() + "."
			f.Because = append(f.Because, input("periodontitis_confirmed", r.answer.word()))
		}
	case r.rule != isYes && (yes(p.HistoryOfPeriodontitis) || p.EarlierStage != ""):
		r.answer = isYes
		f.Notes = append(f.Notes, "By the readings of this exam alone it is: "+r.rule.plain()+".")
		f.Text = "Diagnosed before: a patient once diagnosed with periodontitis stays a periodontitis patient."
		if p.EarlierStage != "" {
			f.Because = append(f.Because, input("earlier_stage", p.EarlierStage))
		} else {
			f.Because = append(f.Because, input("history_of_periodontitis", "true"))
		}
		f.Source += "; " + srcGingiva
	}
}

// middleSites are the sites of criterion B.
var middleSites = [...]chart.Site{chart.B, chart.L}

// middleCase reports whether a middle site counts for criterion B.
func (v *site) middleCase() bool { return v.loss >= caseMidLoss && v.half > 2*caseMidDepth }

// middleLoss is what the middle sites say about criterion B.
type middleLoss struct {
	teeth    []*tooth     // that meet it
	sites    []chart.Site // of these teeth, the first that does
	possible int          // teeth that meet it or may
}

func (m *mouth) middleLoss() (mid middleLoss) {
	for _, th := range m.classed {
		met, maybe := false, false
		for _, s := range middleSites {
			v := &th.sites[s]
			switch {
			case v.excluded || m.ruledOut(th, v):
			case v.middleCase():
				if !met {
					mid.teeth, mid.sites = append(mid.teeth, th), append(mid.sites, s)
				}
				met = true
			case v.loss < 0 && (v.depth < 0 || v.half > 2*caseMidDepth):
				maybe = true
			}
		}
		if met || maybe {
			mid.possible++
		}
	}
	return mid
}

// pair finds the two teeth with the greatest interdental loss of at least d that are no neighbours.
// drop names sites that do not count.
func (m *mouth) pair(d int, drop func(*tooth, chart.Site) bool) (a, b *tooth, ok bool) {
	level := func(th *tooth) int {
		if drop == nil {
			return int(th.worst)
		}
		worst := -1
		for s := range th.sites {
			v := &th.sites[s]
			if chart.Site(s).Interdental() && !v.excluded && !drop(th, chart.Site(s)) {
				worst = max(worst, int(v.loss))
			}
		}
		return worst
	}
	best := -1
	levels := make([]int, 0, 32) // of all permanent teeth at most: on the stack
	for _, th := range m.classed {
		levels = append(levels, level(th))
	}
	for i, x := range m.classed {
		lx := levels[i]
		if lx < d {
			continue
		}
		for j, y := range m.classed[i+1:] {
			if ly := levels[i+1+j]; ly >= d && lx+ly > best && !m.adjacent(x.t, y.t) {
				a, b, ok, best = x, y, true, lx+ly
			}
		}
	}
	return a, b, ok
}

// bonePair finds two teeth that are no neighbours and have bone loss where attachment loss is not known, or one such and one with
// detectable loss of attachment. Bone loss stands in for attachment loss where that is not available.
// Source: Tonetti et al. 2018, doi:10.1002/JPER.18-0006 (seen, secondary).
func (m *mouth) bonePair() [2]*tooth {
	for i, x := range m.classed {
		for _, y := range m.classed[i+1:] {
			shows := func(th *tooth) bool { return th.byBone() || int(th.worst) >= m.o.detectable() }
			if shows(x) && shows(y) && (x.byBone() || y.byBone()) && !m.adjacent(x.t, y.t) {
				return [2]*tooth{x, y}
			}
		}
	}
	return [2]*tooth{}
}

func (th *tooth) boneEvidence() Evidence {
	e := input("bone_loss_percent", decimal(th.bone))
	e.Tooth = th.t
	return e
}

// pairPossible reports whether readings that are missing could make a pair.
func (m *mouth) pairPossible(d int) bool {
	for i, x := range m.classed {
		if !x.open && int(x.worst) < d {
			continue
		}
		for _, y := range m.classed[i+1:] {
			if (y.open || int(y.worst) >= d) && !m.adjacent(x.t, y.t) {
				return true
			}
		}
	}
	return false
}

// lossMissing lists the sites whose attachment loss is not known.
func (m *mouth) lossMissing(couldBe ...string) Missing {
	noDepth, hidden := false, 0
	sites := openSites(m.classed, func(th *tooth, s chart.Site) bool {
		v := &th.sites[s]
		open := v.loss < 0 && !v.excluded && !m.ruledOut(th, v)
		if open && (v.out || v.noLoss) {
			hidden++
		}
		noDepth = noDepth || open && v.depth < 0
		return open
	})
	q := "Where does the margin stand at these sites? Attachment loss is depth plus recession; margins that were not called are not taken as zero."
	in := "recession"
	if noDepth {
		q, in = "These sites lack a depth or a margin.", "depth,recession"
	}
	if hidden > 0 {
		q += fmt.Sprintf(" At %s something is in the way or the CEJ is hidden: probe after it is removed, or say what bone loss a radiograph shows.", fmt.Sprintf("%d of them", hidden))
	}
	return Missing{Input: in, Sites: sites, CouldBe: couldBe, Question: q}
}

// assumed reports whether the answer rests on margins that were not measured: without them it would be another. It then says so.
func (m *mouth) assumed(f *Finding, others ...bool) {
	if slices.ContainsFunc(f.Because, func(e Evidence) bool { return e.Assumed }) || slices.Contains(others, true) {
		f.Provisional = true
		f.Notes = append(f.Notes, "Rests on margins that were not measured: they are taken to be as the clinician chose for margins that were not called.")
	}
}

// noteDetectable says so when the answer rests on what counts as detectable: 1 mm or 2.
func (m *mouth) noteDetectable(f *Finding, d int) {
	if d > caseLoss {
		return
	}
	if _, _, ok := m.pair(d+1, nil); !ok {
		f.Notes = append(f.Notes, "The answer rests on 1 mm counting as detectable loss; with 2 mm it would be no case by interdental sites. One millimetre is within measurement error.")
	}
}

// askSecondMolars asks for the cause when only the distal sites of second molars decide.
func (m *mouth) askSecondMolars(f *Finding, d int) {
	distal7 := func(th *tooth, s chart.Site) bool { return th.t.Position() == 7 && s.Where() == chart.Distal }
	if _, _, ok := m.pair(d, distal7); ok {
		return
	}
	var sites []chart.SiteRef
	for _, th := range m.classed {
		for s, v := range th.sites {
			if distal7(th, chart.Site(s)) && int(v.loss) >= d && !v.excluded {
				sites = append(sites, chart.SiteRef{Tooth: th.t, Site: chart.Site(s)})
			}
		}
	}
	f.Missing = append(f.Missing, Missing{Input: "exclude", Sites: sites, CouldBe: []string{"yes", "no"},
		Question: "Only the distal of a second molar decides. Is its loss due to a malposed or removed third molar?"})
}

// noteGreyZone: deep loss at a single tooth is no case by count.
func (m *mouth) noteGreyZone(f *Finding) {
	for _, th := range m.classed {
		if int(th.worst) >= stageLossII {
			f.Because = append(f.Because, th.siteEvidence(th.worstSite))
			f.Notes = append(f.Notes, fmt.Sprintf("Not a case by count, but %s mm of loss at %s: destruction at a single place is a grey zone ("+srcGreyZone+"); the clinician judges.",
				th.sites[th.worstSite].lossMM, m.at(th.t, th.worstSite)))
			f.Provisional = true
		}
	}
}
