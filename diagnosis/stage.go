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

// staging is a stage on its way.
type staging struct {
	*mouth
	stageResult
	cr        *caseResult
	worst     Evidence    // the site of the greatest attachment loss
	boneOf    *tooth      // whose bone loss gives the band although attachment loss is known elsewhere
	lostKnown bool        // how many teeth were lost to periodontitis
	sure      stageInputs // without the factors that wait for a decision
}

// stageOf proposes the stage of a case.
func (m *mouth) stageOf(cr *caseResult) stageResult {
	g := staging{mouth: m, cr: cr}
	g.finding = Finding{Code: "periodontitis.stage", Rule: "STAGE", Source: srcStage, Recorded: m.lossRecorded, Eligible: m.lossEligible}
	g.factors = m.complexity()
	g.severity()
	g.teethLost()
	g.in.earlier = stageNumber(m.p.EarlierStage)
	g.localFactors()
	if g.stage = g.in.stage(); cr.answer == unsure {
		g.stage = 0
	}
	f := &g.finding
	f.Value = word(stageWords[g.stage])
	why := strings.Join(g.reasons(), "; ")
	g.questions()
	f.AtLeast = f.AtLeast && g.stage > 0
	g.say(why)
	f.Provisional = g.stage == 0 || f.AtLeast || g.sure.stage() != g.in.stage() || f.open()
	m.assumed(f, g.stage > 0 && m.anyAssumed())
	g.alone = g.withoutFactors()
	return g.stageResult
}

func (g *staging) because(e ...Evidence) { g.finding.Because = append(g.finding.Because, e...) }

func (g *staging) note(text string) { g.finding.Notes = append(g.finding.Notes, text) }

func (g *staging) ask(q Missing) { g.finding.Missing = append(g.finding.Missing, q) }

// severity finds the band: of attachment loss, else of bone loss.
func (g *staging) severity() {
	g.worst = g.worstLoss(g.cr)
	band := 0
	if g.worst.Loss.Known() {
		band = lossBand(int(g.whole(g.worst.Loss)))
	}
	bone, boneKnown := g.boneBand()
	switch {
	case band > 0:
		g.in.severity = band
		g.because(g.worst)
		if boneKnown && bone != band {
			g.note(fmt.Sprintf("Attachment loss speaks for stage %s and bone loss for stage %s; attachment loss decides. Check both.", stageWords[band], stageWords[bone]))
			g.because(g.boneEvidence()...)
		}
	case boneKnown:
		g.in.severity, g.byBone = bone, true
		g.because(g.boneEvidence()...)
	}
	// Where a tooth's attachment loss is not known everywhere, its bone loss speaks for it.
	for _, th := range g.classed {
		if b := boneBand(max(th.bone, 0)); th.byBone() && b > g.in.severity {
			g.in.severity, g.boneOf = b, th
			g.because(th.boneEvidence())
			g.note(fmt.Sprintf("At %s attachment loss is not known everywhere; bone loss of %s percent gives the band.", g.label(th.t), decimal(th.bone)))
		}
	}
	if g.cr.byB && band > 0 {
		g.note("The case rests on middle sites, so their attachment loss gives the band (engineering choice).")
	}
}

// teethLost takes the greater of the teeth that are marked as lost to periodontitis and of the number that was asked.
func (g *staging) teethLost() {
	g.in.lost, g.lostKnown = g.lost, len(g.lostUnknown) == 0
	if n := g.p.TeethLostPeriodontitis; n != nil {
		if *n < g.lost {
			g.note("More teeth are marked lost to periodontitis than the number that was asked says; the greater one counts.")
		}
		g.in.lost, g.lostKnown = max(*n, g.lost), true
	}
	if g.in.lost > 0 {
		g.because(input("teeth_lost_periodontitis", strconv.Itoa(g.in.lost)))
	}
	if g.in.lost >= stageLostIV && g.in.severity > 0 && g.in.severity < 3 {
		g.note("The loss that is left is small, but five or more teeth are lost to periodontitis: the worst teeth are gone.")
	}
}

