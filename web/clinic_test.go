package web_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/practice"
)

// called folds calls of one kind into an exam of its own: depths along the path.
func called(t *testing.T, n chart.Numbering, at int64, depths ...int) *chart.State {
	t.Helper()
	evs, err := chart.Start(n, "", nil, nil, chart.Meta{Time: at})
	if err != nil {
		t.Fatal(err)
	}
	st, err := chart.Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	var acts []chart.Act
	for _, d := range depths {
		acts = append(acts, chart.Act{Verb: chart.VerbSoundings, Numbers: []chart.MM{chart.Millimetres(d)}})
	}
	evs, err = st.Do(chartfile.Read(chart.Command{Acts: acts}), chart.Meta{Time: at, Source: chart.Keyboard, Who: "Ann"})
	if err != nil {
		t.Fatal(err)
	}
	if err := st.Apply(evs...); err != nil {
		t.Fatal(err)
	}
	return st
}

const dayMS = 24 * 3600 * 1000

func TestCompareExams(t *testing.T) {
	s := start(t)
	// Nothing before: said as such, not as a fault.
	status, text := s.ask("GET", "/api/exams/x1/compare", "")
	if status != 200 || strings.Contains(text, `"comparison"`) || !strings.Contains(text, "Decision support") {
		t.Errorf("no exam before: %d %s", status, text)
	}
	if status, text := s.ask("GET", "/api/exams/x1/findings", ""); status != 200 || strings.Contains(text, `"earlier":`) {
		t.Errorf("no exam before: %d %.200s", status, text)
	}
	// Three exams of the patient and one of another: 17.DB from 7 to 3 mm, in two numberings.
	s.practice.visits = []practice.Visit{
		{ID: "x4", Patient: "p1", Kind: "exam", Began: 90 * dayMS, SignedBy: "Ben", Recorded: 3, Sites: 168},
		{ID: "x3", Patient: "p1", Kind: "re-evaluation", Earlier: "x2", Began: 60 * dayMS, SignedBy: "Ann", Recorded: 3, Sites: 168},
		{ID: "x1", Patient: "p1", Kind: "exam", Began: 50 * dayMS},
		{ID: "x2", Patient: "p1", Kind: "exam", Began: 1 * dayMS, SignedBy: "Ann", Recorded: 3, Sites: 168},
		{ID: "y1", Patient: "p9", Kind: "exam", Began: 2 * dayMS},
	}
	s.practice.states = map[string]*chart.State{"x2": called(t, chart.FDI, 1*dayMS, 7, 3, 5), "x3": called(t, chart.Universal, 60*dayMS, 3, 3, 7),
		"x4": called(t, chart.FDI, 90*dayMS, 3, 3, 5), "y1": called(t, chart.FDI, 1, 3)}
	type pair struct {
		First, Second struct{ ID string }
		Other         bool
		Comparison    struct {
			Improved, Worse, NotSure int
			Notes                    []string
		}
		Agreement struct {
			Differ []struct{ Tooth int }
		}
	}
	ask := func(path string) (p pair) {
		t.Helper()
		status, text := s.ask("GET", path, "")
		if err := json.Unmarshal([]byte(text), &p); err != nil || status != 200 {
			t.Fatalf("%s: %d %s", path, status, text)
		}
		return p
	}
	p := ask("/api/exams/x3/compare")
	if c := p.Comparison; p.First.ID != "x2" || p.Second.ID != "x3" || p.Other || c.Improved != 1 || c.Worse != 1 || !strings.Contains(fmt.Sprint(c.Notes), "different numberings") {
		t.Errorf("%+v", p)
	}
	if len(p.Agreement.Differ) != 2 || p.Agreement.Differ[0].Tooth != 17 {
		t.Errorf("%+v", p.Agreement)
	}
	// x4 follows nothing by name: the newest before it that has readings. Another examiner signed it, so
	// 2 mm are not sure; the page may say otherwise.
	if p := ask("/api/exams/x4/compare"); p.First.ID != "x3" || !p.Other || p.Comparison.NotSure != 1 || p.Comparison.Improved != 0 {
		t.Errorf("%+v", p)
	}
	if p := ask("/api/exams/x4/compare?other=0"); p.Other || p.Comparison.Improved != 1 {
		t.Errorf("%+v", p)
	}
	// The earlier one is the first, whichever was asked for.
	if p := ask("/api/exams/x2/compare?with=x4&other=1"); p.First.ID != "x2" || p.Second.ID != "x4" || !p.Other {
		t.Errorf("%+v", p)
	}
	for path, want := range map[string]string{
		"/api/exams/x3/compare?with=x3":   "422 pair",
		"/api/exams/x3/compare?with=y1":   "422 pair",
		"/api/exams/x3/compare?with=none": "404 not_found",
		"/api/exams/none/compare":         "404 not_found",
		"/api/exams/none/plan":            "404 not_found",
		"/api/exams/none/findings":        "404 not_found",
		"/api/patients/none/course":       "404 not_found",
	} {
		status, text := s.ask("GET", path, "")
		var f struct{ Error struct{ Code string } }
		if err := json.Unmarshal([]byte(text), &f); err != nil || fmt.Sprint(status, " ", f.Error.Code) != want {
			t.Errorf("%s: %d %s, want %s", path, status, text, want)
		}
	}
	// The findings of a re-evaluation say which exam was taken as evidence of progression.
	if _, text := s.ask("GET", "/api/exams/x3/findings", ""); !strings.Contains(text, `"earlier":{"id":"x2"`) {
		t.Errorf("findings of x3: %.300s", text)
	}
	var course struct {
		Exams []struct {
			ID       string
			Findings []struct{ Code, Shown string }
		}
	}
	_, text = s.ask("GET", "/api/patients/p1/course", "")
	if err := json.Unmarshal([]byte(text), &course); err != nil {
		t.Fatal(err)
	}
	var line []string
	for _, e := range course.Exams {
		for _, f := range e.Findings {
			if f.Code == "depth.mean" {
				line = append(line, e.ID+" "+f.Shown)
			}
		}
	}
	if got := strings.Join(line, ", "); got != "x2 5.00, x3 4.33, x4 3.67" { // the empty exam is left out
		t.Errorf("course: %s", got)
	}
}

