package web_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/practice"
)

// cookie is what a screen has of its session.
func (s *screen) cookie() *http.Cookie {
	s.c.t.Helper()
	u, err := url.Parse(s.c.srv.URL)
	if err != nil {
		s.c.t.Fatal(err)
	}
	for _, k := range s.Jar.Cookies(u) {
		return k
	}
	return &http.Cookie{Name: "leadsman"}
}

// with is another browser that has a cookie.
func (c *clinic) with(k *http.Cookie) *screen {
	c.t.Helper()
	s := c.screen()
	u, err := url.Parse(c.srv.URL)
	if err != nil {
		c.t.Fatal(err)
	}
	s.Jar.SetCookies(u, []*http.Cookie{{Name: k.Name, Value: k.Value, Path: "/"}})
	return s
}

// who is the name of who sits at a screen, "" for nobody.
func (s *screen) who() string {
	s.c.t.Helper()
	var in struct{ Person *struct{ Name string } }
	if _, _, text := s.ask("GET", "/api/session", ""); json.Unmarshal([]byte(text), &in) != nil {
		s.c.t.Fatal(text)
	}
	if in.Person == nil {
		return ""
	}
	return in.Person.Name
}

// dial opens a WebSocket as a page of this screen does; without one status is that of the refusal.
func (s *screen) dial(path string, header http.Header) (conn *websocket.Conn, status int, text string) {
	s.c.t.Helper()
	d := websocket.Dialer{Jar: s.Jar}
	conn, res, err := d.Dial("ws"+strings.TrimPrefix(s.c.srv.URL, "http")+path, header)
	if err != nil {
		if res == nil {
			s.c.t.Fatal(path, err)
		}
		b, _ := io.ReadAll(res.Body)
		return nil, res.StatusCode, string(b)
	}
	s.c.t.Cleanup(func() { conn.Close() })
	return conn, res.StatusCode, ""
}

// microphone switches the microphone on; it is heard.
func (s *screen) microphone(exam string) *websocket.Conn {
	s.c.t.Helper()
	s.c.requests++
	m, status, text := s.dial(fmt.Sprintf("/api/exams/%s/sound?%sowner=page%d&takeover=1", exam, hello, s.c.requests), nil)
	if m == nil {
		s.c.t.Fatal(status, text)
	}
	var r reply
	if err := m.ReadJSON(&r); err != nil || r.Next == nil {
		s.c.t.Fatalf("%+v %v", r, err)
	}
	return m
}

// stream follows the changes of an exam; the channel is closed when the stream ends.
func (s *screen) stream(exam string) (ended <-chan bool) {
	s.c.t.Helper()
	res, err := s.Get(s.c.srv.URL + "/api/exams/" + exam + "/changes")
	if err != nil || res.StatusCode != 200 {
		s.c.t.Fatal(res, err)
	}
	in, end := bufio.NewReader(res.Body), make(chan bool)
	if _, err := in.ReadString('\n'); err != nil {
		s.c.t.Fatal(err)
	}
	go func() {
		defer res.Body.Close()
		_, _ = io.Copy(io.Discard, in)
		close(end)
	}()
	return end
}

func soonClosed(m *websocket.Conn) bool {
	_ = m.SetReadDeadline(time.Now().Add(5 * time.Second))
	_, _, err := m.ReadMessage()
	ne, timeout := err.(interface{ Timeout() bool })
	return err != nil && !(timeout && ne.Timeout())
}

