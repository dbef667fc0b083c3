package diagnosis

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"leadsman/chart"
)

// recallInputs is what the recall interval is proposed from. Empty words are unknown.
type recallInputs struct {
	MonthsSinceTherapy *int   // whole months since active therapy was finished
	Stage, Grade       string // I to IV, A to C
	Gingiva            string // value of gingiva.status
	Risk               string // low, moderate, high
	Endpoint           string // met, not-met
	Pregnant           bool
	Untreated          bool   // no therapy was done: what is not stable is treated, not treated again
	Implants           string // worst of the implants: health, mucositis, peri-implantitis, indeterminate; "" none
}

// RecallLine is one rule's interval.
type RecallLine struct {
	Rule   string `json:"rule"`
	Months int    `json:"months"`
	Text   string `json:"text"`
	Source string `json:"source"`
}

// Recall is a proposed interval. It is a suggestion: the clinician's own choice is what counts.
type Recall struct {
	Months      int          `json:"months"`  // 0: no proposal
	Decided     string       `json:"decided"` // rule of the deciding line
	Lines       []RecallLine `json:"lines"`
	Retreatment bool         `json:"retreatment"` // decide on re-treatment first
	Notes       []string     `json:"notes"`
}

// recallOf proposes a recall interval in months: the first year after active therapy every 3 months,
// then by severity, beside the interval by the risk table; the shortest counts. All lie between 3 and 12.
// Source: house rule, common practice, no source; supportive care at 3 to at most 12 months by risk:
// Sanz et al. 2020, doi:10.1111/jcpe.13290 (from memory).
func recallOf(in recallInputs) Recall {
	var r Recall
	firstYear := in.MonthsSinceTherapy != nil && *in.MonthsSinceTherapy < recallFirstYearMonths
	if firstYear {
		r.add("first-year", recallFirstYear, srcCommon, "Active therapy was finished less than 12 months ago.")
	} else {
		r.bySeverity(&in)
	}
	if staged := in.Stage != "" && in.Stage != "indeterminate"; staged || in.Grade != "" || firstYear {
		if !firstYear && !(staged && in.Grade != "") {
			r.Notes = append(r.Notes, "Stage or grade is unknown: the shorter interval of what is known was taken.")
		}
		r.byRisk(&in)
		r.byStability(&in)
	}
	switch in.Implants {
	case "mucositis", "peri-implantitis":
		r.add("implants", recallImplantSick, srcImplantSteps, "An implant is inflamed.")
	case "health", "indeterminate":
		r.add("implants", recallImplant, srcImplantSteps, "Implants are looked after like teeth at risk.")
	}
	for _, l := range r.Lines {
		if r.Months == 0 || l.Months < r.Months {
			r.Months, r.Decided = l.Months, l.Rule
		}
	}
	if len(r.Lines) > 1 && r.Lines[1].Rule == "risk" && r.Lines[0].Months != r.Lines[1].Months {
		r.Notes = append(r.Notes, fmt.Sprintf("House rule: %d months; published by risk: %d months.", r.Lines[0].Months, r.Lines[1].Months))
	}
	if in.Pregnant {
		r.Notes = append(r.Notes, "Pregnancy calls for an earlier review (common practice, no source).")
	}
	r.Notes = append(r.Notes, "An interval is a proposal; local rules and insurers may set others. Recall is not treatment. A new systemic disease or a change in smoking calls for an earlier review.")
	r.Lines = list(r.Lines)
	return r
}

func (r *Recall) add(rule string, months int, source, text string) {
	r.Lines = append(r.Lines, RecallLine{rule, months, text, source})
}

