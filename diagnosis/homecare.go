package diagnosis

import (
	"fmt"
	"slices"

	"leadsman/chart"
)

// Advice is one line of the home-care page, with its reason.
type Advice struct {
	ID     string          `json:"id"`
	Group  string          `json:"group"` // technique, interdental, risk, extra, always
	Text   string          `json:"text"`  // for the patient
	Why    string          `json:"why"`   // for the patient and the clinician
	Where  string          `json:"where"` // the places in words that a patient knows; "" everywhere
	Sites  []chart.SiteRef `json:"sites"`
	Gaps   []chart.Gap     `json:"gaps"`
	Teeth  chart.Teeth     `json:"teeth"`
	Source string          `json:"source"`
	Later  bool            `json:"later"` // beyond the first five of a plan: for a later visit
}

// HomeCarePlan is what the patient is advised to do, a proposal that the clinician edits.
type HomeCarePlan struct {
	Items     []Advice  `json:"items"`
	Questions []Missing `json:"questions"` // what would have to be known to choose better
	Cautions  []string  `json:"cautions"`
}

// HomeCareOptions are the settings of the home-care plan.
type HomeCareOptions struct {
	Options
	Achieved []string // ids of items of an earlier plan that were achieved: they drop out
}

// BrushClass is the size class of an interdental brush by its passage hole diameter in mm, the
// smallest hole that it passes without bending its wire.
// Source: bands of ISO 16409 as a table for dentists gives them (seen, secondary); class 7 is printed
// there overlapping class 6 and starts after it here (from memory).
func BrushClass(phd float64) int {
	for class, upTo := range brushClasses {
		if phd <= upTo {
			return class
		}
	}
	return len(brushClasses)
}

var brushClasses = [...]float64{0.6, 0.8, 1.0, 1.2, 1.5, 1.8, 2.3, 2.8} // mm, upper ends of classes 0 to 7

// gap is the space between two neighbours and the four sites that face it.
type gap struct {
	chart.Gap
	sites [4]chart.SiteRef
	teeth [2]*tooth
}

// gaps lists the spaces between teeth or implants that stand next to each other.
func (m *mouth) gaps() []gap {
	var out []gap
	for _, upper := range [...]bool{true, false} {
		var row [17]*tooth
		for i := range m.teeth {
			if th := &m.teeth[i]; th.stand != gone && th.t.Upper() == upper && !th.t.Primary() {
				row[th.t.ArchPosition()] = th
			}
		}
		for p := 1; p < 16; p++ {
			a, b := row[p], row[p+1]
			if a == nil || b == nil {
				continue
			}
			// Before the midline the row goes towards it, so the first of two neighbours turns its
			// mesial side and the second its distal side to the gap; after it the other way round.
			wa, wb := chart.Mesial, chart.Distal
			if p >= 8 {
				wb = chart.Mesial
			}
			if p > 8 {
				wa = chart.Distal
			}
			g := gap{Gap: chart.Gap{A: a.t, B: b.t}, teeth: [2]*tooth{a, b}}
			for i, aspect := range [...]chart.Aspect{chart.Buccal, chart.Lingual} {
				g.sites[2*i] = chart.SiteRef{Tooth: a.t, Site: chart.SiteAt(aspect, wa)}
				g.sites[2*i+1] = chart.SiteRef{Tooth: b.t, Site: chart.SiteAt(aspect, wb)}
			}
			out = append(out, g)
		}
	}
	return out
}

// caring is a home-care plan while it is made.
type caring struct {
	m                *mouth
	achieved         []string
	plan             HomeCarePlan
	child            bool
	teeth, implanted int
	implants         []chart.Tooth
	// Plaque of the sites that were looked at.
	plaqueSites, answered int
	muchPlaque            bool
}

