package diagnosis

import (
	"fmt"
	"slices"
	"time"

	"leadsman/chart"
)

// Phase is a phase of therapy to consider. Everything in it is a suggestion with reasons, for the
// clinician to edit.
type Phase struct {
	ID    string      `json:"id"` // urgent, step1, step2, reevaluation, step3, rehabilitation, supportive
	Title string      `json:"title"`
	Items []PhaseItem `json:"items"`
	From  time.Time   `json:"from,omitzero"` // usual window, only of the re-evaluation; zero if the visit's date is not known
	To    time.Time   `json:"to,omitzero"`
}

// PhaseItem is one thing to consider, with what speaks for it.
type PhaseItem struct {
	Text   string          `json:"text"`
	Sites  []chart.SiteRef `json:"sites"`
	Teeth  chart.Teeth     `json:"teeth"`
	Why    []string        `json:"why"` // codes of findings
	Source string          `json:"source"`
}

// PlanOptions say where in the therapy the patient is.
type PlanOptions struct {
	Options
	Reevaluation bool      // this exam re-evaluates phase one: step 3 is planned from what is left
	Visit        time.Time // of this exam; zero if not known
	PhaseOneDone time.Time // the end of non-surgical therapy; zero: as if it were the day of the exam
	LastTherapy  time.Time // of active therapy that is on record, since the exam before or at this one; zero: none
}

// Stand is where in the therapy of periodontitis a patient stands.
type Stand string

const (
	Untreated    Stand = "untreated"     // no therapy is known
	UnderTherapy Stand = "under-therapy" // phase one is going on, or done and not yet re-evaluated
	Reevaluated  Stand = "re-evaluated"
	Supportive   Stand = "supportive" // active therapy is finished
)

// StandOf says where in the therapy a patient stands: the end of active therapy lies before the visit, this exam re-evaluates phase
// one, phase one was begun, or nothing is known of it. Who was diagnosed before and is stable was treated.
// Source: the steps of Sanz et al. 2020, doi:10.1111/jcpe.13290; how they are told apart is an engineering choice.
func StandOf(f *Findings, p *chart.Patient, o PlanOptions) Stand {
	finished, err := time.Parse(time.DateOnly, p.TherapyFinished)
	switch diagnosed := yes(p.HistoryOfPeriodontitis) || p.EarlierStage != ""; {
	case err == nil && (o.Visit.IsZero() || !finished.After(o.Visit)):
		return Supportive
	case o.Reevaluation:
		return Reevaluated
	case !o.LastTherapy.IsZero() || !o.PhaseOneDone.IsZero():
		return UnderTherapy
	case diagnosed && f.Value("gingiva.status") == "stable":
		return Supportive
	}
	return Untreated
}

// planning is what the phases are chosen by.
type planning struct {
	m                *mouth
	f                *Findings
	o                PlanOptions
	patient          bool // a case of periodontitis
	status           string
	stand            Stand
	stable           bool
	implants, mobile []chart.Tooth
	sick, peri       []chart.Tooth // inflamed implants, and those of them with bone loss
}

// Phases lists the phases of therapy to consider for a mouth, in order, from its findings.
// Source: the steps of Sanz et al. 2020, doi:10.1111/jcpe.13290 (stages I to III) and Herrera et al.
// 2022, doi:10.1111/jcpe.13639 (stage IV); abstracts seen, wording and thresholds from memory.
func Phases(c *chart.Chart, f *Findings, o PlanOptions) []Phase {
	w := planningOf(newMouth(c, &o.Options), f, o)
	phases := []func() Phase{w.urgent, w.step1, w.step2, w.reevaluation, w.step3, w.implantCare, w.rehabilitation, w.supportive}
	if w.m.child() {
		phases = []func() Phase{w.urgent, w.child}
	} else if len(w.m.scored) == 0 && len(w.implants) == 0 {
		phases = []func() Phase{w.urgent, w.noTeeth}
	}
	out := []Phase{}
	for _, phase := range phases {
		if p := phase(); len(p.Items) > 0 {
			out = append(out, p)
		}
	}
	return out
}

