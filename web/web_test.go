package web_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/web"
)

// practice is a service with one exam, x1, in memory.
type fakePractice struct {
	web.Practice // methods that a test does not expect to be called
	exam         web.Exam
	patient      practice.Patient
	saved        []practice.NewVisit
	log          *exam.Memory     // of x1
	visits       []practice.Visit // newest first
	states       map[string]*chart.State
	due          []practice.Due
}

func (p *fakePractice) Doubles(context.Context, string) ([]practice.Double, string, error) {
	return nil, "", nil
}

func (p *fakePractice) Exam(_ context.Context, id string) (web.Exam, error) {
	if id != "x1" {
		return nil, fmt.Errorf("exam %s: %w", id, practice.ErrNotFound)
	}
	return p.exam, nil
}

func (p *fakePractice) Patients(context.Context, string, string, int) ([]practice.Patient, bool, error) {
	return nil, false, nil
}
func (p *fakePractice) SavePatient(_ context.Context, n practice.Patient) (practice.Patient, error) {
	if n.Version != p.patient.Version {
		return n, practice.ErrConflict
	}
	n.Version++
	p.patient = n
	return n, nil
}
func (p *fakePractice) Begin(_ context.Context, v practice.NewVisit, _ exam.Caller) (practice.Visit, error) {
	p.saved = append(p.saved, v)
	return practice.Visit{ID: v.ID}, nil
}

func (p *fakePractice) Patient(_ context.Context, id string) (practice.Patient, error) {
	if id != p.patient.ID {
		return practice.Patient{}, practice.ErrNotFound
	}
	return p.patient, nil
}
func (p *fakePractice) Visits(context.Context, string) ([]practice.Visit, error) {
	return p.visits, nil
}
func (p *fakePractice) Visit(_ context.Context, id string) (practice.Visit, error) {
	for _, v := range p.visits {
		if v.ID == id {
			return v, nil
		}
	}
	return practice.Visit{}, practice.ErrNotFound
}
func (p *fakePractice) State(_ context.Context, id string) (*chart.State, error) {
	if id == "x1" {
		return chart.Fold(p.log.Events)
	}
	return p.states[id], nil
}
func (p *fakePractice) AllDue(_ context.Context, q practice.DueQuery) ([]practice.Due, error) {
	return slices.DeleteFunc(slices.Clone(p.due), func(d practice.Due) bool { return q.Patient != "" && d.Patient != q.Patient }), nil
}

// mic records what an exam hears.
type mic struct {
	mu       sync.Mutex
	pcm      []int16
	spoke    [][2]int64
	says     []string
	detached int
	closed   chan struct{}
	fail     error
}

func (m *mic) Write(first int64, pcm []int16) (int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.fail != nil {
		return 0, m.fail
	}
	if skip := int64(len(m.pcm)) - first; skip < int64(len(pcm)) {
		m.pcm = append(m.pcm, pcm[skip:]...)
	}
	return int64(len(m.pcm)), nil
}
func (m *mic) Spoke(a, b int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.spoke = append(m.spoke, [2]int64{a, b})
}
func (m *mic) Speaks(from int64, text string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.says = append(m.says, fmt.Sprint(from, " ", text))
}
func (m *mic) Detach()      { m.mu.Lock(); defer m.mu.Unlock(); m.detached++ }
func (m *mic) Close() error { close(m.closed); return nil }

// hearing gives a running exam an ear of the test's own.
type hearing struct {
	web.Exam
	mu    sync.Mutex
	owner string
	mic   *mic
}

func (h *hearing) OpenMic(owner, _ string, takeover bool) (web.Mic, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.owner != "" && h.owner != owner && !takeover {
		return nil, exam.ErrMicTaken
	}
	if h.owner != owner {
		h.owner, h.mic = owner, &mic{closed: make(chan struct{})}
	}
	return h.mic, nil
}

type service struct {
	*httptest.Server
	t        testing.TB
	practice *fakePractice
	hearing  *hearing
}