// HomeCare chooses advice by rule from one mouth. The texts are our own; what to say is common
// practice, and the source of each item says what supports it.
func HomeCare(c *chart.Chart, o HomeCareOptions) HomeCarePlan {
	m := newMouth(c, &o.Options)
	h := &caring{m: m, achieved: o.Achieved, child: m.child()}
	for i := range m.teeth {
		switch th := &m.teeth[i]; th.stand {
		case natural:
			h.teeth++
		case implant:
			h.implanted++
			h.implants = append(h.implants, th.t)
		}
	}
	for _, th := range m.scored {
		for s := range th.sites {
			if th.sites[s].flags[chart.Plaque].Recorded() {
				h.answered++
			}
			if hasFlag(th, chart.Site(s), chart.Plaque) {
				h.plaqueSites++
			}
		}
	}
	h.muchPlaque = h.answered > 0 && 100*h.plaqueSites >= carePlaquePercent*h.answered
	h.technique()
	h.places()
	if !h.child {
		m.interdental(&h.plan, h.add) // with gaps and brushes of grown-ups
	}
	h.furcationsAndImplants()
	h.risks()
	h.extras()

	// At most five items on a first plan, in this order; the rest waits, and is not lost.
	order := map[string]int{"technique": 0, "interdental": 1, "risk": 2, "extra": 3}
	slices.SortStableFunc(h.plan.Items, func(a, b Advice) int { return order[a.Group] - order[b.Group] })
	h.plan.prioritize()
	h.always()
	return h.plan.done(m.p)
}

// add puts a line on the plan unless it needs no more teaching.
func (h *caring) add(a Advice) {
	if !slices.Contains(h.achieved, a.ID) {
		a.Where = a.where()
		h.plan.Items = append(h.plan.Items, a)
	}
}

// at lists the sites that pass a test.
func (h *caring) at(test func(*tooth, chart.Site) bool) []chart.SiteRef {
	return openSites(h.m.scored, test)
}

func hasFlag(th *tooth, s chart.Site, f chart.Flag) bool { return th.sites[s].flags[f] == chart.Yes }

// technique is how to brush.
func (h *caring) technique() {
	const poweredSource = "Yaacob et al. 2014, doi:10.1002/14651858.CD002281.pub3"
	switch {
	case h.teeth == 0:
		if h.implanted == 0 {
			h.add(Advice{ID: "no_teeth", Group: "technique", Text: "Clean gums, palate and tongue every day with a soft brush or a damp cloth.", Why: "You have no teeth of your own.", Source: srcCommon})
		}
		h.add(Advice{ID: "denture", Group: "technique", Text: "If you wear a denture: take it out to clean it after meals with a soft brush and soap or denture cleaner, not toothpaste, over a basin with water. Leave it out at night unless you were told otherwise.",
			Why: "Plaque on a denture inflames the gum under it.", Source: srcCommon})
	case h.child:
		h.add(Advice{ID: "child_brush", Group: "technique", Text: "Brush all teeth twice a day with a soft brush and a fluoride toothpaste of the strength for this age. A parent brushes or checks until the child does it well alone.",
			Why: "Young people need help to reach every place.", Source: srcCommon})
	case yes(h.m.p.PoweredBrush):
		h.add(Advice{ID: "powered", Group: "technique", Text: "Guide your powered brush slowly from tooth to tooth, half on the gum line. Let it do the work; do not press.",
			Why: "You use or would like a powered brush.", Source: poweredSource})
	default:
		h.add(Advice{ID: "brush_bass", Group: "technique", Text: "Use a soft brush. Set the bristles at a slant of about 45 degrees where tooth and gum meet, tips just under the gum edge, and make small gentle shaking moves, two or three teeth at a time. End each place with a sweep towards the biting edge.",
			Why: "It cleans the gum line, where plaque stays longest.", Source: "Bass 1954, J La State Med Soc (from memory); " + srcCommon})
		if yes(h.m.p.DexterityLimited) || h.muchPlaque {
			why := "Handling a small brush is hard for you."
			if h.muchPlaque {
				why = fmt.Sprintf("Plaque was found on %d of %d places.", h.plaqueSites, h.answered)
			}
			h.add(Advice{ID: "powered", Group: "technique", Text: "A powered brush is an option. Guide it slowly and do not press. A hand brush is fine too when used well.", Why: why, Source: poweredSource})
		}
	}
}