// A session cannot be planted in somebody's browser, nor used longer than its owner has it (OWASP ASVS 5.0, 7.2.4 and 7.4).
func TestFixedAndStolenSessions(t *testing.T) {
	c := newClinic(t)
	x := c.begin(practice.Clinician)
	c.close()
	// A value made up by somebody is nobody's session, before and after somebody signs in over it.
	made := &http.Cookie{Name: "leadsman", Value: strings.Repeat("A", 43)}
	victim := c.with(made).signIn(practice.Clinician)
	if victim.cookie().Value == made.Value || c.with(made).who() != "" {
		t.Error("a cookie that was planted became a session")
	}
	// The attacker's own session, planted: who signs in over it gets another one, and the attacker's is over.
	thief := c.screen().signIn(practice.Viewer)
	planted := thief.cookie()
	victim = c.with(planted).signIn(practice.Clinician)
	if victim.who() != "Ada Quill" || victim.cookie().Value == planted.Value || thief.who() != "" {
		t.Errorf("planted: %q sits at the victim's, %q at the attacker's screen", victim.who(), thief.who())
	}
	// A stolen one ends with each change of the person, with the proof by password, and with signing out.
	admin := c.screen().signIn(practice.Administrator)
	if status, _, text := admin.ask("PUT", "/api/people/"+c.people[practice.Supervisor].ID+"/code", `{"code":"4711"}`); status != 200 {
		t.Fatal(status, text)
	}
	for what, do := range map[string]func(*screen) (int, string, string){
		"switch": func(s *screen) (int, string, string) { return s.ask("POST", "/api/session", `{"code":"4711"}`) },
		"prove": func(s *screen) (int, string, string) {
			return s.ask("POST", "/api/session/prove", `{"password":"`+password+`"}`)
		},
		"sign out": func(s *screen) (int, string, string) { return s.ask("DELETE", "/api/session", "") },
		"hour":     func(s *screen) (int, string, string) { c.now.Add(61 * 60_000); return 200, "", "" },
	} {
		s := c.screen().signIn(practice.Clinician)
		stolen := c.with(s.cookie())
		if stolen.who() != "Ada Quill" {
			t.Fatal("this test would find nothing")
		}
		if status, _, text := do(s); status != 200 {
			t.Fatal(what, status, text)
		}
		m, status, text := stolen.dial("/api/exams/"+x+"/sound?"+hello+"owner=thief", nil)
		if m != nil || status != 401 || !strings.Contains(text, `"sign_in"`) {
			t.Errorf("%s: a stolen session opens the microphone: %d %s", what, status, text)
		}
		for _, path := range []string{"/api/exams/" + x + "/changes", "/api/exams/" + x, "/api/patients"} {
			if status, _, text := stolen.ask("GET", path, ""); status != 401 || strings.Contains(text, "Sallow") {
				t.Errorf("%s: a stolen session reads %s: %d %s", what, path, status, text)
			}
		}
	}
}

// Who may listen and who may speak, at the sockets: each role, nobody, somebody else's voice, pages of others.
func TestRolesAtTheSockets(t *testing.T) {
	c := newClinic(t)
	x := c.begin(practice.Clinician)
	c.close()
	for _, r := range append(practice.Roles(), "") {
		s := c.screen()
		if r != "" {
			s.signIn(r)
		}
		rights := strings.Fields(may[r])
		for path, right := range map[string]string{"/api/exams/" + x + "/sound?takeover=1&": "examine", "/api/trial/sound?": "examine"} {
			m, status, text := s.dial(path+hello+"owner=of-"+string(r), nil)
			want := map[bool]int{true: 101, false: 403}[slices.Contains(rights, right)]
			if r == "" {
				want = 401
			}
			if status != want {
				t.Errorf("%q at %s: %d %s, want %d", r, path, status, text, want)
			}
			if m == nil {
				continue
			}
			m.Close()
			// With somebody else's voice: said, and closed.
			m, _, _ = s.dial(path+hello+"owner=o2-"+string(r)+"&voice="+c.people[practice.Administrator].ID, nil)
			var got reply
			if err := m.ReadJSON(&got); err != nil || got.Error == nil || strings.HasPrefix(path, "/api/exams") && got.Error.Code != "forbidden" {
				t.Errorf("%q speaks with somebody else's voice at %s: %+v %v", r, path, got, err)
			}
			// From a page of another service, whatever it says of itself.
			for _, origin := range []string{"https://evil.example", "null", "http://127.0.0.1:1", "http://localhost"} {
				if m, status, text := s.dial(path+hello+"owner=o3-"+string(r), http.Header{"Origin": {origin}}); m != nil || status != 403 {
					t.Errorf("%q from %s at %s: %d %s", r, origin, path, status, text)
				}
			}
		}
		status, _, text := s.ask("GET", "/api/exams/"+x+"/changes", "")
		if want := map[bool]int{true: 200, false: 401}[r != ""]; status != want {
			t.Errorf("%q at the changes: %d %s", r, status, text)
		}
		// What is typed goes the way of what is spoken.
		status, code, text := s.ask("POST", "/api/exams/"+x+"/words", `{"text":"remark hello","id":"w-`+string(r)+`"}`)
		if allowed := slices.Contains(rights, "examine"); allowed != (status == 200) || !allowed && code != "forbidden" && r != "" {
			t.Errorf("%q types: %d %s", r, status, text)
		}
	}
}

