package web_test

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/speech/scripted"
	"leadsman/store"
	"leadsman/web"
)

const password = "seven fathoms deep"

// clinic is a real practice behind its pages, with a patient, two exams, and a person for each role.
type clinic struct {
	t        *testing.T
	srv      *httptest.Server
	p        *practice.Practice
	store    *store.Store
	people   map[practice.Role]practice.Person
	patient  string
	other    string // another patient
	now      atomic.Int64
	exams    int
	requests int
}

func newClinic(t *testing.T) *clinic {
	t.Helper()
	c := &clinic{t: t, people: map[practice.Role]practice.Person{}}
	c.now.Store(time.Now().UnixMilli())
	now := func() time.Time { return time.UnixMilli(c.now.Load()) }
	st, err := store.Open(t.Context(), t.TempDir()+"/data", now)
	if err != nil {
		t.Fatal(err)
	}
	c.store = st
	c.p = practice.New(practice.Config{Records: st, Engine: scripted.New(), Now: now, Log: slog.New(slog.DiscardHandler)})
	c.srv = httptest.NewServer(web.New(web.Options{Exams: web.Opener(c.p.Open), Practice: c.p, People: c.p.People, Clips: c.p.Clips, Voices: c.p.Voices, Trial: c.p.Trial, Ledger: c.p, Programs: c.p,
		Dossier: func(ctx context.Context, w io.Writer, id string) error {
			_, err := io.WriteString(w, "all of "+id)
			return err
		},
		Languages: map[string]string{"en": "English"}, Export: func(context.Context, string, url.Values) (web.File, error) {
			return web.File{Name: "x", Media: "text/plain"}, nil
		}, Calendar: func(w io.Writer, _ []practice.Due) error { return nil }, Hosts: []string{"chart.practice.example"}, Beat: 20 * time.Millisecond}))
	t.Cleanup(func() { c.srv.CloseClientConnections(); c.srv.Close(); c.p.Close(); st.Close() })
	for i, r := range practice.Roles() {
		name := []string{"Ada Quill", "Dan Fairway", "Tess Holm", "Cleo Marsh", "Vic Sound", "Max Ledger"}[i]
		x, err := c.p.SavePerson(t.Context(), practice.Person{Name: name, Roles: []practice.Role{r}})
		if err != nil {
			t.Fatal(err)
		}
		c.people[r] = x
	}
	for _, to := range []struct {
		id   *string
		name string
	}{{&c.patient, "Harriet Sallow"}, {&c.other, "Jonas Merrow"}} {
		pt, err := c.p.SavePatient(t.Context(), practice.Patient{Name: to.name})
		if err != nil {
			t.Fatal(err)
		}
		*to.id = pt.ID
	}
	return c
}

// cheap is the password of everybody, kept at little cost so that tests are quick.
func cheap() string {
	salt := []byte("a salt for tests")
	b := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=8,t=1,p=1$%s$%s", argon2.Version, b.EncodeToString(salt), b.EncodeToString(argon2.IDKey([]byte(password), salt, 1, 8, 1, 32)))
}

// close gives everybody a password, kept at little cost so that tests are quick.
func (c *clinic) close() {
	c.t.Helper()
	kept := cheap()
	for _, x := range c.people {
		if err := c.store.SetPassword(c.t.Context(), x.ID, kept); err != nil {
			c.t.Fatal(err)
		}
	}
	if _, err := c.p.SavePerson(c.t.Context(), c.people[practice.Viewer]); err != nil { // who has a password is counted anew
		c.t.Fatal(err)
	}
}

// begin is an exam with one place called.
func (c *clinic) begin(by practice.Role) string {
	c.t.Helper()
	c.exams++
	who := c.people[by]
	v, err := c.p.Begin(c.t.Context(), practice.NewVisit{Patient: c.patient, Numbering: chart.FDI, Path: "arch", ID: fmt.Sprintf("x%d", c.exams)}, who.Caller())
	if err != nil {
		c.t.Fatal(err)
	}
	e, err := c.p.Open(c.t.Context(), v.ID)
	if err == nil {
		_, err = e.Words(c.t.Context(), "three two four", who.Caller(), "first")
	}
	if err != nil {
		c.t.Fatal(err)
	}
	return v.ID
}

// screen is a browser.
type screen struct {
	*http.Client
	c    *clinic
	host string // the name under which it asks for the service; "": the one of the server
}