func start(t testing.TB, more ...func(*web.Options)) *service {
	t.Helper()
	log := &exam.Memory{}
	ctx := context.Background()
	if err := exam.Start(ctx, log, chart.FDI, "", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	e, err := exam.Open(ctx, exam.Config{ID: "x1", Log: log, Now: func() int64 { return 2 }})
	if err != nil {
		t.Fatal(err)
	}
	h := &hearing{Exam: web.Running(e)}
	p := &fakePractice{exam: h, patient: practice.Patient{ID: "p1", Version: 3}, log: log, visits: []practice.Visit{{ID: "x1", Patient: "p1", Kind: "exam", Began: 1}}}
	o := web.Options{Exams: p, Practice: p, People: solo{}, Hosts: []string{"chart.practice.example"},
		Calendar: func(w io.Writer, days []practice.Due) error { _, err := fmt.Fprint(w, days); return err }, Beat: 20 * time.Millisecond}
	for _, f := range more {
		f(&o)
	}
	srv := httptest.NewServer(web.New(o))
	t.Cleanup(func() { e.Close(); srv.CloseClientConnections(); srv.Close() })
	return &service{srv, t, p, h}
}

// ask sends a request and gives status and answer.
func (s *service) ask(method, path, body string, header ...string) (int, string) {
	s.t.Helper()
	r, err := http.NewRequest(method, s.URL+path, strings.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
			continue
		}
		r.Header.Set(header[i], header[i+1])
	}
	res, err := s.Client().Do(r)
	if err != nil {
		s.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	return res.StatusCode, string(b)
}

// oneClip is the sound of one call.
type oneClip struct{}

func (oneClip) Clips(context.Context, string) (practice.ClipList, error) {
	return practice.ClipList{Calls: []uint64{7}, Bytes: 20, Limit: 100}, nil
}
func (oneClip) Clip(_ context.Context, _ string, call uint64) ([]byte, error) {
	if call != 7 {
		return nil, practice.ErrNotFound
	}
	return []byte("RIFFxxxxWAVE"), nil
}
func (oneClip) ClipUse(context.Context) (int64, int64, error) { return 20, 100, nil }

func TestHistoryAndClips(t *testing.T) {
	s := start(t)
	s.Config.Handler = web.New(web.Options{Exams: s.practice, Practice: s.practice, People: solo{}, Clips: oneClip{}})
	if status, body := s.ask("POST", "/api/exams/x1/words", `{"text":"5","who":"Ann","id":"a"}`); status != 200 {
		t.Fatal(status, body)
	}
	status, body := s.ask("GET", "/api/exams/x1/history?tooth=17&site=DB", "")
	var h []map[string]any
	if err := json.Unmarshal([]byte(body), &h); err != nil || status != 200 || len(h) != 1 {
		t.Fatal(status, body, err)
	}
	for k, want := range map[string]any{"site": "DB", "field": "depth", "value": "5", "was": "", "who": "Ada Quill", "person": "ada", "source": "keyboard", "words": "five"} {
		if h[0][k] != want {
			t.Errorf("%s is %v, want %v", k, h[0][k], want)
		}
	}
	if status, body := s.ask("GET", "/api/exams/x1/clips", ""); status != 200 || !strings.Contains(body, `"calls":[7]`) {
		t.Error(status, body)
	}
	if status, body := s.ask("GET", "/api/exams/x1/clips/7", ""); status != 200 || body != "RIFFxxxxWAVE" {
		t.Error(status, body)
	}
	if status, body := s.ask("GET", "/api/exams/x1/clips/8", ""); status != 404 {
		t.Error(status, body)
	}
}

func TestRequestsThatAreWrong(t *testing.T) {
	s := start(t)
	long := strings.Repeat("x", 70<<10)
	for _, c := range []struct {
		method, path, body string
		header             []string
		status             int
		code               string
	}{
		{"GET", "/api/exams/x2", "", nil, 404, "not_found"},
		{"GET", "/api/nothing", "", nil, 404, "no_such_address"},
		{"POST", "/api/exams/x1/words", `{"text":"three","id":"a"`, nil, 400, "bad_json"},
		{"POST", "/api/exams/x1/words", `{"text":"three","id":"a"} {}`, nil, 400, "bad_json"},
		{"POST", "/api/exams/x1/words", `{"text":"three","id":"a","more":1}`, nil, 400, "bad_json"},
		{"POST", "/api/exams/x1/words", `{"text":" ","id":"a"}`, nil, 422, "missing"},
		{"POST", "/api/exams/x1/words", `{"text":"three"}`, nil, 422, "missing"},
		{"POST", "/api/exams/x1/words", `{"text":"` + strings.Repeat("three ", 100) + `","id":"a"}`, nil, 422, "too_long"},
		{"POST", "/api/exams/x1/words", `{"text":"` + long + `","id":"a"}`, nil, 413, "too_long"},
		{"POST", "/api/exams/x1/words", `{"text":"three","id":"a"}`, []string{"Content-Type", "text/plain"}, 415, "not_json"},
		{"POST", "/api/exams/x1/do", `{"id":"a","command":{"acts":[]}}`, nil, 422, "missing"},
		{"POST", "/api/exams/x1/do", `{"id":"a","command":{"acts":[{"verb":"set","ref":{"tooth":16,"site":"XX"}}]}}`, nil, 400, "bad_json"},
		{"GET", "/api/exams/x1/changes?from=soon", "", nil, 400, "number"},
		{"GET", "/api/exams/x1/history?tooth=19&site=DB", "", nil, 422, "no_such_tooth"},
		{"GET", "/api/exams/x1/history?tooth=16", "", nil, 422, "no_such_site"},
		{"GET", "/api/exams/x1/clips/2", "", nil, 404, "not_found"},
		{"GET", "/api/exams/x1/clips/two", "", nil, 400, "number"},
		{"GET", "/api/say", "", nil, 422, "missing"},
		{"GET", "/api/say?text=" + strings.Repeat("x", 700), "", nil, 422, "too_long"},
		{"GET", "/api/say?text=three", "", nil, 503, "no_voice"},
		{"GET", "/api/exams/x1/sound?owner=a", "", nil, 426, "websocket"},
		{"GET", "/api/exams/x1/sound", "", nil, 422, "missing"},
		{"POST", "/api/patients", `{"name":""}`, nil, 422, "missing"},
		{"POST", "/api/patients", `{"name":"A","born":"next year"}`, nil, 422, "date"},
		{"POST", "/api/patients", `{"name":"A","born":"1971-02-30"}`, nil, 422, "date"},
		{"PUT", "/api/patients/p1", `{"name":"A","version":2}`, nil, 409, "stale"},
		{"POST", "/api/exams", `{"patient":"p1","id":"n","numbering":"roman","path":"arch"}`, nil, 422, "numbering"},
		{"POST", "/api/exams", `{"patient":"p1","id":"n","numbering":"fdi","path":"zigzag"}`, nil, 422, "path"},
		{"POST", "/api/exams", `{"patient":"p1","id":"n","numbering":"fdi","path":"x: buccal 18-28"}`, nil, 422, "path"},
		{"PUT", "/api/settings", `{"practice":"","numbering":"fdi","path":"pockets","site_words":"buccal-lingual"}`, nil, 422, "path"},
		{"PUT", "/api/settings", `{"practice":"","numbering":"fdi","path":"arch","site_words":"left"}`, nil, 422, "site_words"},
		// A page of another service, and a name that was pointed at this machine.
		{"POST", "/api/exams/x1/words", `{"text":"three","id":"a"}`, []string{"Origin", "http://evil.example"}, 403, "origin"},
		{"POST", "/api/exams/x1/words", `{"text":"three","id":"a"}`, []string{"Sec-Fetch-Site", "cross-site"}, 403, "origin"},
		{"GET", "/api/exams/x1", "", []string{"Host", "evil.example:8643"}, 421, "host"},
		{"GET", "/", "", []string{"Host", "evil.example; x"}, 421, "host"},
	} {
		status, body := s.ask(c.method, c.path, c.body, c.header...)
		var f struct{ Error struct{ Code, Text string } }
		if err := json.Unmarshal([]byte(body), &f); err != nil || status != c.status || f.Error.Code != c.code || f.Error.Text == "" {
			t.Errorf("%s %s %.60s: %d %s, want %d %s", c.method, c.path, c.body, status, body, c.status, c.code)
		}
	}
	if v, _ := s.practice.exam.View(context.Background()); len(v.Calls) != 1 {
		t.Errorf("wrong requests left something in the exam beside its start: %+v", v.Calls)
	}
	if s.practice.patient.Version != 3 || len(s.practice.saved) != 0 {
		t.Error("wrong requests left something in the practice")
	}
	for _, host := range []string{"localhost:1", "127.0.0.1", "[::1]:8643", "CHART.practice.example:443"} {
		if status, body := s.ask("GET", "/api/about", "", "Host", host); status != 200 {
			t.Errorf("host %s: %d %s", host, status, body)
		}
	}
}

// Every answer, a refusal too, has the headers that keep a browser from misusing it; no cache keeps what is of a patient.
func TestHeaders(t *testing.T) {
	s := start(t)
	for _, path := range []string{"/", "/exams/x1/live", "/api/about", "/api/patients", "/api/patients/p1", "/api/exams/x1", "/api/exams/x1/findings", "/api/exams/nobody", "/api/nothing"} {
		res, err := s.Client().Get(s.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "Cross-Origin-Opener-Policy": "same-origin",
			"Cross-Origin-Resource-Policy": "same-origin", "Permissions-Policy": "microphone=(self), camera=(), geolocation=()"} {
			if got := res.Header.Get(name); got != want {
				t.Errorf("%s: %s is %q, want %q", path, name, got, want)
			}
		}
		if csp := res.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "frame-ancestors 'none'") {
			t.Errorf("%s: content policy %q", path, csp)
		}
		if got := res.Header.Get("Cache-Control"); strings.HasPrefix(path, "/api/") && got != "no-store" {
			t.Errorf("%s: a cache may keep it: %q", path, got)
		}
	}
}