// A visit at which nothing was examined but therapy recorded counts wherever two exams around it are looked at: the course, the comparison,
// the plan, the recall, attendance.
func TestVisitForTherapyAlone(t *testing.T) {
	first, later := called(t, chart.FDI, 1*dayMS, 7, 3, 5), called(t, chart.FDI, 60*dayMS, 5, 3, 5)
	for _, st := range []*chart.State{first, later} {
		yes := true
		st.Chart.Patient.PeriodontitisConfirmed = &yes
	}
	evs, err := first.Do(chartfile.Read(chart.Command{Acts: []chart.Act{{Verb: chart.VerbPlan, Text: `{"reevaluation":"1970-01-25"}`}}}), chart.Meta{Time: 1 * dayMS, Source: chart.Keyboard, Who: "Ann"})
	if err != nil {
		t.Fatal(err)
	}
	if err := first.Apply(evs...); err != nil {
		t.Fatal(err)
	}
	therapy := func(what string) *chart.State {
		t.Helper()
		st := called(t, chart.FDI, 20*dayMS)
		evs, err := st.Do(chartfile.Read(chart.Command{Acts: []chart.Act{{Verb: chart.VerbPlan, Text: `{"done":[{"day":"1970-01-21","what":"` + what + `","where":"upper right quadrant","by":"ultrasonic"}]}`}}}),
			chart.Meta{Time: 20 * dayMS, Source: chart.Keyboard, Who: "Ann"})
		if err != nil {
			t.Fatal(err)
		}
		if err := st.Apply(evs...); err != nil {
			t.Fatal(err)
		}
		return st
	}
	for what, counts := range map[string]bool{"subgingival": true, "supragingival": false, "": false} {
		s := start(t)
		s.practice.visits = []practice.Visit{
			{ID: "x3", Patient: "p1", Kind: "exam", Began: 60 * dayMS, SignedBy: "Ann", Recorded: 3, Sites: 168},
			{ID: "x2", Patient: "p1", Kind: "exam", Began: 1 * dayMS, SignedBy: "Ann", Recorded: 3, Sites: 168},
		}
		s.practice.states = map[string]*chart.State{"x2": first, "x3": later}
		if what != "" {
			s.practice.visits = append(s.practice.visits[:1], practice.Visit{ID: "t1", Patient: "p1", Kind: "exam", Began: 20 * dayMS}, s.practice.visits[1])
			s.practice.states["t1"] = therapy(what)
		}
		ask := func(path string, into any) {
			t.Helper()
			status, text := s.ask("GET", path, "")
			if err := json.Unmarshal([]byte(text), into); err != nil || status != 200 {
				t.Fatalf("%s: %d %s", path, status, text)
			}
		}
		var course struct {
			Exams      []struct{ ID string }
			Attendance practice.Attendance
			History    struct{ Notes []string }
		}
		ask("/api/patients/p1/course", &course)
		since := strings.Contains(fmt.Sprint(course.History.Notes), "counted from the first exam after the last therapy, on 1970-03-02")
		if len(course.Exams) != 2 || since != counts || (course.Attendance.Kept == 1) != (what != "") || course.Attendance.Kept+course.Attendance.Late != 1 {
			t.Errorf("%q: course %+v", what, course)
		}
		var pair struct {
			Comparison struct {
				Window string
				Notes  []string
			}
		}
		ask("/api/exams/x3/compare", &pair)
		if between := strings.Contains(fmt.Sprint(pair.Comparison.Notes), "Active therapy lies between the two exams"); between != counts || (pair.Comparison.Window == "inside") != counts {
			t.Errorf("%q: comparison %+v", what, pair) // 40 days after
		}
		var plan struct {
			Phases []struct{ ID string }
			Recall struct {
				Months int
				Lines  []struct{ Text string }
			}
		}
		ask("/api/exams/x3/plan", &plan)
		recall := fmt.Sprint(plan.Recall.Lines)
		if plan.Recall.Months != 3 || strings.Contains(recall, "Active therapy was finished less than 12 months ago") != counts || strings.Contains(recall, "Not treated yet") == counts {
			t.Errorf("%q: recall %+v", what, plan.Recall)
		}
		if !strings.Contains(fmt.Sprint(plan.Phases), "reevaluation") { // under therapy, or before it
			t.Errorf("%q: phases %+v", what, plan.Phases)
		}
	}
}

