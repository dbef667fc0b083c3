package diagnosis

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"leadsman/chart"
)

var stageWords = [...]string{"indeterminate", "I", "II", "III", "IV"}

func stageNumber(word string) int { return max(0, slices.Index(stageWords[:], word)) }

// factor is a local complexity factor as the chart or the answers propose it.
type factor struct {
	name     string
	level    int // the stage that it raises to
	tooth    *tooth
	because  Evidence
	decision string // confirmed, rejected or ""
}

// stageInputs is all that decides the stage.
type stageInputs struct {
	severity  int  // band of attachment or bone loss: 0 unknown, 1, 2, 3
	lost      int  // teeth lost to periodontitis
	local     int  // highest stage of the local factors that count, 0 if none
	confirmed bool // a factor of stage IV is confirmed
	earlier   int  // highest stage ever given
}

// stage combines them. It returns 0 if nothing is known.
// Source: Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 3; that factors are weighed and the
// stage never falls: Kornman and Papapanou 2020, doi:10.1002/JPER.19-0557.
func (in stageInputs) stage() int {
	s := in.severity
	switch {
	case in.lost >= stageLostIV:
		s = max(s, 4)
	case in.lost >= stageLostIII:
		s = max(s, 3)
	}
	s = max(s, in.local)
	if s == 3 && in.confirmed {
		s = 4
	}
	return max(s, in.earlier)
}

// bySeverity is the stage by severity and tooth loss alone.
func (in stageInputs) bySeverity() int {
	return stageInputs{severity: in.severity, lost: in.lost}.stage()
}

func lossBand(mm int) int {
	switch {
	case mm >= stageLossIII:
		return 3
	case mm >= stageLossII:
		return 2
	case mm >= caseLoss:
		return 1
	}
	return 0
}

func boneBand(percent float64) int {
	switch {
	case percent > stageBonePercentIII:
		return 3
	case percent >= stageBonePercentII:
		return 2
	}
	return 1
}

type stageResult struct {
	in      stageInputs
	stage   int
	factors []factor
	byBone  bool // the severity band is of bone loss
	finding Finding
	alone   Finding // by severity alone
}

