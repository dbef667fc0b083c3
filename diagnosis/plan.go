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
	var out []Phase
	add := func(p Phase) {
		if len(p.Items) > 0 {
			out = append(out, p)
		}
	}
	item := func(p *Phase, when bool, i PhaseItem) {
		i.Why = slices.DeleteFunc(i.Why, func(code string) bool { _, ok := f.Get(code); return !ok })
		if when {
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
	if ask, ok := GateCaution(m.p); ok {
		urgent.Items = append(urgent.Items, PhaseItem{Text: ask, Source: srcCommon})
	}
	add(urgent)

	one := Phase{ID: "step1", Title: "Step 1: behaviour, risk factors, supragingival care"}
	plaque := at(func(v *site) bool { return v.flags[chart.Plaque] == chart.Yes })
	calculus := at(func(v *site) bool { return v.flags[chart.Calculus] == chart.Yes })
	inflamed := patient || status == "gingivitis-localized" || status == "gingivitis-generalized" || len(plaque)+len(calculus) > 0
	item(&one, inflamed, PhaseItem{Text: "Home care: instruct, motivate, check again at every visit; the home-care page is made from this mouth.", Sites: plaque, Why: []string{"score.plaque_percent", "gingiva.status"}, Source: srcSteps})
	item(&one, inflamed, PhaseItem{Text: "Remove supragingival plaque and calculus, and what retains plaque.", Sites: calculus, Why: []string{"score.plaque_percent"}, Source: srcSteps})
	smokes := m.p.CigarettesPerDay != nil && *m.p.CigarettesPerDay > 0 || m.p.SmokingStatus == "current"
	item(&one, smokes, PhaseItem{Text: "Help to stop smoking, or refer.", Why: []string{"risk.smoking"}, Source: srcSteps})
	item(&one, yes(m.p.Diabetes), PhaseItem{Text: "Glucose control: contact the treating physician.", Why: []string{"periodontitis.grade"}, Source: srcSteps})
	add(one)

	two := Phase{ID: "step2", Title: "Step 2: subgingival instrumentation"}
	pockets := at(func(v *site) bool { return v.depth >= stableBleedingDepth })
	item(&two, patient && len(pockets) > 0 && !o.Reevaluation, PhaseItem{Text: "Subgingival instrumentation at sites of 4 mm and more.", Sites: pockets, Why: []string{"sites.ge4", "periodontitis.case"}, Source: srcSteps})
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
	if patient && o.Reevaluation {
		residual := at(func(v *site) bool {
			return v.depth >= stableBleedingDepth && v.depth < endpointDepth && v.flags[chart.Bleeding] == chart.Yes
		})
		deep := at(func(v *site) bool { return v.depth >= endpointDepth })
		item(&three, len(residual) > 0, PhaseItem{Text: "4 to 5 mm with bleeding: repeat subgingival instrumentation.", Sites: residual, Why: []string{"endpoint.reached", "gingiva.status"}, Source: srcSteps})
		item(&three, len(deep) > 0, PhaseItem{Text: "6 mm and more: consider surgery or referral.", Sites: deep, Why: []string{"endpoint.reached", "sites.ge6"}, Source: srcSteps})
	}
	if patient {
		var open []chart.Tooth
		for _, th := range m.classed {
			for _, g := range th.rec.Furcation {
				if g.Recorded() && g.Value() >= stageFurcationIII {
					open = append(open, th.t)
					break
				}
			}
		}
		item(&three, len(open) > 0, PhaseItem{Text: "Furcations of grade 2 and 3: a plan for each tooth.", Teeth: open, Why: []string{"furcation.max"}, Source: srcSteps})
	}
	if len(implants) > 0 {
		var sick []chart.Tooth
		for i := range f.List {
			if v := &f.List[i]; v.Code == "implant.status" && (v.Value.String() == "mucositis" || v.Value.String() == "peri-implantitis") {
				sick = append(sick, v.Tooth)
			}
		}
		item(&three, len(sick) > 0, PhaseItem{Text: "Inflamed implants: clean, check the suprastructure for access, take a radiograph where bone is unknown.", Teeth: sick, Why: []string{"implant.status"}, Source: srcImplant})
	}
	add(three)

	whole := Phase{ID: "rehabilitation", Title: "Rehabilitation"}
	item(&whole, value("periodontitis.stage") == "IV", PhaseItem{Text: "Stage IV: plan rehabilitation with the periodontal therapy, across disciplines.", Why: []string{"periodontitis.stage"}, Source: srcSteps})
	add(whole)

	care := Phase{ID: "supportive", Title: "Supportive care and recall"}
	if value("periodontitis.case") != "" {
		visit := o.Visit
		r := RecallFor(f, m.p, visit)
		text := "No interval is proposed: stage, grade and gingival status are unknown."
		if r.Months > 0 {
			text = fmt.Sprintf("Recall every %s, decided by the rule %q; the clinician sets the interval.", many(r.Months, "month"), r.Decided)
		}
		item(&care, true, PhaseItem{Text: text, Why: []string{"periodontitis.stage", "periodontitis.grade", "risk.progression", "endpoint.reached"}, Source: srcRecallBand + "; house rule, " + srcCommon})
	}
	add(care)
	return out
}