func TestPages(t *testing.T) {
	s := start(t)
	res, err := s.Client().Get(s.URL + "/exams/x1/live")
	if err != nil {
		t.Fatal(err)
	}
	page, _ := io.ReadAll(res.Body)
	res.Body.Close()
	csp := res.Header.Get("Content-Security-Policy")
	for _, part := range []string{"default-src 'self'", "frame-ancestors 'none'", "object-src 'none'"} {
		if !strings.Contains(csp, part) {
			t.Errorf("content policy %q lacks %q", csp, part)
		}
	}
	if strings.Contains(csp, "unsafe") {
		t.Errorf("content policy %q allows inline code", csp)
	}
	// Every address in the page exists, may be kept for ever, and none is code in the page itself.
	n := 0
	for _, attr := range []string{`href="/static/`, `src="/static/`} {
		for rest := string(page); ; n++ {
			_, after, ok := strings.Cut(rest, attr)
			if !ok {
				break
			}
			path, tail, _ := strings.Cut(after, `"`)
			rest = tail
			res, err := s.Client().Get(s.URL + "/static/" + path)
			if err != nil {
				t.Fatal(err)
			}
			res.Body.Close()
			if res.StatusCode != 200 || !strings.Contains(res.Header.Get("Cache-Control"), "immutable") {
				t.Errorf("%s: %s %s", path, res.Status, res.Header)
			}
		}
	}
	if n < 5 {
		t.Errorf("only %d files in the page", n)
	}
	if bytes.Contains(page, []byte("<style")) || bytes.Contains(page, []byte("<script>")) || bytes.Contains(page, []byte("{{")) {
		t.Errorf("inline code or an unfilled address in the page:\n%s", page)
	}
	if status, _ := s.ask("GET", "/static/0000/app/app.js", ""); status != 404 {
		t.Errorf("a file of another version: %d", status)
	}
	if status, _ := s.ask("GET", "/exams/x1/elsewhere/more", ""); status != 404 {
		t.Errorf("no such page: %d", status)
	}
}

