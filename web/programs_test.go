package web_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/practice"
	"leadsman/web"
)

// key makes a key with scopes, as an administrator does.
func (s *screen) key(scopes ...string) (id, key string) {
	s.c.t.Helper()
	list, _ := json.Marshal(scopes)
	status, _, text := s.ask("POST", "/api/programs", fmt.Sprintf(`{"name":"records of the practice","scopes":%s,"ends":""}`, list))
	var out struct{ ID, Key string }
	if err := json.Unmarshal([]byte(text), &out); err != nil || status != 200 || out.Key == "" {
		s.c.t.Fatal(status, text, err)
	}
	return out.ID, out.Key
}

// What each scope opens, written down apart from the program. Nothing that enters, signs, decides, changes settings, accounts or keys, or
// reads the journal is opened by any key.
var opened = map[string][]string{
	"patients:read":  {"GET /api/patients", "GET /api/patients/{id}", "GET /api/due"},
	"patients:write": {"POST /api/patients", "PUT /api/patients/{id}"},
	"exams:read": {"GET /api/patients/{id}/course", "GET /api/waiting", "GET /api/exams/{id}", "GET /api/exams/{id}/visit", "GET /api/exams/{id}/findings", "GET /api/exams/{id}/compare",
		"GET /api/exams/{id}/profile", "GET /api/exams/{id}/earlier", "GET /api/exams/{id}/plan", "GET /api/exams/{id}/inputs", "GET /api/exams/{id}/history"},
	"export": {"GET /api/exams/{id}/export", "GET /api/exams/{id}/due.ics", "GET /api/due.ics", "/fhir/"},
	"webhooks": {"GET /api/hooks", "POST /api/hooks", "DELETE /api/hooks/{id}", "POST /api/hooks/{id}/try", "GET /api/hooks/{id}/letters",
		"POST /api/hooks/{id}/again"},
}

// Every address, asked with a key of every scope: each opens what it says and nothing else.
func TestScopes(t *testing.T) {
	c := newClinic(t)
	x := c.begin(practice.Clinician)
	c.close()
	admin := c.screen().signIn(practice.Administrator)
	calls := web.Calls()
	for pattern := range web.Opens() {
		if _, ok := calls[pattern]; !ok {
			t.Errorf("keys open %s, which is no address", pattern)
		}
	}
	for _, scope := range practice.Scopes() {
		if len(opened[string(scope)]) == 0 {
			t.Errorf("nothing is written down here about %s", scope)
		}
		_, key := admin.key(string(scope))
		for pattern := range calls {
			method, path, _ := strings.Cut(pattern, " ")
			if path == "" {
				method, path = "GET", pattern
			}
			id := x
			if strings.Contains(path, "/patients/") {
				id = c.patient
			}
			path = strings.NewReplacer("{id}", id, "{call}", "1").Replace(path)
			status, code, text := c.screen().ask(method, path, "{}", "Authorization", "Bearer "+key)
			shut := status == 403 && (code == "scope" || strings.HasSuffix(path, "/changes")) // of that one no more than a letter is read
			if want := slices.Contains(opened[string(scope)], pattern); shut == want {
				t.Errorf("%s at %s: %d %.80s", scope, pattern, status, text)
			} else if want && (status == 401 || status == 403) {
				t.Errorf("%s at %s: %d %.80s", scope, pattern, status, text)
			}
		}
	}
}