// localFactors takes the factors that count. The ones of stage IV do so only on top of stage III and once confirmed.
func (g *staging) localFactors() {
	g.sure = g.in
	for i := range g.factors {
		fc := &g.factors[i]
		switch {
		case fc.decision == "rejected":
		case fc.level == 4:
			g.in.confirmed = g.in.confirmed || fc.decision == "confirmed"
		case g.o.Complexity == Off:
		default:
			g.in.local = max(g.in.local, fc.level)
			if fc.decision == "confirmed" || g.o.Complexity == Auto {
				g.sure.local = max(g.sure.local, fc.level)
			}
		}
	}
	g.sure.confirmed = g.in.confirmed
}

// reasons says why it is this stage.
func (g *staging) reasons() []string {
	var why []string
	in := &g.in
	switch {
	case in.severity == 0:
	case g.byBone:
		why = append(why, "bone loss alone gives the band, attachment loss is not known")
	case g.boneOf != nil:
		why = append(why, fmt.Sprintf("bone loss of %s percent at %s", decimal(g.boneOf.bone), g.label(g.boneOf.t)))
	default:
		why = append(why, fmt.Sprintf("worst attachment loss %s mm at %s", g.worst.Loss, g.at(g.worst.Tooth, g.worst.Site)))
	}
	if in.lost > 0 {
		why = append(why, many(in.lost, "tooth")+" lost to periodontitis")
	}
	for i := range g.factors {
		if fc := &g.factors[i]; g.decides(fc) {
			g.because(fc.because)
			if w := g.factorText(fc); !slices.Contains(why, w) {
				why = append(why, w)
			}
		}
	}
	before := *in
	before.earlier = 0
	if in.earlier == g.stage && in.earlier > before.stage() {
		why = append(why, "the stage given earlier is kept")
		g.because(input("earlier_stage", g.p.EarlierStage))
	}
	return why
}

// decides reports whether a factor has part in the stage.
func (g *staging) decides(fc *factor) bool {
	switch {
	case fc.decision == "rejected":
		return false
	case fc.level == 4:
		return g.stage == 4 && fc.decision == "confirmed"
	}
	return g.o.Complexity != Off && fc.level == g.in.local && g.in.local > g.in.bySeverity()
}

// say puts the stage into a sentence.
func (g *staging) say(why string) {
	f, w := &g.finding, stageWords[g.stage]
	switch {
	case g.cr.answer == unsure:
		f.Text = "No stage: it is not clear whether this is a periodontitis case."
		if s := g.in.stage(); s > 0 {
			g.note("If the clinician confirms the case, what is known speaks for stage " + stageWords[s] + ".")
		}
	case g.stage == 0:
		f.Text = "The stage cannot be determined: neither attachment loss nor bone loss is known."
	case f.AtLeast:
		f.Text = "Stage " + w + " at least: " + why + "."
	default:
		f.Text = "Stage " + w + ": " + why + "."
	}
	if g.stage > 0 && g.in.severity == 0 {
		g.note("Severity is not known, so this is only a lower bound.")
	}
}

// withoutFactors is the finding by severity and tooth loss alone.
func (g *staging) withoutFactors() Finding {
	f := Finding{Code: "periodontitis.stage_by_severity", Rule: "STAGE", Source: srcStage, Value: word("indeterminate"),
		AtLeast: g.finding.AtLeast, Provisional: g.finding.AtLeast || g.in.severity == 0, Recorded: g.finding.Recorded, Eligible: g.finding.Eligible,
		Text: "Stage by severity and tooth loss alone: not determinable."}
	if s := g.in.bySeverity(); s > 0 && g.cr.answer == isYes {
		f.Value = word(stageWords[s])
		f.Text = "By severity and tooth loss alone, without local factors: stage " + stageWords[s] + "."
		if g.worst.Loss.Known() {
			f.Because = []Evidence{g.worst}
		}
	}
	return f
}

// worstLoss is the site of the greatest attachment loss that counts for the band.
func (m *mouth) worstLoss(cr *caseResult) Evidence {
	var top *tooth
	for _, th := range m.classed {
		if th.worst >= 0 && (top == nil || th.worst > top.worst || th.worst == top.worst && th.sites[th.worstSite].lossMM.Half() > top.sites[top.worstSite].lossMM.Half()) {
			top = th
		}
	}
	switch {
	case top != nil && top.worst >= caseLoss:
		return top.siteEvidence(top.worstSite)
	case cr.byB:
		return worstMiddle(cr.teeth)
	case top != nil:
		return top.siteEvidence(top.worstSite)
	}
	return Evidence{Site: chart.NumSites}
}