// places are those that a brush passes by.
func (h *caring) places() {
	behind := h.m.behindLast()
	if len(behind) > 0 {
		h.add(Advice{ID: "behind_last", Group: "technique", Text: "Reach behind your last teeth with a small or single-tuft brush.",
			Why: "There is plaque or a deep place behind the last tooth.", Sites: behind, Source: srcCommon})
	}
	front := h.at(func(th *tooth, s chart.Site) bool {
		return !th.t.Upper() && !th.t.Primary() && th.t.Position() <= 3 && s.Aspect() == chart.Lingual && hasFlag(th, s, chart.Plaque)
	})
	if len(front) > 0 {
		h.add(Advice{ID: "inside_front", Group: "technique", Text: "Hold the brush upright behind your lower front teeth and use its tip.",
			Why: "Plaque was found on the inside of the lower front teeth.", Sites: front, Source: srcCommon})
	}
	recession := h.at(func(th *tooth, s chart.Site) bool {
		v := &th.sites[s]
		return s.Aspect() == chart.Buccal && v.recession.Known() && int(h.m.whole(v.recession)) >= careRecession
	})
	if len(recession) > 0 {
		h.add(Advice{ID: "recession", Group: "technique", Text: "Brush with a softer brush and less pressure where the gum has drawn back; do not scrub.",
			Why: fmt.Sprintf("The gum has drawn back by %d mm or more.", careRecession), Sites: recession, Source: srcCommon})
	}
}

// furcationsAndImplants are reached from beside and below.
func (h *caring) furcationsAndImplants() {
	var furcated []chart.Tooth
	for i := range h.m.teeth {
		th := &h.m.teeth[i]
		if th.stand == natural && slices.ContainsFunc(th.rec.Furcation[:], func(g chart.Grade) bool { return g.Value() > 0 }) {
			furcated = append(furcated, th.t)
		}
	}
	if len(furcated) > 0 {
		h.add(Advice{ID: "furcation", Group: "interdental", Text: "Clean between the roots with a single-tuft brush or a small interdental brush, as you were shown.",
			Why: "The roots of these teeth part within reach of plaque.", Teeth: furcated, Source: srcCommon})
	}
	if len(h.implants) > 0 {
		h.add(Advice{ID: "implant", Group: "interdental", Text: "Clean the collar of your implants every day, all around, with brush and interdental aid.",
			Why: "You have implants.", Teeth: h.implants, Source: srcCommon})
	}
}

// risks are what the patient can change.
func (h *caring) risks() {
	if h.m.p.CigarettesPerDay != nil && *h.m.p.CigarettesPerDay > 0 || h.m.p.SmokingStatus == "current" {
		h.add(Advice{ID: "smoking", Group: "risk", Text: "Stopping smoking is part of the treatment of your gums. Ask us; we help or refer you.", Why: "You smoke.", Source: srcSteps})
	}
	if yes(h.m.p.Diabetes) {
		h.add(Advice{ID: "diabetes", Group: "risk", Text: "Blood sugar and gums act on each other. Keep your sugar controlled, and tell your physician about your gums.", Why: "You have diabetes.", Source: srcSteps})
		if h.m.p.HbA1cPercent == nil && h.m.p.HbA1cMmolMol == nil {
			h.plan.Questions = append(h.plan.Questions, Missing{Input: "hba1c_percent", Question: "What is the HbA1c?"})
		}
	}
	if yes(h.m.p.DryMouth) {
		h.add(Advice{ID: "dry_mouth", Group: "risk", Text: "With a dry mouth drink water often, use fluoride every day and avoid sweet drinks and drops. Ask us about a saliva substitute.", Why: "Your mouth is dry.", Source: srcCommon})
	}
}