func TestCommands(t *testing.T) {
	s := start(t)
	post := func(path, body string) (int, exam.Answer) {
		status, text := s.ask("POST", "/api/exams/x1/"+path, body)
		var a exam.Answer
		if err := json.Unmarshal([]byte(text), &a); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		return status, a
	}
	depth := func(tooth, site string) float64 {
		v, err := s.practice.exam.View(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if d := v.Teeth[tooth].Sites[site].Depth; d != nil {
			return *d
		}
		return -1
	}
	if code, a := post("words", `{"text":"three two four","who":"Ann","id":"1"}`); code != 200 || a.Tone != exam.ToneAccepted || depth("17", "MB") != 4 {
		t.Errorf("words: %d %+v", code, a)
	}
	// The same once more, as after a broken connection: entered once.
	if code, a := post("words", `{"text":"three two four","who":"Ann","id":"1"}`); code != 200 || a.Tone != exam.ToneAccepted || depth("16", "DB") != -1 {
		t.Errorf("again: %d %+v", code, a)
	}
	if code, a := post("words", `{"text":"good morning","id":"2"}`); code != 200 || a.Tone != exam.ToneMisfit {
		t.Errorf("no call: %d %+v", code, a)
	}
	set := func(id, was string, n float64) (int, exam.Answer) {
		return post("do", fmt.Sprintf(`{"id":%q,"who":"Ben","command":{"acts":[{"verb":"set","ref":{"tooth":17,"site":"MB"},"field":"depth","number":%g,"was":%q}]}}`, id, n, was))
	}
	if code, a := set("3", "4", 5.5); code != 200 || a.Tone != exam.ToneAccepted || depth("17", "MB") != 5.5 {
		t.Errorf("set: %d %+v", code, a)
	}
	if code, a := set("4", "4", 7); code != 200 || a.Tone != exam.ToneRefused || depth("17", "MB") != 5.5 {
		t.Errorf("set over a newer value: %d %+v", code, a)
	}
	if code, a := set("5", "5.5", 40); code != 200 || a.Tone != exam.ToneRefused || depth("17", "MB") != 5.5 {
		t.Errorf("depth 40: %d %+v", code, a)
	}
	if code, text := s.ask("GET", "/api/exams/x1/findings", ""); code != 200 || !strings.Contains(text, `"code":"chart.completeness"`) || !strings.Contains(text, `"open_doubts":[]`) {
		t.Errorf("findings: %d %s", code, text)
	}
	if code, a := post("do", `{"id":"6","command":{"acts":[{"verb":"patient","text":"{\"age\":52}"}]}}`); code != 200 || a.Tone != exam.ToneAccepted {
		t.Errorf("inputs: %d %+v", code, a)
	}
	if code, text := s.ask("GET", "/api/exams/x1/inputs", ""); code != 200 || !strings.Contains(text, `"age":52`) {
		t.Errorf("inputs: %d %s", code, text)
	}
}

// sse reads server-sent events.
type sse struct {
	id, event, data string
}

func (s *service) follow(ctx context.Context, from string) <-chan sse {
	s.t.Helper()
	r, err := http.NewRequestWithContext(ctx, "GET", s.URL+"/api/exams/x1/changes", nil)
	if err != nil {
		s.t.Fatal(err)
	}
	r.Header.Set("Last-Event-ID", from)
	res, err := s.Client().Do(r)
	if err != nil {
		s.t.Fatal(err)
	}
	if ct := res.Header.Get("Content-Type"); ct != "text/event-stream" {
		s.t.Fatalf("content type %q", ct)
	}
	out := make(chan sse)
	go func() {
		defer close(out)
		defer res.Body.Close()
		var e sse
		for sc := bufio.NewScanner(res.Body); sc.Scan(); {
			name, value, _ := strings.Cut(sc.Text(), ": ")
			switch name {
			case "id":
				e.id = value
			case "event":
				e.event = value
			case "data":
				e.data = value
			case "":
				select {
				case out <- e:
				case <-ctx.Done():
					return
				}
				e = sse{}
			}
		}
	}()
	return out
}

func next(t *testing.T, c <-chan sse, event string) sse {
	t.Helper()
	for e := range c {
		if e.event == event {
			return e
		}
	}
	t.Fatalf("the stream ended before %q", event)
	return sse{}
}

func TestChangesResume(t *testing.T) {
	s := start(t)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	v, _ := s.practice.exam.View(ctx)
	c := s.follow(ctx, fmt.Sprint(v.Seq))
	next(t, c, "hello")
	next(t, c, "beat") // quiet streams show that they live
	s.ask("POST", "/api/exams/x1/words", `{"text":"three two four","id":"1"}`)
	first := next(t, c, "change")
	var ch exam.Change
	if err := json.Unmarshal([]byte(first.data), &ch); err != nil || ch.From != v.Seq || fmt.Sprint(ch.Seq) != first.id || ch.Answer == nil || len(ch.Teeth) != 1 {
		t.Fatalf("%+v %v", first, err)
	}
	cancel()
	s.ask("POST", "/api/exams/x1/words", `{"text":"five","id":"2"}`)
	s.ask("POST", "/api/exams/x1/words", `{"text":"six","id":"3"}`)
	ctx, cancel = context.WithCancel(context.Background())
	defer cancel()
	// The browser comes back with the last number it saw, and gets what it missed, in order.
	c = s.follow(ctx, first.id)
	seq := ch.Seq
	for range 2 {
		var ch exam.Change
		if err := json.Unmarshal([]byte(next(t, c, "change").data), &ch); err != nil || ch.From != seq {
			t.Fatalf("change from %d, want %d (%v)", ch.From, seq, err)
		}
		seq = ch.Seq
	}
	// One that comes back from nowhere is told to read everything.
	c = s.follow(ctx, "1")
	e := next(t, c, "change")
	ch = exam.Change{}
	if err := json.Unmarshal([]byte(e.data), &ch); err != nil || ch.Head != nil || ch.From != 0 {
		t.Errorf("%+v", e)
	}
}

func (s *service) dial(query string, header http.Header) (*websocket.Conn, *http.Response, error) {
	return websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(s.URL, "http")+"/api/exams/x1/sound?"+query, header)
}