func planningOf(m *mouth, f *Findings, o PlanOptions) *planning {
	w := &planning{m: m, f: f, o: o, patient: f.Value("periodontitis.case") == "yes", status: f.Value("gingiva.status"), stand: StandOf(f, m.p, o)}
	w.stable = w.status == "stable" && f.Value("endpoint.reached") != "not-met"
	for i := range m.teeth {
		th := &m.teeth[i]
		if th.stand != implant {
			continue
		}
		w.implants = append(w.implants, th.t)
		if th.asked.Implant != nil && yes(th.asked.Implant.Mobile) || th.rec.Mobility.Value() > 0 {
			w.mobile = append(w.mobile, th.t)
		}
	}
	for i := range f.List {
		if v := &f.List[i]; v.Code == "implant.status" {
			switch v.Value.String() {
			case "peri-implantitis":
				w.peri = append(w.peri, v.Tooth)
				fallthrough
			case "mucositis":
				w.sick = append(w.sick, v.Tooth)
			}
		}
	}
	return w
}

// at lists the sites of teeth that pass a test.
func (w *planning) at(test func(*site) bool) []chart.SiteRef {
	return openSites(w.m.scored, func(th *tooth, s chart.Site) bool { return test(&th.sites[s]) })
}

// item adds a line to a phase when it is called for.
func (w *planning) item(p *Phase, when bool, i PhaseItem) {
	i.Why = slices.DeleteFunc(i.Why, func(code string) bool { _, ok := w.f.Get(code); return !ok })
	if when {
		i.Sites, i.Why = list(i.Sites), list(i.Why)
		p.Items = append(p.Items, i)
	}
}

// urgent is what comes first.
func (w *planning) urgent() Phase {
	p := Phase{ID: "urgent", Title: "First"}
	pus := w.at(func(v *site) bool { return v.flags[chart.Suppuration] == chart.Yes })
	w.item(&p, len(pus) > 0, PhaseItem{Text: "Suppuration: look for an abscess, pain or swelling and treat that first.", Sites: pus, Why: []string{"sites.suppuration"}, Source: srcCommon})
	loose := w.m.loose(chart.MaxMobility)
	w.item(&p, len(loose) > 0, PhaseItem{Text: "Teeth that can be pressed in or turned: decide on their prognosis.", Teeth: loose, Why: []string{"mobility.max"}, Source: srcCommon})
	w.item(&p, len(w.mobile) > 0, PhaseItem{Text: "A mobile implant: find out whether the screw or the implant is loose.", Teeth: w.mobile, Why: []string{"implant.status"}, Source: srcCommon})
	if ask, ok := gateCaution(w.m.p); ok {
		w.item(&p, true, PhaseItem{Text: ask, Source: srcCommon})
	}
	return p
}

func (w *planning) child() Phase {
	p := Phase{ID: "child", Title: "Under 18"}
	w.item(&p, true, PhaseItem{Text: "No stage and no phases for adults are proposed. Home care with the parents; look at growth, tooth change and braces first.", Source: srcCommon})
	var early []chart.Tooth
	for _, th := range w.m.early() {
		early = append(early, th.t)
	}
	w.item(&p, len(early) > 0, PhaseItem{Text: "Attachment loss at first molars or incisors: an early onset has to be excluded. Radiographs, medical history, family; refer early.", Teeth: early, Why: []string{"periodontitis.case"}, Source: srcCommon})
	return p
}

func (w *planning) noTeeth() Phase {
	p := Phase{ID: "no-teeth", Title: "No teeth"}
	w.item(&p, true, PhaseItem{Text: "Nothing periodontal is to be done. Look at the mucosa, the fit of dentures and their cleaning; once a year is common practice.", Source: srcCommon})
	return p
}