// worstMiddle is the middle site of the greatest attachment loss that meets the case definition.
func worstMiddle(teeth []*tooth) (worst Evidence) {
	for _, th := range teeth {
		for _, s := range middleSites {
			v := &th.sites[s]
			if v.middleCase() && !v.excluded && (!worst.Loss.Known() || v.lossMM.Half() > worst.Loss.Half()) {
				worst = th.siteEvidence(s)
			}
		}
	}
	return worst
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

// complexity lists the local complexity factors with the clinician's decisions.
func (m *mouth) complexity() []factor {
	l := factorList{p: m.p, list: make([]factor, 0, 16)}
	for _, th := range m.classed {
		l.ofTooth(th)
	}
	if v := m.p.VerticalLossMM; v != nil && *v >= stageVerticalIII {
		l.add("vertical_loss", 3, nil, input("vertical_loss_mm", decimal(*v)))
	}
	if m.p.RidgeDefect == "moderate" {
		l.add("ridge_moderate", 3, nil, input("ridge_defect", "moderate"))
	}
	l.answered("rehabilitation", "rehabilitation_need", m.p.RehabilitationNeed)
	l.answered("occlusal_trauma", "occlusal_trauma", m.p.OcclusalTrauma)
	l.answered("bite_collapse", "bite_collapse", m.p.BiteCollapse)
	if d := m.p.RidgeDefect; d != "" {
		severe := d == "severe"
		l.answered("ridge_severe", "ridge_defect", &severe)
	}
	if teeth, pairs := m.twenty(), m.opposing(); m.mentionedAll() && (teeth < stageTeethIV || pairs < stagePairsIV) {
		l.add("few_teeth", 4, nil, input("teeth", fmt.Sprintf("%d teeth, %d opposing pairs", teeth, pairs)))
	}
	return l.list
}

// factorList gathers factors.
type factorList struct {
	p    *chart.Patient
	list []factor
}

func (l *factorList) add(name string, level int, th *tooth, because Evidence) {
	t := chart.Tooth(0)
	if th != nil {
		t = th.t
	}
	l.list = append(l.list, factor{name, level, th, because, l.p.FactorDecision(name, t)})
}

// answered adds a factor of stage IV that was asked: an answer of true is the clinician's confirmation.
func (l *factorList) answered(name, key string, answer *bool) {
	if answer == nil {
		return
	}
	l.add(name, 4, nil, input(key, strconv.FormatBool(*answer)))
	if fc := &l.list[len(l.list)-1]; fc.decision == "" {
		fc.decision = map[bool]string{true: "confirmed", false: "rejected"}[*answer]
	}
}

// ofTooth adds the factors of one tooth: its deepest site, its furcations, vertical loss.
func (l *factorList) ofTooth(th *tooth) {
	deep := chart.NumSites
	for s := range th.sites {
		v := &th.sites[s]
		if !v.excluded && v.depth >= stageDepthII && (deep == chart.NumSites || v.depth > th.sites[deep].depth) {
			deep = chart.Site(s)
		}
	}
	if deep < chart.NumSites {
		if th.sites[deep].depth >= stageDepthIII {
			l.add("depth_6", 3, th, th.depthEvidence(deep))
		} else {
			l.add("depth_5", 2, th, th.depthEvidence(deep))
		}
	}
	for e, grade := range th.rec.Furcation {
		if grade.Recorded() && grade.Value() >= stageFurcationIII {
			l.add("furcation", 3, th, Evidence{Tooth: th.t, Site: chart.NumSites, Furcation: grade, Entrance: chart.Entrance(e)})
		}
	}
	if v := th.asked.VerticalLossMM; v != nil && *v >= stageVerticalIII {
		e := input("vertical_loss_mm", decimal(*v))
		e.Tooth = th.t
		l.add("vertical_loss", 3, th, e)
	}
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