func (s *service) mustDial(query string) *websocket.Conn {
	s.t.Helper()
	c, _, err := s.dial(query, nil)
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { c.Close() })
	return c
}

// hello is what pages say of themselves and of their sound.
const hello = "protocol=2&rate=16000&"

func sound(first uint64, pcm ...int16) []byte {
	b := binary.LittleEndian.AppendUint64(nil, first)
	for _, v := range pcm {
		b = binary.LittleEndian.AppendUint16(b, uint16(v))
	}
	return b
}

type reply struct {
	Next  *int64
	Error *struct{ Code, Text string }
}

func (s *service) expect(c *websocket.Conn, want any) {
	s.t.Helper()
	var r reply
	if err := c.ReadJSON(&r); err != nil {
		s.t.Fatalf("want %v: %v", want, err)
	}
	switch w := want.(type) {
	case int:
		if r.Next == nil || *r.Next != int64(w) {
			s.t.Fatalf("answer %+v, want next %d", r, w)
		}
	case string:
		if r.Error == nil || r.Error.Code != w || r.Error.Text == "" {
			s.t.Fatalf("answer %+v, want error %s", r, w)
		}
	}
}

func (s *service) send(c *websocket.Conn, kind int, b []byte) {
	s.t.Helper()
	if err := c.WriteMessage(kind, b); err != nil {
		s.t.Fatal(err)
	}
}