func (c *clinic) screen() *screen {
	jar, err := cookiejar.New(nil)
	if err != nil {
		c.t.Fatal(err)
	}
	return &screen{Client: &http.Client{Jar: jar}, c: c}
}

// ask sends a request, with one header more if there are two further words.
func (s *screen) ask(method, path, body string, header ...string) (status int, code, text string) {
	s.c.t.Helper()
	r, err := http.NewRequest(method, s.c.srv.URL+path, strings.NewReader(body))
	if err != nil {
		s.c.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	if s.host != "" {
		r.Host = s.host
	}
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
	}
	res, err := s.Do(r)
	if err != nil {
		s.c.t.Fatal(err)
	}
	defer res.Body.Close()
	b := make([]byte, 64<<10)
	n, _ := io.ReadFull(io.LimitReader(res.Body, 64<<10), b[:map[bool]int{true: 1, false: len(b)}[strings.HasSuffix(path, "/changes")]])
	var f struct{ Error struct{ Code string } }
	_ = json.Unmarshal(b[:n], &f)
	return res.StatusCode, f.Error.Code, string(b[:n])
}

func (s *screen) signIn(r practice.Role) *screen {
	s.c.t.Helper()
	if status, _, text := s.ask("POST", "/api/session", fmt.Sprintf(`{"name":%q,"password":%q}`, s.c.people[r].Name, password)); status != 200 {
		s.c.t.Fatal(status, text)
	}
	return s
}

// do gives a command and tells the code of the error, or the tone of the answer.
func (s *screen) do(id, acts string) string {
	s.c.t.Helper()
	s.c.requests++
	_, code, text := s.ask("POST", "/api/exams/"+id+"/do", fmt.Sprintf(`{"id":"r%d","command":{"acts":[%s]}}`, s.c.requests, acts))
	if code != "" {
		return code
	}
	var a exam.Answer
	if err := json.Unmarshal([]byte(text), &a); err != nil {
		s.c.t.Fatal(text, err)
	}
	if a.Tone == exam.ToneRefused {
		return a.Text
	}
	return string(a.Tone)
}

// Who may do what, written down apart from the program: clinical work is for who examines, a student's never ends without a
// supervisor, assistants type, viewers look, administrators look after accounts and the journal (common practice, no source).
var may = map[practice.Role]string{
	practice.Clinician:     "read patients examine decide sign amend correct export practise",
	practice.Student:       "read patients examine decide sign amend practise",
	practice.Supervisor:    "read patients examine decide sign co-sign amend correct export practise",
	practice.Assistant:     "read patients examine export",
	practice.Viewer:        "read",
	practice.Administrator: "read patients correct export settings people audit erase webhooks programs",
}