// bySeverity is the house rule; the first that holds counts.
func (r *Recall) bySeverity(in *recallInputs) {
	switch {
	case in.Stage == "III" || in.Stage == "IV" || in.Grade == "C":
		r.add("severity", recallSevere, srcCommon, "Stage III or IV, or grade C.")
	case in.Stage == "II" || in.Grade == "B":
		r.add("severity", recallMiddle, srcCommon, "Stage II or grade B.")
	case in.Stage == "I" || in.Grade == "A":
		r.add("severity", recallMild, srcCommon, "Stage I, grade A.")
	case in.Gingiva == "gingivitis-localized" || in.Gingiva == "gingivitis-generalized":
		r.add("severity", recallGingivitis, srcCommon, "There is gingivitis.")
	case in.Gingiva == "health":
		r.add("severity", recallHealth, srcCommon, "The mouth is healthy.")
	}
}

func (r *Recall) byRisk(in *recallInputs) {
	switch in.Risk {
	case "high":
		r.add("risk", recallRiskHigh, srcRecallBand, "High risk by the risk table.")
	case "moderate":
		r.add("risk", recallRiskModerate, srcRecallBand, "Moderate risk by the risk table.")
	case "low":
		r.add("risk", recallRiskLow, srcRecallBand, "Low risk by the risk table.")
	}
}

func (r *Recall) byStability(in *recallInputs) {
	switch {
	case in.Gingiva != "not-stable" && in.Endpoint != "not-met":
	case in.Untreated:
		r.add("not-stable", recallNotStable, srcCommon, "Not treated yet: therapy comes first; this is the interval after it.")
	default:
		r.Retreatment = true
		r.add("not-stable", recallNotStable, srcCommon, "Not stable, or the end point of therapy is not met: decide on re-treatment.")
	}
}

// why is the sentence of the line that decided.
func (r *Recall) why() string {
	for _, l := range r.Lines {
		if l.Rule == r.Decided && l.Months == r.Months {
			return strings.ToLower(l.Text[:1]) + l.Text[1:]
		}
	}
	return ""
}

// RecallFor proposes the interval from findings, the patient's inputs, the date of the visit and where in the therapy the patient
// stands.
func RecallFor(f *Findings, p *chart.Patient, o PlanOptions) Recall {
	visit := o.Visit
	in := recallInputs{Stage: f.Value("periodontitis.stage"), Grade: f.Value("periodontitis.grade"), Gingiva: f.Value("gingiva.status"),
		Risk: f.Value("risk.progression"), Endpoint: f.Value("endpoint.reached"), Pregnant: yes(p.Pregnant), Untreated: StandOf(f, p, o) == Untreated}
	rank := []string{"", "health", "indeterminate", "mucositis", "peri-implantitis"}
	for i := range f.List {
		if v := &f.List[i]; v.Code == "implant.status" && slices.Index(rank, v.Value.String()) > slices.Index(rank, in.Implants) {
			in.Implants = v.Value.String()
		}
	}
	finished, err := time.Parse(time.DateOnly, p.TherapyFinished)
	if o.LastTherapy.After(finished) {
		finished, err = o.LastTherapy, nil
	}
	if err == nil && !visit.IsZero() {
		n := monthsBetween(finished, visit)
		in.MonthsSinceTherapy = &n
	}
	return recallOf(in)
}

// AddMonths returns the date n calendar months after d, clipped to the end of the month.
func AddMonths(d time.Time, n int) time.Time {
	first := time.Date(d.Year(), d.Month()+time.Month(n), 1, 0, 0, 0, 0, time.UTC)
	last := first.AddDate(0, 1, -1).Day()
	return first.AddDate(0, 0, min(d.Day(), last)-1)
}

// monthsBetween counts whole calendar months from a to b: 12 on the same day of the next year.
// It is 0 if b is before a.
func monthsBetween(a, b time.Time) int {
	n := max(0, (b.Year()-a.Year())*12+int(b.Month())-int(a.Month()))
	day := time.Date(b.Year(), b.Month(), b.Day(), 0, 0, 0, 0, time.UTC)
	if n > 0 && AddMonths(a, n).After(day) {
		n--
	}
	return n
}