func (w *planning) step1() Phase {
	p := Phase{ID: "step1", Title: "Step 1: behaviour, risk factors, supragingival care"}
	plaque := w.at(func(v *site) bool { return v.flags[chart.Plaque] == chart.Yes })
	calculus := w.at(func(v *site) bool { return v.flags[chart.Calculus] == chart.Yes })
	inflamed := w.patient || w.status == "gingivitis-localized" || w.status == "gingivitis-generalized" || len(plaque)+len(calculus) > 0 || len(w.sick) > 0
	w.item(&p, inflamed, PhaseItem{Text: "Home care: instruct, motivate, check again at every visit; the home-care page is made from this mouth.", Sites: plaque, Teeth: w.sick, Why: []string{"score.plaque_percent", "gingiva.status", "implant.status"}, Source: srcSteps})
	if len(w.m.scored) > 0 {
		w.item(&p, inflamed, PhaseItem{Text: "Remove supragingival plaque and calculus, and what retains plaque.", Sites: calculus, Why: []string{"score.plaque_percent"}, Source: srcSteps})
	}
	smokes := w.m.p.CigarettesPerDay != nil && *w.m.p.CigarettesPerDay > 0 || w.m.p.SmokingStatus == "current"
	w.item(&p, smokes, PhaseItem{Text: "Help to stop smoking, or refer.", Why: []string{"risk.smoking"}, Source: srcSteps})
	w.item(&p, yes(w.m.p.Diabetes), PhaseItem{Text: "Glucose control: contact the treating physician.", Why: []string{"periodontitis.grade"}, Source: srcSteps})
	return p
}

func (w *planning) step2() Phase {
	p := Phase{ID: "step2", Title: "Step 2: subgingival instrumentation"}
	pockets := w.at(func(v *site) bool { return v.depth >= stableBleedingDepth })
	w.item(&p, w.patient && !w.stable && len(pockets) > 0 && w.stand == Untreated, PhaseItem{Text: "Subgingival instrumentation at sites of 4 mm and more.", Sites: pockets, Why: []string{"sites.ge4", "periodontitis.case"}, Source: srcSteps})
	w.item(&p, w.patient && w.stand == UnderTherapy, PhaseItem{Text: "Finish phase one where it is not done, then re-evaluate. What is to be done again is decided at the re-evaluation.", Why: []string{"periodontitis.case"}, Source: srcSteps})
	return p
}

// reevaluation follows where something is to be done in step 2.
func (w *planning) reevaluation() Phase {
	p := Phase{ID: "reevaluation", Title: "Re-evaluation, 4 to 8 weeks after phase one"}
	if len(w.step2().Items) > 0 {
		text := "Probe the whole mouth again and compare site by site. The window is common practice, no source; texts disagree."
		start := w.o.PhaseOneDone
		if start.IsZero() {
			start = w.o.Visit
			text += " It is counted from this exam until the end of phase one is known."
		}
		w.item(&p, true, PhaseItem{Text: text, Why: []string{"endpoint.reached"}, Source: srcCommon})
		if !start.IsZero() {
			p.From, p.To = start.AddDate(0, 0, reevaluationFirstDay), start.AddDate(0, 0, reevaluationLastDay)
		}
	}
	return p
}

func (w *planning) step3() Phase {
	p := Phase{ID: "step3", Title: "Step 3: what did not respond"}
	residual := w.at(func(v *site) bool {
		return v.depth >= stableBleedingDepth && v.depth < endpointDepth && v.flags[chart.Bleeding] == chart.Yes
	})
	deep := w.at(func(v *site) bool { return v.depth >= endpointDepth })
	if w.stand == Supportive {
		p.Title = "Sites that are not stable"
	}
	if w.patient && (w.stand == Reevaluated || w.stand == Supportive) {
		w.item(&p, len(residual) > 0, PhaseItem{Text: "4 to 5 mm with bleeding: repeat subgingival instrumentation.", Sites: residual, Why: []string{"endpoint.reached", "gingiva.status"}, Source: srcSteps})
		w.item(&p, len(deep) > 0, PhaseItem{Text: "6 mm and more: consider surgery or referral.", Sites: deep, Why: []string{"endpoint.reached", "sites.ge6"}, Source: srcSteps})
	}
	if w.patient {
		w.item(&p, len(w.m.furcated()) > 0, PhaseItem{Text: "Furcations of grade 2 and 3: a plan for each tooth.", Teeth: w.m.furcated(), Why: []string{"furcation.max"}, Source: srcSteps})
		for _, i := range w.m.verticalItems() {
			w.item(&p, true, i)
		}
	}
	return p
}