// Every address, asked by everybody: nobody gets in without signing in, and each role gets what it may.
func TestRights(t *testing.T) {
	c := newClinic(t)
	x := c.begin(practice.Clinician)
	c.close()
	calls := web.Calls()
	if len(calls) < 50 {
		t.Fatalf("%d addresses", len(calls))
	}
	address := func(pattern string) (method, path string) {
		method, path, _ = strings.Cut(pattern, " ")
		if path == "" { // any method
			method, path = "GET", pattern
		}
		id := x
		if strings.Contains(path, "/patients/") {
			id = c.patient
		}
		if strings.Contains(path, "/examiners/") || strings.Contains(path, "/people/") || strings.Contains(path, "/practise/") {
			id = "nobody"
		}
		return method, strings.NewReplacer("{id}", id, "{call}", "1", "{key}", "none").Replace(path)
	}
	outside := c.screen()
	screens := map[practice.Role]*screen{}
	for _, r := range practice.Roles() {
		screens[r] = c.screen().signIn(r)
	}
	for pattern, right := range calls {
		method, path := address(pattern)
		for _, header := range [][]string{{}, {"Cookie", "leadsman=AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"}} {
			status, code, text := outside.ask(method, path, "{}", header...)
			if right != "" && (status != 401 || code != "sign_in" && !strings.HasSuffix(path, "/changes")) {
				t.Errorf("%s without signing in: %d %s", pattern, status, text)
			}
		}
	}
	for _, r := range practice.Roles() {
		s := screens[r]
		for pattern, right := range calls {
			if strings.Contains(pattern, "/api/session") {
				continue // see TestSessions
			}
			method, path := address(pattern)
			status, code, text := s.ask(method, path, "{}")
			allowed := right == "" || slices.Contains(strings.Fields(may[r]), string(right))
			own := strings.Contains(pattern, "/{id}/voice") || strings.Contains(pattern, "/{id}/takes") || strings.Contains(pattern, "/{id}/practise") ||
				strings.Contains(pattern, "/people/{id}/")
			switch forbidden := status == 403 && code == "forbidden"; {
			case own && r != practice.Administrator:
				if !forbidden { // somebody else's voice or password
					t.Errorf("%s at %s of somebody else: %d %s", r, pattern, status, text)
				}
			case forbidden == allowed:
				t.Errorf("%s at %s, which takes %q: %d %s", r, pattern, right, status, text)
			case status == 401:
				t.Errorf("%s at %s: %d %s", r, pattern, status, text)
			}
		}
	}
	// Commands take rights of their own.
	site := `{"verb":"set","ref":{"tooth":16,"site":"DB"},"field":"depth","number":5}`
	for acts, right := range map[string]string{
		`{"verb":"remark","text":"x"}`: "examine", site: "examine", `{"verb":"patient","text":"{\"age\":40}"}`: "examine",
		`{"verb":"plan","text":"{}"}`: "decide", `{"verb":"co-sign"}`: "co-sign", `{"verb":"amend","text":"x"},` + site: "amend", site + `,{"verb":"sign"}`: "sign",
		`{"verb":"reinstate","text":"x"}`: "correct", `{"verb":"void","text":"x"}`: "correct",
	} {
		for _, r := range practice.Roles() {
			if right == "sign" || strings.Contains(acts, `"void"`) {
				x = c.begin(practice.Clinician)
			}
			got := screens[r].do(x, acts)
			if allowed := slices.Contains(strings.Fields(may[r]), right); (got == "forbidden") == allowed {
				t.Errorf("%s: %s: %s", r, acts, got)
			}
		}
	}
	// What takes a right takes it in whatever company it comes, and however often.
	special := map[string]string{`{"verb":"plan","text":"{}"}`: "decide", `{"verb":"sign"}`: "sign", `{"verb":"co-sign"}`: "co-sign", `{"verb":"amend","text":"x"}`: "amend",
		`{"verb":"void","text":"x"}`: "correct", `{"verb":"reinstate","text":"x"}`: "correct", `{"verb":"remark","text":"x"}`: "examine"}
	x = c.begin(practice.Student)
	if got := screens[practice.Student].do(x, `{"verb":"sign"}`); got != "accepted" {
		t.Fatal(got)
	}
	for first, one := range special {
		for second, other := range special {
			for _, r := range practice.Roles() {
				if slices.Contains(strings.Fields(may[r]), one) && slices.Contains(strings.Fields(may[r]), other) {
					continue
				}
				if got := screens[r].do(x, first+","+second); got != "forbidden" {
					t.Errorf("%s: %s,%s: %s", r, first, second, got)
				}
			}
		}
	}
	// An exam moves by its own address alone, which looks for the patient.
	if got := screens[practice.Clinician].do(c.begin(practice.Clinician), `{"verb":"move exam","patient":"nobody","text":"x"}`); got != "move" {
		t.Errorf("an exam was moved to nobody: %s", got)
	}
}