// The proposal is shown beside the decision and never in its place.
func TestPlanAndDecision(t *testing.T) {
	s := start(t)
	plan := func() (p struct {
		Recall struct {
			Months int
			Notes  []string
		}
		HomeCare  struct{ Items []struct{ ID string } } `json:"home_care"`
		Decisions []struct {
			Who          string
			RecallMonths int `json:"recall_months"`
			Call         uint64
		}
		Phases   []struct{ ID string }
		Cautions []string
	}) {
		t.Helper()
		status, text := s.ask("GET", "/api/exams/x1/plan", "")
		if err := json.Unmarshal([]byte(text), &p); err != nil || status != 200 {
			t.Fatalf("%d %s", status, text)
		}
		return p
	}
	if p := plan(); p.Decisions == nil || len(p.Decisions) != 0 || len(p.HomeCare.Items) < 4 || len(p.Phases) == 0 || len(p.Cautions) == 0 || len(p.Recall.Notes) == 0 {
		t.Errorf("before: %+v", p)
	}
	do := func(id, text, was string) string {
		t.Helper()
		b, _ := json.Marshal(map[string]any{"id": id, "who": "Ann", "command": map[string]any{"acts": []any{map[string]any{"verb": "plan", "text": text, "was": was}}}})
		status, answer := s.ask("POST", "/api/exams/x1/do", string(b))
		if status != 200 {
			t.Fatalf("%d %s", status, answer)
		}
		return answer
	}
	do("1", `{"recall_months":6}`, "")
	p := plan()
	if len(p.Decisions) != 1 || p.Decisions[0].Who != "Ada Quill" || p.Decisions[0].RecallMonths != 6 {
		t.Fatalf("decided: %+v", p)
	}
	if a := do("2", `{"recall_months":3}`, ""); !strings.Contains(a, "changed at another screen") {
		t.Errorf("over a plan that was not seen: %s", a)
	}
	do("3", `{"recall_months":3,"achieved":["brush_bass"]}`, fmt.Sprint(p.Decisions[0].Call))
	p = plan()
	if len(p.Decisions) != 2 || p.Decisions[1].RecallMonths != 3 {
		t.Errorf("decided again: %+v", p)
	}
	for _, i := range p.HomeCare.Items {
		if i.ID == "brush_bass" {
			t.Error("home care that was achieved is proposed again")
		}
	}
	if status, text := s.ask("GET", "/api/exams/x1/due.ics", ""); status != 404 || !strings.Contains(text, "not_decided") {
		t.Errorf("no day: %d %s", status, text)
	}
	s.practice.due = []practice.Due{{Patient: "p1", Exam: "x1", Name: "Harriet", Day: "2027-02-01", What: "recall"}, {Exam: "x9", Name: "Jonas", Day: "2027-03-01"}, {Exam: "x8", Name: "Mara"}}
	if status, text := s.ask("GET", "/api/exams/x1/due.ics", ""); status != 200 || !strings.Contains(text, "Harriet") || strings.Contains(text, "Jonas") {
		t.Errorf("%d %s", status, text)
	}
	if status, text := s.ask("GET", "/api/due.ics", ""); status != 200 || !strings.Contains(text, "Jonas") || strings.Contains(text, "Mara") {
		t.Errorf("%d %s", status, text)
	}
}

