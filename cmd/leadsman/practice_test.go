package main

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/store"
	"leadsman/web"
)

// A Wednesday in winter, so that dates are the same at every run.
var inventedNow = time.Date(2026, 11, 25, 9, 0, 0, 0, time.Local)

// seated is a browser at which somebody of an open practice sits.
func seated(t *testing.T, p *practice.Practice, url, name string) *http.Client {
	t.Helper()
	all, err := p.People.All(t.Context())
	i := slices.IndexFunc(all, func(x practice.Person) bool { return x.Name == name })
	if err != nil || i < 0 {
		t.Fatal(all, err)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar}
	res, err := c.Post(url+"/api/session", "application/json", strings.NewReader(`{"person":"`+all[i].ID+`"}`))
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != 200 {
		t.Fatal(res.Status)
	}
	return c
}

// invented is the invented practice behind its pages.
func invented(t *testing.T, own *practice.Words) (*practice.Practice, func(path string, into any) string) {
	t.Helper()
	ctx := context.Background()
	st, err := store.Open(ctx, t.TempDir(), func() time.Time { return inventedNow })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	if err := invent(ctx, st, inventedNow); err != nil {
		t.Fatal(err)
	}
	p := practice.New(practice.Config{Records: st, Words: own, Now: func() time.Time { return inventedNow }, Log: slog.New(slog.DiscardHandler)})
	t.Cleanup(p.Close)
	srv := httptest.NewServer(web.New(web.Options{Exams: web.Opener(p.Open), Practice: p, People: p.People, Calendar: calendar}))
	t.Cleanup(srv.Close)
	ada := seated(t, p, srv.URL, "Ada Quill")
	return p, func(path string, into any) string {
		t.Helper()
		res, err := ada.Get(srv.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != 200 {
			t.Fatalf("%s: %s %s %v", path, res.Status, b, err)
		}
		if into != nil {
			if err := json.Unmarshal(b, into); err != nil {
				t.Fatalf("%s: %v\n%s", path, err, b)
			}
		}
		return string(b)
	}
}

func patientNamed(t *testing.T, p *practice.Practice, name string) (practice.Patient, []practice.Visit) {
	t.Helper()
	ps, _, err := p.Patients(context.Background(), name, "", 10)
	if err != nil || len(ps) != 1 {
		t.Fatalf("%s: %+v, %v", name, ps, err)
	}
	vs, err := p.Visits(context.Background(), ps[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	return ps[0], vs
}

// The invented practice has what every screen needs: a re-evaluation, a calibration pair, recalls that
// are due, overdue and not decided.
func TestInventedPractice(t *testing.T) {
	p, get := invented(t, nil)
	var due []practice.Due
	get("/api/due", &due)
	var got []string
	for _, d := range due {
		got = append(got, strings.TrimSpace(strings.Join([]string{d.Day, d.What, d.Name, d.Who}, " ")))
	}
	want := `2026-11-04 recall Oskar Fenn Ben Oakley
2027-05-05 recall Jonas Merrow Ada Quill
2027-11-13 recall Ines Tidewell Ada Quill
Harriet Sallow
Walter Brack`
	if s := strings.Join(got, "\n"); s != want {
		t.Errorf("due:\n%s\nwant\n%s", s, want)
	}
	for _, path := range []string{"/api/due.ics", "/api/exams/" + due[0].Exam + "/due.ics"} {
		if ics := get(path, nil); !strings.Contains(ics, "DTSTART;VALUE=DATE:20261104\r\n") || !strings.Contains(ics, "Oskar Fenn") || strings.Contains(ics, "Harriet") {
			t.Errorf("%s:\n%s", path, ics)
		}
	}

	_, vs := patientNamed(t, p, "Harriet Sallow")
	if len(vs) != 2 || vs[0].Kind != "re-evaluation" || vs[0].Earlier != vs[1].ID {
		t.Fatalf("%+v", vs)
	}
	var pair struct {
		First, Second practice.Visit
		Other         bool
		Comparison    struct {
			Pockets, Closed, Improved int
			ClosedPercent             float64
			Window                    string
			Notes                     []string
			Retreat                   []any
		}
	}
	get("/api/exams/"+vs[0].ID+"/compare", &pair)
	c := pair.Comparison
	if pair.First.ID != vs[1].ID || pair.Second.ID != vs[0].ID || pair.Other || c.Pockets < 20 || c.Closed < 10 || c.ClosedPercent < 40 || c.Improved < 20 || c.Window != "inside" || len(c.Retreat) < 3 {
		t.Errorf("%+v", pair)
	}
	// Asked from the other side it is the same pair.
	if a, b := get("/api/exams/"+vs[0].ID+"/compare", nil), get("/api/exams/"+vs[1].ID+"/compare?with="+vs[0].ID, nil); a != b {
		t.Error("the pair depends on which exam is open")
	}
	var course struct {
		Exams []struct {
			ID       string
			Findings []struct {
				Code  string
				Value any
			}
		}
	}
	get("/api/patients/"+vs[0].Patient+"/course", &course)
	if len(course.Exams) != 2 || course.Exams[0].ID != vs[1].ID || len(course.Exams[0].Findings) < 12 {
		t.Errorf("%+v", course)
	}
	for i := range course.Exams[0].Findings {
		a, b := course.Exams[0].Findings[i], course.Exams[1].Findings[i]
		if a.Code == "sites.ge5" && a.Value.(float64) <= b.Value.(float64) {
			t.Errorf("sites of 5 mm: %v, then %v", a.Value, b.Value)
		}
	}

	var plan struct {
		Phases    []struct{ ID string }
		Recall    struct{ Months int }
		RecallDay string `json:"recall_day"`
		Decisions []chart.Decision
		Earlier   *chart.Decision
	}
	get("/api/exams/"+vs[0].ID+"/plan", &plan)
	// 3 months after 19 November (common practice, no source).
	if plan.Recall.Months != 3 || plan.RecallDay != "2027-02-19" || len(plan.Decisions) != 0 || plan.Earlier == nil || plan.Earlier.PhaseOneDone != "2026-10-08" {
		t.Errorf("%+v", plan)
	}
	// At the first exam the window of the re-evaluation is counted from the end of phase one that was
	// decided: 4 to 8 weeks (common practice, no source) after 8 October.
	var first struct {
		Phases    []struct{ ID, From, To string }
		Decisions []chart.Decision
	}
	get("/api/exams/"+vs[1].ID+"/plan", &first)
	window := ""
	for _, ph := range first.Phases {
		if ph.ID == "reevaluation" {
			window = ph.From[:10] + " to " + ph.To[:10]
		}
	}
	if window != "2026-11-05 to 2026-12-03" || len(first.Decisions) != 1 || len(first.Decisions[0].Phases) != 2 {
		t.Errorf("window %s, %+v", window, first.Decisions)
	}

	// Two examiners on one day.
	_, vs = patientNamed(t, p, "Ines Tidewell")
	var agree struct {
		Other     bool
		Agreement struct {
			Depth []struct {
				Group          string
				Sites          int
				ExactPercent   float64
				Within1Percent float64
				KappaQuadratic float64
			}
			Differ []any
		}
	}
	get("/api/exams/"+vs[0].ID+"/compare", &agree)
	if d := agree.Agreement.Depth[0]; !agree.Other || d.Group != "all" || d.Sites != 168 || d.ExactPercent < 70 || d.Within1Percent < 90 || d.KappaQuadratic < 0.5 || len(agree.Agreement.Differ) == 0 {
		t.Errorf("%+v", agree)
	}
}

// What is decided under Plan is in the log, in the list of what is due, and moves with the decision; a
// new exam takes the patient off the list until something is decided there.
func TestDueFollowsDecisions(t *testing.T) {
	p, _ := invented(t, nil)
	ctx := context.Background()
	pt, vs := patientNamed(t, p, "Harriet Sallow")
	days := func() (out []string) {
		t.Helper()
		ds, err := p.AllDue(ctx, practice.DueQuery{})
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range ds {
			if d.Patient == pt.ID {
				out = append(out, d.What+" "+d.Day)
			}
		}
		return out
	}
	e, err := p.Open(ctx, vs[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	decide := func(text, id string) {
		t.Helper()
		if _, err := e.Do(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbPlan, Text: text}}}, exam.Caller{Who: "Ada Quill"}, id); err != nil {
			t.Fatal(err)
		}
	}
	if got := strings.Join(days(), ", "); got != " " {
		t.Errorf("before: %q", got)
	}
	decide(`{"recall_months":3,"recall":"2027-02-19"}`, "1")
	decide(`{"recall_months":4,"recall":"2027-03-19","reevaluation":"2027-01-05"}`, "2")
	decide(`{"recall_months":4}`, "2") // sent twice: entered once
	if got := strings.Join(days(), ", "); got != "re-evaluation 2027-01-05, recall 2027-03-19" {
		t.Errorf("decided: %q", got)
	}
	st, err := p.State(ctx, vs[0].ID)
	if d, ok := st.Plan(); err != nil || !ok || len(st.Plans) != 2 || d.RecallMonths != 4 || !d.Added || d.Who != "Ada Quill" {
		t.Errorf("%+v, %v", st.Plans, err)
	}
	if _, err := p.Begin(ctx, practice.NewVisit{Patient: pt.ID, Earlier: vs[0].ID, ID: "new"}, exam.Caller{Person: "ada", Who: "Ada Quill"}); err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(days(), ", "); got != " " {
		t.Errorf("after a new exam: %q", got)
	}
}

// An exam to try a microphone in is as new ones are, and is kept nowhere.
func TestTrial(t *testing.T) {
	p, _ := invented(t, nil)
	ctx := context.Background()
	s, err := p.Settings(ctx)
	if err != nil {
		t.Fatal(err)
	}
	s.Numbering, s.Path = chart.FDI, "tooth"
	if _, err := p.SaveSettings(ctx, s); err != nil {
		t.Fatal(err)
	}
	e, err := p.Trial(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	if _, err := e.Words(ctx, "three two four", exam.Caller{}, ""); err != nil {
		t.Fatal(err)
	}
	v, err := e.View(ctx)
	if err != nil || v.Numbering != chart.FDI || v.Path != "tooth" || v.Recorded != 3 {
		t.Errorf("%v %v %v %v", err, v.Numbering, v.Path, v.Recorded)
	}
	if _, err := p.Open(ctx, "trial"); err == nil {
		t.Error("the exam to try a microphone in is among the kept ones")
	}
	// The engine goes when the service ends: what is tried has ended before.
	p.Close()
	select {
	case <-e.Done():
	default:
		t.Error("a microphone that is tried outlives the service")
	}
	if late, err := p.Trial(ctx); err == nil {
		late.Close()
		t.Error("a microphone is tried after the service has ended")
	}
}

// Exams begin on every path that is offered, the practice's own among them; what cannot be walked is refused with a reason
// and leaves no exam behind.
func TestBeginOnPaths(t *testing.T) {
	own, err := practice.ReadWords("x", strings.NewReader(ownWords(t)+"path thirds: both 1\n"))
	if err != nil {
		t.Fatal(err)
	}
	p, _ := invented(t, own)
	srv := httptest.NewServer(web.New(web.Options{Exams: web.Opener(p.Open), Practice: p, People: p.People, Paths: own.Paths()}))
	t.Cleanup(srv.Close)
	ada := seated(t, p, srv.URL, "Ada Quill")
	ask := func(method, path, body string, into any) int {
		t.Helper()
		r, err := http.NewRequest(method, srv.URL+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		res, err := ada.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		if err := json.NewDecoder(res.Body).Decode(into); err != nil {
			t.Fatal(err)
		}
		return res.StatusCode
	}
	sallow, before := patientNamed(t, p, "Harriet Sallow")
	_, others := patientNamed(t, p, "Jonas Merrow")
	deep := before[1].ID // the exam before therapy
	healthy, err := p.Begin(t.Context(), practice.NewVisit{Patient: sallow.ID, Numbering: chart.FDI, Path: "arch", ID: "healthy"}, exam.Caller{Person: "ada", Who: "Ada Quill"})
	if err != nil {
		t.Fatal(err)
	}
	state, err := p.State(t.Context(), deep)
	if err != nil {
		t.Fatal(err)
	}
	pockets := 0
	for site := range state.Walked() {
		if d := state.Chart.Site(site).Depth; d.Known() && d.Float() >= 4 {
			pockets++
		}
	}
	for i, c := range []struct {
		path, earlier string
		name          string // of the exam's path
		sites         int
		first         string
	}{
		{"arch", "", "arch", 168, "17 buccal"},
		{"sextant", "", "sextant", 168, "17 buccal"},
		{"lowers", "", "lowers", 84, "47 buccal"},
		{"lowers", deep, "lowers", 78, "47 buccal"},
		{"thirds", "", "thirds", 0, ""}, // no tooth of it is there
		{"pockets", deep, "pockets", pockets, ""},
	} {
		var v practice.Visit
		body := `{"patient":"` + sallow.ID + `","numbering":"fdi","path":"` + c.path + `","earlier":"` + c.earlier + `","id":"n` + string(rune('a'+i)) + `"}`
		for range 2 { // the same id twice begins one exam
			if status := ask("POST", "/api/exams", body, &v); status != 200 || v.Path != c.name || v.Sites != c.sites {
				t.Errorf("%s: %d, %+v, want %s of %d sites", c.path, status, v, c.name, c.sites)
			}
		}
		var view exam.View
		if status := ask("GET", "/api/exams/"+v.ID, "", &view); status != 200 || view.Path != c.name || c.first != "" && view.Place.Label+" "+view.Place.Aspect != c.first {
			t.Errorf("%s: %d, path %s from %+v", c.path, status, view.Path, view.Place)
		}
	}
	_, after := patientNamed(t, p, "Harriet Sallow")
	for _, c := range []struct {
		path, earlier string
		status        int
		text          string
	}{
		{"zigzag", "", 422, `path "zigzag": use one of arch, tooth, quadrant, sweep, sextant, lowers, thirds`},
		{"x: buccal 18-28", "", 422, "chosen by their names"},
		{"pockets", "", 409, "no earlier exam whose pockets could be walked"},
		{"pockets", healthy.ID, 409, "no site of 4 mm or more"},
		{"pockets", "nowhere", 404, "no such record"},
		{"arch", others[0].ID, 409, "of another patient"},
	} {
		var f struct{ Error struct{ Code, Text string } }
		status := ask("POST", "/api/exams", `{"patient":"`+sallow.ID+`","numbering":"fdi","path":"`+c.path+`","earlier":"`+c.earlier+`","id":"wrong"}`, &f)
		if status != c.status || !strings.Contains(f.Error.Text, c.text) {
			t.Errorf("%s after %q: %d %+v, want %d with %q", c.path, c.earlier, status, f.Error, c.status, c.text)
		}
	}
	if _, now := patientNamed(t, p, "Harriet Sallow"); len(now) != len(after) {
		t.Errorf("what was refused left %d exams behind", len(now)-len(after))
	}
}