// A key lets in who shows it in the header, until it is withdrawn or over; whatever else is tried does not.
func TestKeys(t *testing.T) {
	c := newClinic(t)
	c.begin(practice.Clinician)
	c.close()
	admin := c.screen().signIn(practice.Administrator)
	id, key := admin.key("patients:read")
	get := func(path string, header ...string) (int, string) {
		t.Helper()
		status, code, _ := c.screen().ask("GET", path, "", header...)
		return status, code
	}
	if status, code := get("/api/patients", "Authorization", "Bearer "+key); status != 200 {
		t.Fatal(status, code)
	}
	if status, code := get("/api/patients", "Authorization", "bearer  "+key); status != 200 { // the scheme is not case-sensitive: RFC 9110, 11.1
		t.Error(status, code)
	}
	_, _, listed := admin.ask("GET", "/api/programs", "")
	if strings.Contains(listed, strings.Split(key, "_")[2]) || !strings.Contains(listed, `"used":"20`) || !strings.Contains(listed, id) {
		t.Errorf("the list: %s", listed)
	}
	// In the address, in a cookie, with other schemes, in parts or changed it is no key.
	secret := strings.Split(key, "_")[2]
	last := map[bool]string{true: "A", false: "B"}[strings.HasSuffix(key, "B")]
	for name, try := range map[string]struct {
		path   string
		header []string
		code   string
	}{
		"in the address":       {"/api/patients?key=" + key + "&access_token=" + key + "&authorization=Bearer%20" + key, nil, "sign_in"},
		"as a cookie":          {"/api/patients", []string{"Cookie", "leadsman=" + key}, "sign_in"},
		"as a password":        {"/api/patients", []string{"Authorization", "Basic " + key}, "sign_in"},
		"without its mark":     {"/api/patients", []string{"Authorization", "Bearer " + strings.TrimPrefix(key, "leadsman_")}, "key"},
		"the secret alone":     {"/api/patients", []string{"Authorization", "Bearer " + secret}, "key"},
		"the id alone":         {"/api/patients", []string{"Authorization", "Bearer leadsman_" + id + "_"}, "key"},
		"cut":                  {"/api/patients", []string{"Authorization", "Bearer " + key[:len(key)-1]}, "key"},
		"another last letter":  {"/api/patients", []string{"Authorization", "Bearer " + key[:len(key)-1] + last}, "key"},
		"nothing":              {"/api/patients", []string{"Authorization", "Bearer"}, "key"},
		"with somebody's seat": {"/api/patients", []string{"Authorization", "Bearer " + key + "x", "Cookie", "leadsman=x"}, "key"},
	} {
		c.now.Add(time.Minute.Milliseconds()) // so that each is a first try
		status, code := get(try.path, try.header...)
		if status != 401 || code != try.code {
			t.Errorf("%s: %d %s", name, status, code)
		}
	}
	// Whoever is signed in and shows a wrong key is not let in by the cookie.
	if status, code, _ := admin.ask("GET", "/api/patients", "", "Authorization", "Bearer "+key+"x"); status != 401 || code != "key" {
		t.Errorf("a wrong key with a right cookie: %d %s", status, code)
	}
	// Many wrong keys are put off, and few of them fill the journal; the right one goes on being right.
	refused := func() int {
		es, err := c.p.Journal(t.Context(), practice.JournalQuery{What: "program.refused"})
		if err != nil {
			t.Fatal(err)
		}
		return len(es)
	}
	before, off := refused(), 0
	for range 30 {
		if status, code := get("/api/patients", "Authorization", "Bearer leadsman_guess_"+secret); status == 429 && code == "locked" {
			off++
		} else if status != 401 {
			t.Fatal(status, code)
		}
	}
	if n := refused() - before; off < 25 || n > 5 {
		t.Errorf("of 30 wrong keys %d were put off and %d are in the journal", off, n)
	}
	if status, _ := get("/api/patients", "Authorization", "Bearer "+key); status != 200 {
		t.Error("the right key is shut out by wrong ones")
	}
	// Who looked is in the journal.
	es, err := c.p.Journal(t.Context(), practice.JournalQuery{Who: "program/" + id})
	if err != nil || len(es) < 2 || es[0].What != "patients.listed" || es[len(es)-1].What != "program.used" {
		t.Errorf("%+v %v", es, err)
	}
	if status, _, _ := admin.ask("DELETE", "/api/programs/"+id, ""); status != 200 {
		t.Fatal(status)
	}
	c.now.Add(time.Hour.Milliseconds())
	if status, code := get("/api/patients", "Authorization", "Bearer "+key); status != 401 || code != "key" {
		t.Errorf("withdrawn: %d %s", status, code)
	}
	if status, _, _ := admin.signIn(practice.Administrator).ask("DELETE", "/api/programs/nobody", ""); status != 404 {
		t.Error(status)
	}
}