func closeCode(t *testing.T, c *websocket.Conn) int {
	t.Helper()
	_, _, err := c.ReadMessage()
	var ce *websocket.CloseError
	if !errors.As(err, &ce) {
		t.Fatalf("no close message: %v", err)
	}
	return ce.Code
}

func TestSound(t *testing.T) {
	s := start(t)
	c := s.mustDial(hello + "owner=a")
	s.expect(c, 0)
	s.send(c, websocket.BinaryMessage, sound(0, 1, -2, 3))
	s.expect(c, 3)
	// What makes no sense is named and dropped; the connection stays.
	s.send(c, websocket.TextMessage, []byte("three two four"))
	s.expect(c, "not_sound")
	s.send(c, websocket.TextMessage, []byte(`{"spoke":[9,2]}`))
	s.expect(c, "bad_position")
	s.send(c, websocket.TextMessage, []byte(`{"volume":11}`))
	s.expect(c, "not_sound")
	s.send(c, websocket.BinaryMessage, sound(3, 4)[:9])
	s.expect(c, "odd_length")
	s.send(c, websocket.BinaryMessage, []byte{1, 2, 3, 4})
	s.expect(c, "short_frame")
	s.send(c, websocket.BinaryMessage, sound(1<<60, 4))
	s.expect(c, "bad_position")
	s.send(c, websocket.TextMessage, []byte(`{"spoke":[1,2]}`))
	s.send(c, websocket.BinaryMessage, sound(3, 4))
	s.expect(c, 4)
	m := s.hearing.mic
	if fmt.Sprint(m.pcm, m.spoke) != "[1 -2 3 4] [[1 2]]" {
		t.Errorf("heard %v, spoke %v", m.pcm, m.spoke)
	}

	// A second microphone is told so, and may take over.
	other := s.mustDial(hello + "owner=b")
	s.expect(other, "mic_taken")
	if code := closeCode(t, other); code != 4001 {
		t.Errorf("second microphone: close code %d", code)
	}

	// The owner comes back on a new connection, before the old one was noticed to be dead, and sends
	// again what was not answered: nothing is lost, nothing doubled.
	c2 := s.mustDial(hello + "owner=a")
	s.expect(c2, 4)
	s.send(c2, websocket.BinaryMessage, sound(2, 3, 4, 5))
	s.expect(c2, 5)
	if _, _, err := c.ReadMessage(); err == nil {
		t.Error("the old connection still answers")
	}
	s.send(c2, websocket.BinaryMessage, sound(5, 6))
	s.expect(c2, 6)
	m.mu.Lock()
	if fmt.Sprint(m.pcm) != "[1 -2 3 4 5 6]" || m.detached != 0 {
		t.Errorf("heard %v, detached %d times", m.pcm, m.detached)
	}
	m.mu.Unlock()

	s.send(c2, websocket.TextMessage, []byte(`{"end":true}`))
	if code := closeCode(t, c2); code != websocket.CloseNormalClosure {
		t.Errorf("end: close code %d", code)
	}
	<-m.closed // the stream itself is ended too
	over := s.mustDial(hello + "owner=b&takeover=1")
	s.expect(over, 0)
	s.send(over, websocket.BinaryMessage, make([]byte, 8+2*32000+2))
	if code := closeCode(t, over); code != websocket.CloseMessageTooBig {
		t.Errorf("frame of more than two seconds: close code %d", code)
	}

	if _, res, err := s.dial(hello+"owner=c", http.Header{"Origin": {"http://evil.example"}}); err == nil || res == nil || res.StatusCode != 403 {
		t.Errorf("sound from a foreign page: %v", err)
	}
}