// An open practice is as easy as one without accounts; from the first password on everybody signs in.
func TestOpenAndClosed(t *testing.T) {
	c := newClinic(t)
	s := c.screen()
	if _, _, text := s.ask("GET", "/api/session", ""); !strings.Contains(text, `"open":true`) || !strings.Contains(text, `"person":null`) || !strings.Contains(text, "Dan Fairway") {
		t.Error(text)
	}
	x := c.begin(practice.Clinician)
	if got := s.do(x, `{"verb":"remark","text":"x"}`); got != "forbidden" {
		t.Errorf("nobody entered something: %s", got)
	}
	choose := func(id string) (int, string) {
		status, code, _ := s.ask("POST", "/api/session", `{"person":"`+id+`"}`)
		return status, code
	}
	if status, code := choose(c.people[practice.Student].ID); status != 200 {
		t.Fatal(status, code)
	}
	if got := s.do(x, `{"verb":"sign"}`); got != "accepted" {
		t.Error(got)
	}
	if got := s.do(x, `{"verb":"co-sign"}`); got != "forbidden" {
		t.Errorf("a student in an open practice co-signs: %s", got)
	}
	// Another machine, and another name for this one, are not let in as long as anybody could be anybody.
	for _, header := range [][]string{{"Host", "chart.practice.example"}} {
		if status, code, text := s.ask("GET", "/api/patients", "", header...); status != 401 {
			t.Errorf("%v: %d %s %s", header, status, code, text)
		}
	}
	// The first password is an administrator's.
	id := func(r practice.Role) string { return c.people[r].ID }
	set := func(r practice.Role, body string) (int, string, string) {
		return s.ask("PUT", "/api/people/"+id(r)+"/password", body)
	}
	if status, _, text := set(practice.Student, `{"password":"`+password+`"}`); status != 409 || !strings.Contains(text, "administrator's") {
		t.Error(status, text)
	}
	for body, want := range map[string]string{`{"password":"short"}`: "at least 8", `{"password":"` + strings.Repeat("x", 1001) + `"}`: "at most"} {
		if status, _, text := set(practice.Administrator, body); status != 409 || !strings.Contains(text, want) {
			t.Error(body, status, text)
		}
	}
	if status, _, text := set(practice.Administrator, `{"password":"`+password+`"}`); status != 200 {
		t.Fatal(status, text)
	}
	// Sessions of the open practice are over, and choosing too.
	if status, _, _ := s.ask("GET", "/api/patients", ""); status != 401 {
		t.Error("who had chosen a name is let in after the first password")
	}
	if status, _ := choose(id(practice.Clinician)); status != 401 {
		t.Error("somebody is chosen after the first password")
	}
	if status, code, _ := s.ask("POST", "/api/session", `{"name":"Ada Quill","password":""}`); status != 401 || code != "wrong" {
		t.Error("somebody without a password signs in", status, code)
	}
	admin := c.screen().signIn(practice.Administrator)
	for _, body := range []string{`{"name":"Max Ledger","roles":["viewer"]}`, `{"name":"Max Ledger","roles":["administrator"],"retired":true}`} {
		if status, _, text := admin.ask("PUT", "/api/people/"+id(practice.Administrator), body); status != 409 || !strings.Contains(text, "last administrator") {
			t.Error(body, status, text)
		}
	}
	// The last password taken away opens the practice again; it takes the password itself.
	if status, code, _ := admin.ask("PUT", "/api/people/"+id(practice.Administrator)+"/password", `{"password":"","former":"guessed it"}`); status != 401 || code != "wrong" {
		t.Error(status, code)
	}
	if status, _, text := admin.ask("PUT", "/api/people/"+id(practice.Administrator)+"/password", `{"password":"","former":"`+password+`"}`); status != 200 || !strings.Contains(text, `"open":true`) {
		t.Error(status, text)
	}
}

// Names are one person's, can be read, and do not turn what stands beside them.
func TestNames(t *testing.T) {
	c := newClinic(t)
	s := c.screen()
	s.ask("POST", "/api/session", `{"person":"`+c.people[practice.Administrator].ID+`"}`)
	for name, want := range map[string]string{
		"": "missing", " \\t ": "missing", strings.Repeat("long ", 30): "longer", "Ada Quill": "somebody else", "ada quill": "somebody else", " Ada  Quill ": "somebody else",
		"Not Me\\r\\nX: y": "U+000D", "Ada\u202eQuill": "U+202E", "\u2066Ada": "U+2066", "\u200f": "no letter", "A\\u0000da": "U+0000", "...": "no letter", "Ada\u00adQ": "U+00AD",
	} {
		for _, path := range []string{"/api/people", "/api/patients"} {
			if path == "/api/patients" && want == "somebody else" {
				continue // patients may share a name
			}
			if path == "/api/patients" && want == "longer" {
				name = strings.Repeat("long ", 60)
			}
			status, _, text := s.ask("POST", path, `{"name":"`+name+`"`+map[bool]string{true: `,"roles":["clinician"]`}[path == "/api/people"]+`}`)
			if status < 400 || status >= 500 || !strings.Contains(text, want) {
				t.Errorf("%s: %q: %d %s, want %q", path, name, status, text, want)
			}
		}
	}
	for _, name := range []string{"مریم\u200cپور", "Renée O’Hara-Łoś", "村上 春", "Dr 2"} {
		if status, _, text := s.ask("POST", "/api/people", `{"name":"`+name+`","roles":["clinician"]}`); status != 200 {
			t.Errorf("%q: %d %s", name, status, text)
		}
	}
	for _, roles := range []string{`[]`, `["king"]`} {
		if status, _, text := s.ask("POST", "/api/people", `{"name":"Somebody","roles":`+roles+`}`); status != 409 || !strings.Contains(text, "clinician") {
			t.Errorf("roles %s: %d %s", roles, status, text)
		}
	}
}