func TestKeysEndAndAreBounded(t *testing.T) {
	c := newClinic(t)
	c.close()
	admin := c.screen().signIn(practice.Administrator)
	today := time.UnixMilli(c.now.Load()).Format(time.DateOnly)
	status, _, text := admin.ask("POST", "/api/programs", `{"name":"until tonight","scopes":["patients:read"],"ends":"`+today+`"}`)
	var made struct{ Key string }
	if err := json.Unmarshal([]byte(text), &made); err != nil || status != 200 {
		t.Fatal(status, text)
	}
	ask := func() int {
		status, _, _ := c.screen().ask("GET", "/api/due", "", "Authorization", "Bearer "+made.Key)
		return status
	}
	if got := ask(); got != 200 {
		t.Error(got)
	}
	// The clock stands: a hundred at once, and no more.
	let := 1
	for range 150 {
		if ask() == 200 {
			let++
		}
	}
	if let != 100 {
		t.Errorf("%d requests at once were let in", let)
	}
	c.now.Add(time.Second.Milliseconds())
	if got := ask(); got != 200 {
		t.Errorf("a second later: %d", got)
	}
	c.now.Add((48 * time.Hour).Milliseconds())
	if got := ask(); got != 401 {
		t.Errorf("when it is over: %d", got)
	}
	admin.signIn(practice.Administrator)
	for body, want := range map[string]string{
		`{"name":"","scopes":["export"],"ends":""}`:                     "say in",
		`{"name":"x","scopes":[],"ends":""}`:                            "name at least one of patients:read",
		`{"name":"x","scopes":["sign"],"ends":""}`:                      "there are patients:read",
		`{"name":"x","scopes":["programs"],"ends":""}`:                  "there are patients:read",
		`{"name":"x","scopes":["export","export"],"ends":""}`:           "named twice",
		`{"name":"x","scopes":["export"],"ends":"2001-01-01"}`:          "not one that is over",
		`{"name":"x","scopes":["export"],"ends":"soon"}`:                "write the last day",
		`{"name":"x","scopes":["export"],"ends":"","key":"leadsman_a"}`: "unknown field",
	} {
		if status, _, text := admin.ask("POST", "/api/programs", body); status != 409 && status != 400 || !strings.Contains(text, want) {
			t.Errorf("%s: %d %s", body, status, text)
		}
	}
}

// A key that went over a network in clear is refused, right or wrong, and it is told why.
func TestKeysNotInClear(t *testing.T) {
	c := newClinic(t)
	c.close()
	_, key := c.screen().signIn(practice.Administrator).key("patients:read")
	h := web.New(web.Options{Practice: c.p, People: c.p.People, Programs: c.p, Hosts: []string{"chart.practice.example"}})
	for from, want := range map[string]int{"192.0.2.7:4711": 403, "[2001:db8::7]:4711": 403, "127.0.0.1:4711": 200, "[::1]:4711": 200} {
		r := httptest.NewRequest("GET", "http://chart.practice.example/api/patients", nil)
		r.RemoteAddr = from
		r.Header.Set("Authorization", "Bearer "+key)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("from %s: %d %s", from, w.Code, w.Body)
		}
	}
	r := httptest.NewRequest("GET", "https://chart.practice.example/api/patients", nil)
	r.RemoteAddr = "192.0.2.7:4711"
	r.Header.Set("Authorization", "Bearer "+key)
	w := httptest.NewRecorder()
	if h.ServeHTTP(w, r); w.Code != 200 {
		t.Errorf("over TLS: %d %s", w.Code, w.Body)
	}
}

// A refused key is answered as RFC 6750 has it, and who tries on is told when to come back.
func TestKeyAnswers(t *testing.T) {
	c := newClinic(t)
	c.close()
	r, err := http.NewRequest("GET", c.srv.URL+"/api/patients", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer leadsman_no_key")
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != 401 || !strings.HasPrefix(res.Header.Get("WWW-Authenticate"), "Bearer ") { // RFC 6750, 3
		t.Errorf("%s %v", res.Status, res.Header)
	}
	for range 9 {
		if res, err = http.DefaultClient.Do(r); err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
	}
	if res.StatusCode != 429 || res.Header.Get("Retry-After") == "" {
		t.Errorf("%s %v", res.Status, res.Header)
	}
}

// How long an answer takes does not tell whether a program with that id is there: both ways read one row and compare one keyed hash.
func TestKeyTiming(t *testing.T) {
	c := newClinic(t)
	c.close()
	id, key := c.screen().signIn(practice.Administrator).key("patients:read")
	secret := strings.Split(key, "_")[2]
	near := secret[:len(secret)-1] + map[bool]string{true: "A", false: "B"}[strings.HasSuffix(secret, "B")]
	// In turns, and by the quick ones: what else the machine does slows all three alike.
	tries := [3][2]string{{"nobody", near}, {id, strings.Repeat("A", len(secret))}, {id, near}}
	var took [3][]time.Duration
	for range 300 {
		for i, try := range tries {
			began := time.Now()
			_, err := c.store.ProgramWithKey(t.Context(), try[0], try[1])
			took[i] = append(took[i], time.Since(began))
			if err == nil {
				t.Fatal("a wrong key was right")
			}
		}
	}
	quick := func(i int) time.Duration {
		slices.Sort(took[i])
		return took[i][len(took[i])/10]
	}
	unknown, first, last := quick(0), quick(1), quick(2)
	for _, d := range []time.Duration{first, last} {
		if r := float64(d) / float64(unknown); r > 3 || r < 1.0/3 {
			t.Errorf("unknown program %v, wrong first letter %v, wrong last letter %v", unknown, first, last)
		}
	}
	if r := float64(first) / float64(last); r > 2 || r < 0.5 {
		t.Errorf("wrong first letter %v, wrong last letter %v", first, last)
	}
}
