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

// Phases lists the phases of therapy to consider for a mouth, in order, from its findings.
// Source: the steps of Sanz et al. 2020, doi:10.1111/jcpe.13290 (stages I to III) and Herrera et al.
// 2022, doi:10.1111/jcpe.13639 (stage IV); abstracts seen, wording and thresholds from memory.
func Phases(c *chart.Chart, f *Findings, o PlanOptions) []Phase {
	m := newMouth(c, &o.Options)
	at := func(test func(*site) bool) []chart.SiteRef {
		return openSites(m.scored, func(th *tooth, s chart.Site) bool { return test(&th.sites[s]) })
	}
	value := f.Value
	out := []Phase{}
	add := func(p Phase) {
		if len(p.Items) > 0 {
			out = append(out, p)
		}
	}
	item := func(p *Phase, when bool, i PhaseItem) {
		i.Why = slices.DeleteFunc(i.Why, func(code string) bool { _, ok := f.Get(code); return !ok })
		if when {
			i.Sites, i.Why = list(i.Sites), list(i.Why)
			p.Items = append(p.Items, i)
		}
	}
	patient := value("periodontitis.case") == "yes"
	status := value("gingiva.status")

	urgent := Phase{ID: "urgent", Title: "First"}
	pus := at(func(v *site) bool { return v.flags[chart.Suppuration] == chart.Yes })
	item(&urgent, len(pus) > 0, PhaseItem{Text: "Suppuration: look for an abscess, pain or swelling and treat that first.", Sites: pus, Why: []string{"sites.suppuration"}, Source: srcCommon})
	loose := m.loose(chart.MaxMobility)
	item(&urgent, len(loose) > 0, PhaseItem{Text: "Teeth that can be pressed in or turned: decide on their prognosis.", Teeth: loose, Why: []string{"mobility.max"}, Source: srcCommon})
	var implants, mobile []chart.Tooth
	for i := range m.teeth {
		th := &m.teeth[i]
		if th.stand != implant {
			continue
		}
		implants = append(implants, th.t)
		if th.asked.Implant != nil && yes(th.asked.Implant.Mobile) || th.rec.Mobility.Value() > 0 {
			mobile = append(mobile, th.t)
		}
	}
	item(&urgent, len(mobile) > 0, PhaseItem{Text: "A mobile implant: find out whether the screw or the implant is loose.", Teeth: mobile, Why: []string{"implant.status"}, Source: srcCommon})
	if ask, ok := gateCaution(m.p); ok {
		item(&urgent, true, PhaseItem{Text: ask, Source: srcCommon})
	}
	add(urgent)

	stand := StandOf(f, m.p, o)
	stable := status == "stable" && value("endpoint.reached") != "not-met"
	var sick, peri []chart.Tooth // inflamed implants, and those of them with bone loss
	for i := range f.List {
		if v := &f.List[i]; v.Code == "implant.status" {
			switch v.Value.String() {
			case "peri-implantitis":
				peri = append(peri, v.Tooth)
				fallthrough
			case "mucositis":
				sick = append(sick, v.Tooth)
			}
		}
	}

	if m.child() {
		young := Phase{ID: "child", Title: "Under 18"}
		item(&young, true, PhaseItem{Text: "No stage and no phases for adults are proposed. Home care with the parents; look at growth, tooth change and braces first.", Source: srcCommon})
		var early []chart.Tooth
		for _, th := range m.early() {
			early = append(early, th.t)
		}
		item(&young, len(early) > 0, PhaseItem{Text: "Attachment loss at first molars or incisors: an early onset has to be excluded. Radiographs, medical history, family; refer early.", Teeth: early, Why: []string{"periodontitis.case"}, Source: srcCommon})
		add(young)
		return out
	}
	if len(m.scored) == 0 && len(implants) == 0 {
		none := Phase{ID: "no-teeth", Title: "No teeth"}
		item(&none, true, PhaseItem{Text: "Nothing periodontal is to be done. Look at the mucosa, the fit of dentures and their cleaning; once a year is common practice.", Source: srcCommon})
		add(none)
		return out
	}

	one := Phase{ID: "step1", Title: "Step 1: behaviour, risk factors, supragingival care"}
	plaque := at(func(v *site) bool { return v.flags[chart.Plaque] == chart.Yes })
	calculus := at(func(v *site) bool { return v.flags[chart.Calculus] == chart.Yes })
	inflamed := patient || status == "gingivitis-localized" || status == "gingivitis-generalized" || len(plaque)+len(calculus) > 0 || len(sick) > 0
	item(&one, inflamed, PhaseItem{Text: "Home care: instruct, motivate, check again at every visit; the home-care page is made from this mouth.", Sites: plaque, Teeth: sick, Why: []string{"score.plaque_percent", "gingiva.status", "implant.status"}, Source: srcSteps})
	if len(m.scored) > 0 {
		item(&one, inflamed, PhaseItem{Text: "Remove supragingival plaque and calculus, and what retains plaque.", Sites: calculus, Why: []string{"score.plaque_percent"}, Source: srcSteps})
	}
	smokes := m.p.CigarettesPerDay != nil && *m.p.CigarettesPerDay > 0 || m.p.SmokingStatus == "current"
	item(&one, smokes, PhaseItem{Text: "Help to stop smoking, or refer.", Why: []string{"risk.smoking"}, Source: srcSteps})
	item(&one, yes(m.p.Diabetes), PhaseItem{Text: "Glucose control: contact the treating physician.", Why: []string{"periodontitis.grade"}, Source: srcSteps})
	add(one)

	two := Phase{ID: "step2", Title: "Step 2: subgingival instrumentation"}
	pockets := at(func(v *site) bool { return v.depth >= stableBleedingDepth })
	item(&two, patient && !stable && len(pockets) > 0 && stand == Untreated, PhaseItem{Text: "Subgingival instrumentation at sites of 4 mm and more.", Sites: pockets, Why: []string{"sites.ge4", "periodontitis.case"}, Source: srcSteps})
	item(&two, patient && stand == UnderTherapy, PhaseItem{Text: "Finish phase one where it is not done, then re-evaluate. What is to be done again is decided at the re-evaluation.", Why: []string{"periodontitis.case"}, Source: srcSteps})
	add(two)

	re := Phase{ID: "reevaluation", Title: "Re-evaluation, 4 to 8 weeks after phase one"}
	if len(two.Items) > 0 {
		text := "Probe the whole mouth again and compare site by site. The window is common practice, no source; texts disagree."
		start := o.PhaseOneDone
		if start.IsZero() {
			start = o.Visit
			text += " It is counted from this exam until the end of phase one is known."
		}
		item(&re, true, PhaseItem{Text: text, Why: []string{"endpoint.reached"}, Source: srcCommon})
		if !start.IsZero() {
			re.From, re.To = start.AddDate(0, 0, reevaluationFirstDay), start.AddDate(0, 0, reevaluationLastDay)
		}
	}
	add(re)

	three := Phase{ID: "step3", Title: "Step 3: what did not respond"}
	residual := at(func(v *site) bool {
		return v.depth >= stableBleedingDepth && v.depth < endpointDepth && v.flags[chart.Bleeding] == chart.Yes
	})
	deep := at(func(v *site) bool { return v.depth >= endpointDepth })
	if stand == Supportive {
		three.Title = "Sites that are not stable"
	}
	if patient && (stand == Reevaluated || stand == Supportive) {
		item(&three, len(residual) > 0, PhaseItem{Text: "4 to 5 mm with bleeding: repeat subgingival instrumentation.", Sites: residual, Why: []string{"endpoint.reached", "gingiva.status"}, Source: srcSteps})
		item(&three, len(deep) > 0, PhaseItem{Text: "6 mm and more: consider surgery or referral.", Sites: deep, Why: []string{"endpoint.reached", "sites.ge6"}, Source: srcSteps})
	}
	if patient {
		item(&three, len(m.furcated()) > 0, PhaseItem{Text: "Furcations of grade 2 and 3: a plan for each tooth.", Teeth: m.furcated(), Why: []string{"furcation.max"}, Source: srcSteps})
		for _, i := range m.verticalItems() {
			item(&three, true, i)
		}
	}
	add(three)

	path := Phase{ID: "implants", Title: "Implants"}
	only := slices.DeleteFunc(slices.Clone(sick), func(t chart.Tooth) bool { return slices.Contains(peri, t) })
	item(&path, len(only) > 0, PhaseItem{Text: "Inflamed mucosa: professional removal of plaque and calculus, home care at the implant, access for cleaning (suprastructure); a radiograph where bone is unknown. Re-evaluate after 2 to 3 months.", Teeth: only, Why: []string{"implant.status"}, Source: srcImplantSteps})
	item(&path, len(peri) > 0, PhaseItem{Text: "Peri-implantitis: submarginal instrumentation first, with access for cleaning and risk factors dealt with. Re-evaluate after 6 to 12 weeks; where pus, bleeding or depth persist consider surgery or referral.", Teeth: peri, Why: []string{"implant.status"}, Source: srcImplantSteps})
	add(path)

	whole := Phase{ID: "rehabilitation", Title: "Rehabilitation"}
	item(&whole, value("periodontitis.stage") == "IV", PhaseItem{Text: "Stage IV: plan rehabilitation with the periodontal therapy, across disciplines.", Why: []string{"periodontitis.stage"}, Source: srcSteps})
	add(whole)

	care := Phase{ID: "supportive", Title: "Supportive care and recall"}
	if value("periodontitis.case") != "" || len(implants) > 0 {
		if patient && stand == Supportive {
			item(&care, true, PhaseItem{Text: "At each visit: ask, probe and compare, instruct again, remove plaque and calculus; dry sites of 4 and 5 mm are watched, not instrumented for their depth.", Why: []string{"gingiva.status"}, Source: srcSteps})
		}
		r := RecallFor(f, m.p, o)
		text := "No interval is proposed: stage, grade and gingival status are unknown."
		if r.Months > 0 {
			text = fmt.Sprintf("Recall every %s; %s The clinician sets the interval.", many(r.Months, "month"), r.why())
		}
		item(&care, true, PhaseItem{Text: text, Why: []string{"periodontitis.stage", "periodontitis.grade", "risk.progression", "endpoint.reached", "implant.status"}, Source: srcRecallBand + "; house rule, " + srcCommon})
	}
	add(care)
	return out
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