// stageOf proposes the stage of a case.
func (m *mouth) stageOf(cr *caseResult) stageResult {
	r := stageResult{}
	f := &r.finding
	*f = Finding{Code: "periodontitis.stage", Rule: "STAGE", Source: srcStage, Recorded: m.lossRecorded, Eligible: m.lossEligible}
	r.factors = m.factors()
	in := &r.in
	var byTooth *tooth // whose bone loss gives the band although attachment loss is known elsewhere

	// Severity.
	worst := m.worst(cr)
	band := 0
	if worst.Loss.Known() {
		band = lossBand(int(m.whole(worst.Loss)))
	}
	bone, boneKnown := m.boneBand()
	switch {
	case band > 0:
		in.severity = band
		f.Because = append(f.Because, worst)
		if boneKnown && bone != band {
			f.Notes = append(f.Notes, fmt.Sprintf("Attachment loss speaks for stage %s and bone loss for stage %s; attachment loss decides. Check both.", stageWords[band], stageWords[bone]))
			f.Because = append(f.Because, m.boneEvidence()...)
		}
	case boneKnown:
		in.severity, r.byBone = bone, true
		f.Because = append(f.Because, m.boneEvidence()...)
	}
	// Where a tooth's attachment loss is not known everywhere, its bone loss speaks for it.
	for _, th := range m.classed {
		if b := boneBand(max(th.bone, 0)); th.byBone() && b > in.severity {
			in.severity = b
			f.Because = append(f.Because, th.boneEvidence())
			f.Notes = append(f.Notes, fmt.Sprintf("At %s attachment loss is not known everywhere; bone loss of %s percent gives the band.", m.label(th.t), decimal(th.bone)))
			byTooth = th
		}
	}
	if cr.byB && band > 0 {
		f.Notes = append(f.Notes, "The case rests on middle sites, so their attachment loss gives the band (engineering choice).")
	}

	// Teeth lost to periodontitis.
	in.lost = m.lost
	lostKnown := len(m.lostUnknown) == 0
	if n := m.p.TeethLostPeriodontitis; n != nil {
		if *n < m.lost {
			f.Notes = append(f.Notes, "More teeth are marked lost to periodontitis than the number that was asked says; the greater one counts.")
		}
		in.lost, lostKnown = max(*n, m.lost), true
	}
	if in.lost > 0 {
		f.Because = append(f.Because, input("teeth_lost_periodontitis", strconv.Itoa(in.lost)))
	}
	if in.lost >= stageLostIV && in.severity > 0 && in.severity < 3 {
		f.Notes = append(f.Notes, "The loss that is left is small, but five or more teeth are lost to periodontitis: the worst teeth are gone.")
	}

	// Local factors. The ones of stage IV count only on top of stage III and once confirmed.
	sure := *in // without what waits for a decision
	for i := range r.factors {
		fc := &r.factors[i]
		switch {
		case fc.decision == "rejected":
		case fc.level == 4:
			in.confirmed = in.confirmed || fc.decision == "confirmed"
		case m.o.Complexity == Off:
		default:
			in.local = max(in.local, fc.level)
			if fc.decision == "confirmed" || m.o.Complexity == Auto {
				sure.local = max(sure.local, fc.level)
			}
		}
	}
	sure.confirmed = in.confirmed
	in.earlier, sure.earlier = stageNumber(m.p.EarlierStage), stageNumber(m.p.EarlierStage)

	r.stage = in.stage()
	if cr.answer == unsure {
		r.stage = 0
	}
	f.Value = word(stageWords[r.stage])

	// Why, in one sentence.
	alone := in.bySeverity()
	var why []string
	switch {
	case in.severity == 0:
	case r.byBone:
		why = append(why, "bone loss alone gives the band, attachment loss is not known")
	case byTooth != nil:
		why = append(why, fmt.Sprintf("bone loss of %s percent at %s", decimal(byTooth.bone), m.label(byTooth.t)))
	default:
		why = append(why, fmt.Sprintf("worst attachment loss %s mm at %s", worst.Loss, m.at(worst.Tooth, worst.Site)))
	}
	if in.lost > 0 {
		why = append(why, many(in.lost, "tooth")+" lost to periodontitis")
	}
	for i := range r.factors {
		fc := &r.factors[i]
		counts := fc.decision != "rejected" && (fc.level == 4 && r.stage == 4 && fc.decision == "confirmed" ||
			fc.level < 4 && m.o.Complexity != Off && fc.level == in.local && in.local > alone)
		if counts {
			f.Because = append(f.Because, fc.because)
			if w := m.factorText(fc); !slices.Contains(why, w) {
				why = append(why, w)
			}
		}
	}
	if in.earlier == r.stage && in.earlier > (stageInputs{in.severity, in.lost, in.local, in.confirmed, 0}).stage() {
		why = append(why, "the stage given earlier is kept")
		f.Because = append(f.Because, input("earlier_stage", m.p.EarlierStage))
	}
	m.stageMissing(&r, cr, sure, lostKnown)
	f.AtLeast = f.AtLeast && r.stage > 0
	switch {
	case cr.answer == unsure:
		f.Text = "No stage: it is not clear whether this is a periodontitis case."
		if s := in.stage(); s > 0 {
			f.Notes = append(f.Notes, "If the clinician confirms the case, what is known speaks for stage "+stageWords[s]+".")
		}
	case r.stage == 0:
		f.Text = "The stage cannot be determined: neither attachment loss nor bone loss is known."
	case f.AtLeast:
		f.Text = "Stage " + stageWords[r.stage] + " at least: " + strings.Join(why, "; ") + "."
	default:
		f.Text = "Stage " + stageWords[r.stage] + ": " + strings.Join(why, "; ") + "."
	}
	if r.stage > 0 && in.severity == 0 {
		f.Notes = append(f.Notes, "Severity is not known, so this is only a lower bound.")
	}
	f.Provisional = r.stage == 0 || f.AtLeast || sure.stage() != in.stage() || f.open()
	m.assumed(f, r.stage > 0 && m.anyAssumed())

	r.alone = Finding{Code: "periodontitis.stage_by_severity", Rule: "STAGE", Source: srcStage, Value: word("indeterminate"),
		AtLeast: f.AtLeast, Provisional: f.AtLeast || in.severity == 0, Recorded: f.Recorded, Eligible: f.Eligible,
		Text: "Stage by severity and tooth loss alone: not determinable."}
	if alone > 0 && cr.answer == isYes {
		r.alone.Value = word(stageWords[alone])
		r.alone.Text = "By severity and tooth loss alone, without local factors: stage " + stageWords[alone] + "."
		if worst.Loss.Known() {
			r.alone.Because = []Evidence{worst}
		}
	}
	return r
}

