package e2e

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/report"
	"leadsman/store"
	"leadsman/web"
)

// staff is a real practice behind its pages in which everybody has a password.
type staff struct {
	t     *testing.T
	srv   *httptest.Server
	p     *practice.Practice
	store *store.Store
	url   string
}

const staffPassword = "seven fathoms deep"

func newStaff(t *testing.T) *staff {
	t.Helper()
	st, err := store.Open(t.Context(), t.TempDir()+"/data", time.Now)
	if err != nil {
		t.Fatal(err)
	}
	w := &staff{t: t, store: st, p: practice.New(practice.Config{Records: st, Now: time.Now, Log: slog.New(slog.NewTextHandler(io.Discard, nil))})}
	w.srv = httptest.NewServer(web.New(web.Options{Exams: web.Opener(w.p.Open), Practice: w.p, People: w.p.People, Clips: w.p.Clips, Voices: w.p.Voices, Ledger: w.p, Version: "test", Hosts: []string{"chart.practice.example"},
		Dossier: func(ctx context.Context, out io.Writer, id string) error {
			return report.Dossier(ctx, out, st, "test", id)
		}}))
	w.url = w.srv.URL
	t.Cleanup(func() { w.srv.CloseClientConnections(); w.srv.Close(); w.p.Close(); st.Close() })
	for _, x := range []practice.Person{{Name: "Max Ledger", Roles: []practice.Role{practice.Administrator}}, {Name: "Dan Fairway", Roles: []practice.Role{practice.Student}},
		{Name: "Tess Holm", Roles: []practice.Role{practice.Supervisor}}, {Name: "Ada Quill", Roles: []practice.Role{practice.Clinician}}, {Name: "Vic Sound", Roles: []practice.Role{practice.Viewer}}} {
		x, err := w.p.SavePerson(t.Context(), x)
		if err == nil {
			err = w.p.People.SetPassword(t.Context(), &practice.Seat{}, x.ID, staffPassword)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return w
}

func (w *staff) person(name string) practice.Person {
	w.t.Helper()
	all, err := w.p.People.All(w.t.Context())
	i := slices.IndexFunc(all, func(x practice.Person) bool { return x.Name == name })
	if err != nil || i < 0 {
		w.t.Fatal(name, err)
	}
	return all[i]
}

func (w *staff) patient(name string) practice.Patient {
	w.t.Helper()
	pt, err := w.p.SavePatient(w.t.Context(), practice.Patient{Name: name})
	if err != nil {
		w.t.Fatal(err)
	}
	return pt
}

// begin is an exam of a patient with one place called.
func (w *staff) begin(patient, id string, by practice.Person) {
	w.t.Helper()
	ctx := w.t.Context()
	_, err := w.p.Begin(ctx, practice.NewVisit{Patient: patient, Numbering: chart.FDI, Path: "arch", ID: id}, by.Caller())
	var e *exam.Exam
	if err == nil {
		e, err = w.p.Open(ctx, id)
	}
	if err == nil {
		_, err = e.Words(ctx, "three two four", by.Caller(), "first")
	}
	if err != nil {
		w.t.Fatal(err)
	}
}

// signIn signs somebody in where the page asks who it is.
func (p *page) signIn(name string) {
	p.t.Helper()
	p.until("somebody is asked for", `document.querySelector("dialog.seat[open] #seatname")`)
	eval[bool](p, fmt.Sprintf(`(document.querySelector("#seatname").value = %q, document.querySelector("#seatpassword").value = %q, true)`, name, staffPassword))
	p.click("dialog.seat button.main")
	p.sits(name)
}

// Three people at two screens: a student's exam of 168 sites is signed, co-signed by a supervisor, and amended by a clinician who sat
// down at the supervisor's screen with a short code.
func TestSignCosignAmend(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	w := newStaff(t)
	p, srv, pt := w.p, w.srv, w.patient("Harriet Sallow")
	dan, tess, ada := w.person("Dan Fairway"), w.person("Tess Holm"), w.person("Ada Quill")
	if err := p.People.SetCode(ctx, &practice.Seat{}, ada.ID, "card-4711"); err != nil {
		t.Fatal(err)
	}

	b := startBrowser(t)
	one := open(t, b, srv.URL+"/patients/"+pt.ID)
	one.signIn("Dan Fairway")
	one.clickText("New exam")
	one.until("the exam is begun", `location.pathname.endsWith("/live") && `+session)
	id := eval[string](one, session+".exam")
	// Every place is called; by keyboard, as words come in from a microphone.
	e, err := p.Open(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 56 {
		if _, err := e.Words(ctx, "three two three", dan.Caller(), fmt.Sprint(i)); err != nil {
			t.Fatal(i, err)
		}
	}
	one.until("all is recorded", session+`.view.recorded === 168`)
	one.goTo(srv.URL + "/exams/" + id + "/close")
	one.until("the step can be opened", `document.querySelector('[data-step="sign"] button.head')`)
	eval[bool](one, `(document.querySelector('[data-step="sign"] .body').hidden && document.querySelector('[data-step="sign"] button.head').click(), true)`)
	one.until("the student is told", `/You sign as Dan Fairway, a student/.test(document.querySelector('[data-step="sign"]').innerText)`)
	one.click("#sure")
	one.until("it can be signed", `!document.querySelector('[data-step="sign"] .body button.main').disabled`)
	one.click(`[data-step="sign"] .body button.main`)
	one.until("it waits", session+`.view.waits && /Waits for a supervisor/.test(document.querySelector("ls-standing").innerText)`)
	if eval[bool](one, `[...document.querySelectorAll("ls-standing button")].some((b) => b.textContent === "Co-sign")`) {
		t.Error("the student is offered to co-sign")
	}

	two := open(t, b, srv.URL+"/")
	two.signIn("Tess Holm")
	two.clickText("Harriet Sallow, ")
	two.until("the exam is shown", `document.querySelector("ls-standing")`)
	two.clickText("Co-sign")
	for _, s := range []*page{one, two} {
		s.until("both screens show it", `!`+session+`.view.waits && /Co-signed by Tess Holm/.test(document.querySelector("ls-standing").innerText)`)
	}

	// The clinician sits down with a card, and changes what was signed: that takes the password.
	two.click("button.seat")
	two.click("#seatcode")
	two.keys("card-4711\r")
	two.sits("Ada Quill")
	two.click(`ls-sheet td[data-key="36.B"]`)
	two.until("the reason is asked for", `document.querySelector("dialog.editor #edreason")`)
	eval[bool](two, `(() => { const d = [...document.querySelectorAll("dialog.editor input[type=number]")][0]; d.value = "6"; return true; })()`)
	two.click("dialog.editor button.main")
	two.until("no reason, no amendment", `document.querySelector("dialog.editor[open]")`)
	two.click("#edreason")
	two.keys("probed again at the end of the visit\r")
	two.until("it takes the password", `/type your password once more/.test(document.querySelector("dialog.seat[open]")?.innerText)`)
	eval[bool](two, fmt.Sprintf(`(document.querySelector("#seatpassword").value = %q, true)`, staffPassword))
	two.click("dialog.seat button.main")
	for _, s := range []*page{one, two} {
		s.depth("36.B", "6")
		s.until("the original is shown", `/36 B depth: 2 → 6; probed again at the end of the visit \(Ada Quill/.test(document.querySelector("ls-standing").innerText.replace(/19 B/, "36 B"))`)
	}
	two.until("the cell says it", `(() => { const c = document.querySelector('ls-sheet td[data-key="36.B"]'); return c.title.includes("signed as depth 2") && c.querySelector(".num.amended"); })()`)
	shot(t, two, "amended")

	// Wherever the value is read, what was signed stands beside it, with the reason, who and when.
	for page, what := range map[string]string{"findings": "ls-findings", "time": "ls-time", "print": "ls-print"} {
		two.goTo(srv.URL + "/exams/" + id + "/" + page)
		two.until(page+" shows it", fmt.Sprintf(`/depth: 2 → 6; probed again at the end of the visit \(Ada Quill, .*\d/.test(document.querySelector(%q)?.innerText)`, what))
		shot(t, two, "amended-"+page)
	}
	// Answers about the patient alike; which page was looked at last is left to chance above.
	two.goTo(srv.URL + "/exams/" + id + "/print")
	if _, err := e.Do(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbAmend, Text: "asked again"}, {Verb: chart.VerbPatient, Text: `{"age":41}`}}}, ada.Caller(), "answers"); err != nil {
		t.Fatal(err)
	}
	two.until("answers have what was signed beside them", `/Answers about the patient: age not recorded → age 41; asked again \(Ada Quill, .*\d/.test(document.querySelector("ls-print")?.innerText)`)

	s, err := p.State(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	if g := s.Signatures; len(g) != 2 || g[0].Person != dan.ID || !g[0].Waits || g[1].Person != tess.ID || !g[1].Co {
		t.Errorf("%+v", g)
	}
	if a := s.Amendments; len(a) != 2 || a[0].Person != ada.ID || a[0].Was != "2" || a[0].Value != "6" || a[0].Field != chart.FieldDepth {
		t.Errorf("%+v", a)
	}
	for _, e := range s.Log() {
		if e.Person == "" {
			t.Errorf("event %d, %s, is nobody's", e.Seq, e.Kind)
		}
	}
	// A stranger gets nothing of it.
	three := open(t, b, srv.URL+"/exams/"+id+"/review")
	three.until("somebody is asked for", `document.querySelector("dialog.seat[open]")`)
	if text := eval[string](three, `document.body.innerText`); strings.Contains(text, "Sallow") {
		t.Error("the patient's name is shown to nobody in particular")
	}
}

// Two people at one chair: what the first typed and the service does not have yet is not entered as the second one's; it is said, and what is
// typed from then on is.
func TestTwoPeopleAtOneChair(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	w := newStaff(t)
	pt, dan, ada := w.patient("Harriet Sallow"), w.person("Dan Fairway"), w.person("Ada Quill")
	if err := w.p.People.SetCode(ctx, &practice.Seat{}, ada.ID, "card-4711"); err != nil {
		t.Fatal(err)
	}
	w.begin(pt.ID, "x1", dan)
	p := open(t, startBrowser(t), w.srv.URL+"/exams/x1/live")
	p.signIn("Dan Fairway")
	p.until("the exam is shown", session+`.view.recorded === 3`)
	// The network takes nothing that is entered.
	eval[bool](p, `(() => { const f = fetch; window.fetch = (url, o) => (window.cut !== false && o?.method === "POST" && /exams/.test(url) ? Promise.reject(new TypeError("cut")) : f(url, o)); return true; })()`)
	p.keys("5")
	p.until("it waits", session+`.waiting.length === 1`)
	p.click("button.seat")
	p.click("#seatcode")
	p.keys("card-4711\r")
	p.sits("Ada Quill")
	eval[bool](p, `(window.cut = false, true)`)
	p.until("it is said", session+`.waiting.length === 0 && /somebody else has sat down here/.test(document.body.innerText)`)
	shot(t, p, "two-at-one-chair")
	eval[bool](p, `(document.activeElement.blur(), true)`)
	p.keys("6")
	p.until("the second one's is entered", session+`.view.recorded === 4`)
	s, err := w.p.State(ctx, "x1")
	if err != nil {
		t.Fatal(err)
	}
	six := false
	for _, e := range s.Log() {
		if e.Kind != chart.KindSet {
			continue
		}
		switch *e.Value { // half millimetres
		case 10:
			t.Errorf("what Dan typed is entered: %+v", e)
		case 12:
			six = e.Person == ada.ID
		default:
			if e.Person != dan.ID {
				t.Errorf("%+v", e)
			}
		}
	}
	if !six {
		t.Error("what Ada typed is not hers")
	}
}

// sits waits until the header says who sits at the screen.
func (p *page) sits(name string) {
	p.t.Helper()
	p.until(name+" sits here", fmt.Sprintf(`document.querySelector("button.seat").textContent === %q && !document.querySelector("dialog.seat[open]")`, name))
}