// A microphone that is on and a page that follows an exam end with the session: nothing is heard or shown beyond it.
func TestSocketsEndWithTheSession(t *testing.T) {
	c := newClinic(t)
	x := c.begin(practice.Clinician)
	c.close()
	admin := c.screen().signIn(practice.Administrator)
	id := func(r practice.Role) string { return c.people[r].ID }
	if status, _, text := admin.ask("PUT", "/api/people/"+id(practice.Supervisor)+"/code", `{"code":"4711"}`); status != 200 {
		t.Fatal(status, text)
	}
	put := func(path, body string) func(*screen) (int, string, string) {
		return func(*screen) (int, string, string) { return admin.ask("PUT", path, body) }
	}
	of := "/api/people/" + id(practice.Clinician)
	for _, end := range []struct {
		what string
		do   func(*screen) (int, string, string)
	}{
		{"sign out", func(s *screen) (int, string, string) { return s.ask("DELETE", "/api/session", "") }},
		{"another one by a code", func(s *screen) (int, string, string) { return s.ask("POST", "/api/session", `{"code":"4711"}`) }},
		{"another one by password", func(s *screen) (int, string, string) {
			return s.ask("POST", "/api/session", fmt.Sprintf(`{"name":"Dan Fairway","password":%q}`, password))
		}},
		{"an hour without use, then a request", func(s *screen) (int, string, string) {
			c.now.Add(61 * 60_000)
			admin.signIn(practice.Administrator)
			s.ask("GET", "/api/patients", "")
			return 200, "", ""
		}},
		{"fewer rights", put(of, `{"name":"Ada Quill","roles":["viewer"]}`)},
		{"the old rights again", put(of, `{"name":"Ada Quill","roles":["clinician"]}`)},
		{"a password from somebody else", func(s *screen) (int, string, string) {
			status, code, text := admin.ask("PUT", of+"/password", `{"password":"another one for Ada"}`)
			if err := c.store.SetPassword(t.Context(), id(practice.Clinician), cheap()); err != nil {
				t.Fatal(err)
			}
			return status, code, text
		}},
		{"gone for good", put(of, `{"name":"Ada Quill","roles":["clinician"],"retired":true}`)},
	} {
		s := c.screen().signIn(practice.Clinician)
		follows := s.stream(x)
		var m *websocket.Conn
		if end.what != "the old rights again" { // a viewer has no microphone
			m = s.microphone(x)
		}
		old := c.with(s.cookie())
		if status, _, text := end.do(s); status != 200 {
			t.Fatal(end.what, status, text)
		}
		select {
		case <-follows:
		case <-time.After(5 * time.Second):
			t.Errorf("%s: the changes go on", end.what)
		}
		if m != nil && !soonClosed(m) {
			t.Errorf("%s: the microphone goes on", end.what)
		}
		if m, status, text := old.dial("/api/exams/"+x+"/sound?"+hello+"owner=again", nil); m != nil || status != 401 {
			t.Errorf("%s: the microphone comes back: %d %s", end.what, status, text)
		}
	}
}

// What was let in because nobody had a password ends when somebody has one.
func TestStreamsOfAnOpenPracticeEnd(t *testing.T) {
	c := newClinic(t)
	x := c.begin(practice.Clinician)
	nobody, chosen := c.screen(), c.screen()
	if status, _, text := chosen.ask("POST", "/api/session", `{"person":"`+c.people[practice.Clinician].ID+`"}`); status != 200 {
		t.Fatal(status, text)
	}
	follows, m := nobody.stream(x), chosen.microphone(x)
	if status, _, text := chosen.ask("PUT", "/api/people/"+c.people[practice.Administrator].ID+"/password", `{"password":"`+password+`"}`); status != 200 {
		t.Fatal(status, text)
	}
	select {
	case <-follows:
	case <-time.After(5 * time.Second):
		t.Error("who never signed in goes on following")
	}
	if !soonClosed(m) {
		t.Error("the microphone of a practice that was open goes on")
	}
}