func (h *caring) extras() {
	if yes(h.m.p.IrrigatorWished) || yes(h.m.p.Braces) || len(h.implants) > 0 && len(h.plan.Items) < carePlanItems {
		why := "You asked for it."
		switch {
		case yes(h.m.p.IrrigatorWished):
		case yes(h.m.p.Braces):
			why = "You wear fixed braces."
		default:
			why = "You have implants."
		}
		h.add(Advice{ID: "irrigator", Group: "extra", Text: "A water jet may be added. It does not replace the brush or cleaning between the teeth.", Why: why,
			Source: "Salzer et al. 2015, doi:10.1111/jcpe.12363 (weak evidence); " + srcCommon})
	}
}

// always is what everybody hears; it stands beside the five.
func (h *caring) always() {
	if h.teeth+h.implanted == 0 {
		h.add(Advice{ID: "return", Group: "always", Text: "Come once a year to have the mouth looked at, and earlier for a sore place that does not heal within two weeks.", Why: "Always.", Source: srcCommon})
		return
	}
	h.add(Advice{ID: "brush_time", Group: "always", Text: "Brush twice a day, about two minutes, with gentle pressure.", Why: "Always.", Source: srcCommon})
	h.add(Advice{ID: "paste", Group: "always", Text: "Use a toothpaste with fluoride.", Why: "Always.", Source: srcCommon})
	h.add(Advice{ID: "replace", Group: "always", Text: fmt.Sprintf("Take a new brush about every %d months, earlier when the bristles spread.", careBrushMonths), Why: "Always.", Source: srcCommon})
	h.add(Advice{ID: "return", Group: "always", Text: "Call earlier for bleeding, pus, a loose tooth or swelling.", Why: "Always.", Source: srcCommon})
}

// done adds the cautions.
func (plan HomeCarePlan) done(p *chart.Patient) HomeCarePlan {
	plan.Cautions = append(plan.Cautions, "Advice chosen by rule from the chart; your clinician edits it and answers for it.")
	if p.Age != nil && *p.Age < childAge {
		plan.Cautions = append(plan.Cautions, "Under 18: the plan is talked over with the parents; advice for adults is left out.")
	}
	if yes(p.SpecialCare) {
		plan.Cautions = append(plan.Cautions, "Bleeding disorder, recent surgery or immunosuppression: the clinician edits this plan before it is handed out.")
	}
	for i := range plan.Items {
		plan.Items[i].Sites, plan.Items[i].Gaps = list(plan.Items[i].Sites), list(plan.Items[i].Gaps)
	}
	plan.Items, plan.Questions, plan.Cautions = list(plan.Items), list(plan.Questions), list(plan.Cautions)
	return plan
}

// prioritize marks what goes beyond the first five items. Every group keeps its first item before
// any keeps a second: technique, interdental, risk, extra. The care of implants never waits.
func (plan *HomeCarePlan) prioritize() {
	if len(plan.Items) <= carePlanItems {
		return
	}
	kept := 0
	taken := make([]bool, len(plan.Items))
	if i := slices.IndexFunc(plan.Items, func(a Advice) bool { return a.ID == "implant" }); i >= 0 {
		taken[i] = true
		kept++
	}
	for round := 0; kept < carePlanItems; round++ {
		seen := map[string]int{}
		for i := range plan.Items {
			g := plan.Items[i].Group
			if seen[g] == round && !taken[i] && kept < carePlanItems {
				taken[i] = true
				kept++
			}
			seen[g]++
		}
	}
	for i := range plan.Items {
		plan.Items[i].Later = !taken[i]
	}
}

// behindLast lists the distal sites of the last tooth of each side that have plaque or are deep.
func (m *mouth) behindLast() []chart.SiteRef {
	var out []chart.SiteRef
	for q := 1; q <= 4; q++ {
		var last *tooth
		for i := range m.teeth {
			if th := &m.teeth[i]; th.t.Quadrant() == q && th.stand != gone {
				last = th // teeth come by number, so the last seen stands furthest back
			}
		}
		if last == nil {
			continue
		}
		for _, s := range [...]chart.Site{chart.DB, chart.DL} {
			if v := &last.sites[s]; v.flags[chart.Plaque] == chart.Yes || v.depth >= careDistalDepth {
				out = append(out, chart.SiteRef{Tooth: last.t, Site: s})
			}
		}
	}
	return out
}