// Sessions end: by signing out, after a while without use, at the end of the day, with the person; a token that was seen by somebody
// else is worth nothing then. Wrong passwords are counted.
func TestSessions(t *testing.T) {
	c := newClinic(t)
	c.close()
	s := c.screen().signIn(practice.Clinician)
	in := func(s *screen) bool {
		status, _, _ := s.ask("GET", "/api/patients", "")
		return status == 200
	}
	thief := c.with(s.cookie())
	if !in(s) || !in(thief) {
		t.Fatal("not signed in")
	}
	if status, _, text := s.ask("DELETE", "/api/session", ""); status != 200 {
		t.Fatal(status, text)
	}
	if in(s) || in(thief) {
		t.Error("the session goes on after signing out")
	}
	s.signIn(practice.Clinician)
	for range 20 { // in use
		c.now.Add(30 * 60_000)
		if !in(s) {
			t.Fatal("a session in use ended")
		}
	}
	c.now.Add(3 * 3600_000)
	if in(s) {
		t.Error("nobody was there for three hours, and the session goes on")
	}
	s.signIn(practice.Clinician)
	for range 13 * 2 {
		c.now.Add(30 * 60_000)
		in(s)
	}
	if in(s) {
		t.Error("a session is longer than the day")
	}
	s.signIn(practice.Clinician)
	admin := c.screen().signIn(practice.Administrator)
	if status, _, text := admin.ask("PUT", "/api/people/"+c.people[practice.Clinician].ID, `{"name":"Ada Quill","roles":["clinician"],"retired":true}`); status != 200 {
		t.Fatal(status, text)
	}
	if in(s) {
		t.Error("the session of who has left goes on")
	}
	// Wrong ones: five, then a wait, whatever comes; then the right one.
	try := func(name, word string) (int, string) {
		status, code, _ := c.screen().ask("POST", "/api/session", fmt.Sprintf(`{"name":%q,"password":%q}`, name, word))
		return status, code
	}
	for i := range 5 {
		if status, code := try("Tess Holm", "guess"); status != 401 || code != "wrong" {
			t.Fatal(i, status, code)
		}
	}
	if status, code := try("Tess Holm", password); status != 429 || code != "locked" {
		t.Error("after five wrong passwords", status, code)
	}
	c.now.Add(61_000)
	if status, code := try("Tess Holm", "guess"); status != 401 {
		t.Error(status, code)
	}
	c.now.Add(61_000)
	if status, _ := try("Tess Holm", password); status != 429 {
		t.Error("each further one doubles the wait")
	}
	c.now.Add(61_000)
	if status, code := try("Tess Holm", password); status != 200 {
		t.Error(status, code)
	}
}