// Short codes are not found out by choosing them as one's own, nor by trying them with the own one in between; who came by one takes over
// nothing of the account.
func TestCodesAreNotFoundOut(t *testing.T) {
	c := newClinic(t)
	c.close()
	admin := c.screen().signIn(practice.Administrator)
	set := func(s *screen, r practice.Role, code string) (int, string) {
		status, f, text := s.ask("PUT", "/api/people/"+c.people[r].ID+"/code", `{"code":"`+code+`"}`)
		return status, f + text
	}
	for r, code := range map[practice.Role]string{practice.Supervisor: "4711", practice.Viewer: "0815", practice.Student: "1234"} {
		if status, text := set(admin, r, code); status != 200 {
			t.Fatal(status, text)
		}
	}
	v := c.screen().signIn(practice.Viewer)
	locked := 0
	for i := range 20 {
		if status, text := set(v, practice.Viewer, fmt.Sprintf("47%02d", i)); status == 429 && strings.Contains(text, "locked") {
			locked++
		} else if status == 409 {
			t.Fatal("found out whose code 47", i, " is")
		}
	}
	if locked < 15 {
		t.Errorf("20 codes were tried as the own one, %d were refused", locked)
	}
	s, found := c.screen().signIn(practice.Student), 0
	for i := range 40 {
		code := fmt.Sprintf("46%02d", i)
		if i%4 == 3 {
			code = "1234" // the own one
		}
		if status, f, _ := s.ask("POST", "/api/session", `{"code":"`+code+`"}`); status != 429 || f != "locked" {
			found++
		}
	}
	if found > 10 {
		t.Errorf("with the own code in between %d of 40 were tried", found)
	}
	// By code at somebody's screen.
	c.now.Add(3600_000)
	chair := c.screen().signIn(practice.Clinician)
	if status, _, text := chair.ask("POST", "/api/session", `{"code":"4711"}`); status != 200 || !strings.Contains(text, `"sure":false`) {
		t.Fatal(status, text)
	}
	own := "/api/people/" + c.people[practice.Supervisor].ID
	for _, try := range [][3]string{{"PUT", own + "/code", `{"code":"9999"}`}, {"PUT", own + "/code", `{"code":""}`}, {"DELETE", own + "/passkeys/any", ``}} {
		if status, f, text := chair.ask(try[0], try[1], try[2]); status != 403 || f != "prove" {
			t.Errorf("%v by who came with a code: %d %s", try, status, text)
		}
	}
	if status, f, _ := chair.ask("PUT", own+"/password", `{"password":"mine from here on"}`); status != 401 || f != "wrong" {
		t.Error("a password by who came with a code", status, f)
	}
}

// A student who became a supervisor, or is both, does not co-sign own work; what the student amended, neither. Another supervisor does.
func TestOwnWorkIsNotCosigned(t *testing.T) {
	c := newClinic(t)
	c.close()
	x := c.begin(practice.Student)
	admin := c.screen().signIn(practice.Administrator)
	roles := func(list string) *screen {
		t.Helper()
		if status, _, text := admin.ask("PUT", "/api/people/"+c.people[practice.Student].ID, `{"name":"Dan Fairway","roles":[`+list+`]}`); status != 200 {
			t.Fatal(status, text)
		}
		return c.screen().signIn(practice.Student)
	}
	s := roles(`"student"`)
	if got := s.do(x, `{"verb":"sign"}`); got != "accepted" {
		t.Fatal(got)
	}
	if got := s.do(x, `{"verb":"co-sign"}`); got != "forbidden" {
		t.Error("a student:", got)
	}
	if got := roles(`"student","supervisor"`).do(x, `{"verb":"co-sign"}`); !strings.Contains(got, "co-signed by a supervisor") {
		t.Error("student and supervisor:", got)
	}
	if got := roles(`"supervisor"`).do(x, `{"verb":"co-sign"}`); !strings.Contains(got, "nobody co-signs own work") {
		t.Error("a supervisor who was the student:", got)
	}
	tess := c.screen().signIn(practice.Supervisor)
	if got := tess.do(x, `{"verb":"co-sign"}`); got != "accepted" {
		t.Fatal(got)
	}
	site := `{"verb":"set","ref":{"tooth":17,"site":"B"},"field":"depth","number":5}`
	if got := roles(`"student"`).do(x, `{"verb":"amend","text":"probed again"},`+site); got != "accepted" {
		t.Fatal(got)
	}
	if got := roles(`"supervisor"`).do(x, `{"verb":"co-sign"}`); !strings.Contains(got, "nobody co-signs own work") {
		t.Error("an amendment:", got)
	}
	if got := tess.do(x, `{"verb":"co-sign"}`); got != "accepted" {
		t.Error(got)
	}
	if rep, err := c.store.Verify(t.Context()); err != nil || rep.Err() != nil {
		t.Errorf("%+v, %v", rep, err)
	}
}