// interdental chooses between brush and floss for each gap that needs care. A brush size is never
// taken from depths: it is tried in the mouth and kept per gap.
// Source: Worthington et al. 2019, doi:10.1002/14651858.CD012018.pub2; Salzer et al. 2015,
// doi:10.1111/jcpe.12363; the picking rule is an engineering choice.
func (m *mouth) interdental(plan *HomeCarePlan, add func(Advice)) {
	const source = "Salzer et al. 2015, doi:10.1111/jcpe.12363; Worthington et al. 2019, doi:10.1002/14651858.CD012018.pub2; choice by gap an engineering choice"
	var brush [len(brushClasses) + 1][]chart.Gap
	var sized [len(brushClasses) + 1][]chart.SiteRef
	var tryGaps, floss, ask []chart.Gap
	var trySites, flossSites []chart.SiteRef
	for _, g := range m.gaps() {
		var needs []chart.SiteRef
		lost, full := false, true
		for i, r := range g.sites {
			v := &g.teeth[i%2].sites[r.Site]
			if int(v.loss) >= careGapLoss {
				lost = true
			}
			if v.loss != 0 {
				full = false
			}
			if v.flags[chart.Plaque] == chart.Yes || v.flags[chart.Bleeding] == chart.Yes || int(v.loss) >= careGapLoss {
				needs = append(needs, r)
			}
		}
		if len(needs) == 0 {
			continue
		}
		in := m.p.Gaps[g.Gap]
		switch {
		case in.BrushMM != nil:
			c := BrushClass(*in.BrushMM)
			brush[c] = append(brush[c], g.Gap)
			sized[c] = append(sized[c], needs...)
		case yes(in.Closed) || full && !no(in.Closed):
			floss = append(floss, g.Gap)
			flossSites = append(flossSites, needs...)
		case lost || no(in.Closed):
			tryGaps = append(tryGaps, g.Gap)
			trySites = append(trySites, needs...)
		default:
			ask = append(ask, g.Gap)
		}
	}
	for c, gaps := range brush {
		if len(gaps) > 0 {
			add(Advice{ID: "idb", Group: "interdental", Text: fmt.Sprintf("Once a day, an interdental brush of size %d (ISO) in these gaps; it goes in snugly, never with force.", c),
				Why: "Plaque, bleeding or lost support beside these gaps; this size was tried in.", Gaps: gaps, Sites: sized[c], Source: source})
		}
	}
	if len(tryGaps) > 0 {
		add(Advice{ID: "idb", Group: "interdental", Text: "Once a day, an interdental brush in these gaps; the size is tried in here and noted for each gap.",
			Why: "Teeth have lost some of their support beside these gaps, so a brush cleans better than floss.", Gaps: tryGaps, Sites: trySites, Source: source})
		plan.Questions = append(plan.Questions, Missing{Input: "gaps", Question: "Which interdental brush goes snugly into these gaps: " + m.gapLabels(tryGaps) + "?"})
	}
	if len(floss) > 0 {
		add(Advice{ID: "floss", Group: "interdental", Text: "Floss these gaps once a day: about 45 cm (18 inches), wound on the middle fingers. Curve it around one tooth, slide below the gum edge, move it up and down, then do the neighbour. A fresh part for each gap.",
			Why: "Plaque or bleeding beside gaps that are closed or filled by the gum.", Gaps: floss, Sites: flossSites, Source: source + "; evidence for floss is weak"})
	}
	if len(ask) > 0 {
		plan.Questions = append(plan.Questions, Missing{Input: "gaps", Question: "Does an interdental brush pass here, and which size? Plaque or bleeding, and attachment is unknown: " + m.gapLabels(ask) + "."})
	}
}

func (m *mouth) gapLabels(gs []chart.Gap) string {
	s := ""
	for i, g := range gs {
		if i > 0 {
			s += ", "
		}
		s += g.Label(m.n)
	}
	return s
}