// Mouths at the edge: every view of them answers, and says what cannot be said.
func TestUnusualMouths(t *testing.T) {
	all := chart.AllTeeth()
	for name, keep := range map[string]map[chart.Tooth]chart.Presence{
		"nothing but missing": {},
		"one tooth":           {16: chart.Present},
		"two teeth":           {16: chart.Present, 26: chart.Present},
		"all implants":        nil,
	} {
		s := start(t)
		var acts []chart.Act
		for _, tooth := range all {
			state := chart.Missing
			if keep == nil {
				state = chart.Implant
			} else if p, ok := keep[tooth]; ok {
				state = p
			}
			acts = append(acts, chart.Act{Verb: chart.VerbPresence, Teeth: []chart.Tooth{tooth}, Presence: state})
		}
		b, err := json.Marshal(map[string]any{"id": "1", "who": "Ann", "command": chart.Command{Acts: acts}})
		if err != nil {
			t.Fatal(err)
		}
		if status, text := s.ask("POST", "/api/exams/x1/do", string(b)); status != 200 || strings.Contains(text, "refused") {
			t.Fatalf("%s: %d %s", name, status, text)
		}
		s.practice.visits = append(s.practice.visits, practice.Visit{ID: "x2", Patient: "p1", Kind: "exam", Recorded: 3})
		s.practice.states = map[string]*chart.State{"x2": called(t, chart.FDI, 0, 6, 3, 5)}
		for _, path := range []string{"findings", "plan", "compare?with=x2"} {
			status, text := s.ask("GET", "/api/exams/x1/"+path, "")
			if status != 200 || !json.Valid([]byte(text)) || strings.Contains(text, "NaN") || !strings.Contains(text, "Decision support") {
				t.Errorf("%s, %s: %d %.300s", name, path, status, text)
			}
		}
		if status, _ := s.ask("GET", "/api/patients/p1/course", ""); status != 200 {
			t.Errorf("%s: course %d", name, status)
		}
	}
}