// The person at a chair changes by a short code, which is not enough to sign: that takes the password.
func TestSwitchAtTheChair(t *testing.T) {
	c := newClinic(t)
	c.close()
	admin := c.screen().signIn(practice.Administrator)
	code := func(r practice.Role, code string) (int, string) {
		status, _, text := admin.ask("PUT", "/api/people/"+c.people[r].ID+"/code", `{"code":"`+code+`"}`)
		return status, text
	}
	if status, text := code(practice.Supervisor, "4711"); status != 200 {
		t.Fatal(status, text)
	}
	if status, text := code(practice.Clinician, "4711"); status != 409 || !strings.Contains(text, "somebody else") {
		t.Error("two have one code", status, text)
	}
	for _, bad := range []string{"12", strings.Repeat("9", 65), "12\\u00003456"} {
		if status, _ := code(practice.Clinician, bad); status != 409 {
			t.Error(bad, status)
		}
	}
	x := c.begin(practice.Student)
	outside := c.screen()
	if status, _, _ := outside.ask("POST", "/api/session", `{"code":"4711"}`); status != 401 {
		t.Error("a short code lets in where nobody sits", status)
	}
	s := c.screen().signIn(practice.Student)
	if got := s.do(x, `{"verb":"sign"}`); got != "accepted" {
		t.Fatal(got)
	}
	if status, _, text := s.ask("POST", "/api/session", `{"code":"4711"}`); status != 200 || !strings.Contains(text, "Tess Holm") || !strings.Contains(text, `"sure":false`) {
		t.Fatal(status, text)
	}
	if got := s.do(x, `{"verb":"remark","text":"seen"}`); got != "accepted" {
		t.Error(got)
	}
	if got := s.do(x, `{"verb":"co-sign"}`); got != "prove" {
		t.Errorf("signed by a short code: %s", got)
	}
	if status, code, _ := s.ask("POST", "/api/session/prove", `{"password":"guess"}`); status != 401 || code != "wrong" {
		t.Error(status, code)
	}
	if status, _, text := s.ask("POST", "/api/session/prove", `{"password":"`+password+`"}`); status != 200 {
		t.Fatal(status, text)
	}
	if got := s.do(x, `{"verb":"co-sign"}`); got != "accepted" {
		t.Error(got)
	}
	st, err := c.p.State(t.Context(), x)
	if err != nil || len(st.Signatures) != 2 || st.Signatures[1].Who != "Tess Holm" || len(st.Remarks) != 1 || st.Remarks[0].Who != "Tess Holm" {
		t.Errorf("%+v %v", st.Signatures, err)
	}
	for i := range 5 {
		if status, _, _ := s.ask("POST", "/api/session", `{"code":"000`+fmt.Sprint(i)+`"}`); status != 401 {
			t.Error(i, status)
		}
	}
	if status, _, _ := s.ask("GET", "/api/patients", ""); status != 401 {
		t.Error("codes are tried at a screen, and it stays open")
	}
}

// Every event of a played exam carries its person, spoken ones included; who signs is who sits there, whatever the request says.
func TestEveryEventHasItsPerson(t *testing.T) {
	c := newClinic(t)
	c.close()
	ada, sam := c.people[practice.Clinician], c.people[practice.Student]
	s := c.screen().signIn(practice.Student)
	status, _, text := s.ask("POST", "/api/exams", `{"patient":"`+c.patient+`","numbering":"fdi","path":"arch","earlier":"","id":"played"}`)
	if status != 200 {
		t.Fatal(text)
	}
	s.do("played", `{"verb":"soundings","numbers":[3,2,12]}`) // raises a doubt
	s.do("played", `{"verb":"stand by"}`)                     // and more that no chart holds
	s.ask("POST", "/api/exams/played/words", `{"text":"nonsense and more","who":"Dr Not Me\r\nX: y","id":"w"}`)
	s.ask("POST", "/api/exams/played/do", `{"id":"forged","who":"Dr Not Me","command":{"acts":[{"verb":"sign"}]}}`)
	a := c.screen().signIn(practice.Clinician)
	a.do("played", `{"verb":"amend","text":"misread"},{"verb":"set","ref":{"tooth":17,"site":"B"},"field":"depth","number":4}`)
	st, err := c.p.State(t.Context(), "played")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range st.Log() {
		want := sam
		if st.Amendments != nil && e.Call == st.Amendments[0].Call {
			want = ada
		}
		if e.Person != want.ID || e.Who != "" && e.Who != want.Name {
			t.Errorf("event %d, %s: by %q %q, want %s", e.Seq, e.Kind, e.Person, e.Who, want.Name)
		}
	}
	if len(st.Amendments) != 1 || st.SignedBy != sam.Name || !st.Waits() || st.Patient != c.patient {
		t.Errorf("%+v signed by %q of %s", st.Amendments, st.SignedBy, st.Patient)
	}
}