func (w *planning) implantCare() Phase {
	p := Phase{ID: "implants", Title: "Implants"}
	only := slices.DeleteFunc(slices.Clone(w.sick), func(t chart.Tooth) bool { return slices.Contains(w.peri, t) })
	w.item(&p, len(only) > 0, PhaseItem{Text: "Inflamed mucosa: professional removal of plaque and calculus, home care at the implant, access for cleaning (suprastructure); a radiograph where bone is unknown. Re-evaluate after 2 to 3 months.", Teeth: only, Why: []string{"implant.status"}, Source: srcImplantSteps})
	w.item(&p, len(w.peri) > 0, PhaseItem{Text: "Peri-implantitis: submarginal instrumentation first, with access for cleaning and risk factors dealt with. Re-evaluate after 6 to 12 weeks; where pus, bleeding or depth persist consider surgery or referral.", Teeth: w.peri, Why: []string{"implant.status"}, Source: srcImplantSteps})
	return p
}

func (w *planning) rehabilitation() Phase {
	p := Phase{ID: "rehabilitation", Title: "Rehabilitation"}
	w.item(&p, w.f.Value("periodontitis.stage") == "IV", PhaseItem{Text: "Stage IV: plan rehabilitation with the periodontal therapy, across disciplines.", Why: []string{"periodontitis.stage"}, Source: srcSteps})
	return p
}

func (w *planning) supportive() Phase {
	p := Phase{ID: "supportive", Title: "Supportive care and recall"}
	if w.f.Value("periodontitis.case") != "" || len(w.implants) > 0 {
		if w.patient && w.stand == Supportive {
			w.item(&p, true, PhaseItem{Text: "At each visit: ask, probe and compare, instruct again, remove plaque and calculus; dry sites of 4 and 5 mm are watched, not instrumented for their depth.", Why: []string{"gingiva.status"}, Source: srcSteps})
		}
		r := RecallFor(w.f, w.m.p, w.o)
		text := "No interval is proposed: stage, grade and gingival status are unknown."
		if r.Months > 0 {
			text = fmt.Sprintf("Recall every %s; %s The clinician sets the interval.", many(r.Months, "month"), r.why())
		}
		w.item(&p, true, PhaseItem{Text: text, Why: []string{"periodontitis.stage", "periodontitis.grade", "risk.progression", "endpoint.reached", "implant.status"}, Source: srcRecallBand + "; house rule, " + srcCommon})
	}
	return p
}

// furcated lists the teeth with a furcation of grade 2 or 3.
func (m *mouth) furcated() []chart.Tooth {
	var open []chart.Tooth
	for _, th := range m.classed {
		for _, g := range th.rec.Furcation {
			if g.Recorded() && g.Value() >= stageFurcationIII {
				open = append(open, th.t)
				break
			}
		}
	}
	return open
}

// verticalItems says how far furcations reach down, which decides about teeth: by subclass.
func (m *mouth) verticalItems() []PhaseItem {
	var by [3][]chart.Tooth
	for _, th := range m.classed {
		deepest := chart.MM{}
		for _, v := range th.rec.Vertical {
			deepest = deeper(deepest, v)
		}
		if sub := verticalSubclass(deepest); sub != "" {
			by[sub[0]-'A'] = append(by[sub[0]-'A'], th.t)
		}
	}
	var out []PhaseItem
	for i, text := range [...]string{"", "Furcations with 4 to 6 mm of vertical loss (subclass B): the outlook is poorer than the horizontal grade says.",
		"Furcations with 7 mm of vertical loss or more (subclass C): decide whether the tooth can be kept."} {
		if text != "" && len(by[i]) > 0 {
			out = append(out, PhaseItem{Text: text, Teeth: by[i], Why: []string{"furcation.max"}, Source: srcVertical})
		}
	}
	return out
}

// verticalSubclass is the vertical subclass of a furcation by its depth in mm from the roof down: A up to 3, B 4 to 6, C from 7 on;
// "" where it is not known. Halves count as the lower millimetre.
// Source: Tarnow and Fletcher 1984, J Periodontol 55:283-284 (from memory).
func verticalSubclass(mm chart.MM) string {
	switch {
	case !mm.Known():
		return ""
	case mm.Whole() >= furcationVerticalC:
		return "C"
	case mm.Whole() >= furcationVerticalB:
		return "B"
	}
	return "A"
}