func TestSoundWithoutEngineOrExam(t *testing.T) {
	s := start(t)
	s.practice.exam = s.hearing.Exam // the exam itself has no recognizer
	c := s.mustDial(hello + "owner=a")
	s.expect(c, "no_engine")
	if code := closeCode(t, c); code != 4002 {
		t.Errorf("close code %d", code)
	}
	ws, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(s.URL, "http")+"/api/exams/x2/sound?"+hello+"owner=a", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer ws.Close()
	s.expect(ws, "not_found")
	if code := closeCode(t, ws); code != 4003 {
		t.Errorf("close code %d", code)
	}
}

// A page of before, which would send sound again that was entered, and sound of another rate are refused with a reason and a remedy, before any sound
// is taken.
func TestSoundRefused(t *testing.T) {
	s := start(t)
	for query, want := range map[string]struct {
		code  string
		close int
		says  string
	}{
		"owner=a":                         {"old_page", 4003, "load the page again"},
		"owner=a&rate=16000&protocol=1":   {"old_page", 4003, "load the page again"},
		"owner=a&rate=16000&protocol=":    {"old_page", 4003, "load the page again"},
		"owner=a&rate=16000&protocol=two": {"old_page", 4003, "load the page again"},
		"owner=a&protocol=2":              {"bad_rate", 4005, "16000"},
		"owner=a&protocol=2&rate=48000":   {"bad_rate", 4005, "16000"},
		"owner=a&protocol=2&rate=16000.5": {"bad_rate", 4005, "16000"},
		"owner=a&protocol=2&rate=16000Hz": {"bad_rate", 4005, "16000"},
	} {
		c := s.mustDial(query)
		var r reply
		if err := c.ReadJSON(&r); err != nil || r.Error == nil || r.Error.Code != want.code || !strings.Contains(r.Error.Text, want.says) {
			t.Errorf("%s: %+v, %v", query, r.Error, err)
		}
		if code := closeCode(t, c); code != want.close {
			t.Errorf("%s: close code %d, want %d", query, code, want.close)
		}
	}
	if s.hearing.mic != nil {
		t.Error("the exam was given a microphone")
	}
	// A page of a later version speaks to us as we understand it.
	s.expect(s.mustDial("owner=a&protocol=3&rate=16000"), 0)
}