// No page of another service has its reader's browser change anything here, at whatever address; and no address changes anything by being
// read. The addresses are those of docs/openapi.json, so that a new one is not forgotten.
func TestForgedRequests(t *testing.T) {
	c := newClinic(t)
	x := c.begin(practice.Clinician)
	c.close()
	text, err := os.ReadFile("../docs/openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Paths map[string]map[string]json.RawMessage
	}
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	type address struct{ method, path string }
	var changes, reads []address
	for path, methods := range doc.Paths {
		id := x
		if strings.Contains(path, "/patients/") {
			id = c.patient
		} else if strings.Contains(path, "/people/") || strings.Contains(path, "/examiners/") {
			id = c.people[practice.Clinician].ID
		}
		real := strings.NewReplacer("{id}", id, "{call}", "1").Replace(path)
		for method := range methods {
			switch method = strings.ToUpper(method); method {
			case "GET":
				if !strings.HasSuffix(path, "/changes") && !strings.HasSuffix(path, "/sound") {
					reads = append(reads, address{method, real})
				}
			case "POST", "PUT", "DELETE", "PATCH":
				changes = append(changes, address{method, real})
			}
		}
	}
	if len(changes) < 35 || len(reads) < 40 {
		t.Fatalf("%d addresses change something, %d are read", len(changes), len(reads))
	}
	entries := func() []practice.Entry {
		t.Helper()
		es, err := c.p.Journal(t.Context(), practice.JournalQuery{})
		if err != nil {
			t.Fatal(err)
		}
		return es
	}
	screens := map[practice.Role]*screen{}
	for _, r := range []practice.Role{practice.Administrator, practice.Supervisor} { // who may all of it
		screens[r] = c.screen().signIn(r)
	}
	before := len(entries())
	for r, s := range screens {
		for _, a := range changes {
			for _, from := range [][]string{
				{"Origin", "https://evil.example"}, {"Origin", "null"}, {"Origin", "http://127.0.0.1:1"}, {"Origin", "https://" + s.cookie().Name + ".evil.example"},
				{"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "same-site"}, {"Sec-Fetch-Site", "cross-site", "Origin", c.srv.URL},
				{"Referer", "https://evil.example/page"}, {"Origin", "https://evil.example", "Content-Type", "text/plain"},
				{"Origin", "https://evil.example", "Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Mode", "navigate"},
			} {
				if status, code, text := s.ask(a.method, a.path, "{}", from...); status != 403 || code != "origin" {
					t.Errorf("%s: %s %s with %q: %d %s", r, a.method, a.path, from, status, text)
				}
			}
		}
		if s.who() == "" {
			t.Errorf("%s was signed out by another page", r)
		}
	}
	if got := len(entries()); got != before {
		t.Errorf("%d entries were made by pages of others", got-before)
	}
	// A name that points here makes no page an own one.
	for _, a := range changes {
		if status, code, text := screens[practice.Administrator].ask(a.method, a.path, "{}", "Host", "evil.example", "Origin", "http://evil.example"); status != 421 || code != "host" {
			t.Errorf("%s %s under a foreign name: %d %s", a.method, a.path, status, text)
		}
	}
	for _, s := range screens {
		for _, a := range reads {
			s.ask(a.method, a.path, "")
		}
	}
	for _, e := range entries()[:len(entries())-before] {
		if e.Table != "" {
			t.Errorf("reading changed a record: %+v", e)
		}
	}
}

// What the browser is told of the cookie keeps it from scripts, from other sites, and over TLS from being set by others (RFC 6265bis).
func TestCookie(t *testing.T) {
	c := newClinic(t)
	c.close()
	secure := httptest.NewTLSServer(c.srv.Config.Handler)
	defer secure.Close()
	for _, at := range []struct {
		*httptest.Server
		name string
		tls  bool
	}{{c.srv, "leadsman", false}, {secure, "__Host-leadsman", true}} {
		res, err := at.Client().Post(at.URL+"/api/session", "application/json", strings.NewReader(fmt.Sprintf(`{"name":"Ada Quill","password":%q}`, password)))
		if err != nil || len(res.Cookies()) != 1 {
			t.Fatal(res, err)
		}
		res.Body.Close()
		if k := res.Cookies()[0]; k.Name != at.name || !k.HttpOnly || k.Secure != at.tls || k.SameSite != http.SameSiteStrictMode || k.Path != "/" || k.Domain != "" || len(k.Value) < 43 {
			t.Errorf("%+v", k)
		}
	}
}
