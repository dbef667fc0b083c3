package chart

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Plan is what the clinician decided about what comes after an exam. It is only ever the clinician's
// own: what the rules propose is worked out anew each time and is never stored in its place.
//
// An absent part is not decided; an empty list is a decision, for nothing. Dates are YYYY-MM-DD.
type Plan struct {
	Phases       []PlanPhase `json:"phases,omitzero"`
	PhaseOneDone string      `json:"phase_one_done,omitempty"` // end of non-surgical therapy
	Reevaluation string      `json:"reevaluation,omitempty"`   // day of the re-evaluation
	RecallMonths int         `json:"recall_months,omitempty"`  // 1 to 24; 0 not decided
	Recall       string      `json:"recall,omitempty"`         // day of the recall
	HomeCare     []PlanCare  `json:"home_care,omitzero"`
	Achieved     []string    `json:"achieved,omitempty"` // ids of home care that needs no more teaching
	Done         []Treatment `json:"done,omitzero"`      // what was done since, oldest first
	Note         string      `json:"note,omitempty"`
}

// Treatment is a short record of what was done: rules of re-evaluation, comparison and plan take it into account.
type Treatment struct {
	Day     string `json:"day"`               // YYYY-MM-DD
	What    string `json:"what"`              // one of TreatmentKinds
	Where   string `json:"where"`             // "" the whole mouth; quadrants, teeth and sites in words
	By      string `json:"by,omitempty"`      // hand, ultrasonic, both
	Adjunct string `json:"adjunct,omitempty"` // in the clinician's words
	Who     string `json:"who,omitempty"`
}

// treatmentKinds are the words for what was done.
var treatmentKinds = []string{"supragingival", "subgingival", "surgery", "implant", "extraction", "other"}

// active reports whether it is therapy after which attachment changes by healing.
func (t *Treatment) active() bool { return t.What == "subgingival" || t.What == "surgery" }

// String says for people what was done: "subgingival, upper right quadrant, by ultrasonic".
func (t *Treatment) String() string {
	out := []string{t.What, cmp.Or(t.Where, "whole mouth")}
	switch t.By {
	case "":
	case "both":
		out = append(out, "by hand and ultrasonic")
	default:
		out = append(out, "by "+t.By)
	}
	if t.Adjunct != "" {
		out = append(out, "with "+t.Adjunct)
	}
	return strings.Join(out, ", ")
}

// LastActive is the day of the last active treatment of a plan from one day to another, both included; "" if there is none. An empty
// day is no limit.
func (p *Plan) LastActive(from, to string) string {
	day := ""
	for i := range p.Done {
		if t := &p.Done[i]; t.active() && t.Day >= from && (to == "" || t.Day <= to) {
			day = max(day, t.Day)
		}
	}
	return day
}

// PlanPhase is a phase of therapy with what is to be done in it, in the clinician's words.
type PlanPhase struct {
	ID    string   `json:"id"`
	Title string   `json:"title"`
	Items []string `json:"items"`
}

// PlanCare is a line of the home-care page as it is handed out.
type PlanCare struct {
	ID    string `json:"id"`
	Group string `json:"group,omitempty"` // heading that it stands under
	Text  string `json:"text"`
	Why   string `json:"why,omitempty"`
	Where string `json:"where,omitempty"` // places, in words
}

// Decision is a plan as it was decided. The last one of an exam is in force.
type Decision struct {
	Plan
	Call  uint64 `json:"call"` // Seq of the call that made it
	Who   string `json:"who"`
	Time  int64  `json:"time"`            // Unix milliseconds
	Added bool   `json:"added,omitempty"` // after the exam was signed
}

// Limits of a plan: engineering choices, more than a page holds.
const (
	maxPlanLines = 60
	maxPlanText  = 1000 // bytes of a line
	maxPlanYear  = 2100
	maxRecall    = 24 // months
)

// Check says what of a plan no log keeps: values out of range, empty lines.
func (p *Plan) Check() error {
	for _, d := range []struct{ what, day string }{{"phase_one_done", p.PhaseOneDone}, {"reevaluation", p.Reevaluation}, {"recall", p.Recall}} {
		if t, err := time.Parse(time.DateOnly, d.day); d.day != "" && (err != nil || t.Year() > maxPlanYear) {
			return fmt.Errorf("plan: %s %q: write a day as 2027-03-28", d.what, d.day)
		}
	}
	if p.RecallMonths < 0 || p.RecallMonths > maxRecall {
		return &RangeError{At: "recall", Got: float64(p.RecallMonths), Min: 1, Max: maxRecall, Unit: " months"}
	}
	lines := 0
	text := func(what, s string, max int) error {
		if lines++; lines > 4*maxPlanLines {
			return errors.New("plan: too many lines")
		}
		if len(s) > max {
			return fmt.Errorf("plan: %s is longer than %d bytes", what, max)
		}
		return nil
	}
	err := text("the note", p.Note, LongestText)
	for _, ph := range p.Phases {
		if strings.TrimSpace(ph.ID) == "" {
			return errors.New("plan: a phase has no id")
		}
		err = errors.Join(err, text("an id", ph.ID, maxPlanText), text("a title", ph.Title, maxPlanText))
		for _, item := range ph.Items {
			if strings.TrimSpace(item) == "" {
				return fmt.Errorf("plan: phase %s has an empty line", ph.ID)
			}
			err = errors.Join(err, text("a line of phase "+ph.ID, item, maxPlanText))
		}
	}
	for _, c := range p.HomeCare {
		if strings.TrimSpace(c.Text) == "" {
			return errors.New("plan: a line of home care is empty")
		}
		for _, s := range []string{c.ID, c.Group, c.Text, c.Why} {
			err = errors.Join(err, text("a line of home care", s, maxPlanText))
		}
		err = errors.Join(err, text("the places of a line of home care", c.Where, LongestText))
	}
	for i := range p.Done {
		t := &p.Done[i]
		if e := t.check(); e != nil {
			return e
		}
		for _, s := range []string{t.Where, t.Adjunct, t.Who} {
			err = errors.Join(err, text("a line of therapy done", s, maxPlanText))
		}
	}
	for _, id := range p.Achieved {
		err = errors.Join(err, text("an id", id, maxPlanText))
	}
	return err
}