// Sound that cannot be of this stream is dropped with a reason; the connection stays.
func TestSoundTooFar(t *testing.T) {
	s := start(t)
	c := s.mustDial(hello + "owner=a")
	s.expect(c, 0)
	fail := func(err error) {
		s.hearing.mic.mu.Lock()
		defer s.hearing.mic.mu.Unlock()
		s.hearing.mic.fail = err
	}
	fail(exam.ErrTooFar)
	s.send(c, websocket.BinaryMessage, sound(1<<40, 1))
	s.expect(c, "too_far")
	fail(nil)
	s.send(c, websocket.BinaryMessage, sound(0, 1, 2))
	s.expect(c, 2)
}

// A service that is being stopped says so with a code on which pages come back; the exam it has closed already is not "gone".
func TestSoundWhenStopped(t *testing.T) {
	s := start(t)
	base, stop := context.WithCancel(context.Background())
	srv := httptest.NewUnstartedServer(s.Config.Handler)
	srv.Config.BaseContext = func(net.Listener) context.Context { return base }
	srv.Start()
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close() })
	s.Server = srv
	c := s.mustDial(hello + "owner=a")
	s.expect(c, 0)
	stop()
	s.hearing.mic.mu.Lock()
	s.hearing.mic.fail = exam.ErrClosed
	s.hearing.mic.mu.Unlock()
	s.send(c, websocket.BinaryMessage, sound(0, 1))
	s.expect(c, "stopping")
	if code := closeCode(t, c); code != websocket.CloseServiceRestart {
		t.Errorf("close code %d", code)
	}
}

func TestSoundFault(t *testing.T) {
	s := start(t)
	c := s.mustDial(hello + "owner=a")
	s.expect(c, 0)
	s.hearing.mic.mu.Lock()
	s.hearing.mic.fail = errors.New("the recognizer broke")
	s.hearing.mic.mu.Unlock()
	s.send(c, websocket.BinaryMessage, sound(0, 1))
	s.expect(c, "tool")
	if code := closeCode(t, c); code != 4004 {
		t.Errorf("close code %d", code)
	}
}