// worst is the site of the greatest attachment loss that counts for the band.
func (m *mouth) worst(cr *caseResult) Evidence {
	var top *tooth
	for _, th := range m.classed {
		if th.worst >= 0 && (top == nil || th.worst > top.worst || th.worst == top.worst && th.sites[th.worstSite].lossMM.Half() > top.sites[top.worstSite].lossMM.Half()) {
			top = th
		}
	}
	if top != nil && top.worst >= caseLoss {
		return top.siteEvidence(top.worstSite)
	}
	if cr.byB {
		var best Evidence
		for _, th := range cr.teeth {
			for _, s := range [...]chart.Site{chart.B, chart.L} {
				v := &th.sites[s]
				if v.loss >= caseMidLoss && v.half > 2*caseMidDepth && !v.excluded && (!best.Loss.Known() || v.lossMM.Half() > best.Loss.Half()) {
					best = th.siteEvidence(s)
				}
			}
		}
		return best
	}
	if top != nil {
		return top.siteEvidence(top.worstSite)
	}
	return Evidence{Site: chart.NumSites}
}

// boneBand is the band of the greatest bone loss that is known.
func (m *mouth) boneBand() (band int, ok bool) {
	if p := m.p.BoneLossPercent; p != nil {
		band, ok = boneBand(*p), true
	}
	for _, th := range m.classed {
		if th.bone >= 0 {
			band, ok = max(band, boneBand(th.bone)), true
		}
	}
	if yes(m.p.BoneLossMiddleThird) {
		band, ok = 3, true
	}
	return band, ok
}

func (m *mouth) boneEvidence() []Evidence {
	var out []Evidence
	if p := m.p.BoneLossPercent; p != nil {
		out = append(out, input("bone_loss_percent", decimal(*p)))
	}
	if yes(m.p.BoneLossMiddleThird) {
		out = append(out, input("bone_loss_middle_third", "true"))
	}
	for _, th := range m.classed {
		if th.bone >= 0 {
			out = append(out, th.boneEvidence())
		}
	}
	return out
}