// What was begun for the wrong person is made void or moved; two records of one person become one. Exams that are void or elsewhere
// are compared with no more.
func TestCorrections(t *testing.T) {
	c := newClinic(t)
	s := c.screen()
	s.ask("POST", "/api/session", `{"person":"`+c.people[practice.Clinician].ID+`"}`)
	first, second := c.begin(practice.Clinician), c.begin(practice.Clinician)
	pair := func() string {
		_, _, text := s.ask("GET", "/api/exams/"+second+"/compare", "")
		var p struct{ First *practice.Visit }
		if err := json.Unmarshal([]byte(text), &p); err != nil {
			t.Fatal(text)
		}
		if p.First == nil {
			return ""
		}
		return p.First.ID
	}
	if got := pair(); got != first {
		t.Errorf("compared with %q, want %q", got, first)
	}
	if status, code, text := s.ask("POST", "/api/exams", `{"patient":"`+c.other+`","numbering":"fdi","path":"arch","earlier":"`+first+`","id":"foreign"}`); status != 409 || code != "refused" || !strings.Contains(text, "another patient") {
		t.Errorf("an exam follows one of another patient: %d %s", status, text)
	}
	if got := s.do(first, `{"verb":"void","text":"the wrong chair"}`); got != "accepted" {
		t.Fatal(got)
	}
	if got := pair(); got != "" {
		t.Errorf("compared with %q, which is void", got)
	}
	if got := s.do(first, `{"verb":"reinstate","text":"it was right"}`); got != "accepted" || pair() != first {
		t.Error(got, pair())
	}
	move := func(to, reason string) (int, string) {
		c.requests++
		status, _, text := s.ask("POST", "/api/exams/"+first+"/move", fmt.Sprintf(`{"patient":%q,"reason":%q,"id":"m%d"}`, to, reason, c.requests))
		return status, text
	}
	for _, bad := range []struct {
		to, reason string
		status     int
	}{{"nobody", "x", 404}, {c.patient, "x", 409}, {c.other, " ", 422}, {"", "x", 422}} {
		if status, text := move(bad.to, bad.reason); status != bad.status {
			t.Errorf("%+v: %d %s", bad, status, text)
		}
	}
	if status, text := move(c.other, "begun in the wrong record"); status != 200 || !strings.Contains(text, "Jonas Merrow") || pair() != "" {
		t.Error(status, text, pair())
	}
	// The journals of both say so, with the reason; so does that of who made it void.
	for _, want := range [][3]string{{c.patient, "exam.left", "to patient " + c.other + ": begun in the wrong record"}, {c.other, "exam.moved", "begun in the wrong record"},
		{c.patient, "exam.voided", "the wrong chair"}, {c.patient, "exam.reinstated", "it was right"}} {
		es, err := c.p.Journal(t.Context(), practice.JournalQuery{Patient: want[0], What: want[1]})
		if err != nil || len(es) != 1 || es[0].Detail != want[2] || es[0].Who != c.people[practice.Clinician].ID || es[0].Key != first {
			t.Errorf("%v: %+v, %v", want, es, err)
		}
	}
	// The list of the other patient has it.
	_, _, text := s.ask("GET", "/api/patients/"+c.other, "")
	if !strings.Contains(text, first) {
		t.Error(text)
	}
	merge := func(from, into, reason string) (int, string) {
		status, _, text := s.ask("POST", "/api/patients/"+from+"/merge", fmt.Sprintf(`{"into":%q,"reason":%q}`, into, reason))
		return status, text
	}
	for _, bad := range [][3]string{{c.other, c.other, "x"}, {c.other, "nobody", "x"}, {"nobody", c.patient, "x"}, {c.other, c.patient, ""}} {
		if status, text := merge(bad[0], bad[1], bad[2]); status < 400 || status >= 500 {
			t.Errorf("%v: %d %s", bad, status, text)
		}
	}
	if status, text := merge(c.other, c.patient, "one person, two records"); status != 200 || pair() != first {
		t.Error(status, text, pair())
	}
	if status, text := merge(c.other, c.patient, "again"); status != 409 {
		t.Error("merged twice", status, text)
	}
	if _, _, text := s.ask("GET", "/api/patients", ""); strings.Contains(text, "Jonas") {
		t.Error("a merged record is in the list", text)
	}
	if status, _, text := s.ask("GET", "/api/patients/"+c.other, ""); status != 200 || !strings.Contains(text, `"merged":"`+c.patient+`"`) {
		t.Error(status, text)
	}
	if status, _, _ := s.ask("POST", "/api/exams", `{"patient":"`+c.other+`","numbering":"fdi","path":"arch","earlier":"","id":"late"}`); status != 409 {
		t.Error("an exam begins in a merged record", status)
	}
	// Exams that were begun while the clock was set back stand in the order in which they were begun, and it is told.
	c.now.Add(-86_400_000)
	third := c.begin(practice.Clinician)
	vs, err := c.p.Visits(t.Context(), c.patient)
	if err != nil || vs[0].ID != third || !vs[0].ClockBack || vs[1].ClockBack {
		t.Errorf("%+v, %v", vs, err)
	}
}