func (t *Treatment) check() error {
	if day, err := time.Parse(time.DateOnly, t.Day); err != nil || day.Year() > maxPlanYear {
		return fmt.Errorf("plan: treatment on %q: write a day as 2027-03-28", t.Day)
	}
	if !slices.Contains(treatmentKinds, t.What) {
		return fmt.Errorf("plan: treatment %q: use one of %s", t.What, strings.Join(treatmentKinds, ", "))
	}
	if t.By != "" && !slices.Contains([]string{"hand", "ultrasonic", "both"}, t.By) {
		return fmt.Errorf("plan: treatment by %q: use hand, ultrasonic or both", t.By)
	}
	return nil
}

// plan enters the clinician's plan. It is refused without a name, since it is somebody's decision.
func (b *builder) plan(a Act) {
	if strings.TrimSpace(b.meta.Who) == "" {
		b.err = refuse("a plan needs the name of the clinician who decides it")
		return
	}
	if a.Was != nil {
		is := ""
		if d, ok := b.st.Plan(); ok {
			is = fmt.Sprint(d.Call)
		}
		if is != *a.Was {
			b.err = refuse("the plan was changed at another screen meanwhile: look at the newer one, then decide")
			return
		}
	}
	if !b.read(a, a.Plan != nil) {
		return
	}
	p := *a.Plan
	if err := p.Check(); err != nil {
		b.err = refuse("%v", err)
		return
	}
	// A slip in a year would take a patient off the list. A day of grace, since days differ by place.
	decided := time.UnixMilli(b.meta.Time).UTC().AddDate(0, 0, -1).Format(time.DateOnly)
	for _, d := range []struct{ what, day string }{{"re-evaluation", p.Reevaluation}, {"recall", p.Recall}} {
		if d.day != "" && d.day < decided {
			b.err = refuse("the %s of %s lies before today", d.what, d.day)
			return
		}
	}
	tomorrow := time.UnixMilli(b.meta.Time).UTC().AddDate(0, 0, 1).Format(time.DateOnly)
	for _, t := range p.Done {
		if t.Day > tomorrow {
			b.err = refuse("therapy done on %s: that day has not come yet", t.Day)
			return
		}
	}
	b.decide(p, b.meta.Who)
}

// decide enters a plan as the one in force.
func (b *builder) decide(p Plan, who string) {
	var text bytes.Buffer
	enc := json.NewEncoder(&text)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(p); err != nil {
		b.err = refuse("plan: %v", err)
		return
	}
	b.emit(Event{Kind: KindPlan, Who: who, Text: strings.TrimSpace(text.String()), Plan: &p, Waits: b.meta.Student && b.st.SignedBy != ""})
}

// therapy adds what was done to the plan in force, whose other decisions stay those of who decided them.
func (b *builder) therapy(a Act) {
	who := strings.TrimSpace(b.meta.Who)
	switch {
	case a.Therapy == nil:
		b.err = refuse("say what was done, and where")
		return
	case who == "":
		b.err = refuse("a record of therapy needs the name of who did it: say first who sits here")
		return
	}
	t := *a.Therapy
	t.Day, t.Who = time.UnixMilli(b.meta.Time).Format(time.DateOnly), who // the day as that of an exam
	if len(a.Teeth) > 0 {
		t.Where = b.placeOf(a)
	}
	d, ok := b.st.Plan()
	if !ok {
		d.Who = who
	}
	p := d.Plan
	p.Done = append(slices.Clone(p.Done), t)
	if err := p.Check(); err != nil {
		b.err = refuse("%v", err)
		return
	}
	b.decide(p, d.Who)
}

// placeOf writes the teeth of a treatment, and the sites if one tooth has them, in the exam's numbering.
func (b *builder) placeOf(a Act) string {
	words := []string{"tooth"}
	if len(a.Teeth) > 1 {
		words[0] = "teeth"
	}
	for _, t := range a.Teeth {
		words = append(words, b.label(t))
	}
	for _, w := range a.Where {
		words = append(words, w.String())
	}
	if a.HasAspect {
		words = append(words, a.Aspect.String())
	}
	return strings.Join(words, " ")
}

// Plan is the decision in force; ok is false if none was made.
func (s *State) Plan() (d Decision, ok bool) {
	if len(s.Plans) == 0 {
		return Decision{}, false
	}
	return s.Plans[len(s.Plans)-1], true
}

// DecisionOf reads the decision that a KindPlan event holds, but for Added; ok is false for others.
func DecisionOf(e Event) (d Decision, ok bool) {
	if e.Kind != KindPlan || e.Plan == nil {
		return Decision{}, false
	}
	return Decision{Plan: *e.Plan, Call: e.Call, Who: e.Who, Time: e.Time}, true
}