func decimal(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// factors lists the local complexity factors with the clinician's decisions.
func (m *mouth) factors() []factor {
	list := make([]factor, 0, 16)
	add := func(name string, level int, th *tooth, because Evidence) {
		t := chart.Tooth(0)
		if th != nil {
			t = th.t
		}
		list = append(list, factor{name, level, th, because, m.p.FactorDecision(name, t)})
	}
	for _, th := range m.classed {
		deep := chart.NumSites
		for s := range th.sites {
			v := &th.sites[s]
			if !v.excluded && v.depth >= stageDepthII && (deep == chart.NumSites || v.depth > th.sites[deep].depth) {
				deep = chart.Site(s)
			}
		}
		if deep < chart.NumSites {
			if th.sites[deep].depth >= stageDepthIII {
				add("depth_6", 3, th, th.depthEvidence(deep))
			} else {
				add("depth_5", 2, th, th.depthEvidence(deep))
			}
		}
		for e, g := range th.rec.Furcation {
			if g.Recorded() && g.Value() >= stageFurcationIII {
				add("furcation", 3, th, Evidence{Tooth: th.t, Site: chart.NumSites, Furcation: g, Entrance: chart.Entrance(e)})
			}
		}
		if v := th.asked.VerticalLossMM; v != nil && *v >= stageVerticalIII {
			e := input("vertical_loss_mm", decimal(*v))
			e.Tooth = th.t
			add("vertical_loss", 3, th, e)
		}
	}
	if v := m.p.VerticalLossMM; v != nil && *v >= stageVerticalIII {
		add("vertical_loss", 3, nil, input("vertical_loss_mm", decimal(*v)))
	}
	if m.p.RidgeDefect == "moderate" {
		add("ridge_moderate", 3, nil, input("ridge_defect", "moderate"))
	}
	// An answer of true is the clinician's confirmation of a factor of stage IV.
	four := func(name, key string, answer *bool) {
		if answer == nil {
			return
		}
		add(name, 4, nil, input(key, strconv.FormatBool(*answer)))
		if fc := &list[len(list)-1]; fc.decision == "" {
			fc.decision = map[bool]string{true: "confirmed", false: "rejected"}[*answer]
		}
	}
	four("rehabilitation", "rehabilitation_need", m.p.RehabilitationNeed)
	four("occlusal_trauma", "occlusal_trauma", m.p.OcclusalTrauma)
	four("bite_collapse", "bite_collapse", m.p.BiteCollapse)
	if d := m.p.RidgeDefect; d != "" {
		severe := d == "severe"
		four("ridge_severe", "ridge_defect", &severe)
	}
	if teeth, pairs := m.twenty(), m.opposing(); m.mentionedAll() && (teeth < stageTeethIV || pairs < stagePairsIV) {
		add("few_teeth", 4, nil, input("teeth", fmt.Sprintf("%d teeth, %d opposing pairs", teeth, pairs)))
	}
	return list
}

func (m *mouth) opposing() int {
	if p := m.p.OpposingPairs; p != nil {
		return *p
	}
	return m.pairs()
}

func (m *mouth) mentionedAll() bool { return len(m.unmentioned) == 0 }

func (m *mouth) factorText(fc *factor) string {
	switch fc.name {
	case "depth_5", "depth_6":
		return fmt.Sprintf("depth of %s mm at %s", fc.because.Depth, m.at(fc.because.Tooth, fc.because.Site))
	case "furcation":
		return fmt.Sprintf("furcation grade %d at %s", fc.because.Furcation.Value(), m.label(fc.tooth.t))
	case "vertical_loss":
		if fc.tooth != nil {
			return "vertical loss of " + fc.because.Asked.Value + " mm at " + m.label(fc.tooth.t)
		}
		return "vertical loss of " + fc.because.Asked.Value + " mm"
	case "ridge_moderate":
		return "moderate ridge defect"
	case "ridge_severe":
		return "severe ridge defect"
	case "rehabilitation":
		return "complex rehabilitation needed"
	case "occlusal_trauma":
		return "secondary occlusal trauma"
	case "bite_collapse":
		return "bite collapse, drifting or flaring"
	}
	return fc.because.Asked.Value
}

// stageMissing lists what is not known with what the stage could be, and sets AtLeast.
func (m *mouth) stageMissing(r *stageResult, cr *caseResult, sure stageInputs, lostKnown bool) {
	f := &r.finding
	s := r.in.stage()
	span := func(lo, hi int) []string {
		var w []string
		for i := max(lo, 1); i <= hi; i++ {
			w = append(w, stageWords[i])
		}
		return w
	}
	with := func(change func(*stageInputs)) int {
		in := r.in
		change(&in)
		return in.stage()
	}
	if cr.answer == unsure {
		f.Missing = append(f.Missing, m.lossMissing(append([]string{"no stage"}, span(max(s, 1), max(s, 3))...)...))
	} else if m.lossRecorded < m.lossEligible && r.in.severity < 3 {
		if hi := with(func(in *stageInputs) { in.severity = 3 }); hi > s || r.in.severity == 0 {
			f.Missing = append(f.Missing, m.lossMissing(span(max(s, 1), hi)...))
			f.AtLeast = s > 0 && hi > s && !r.byBone
		}
	}
	if r.in.severity == 0 && s > 0 && s < 4 {
		f.AtLeast = true
	}
	if depths := openSites(m.classed, func(th *tooth, site chart.Site) bool {
		return th.sites[site].depth < 0 && !th.sites[site].excluded
	}); len(depths) > 0 && m.o.Complexity != Off {
		most := 3
		if m.p.FactorDecision("depth_6", 0) == "rejected" {
			most = 2
		}
		if hi := with(func(in *stageInputs) { in.local = max(in.local, most) }); hi > s {
			f.Missing = append(f.Missing, Missing{Input: "depth", Sites: depths, CouldBe: span(max(s, 1), hi),
				Question: "These sites were not probed; a deep one would raise the stage."})
			f.AtLeast = f.AtLeast || s > 0 && cr.answer == isYes
		}
	}
	if m.p.BoneLossPercent == nil && !r.byBone {
		could := span(max(s, 1), max(s, 1))
		q := "Radiographic bone loss in percent of the root? Attachment loss decides the band; bone loss would confirm it."
		if r.in.severity == 0 {
			could = span(with(func(in *stageInputs) { in.severity = 1 }), with(func(in *stageInputs) { in.severity = 3 }))
			q = "Radiographic bone loss in percent of the root at the worst tooth?"
		}
		f.Missing = append(f.Missing, Missing{Input: "bone_loss_percent", CouldBe: could, Question: q})
	}
	if !lostKnown && r.in.lost < stageLostIV {
		if hi := with(func(in *stageInputs) { in.lost += len(m.lostUnknown) }); hi > s {
			f.Missing = append(f.Missing, Missing{Input: "teeth_lost_periodontitis", Teeth: m.lostUnknown, CouldBe: span(s, hi),
				Question: "How many of these missing teeth were lost to periodontitis?"})
			f.AtLeast = f.AtLeast || s > 0
		}
	}
	if s > 0 && s < 3 && cr.answer == isYes && m.o.Complexity != Off {
		could := span(s, 3)
		if m.p.VerticalLossMM == nil && !slices.ContainsFunc(m.classed, func(th *tooth) bool { return th.asked.VerticalLossMM != nil }) {
			f.Missing = append(f.Missing, Missing{Input: "vertical_loss_mm", CouldBe: could, Question: "Is there vertical bone loss of 3 mm or more?"})
		}
		if m.p.RidgeDefect == "" {
			f.Missing = append(f.Missing, Missing{Input: "ridge_defect", CouldBe: could, Question: "Is there a moderate ridge defect?"})
		}
	}
	// Factors that wait for a decision.
	asked := map[string]bool{}
	for i := range r.factors {
		fc := &r.factors[i]
		if fc.decision != "" || asked[fc.name] {
			continue
		}
		if fc.level < 4 && m.o.Complexity == Off || fc.level < 4 && m.o.Complexity == Auto {
			continue
		}
		if fc.level < 4 && r.in.local > sure.local && fc.level > sure.local && s > sure.stage() {
			asked[fc.name] = true
			var teeth []chart.Tooth
			for j := range r.factors {
				if r.factors[j].name == fc.name && r.factors[j].decision == "" && r.factors[j].tooth != nil {
					teeth = append(teeth, r.factors[j].tooth.t)
				}
			}
			f.Missing = append(f.Missing, Missing{Input: "factors." + fc.name, Teeth: slices.Compact(teeth), CouldBe: span(sure.stage(), s),
				Question: "Confirm or reject: " + m.factorText(fc) + ". A pocket over an overhang or a swollen margin is no factor."})
		}
	}
	few := slices.ContainsFunc(r.factors, func(fc factor) bool { return fc.name == "few_teeth" && fc.decision == "" })
	four := []string{"III", "IV"}
	switch {
	case cr.answer != isYes || s == 4 || s == 0:
	case s == 3:
		if m.p.RehabilitationNeed == nil {
			f.Missing = append(f.Missing, Missing{Input: "rehabilitation_need", CouldBe: four,
				Question: "Is complex rehabilitation needed because chewing fails?"})
		}
		if loose := m.loose(stageMobilityAsk); len(loose) > 0 && m.p.OcclusalTrauma == nil {
			f.Missing = append(f.Missing, Missing{Input: "occlusal_trauma", Teeth: loose, CouldBe: four,
				Question: "Mobility of grade 2 or more: is there secondary occlusal trauma? Mobility alone is not."})
		}
		if m.p.RidgeDefect == "" {
			f.Missing = append(f.Missing, Missing{Input: "ridge_defect", CouldBe: four, Question: "Is there a severe ridge defect?"})
		}
		if m.p.BiteCollapse == nil {
			f.Missing = append(f.Missing, Missing{Input: "bite_collapse", CouldBe: four,
				Question: "Is there bite collapse, drifting or flaring?"})
		}
		if few {
			f.Missing = append(f.Missing, Missing{Input: "factors.few_teeth", CouldBe: four,
				Question: fmt.Sprintf("%d teeth and %d opposing pairs: is this because of periodontitis and does chewing fail?", m.twenty(), m.opposing())})
		}
	case few:
		f.Missing = append(f.Missing, Missing{Input: "rehabilitation_need", CouldBe: span(s, s),
			Question: fmt.Sprintf("%d teeth and %d opposing pairs, but no loss of stage III: the rule counts this only on top of stage III. Does chewing fail?", m.twenty(), m.opposing())})
	}
	for _, th := range m.classed {
		if yes(th.asked.Hopeless) {
			f.Notes = append(f.Notes, "Tooth "+m.label(th.t)+" is called hopeless; it is not counted as lost, some authors do.")
		}
	}
}

// loose lists natural teeth with mobility of at least g.
func (m *mouth) loose(g int) []chart.Tooth {
	var ts []chart.Tooth
	for _, th := range m.classed {
		if th.rec.Mobility.Recorded() && th.rec.Mobility.Value() >= g {
			ts = append(ts, th.t)
		}
	}
	return ts
}
