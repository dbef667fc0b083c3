package web_test

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/gorilla/websocket"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/scripted"
	"leadsman/voice"
	"leadsman/web"
)

// voices is one examiner, e1, and one session, s1.
type voices struct {
	web.Voices
	profile []byte
	session *voice.Session
	ended   []string
	asked   []voice.Kind
	leave   bool
}

func (v *voices) Examiners(context.Context) ([]practice.Person, error) { return nil, nil }
func (v *voices) Voice(_ context.Context, id string) ([]byte, error) {
	if id != "e1" || v.profile == nil {
		return nil, practice.ErrNotFound
	}
	return v.profile, nil
}
func (v *voices) SaveVoice(_ context.Context, _ string, p []byte) error {
	if !bytes.HasPrefix(p, []byte("leadsman voice")) {
		return &chart.Refusal{Text: speech.ErrProfile.Error()}
	}
	v.profile = p
	return nil
}
func (v *voices) EraseVoice(context.Context, string) error { v.profile = nil; return nil }
func (v *voices) Learning(_ context.Context, examiner string) (practice.Learning, error) {
	if examiner != "e1" {
		return practice.Learning{}, practice.ErrNotFound
	}
	return practice.Learning{Takes: 7, Confirmed: 4, Leave: v.leave}, nil
}
func (v *voices) SetLeave(_ context.Context, examiner string, leave bool) error {
	v.leave = leave
	return nil
}
func (v *voices) Practise(_ context.Context, examiner string, kind voice.Kind) (*voice.Session, error) {
	if examiner != "e1" {
		return nil, practice.ErrNotFound
	}
	v.asked = append(v.asked, kind)
	return v.session, nil
}
func (v *voices) Session(id string) (*voice.Session, error) {
	if id != "s1" {
		return nil, practice.ErrNotFound
	}
	return v.session, nil
}
func (v *voices) EndSession(id string) { v.ended = append(v.ended, id) }

type learner struct{ *scripted.Engine }

func (learner) Check(speech.Take) (speech.Fit, error) { return speech.Fit{OK: true}, nil }
func (learner) Enrol(context.Context, []byte, []speech.Take) (speech.Enrolment, error) {
	return speech.Enrolment{}, &speech.TakesError{Text: "too few"}
}
func (l learner) NewRecognizerFor([]byte) (speech.Recognizer, error) { return l.NewRecognizer() }

// Examiners, voice profiles and practising over the wire, with what is refused.
func TestVoices(t *testing.T) {
	e := learner{scripted.New(scripted.Utterance{StartMS: 200, EndMS: 800, Text: "three two four"})}
	p, err := voice.New(voice.Config{ID: "s1", Examiner: "e1", Kind: voice.Enrol, Engine: e})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	v := &voices{session: p}
	s := start(t)
	s.Config.Handler = web.New(web.Options{Exams: s.practice, Practice: s.practice, People: solo{}, Voices: v})
	ask := func(method, path, kind, body string) (int, string) {
		t.Helper()
		r, err := http.NewRequest(method, s.URL+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		if kind != "" {
			r.Header.Set("Content-Type", kind)
		}
		res, err := s.Client().Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		return res.StatusCode, string(b)
	}
	const js = "application/json"
	for _, c := range []struct {
		method, path, kind, body string
		status                   int
		has                      string
	}{
		{"GET", "/api/examiners", "", "", 200, "[]"},
		{"GET", "/api/examiners/e1/voice", "", "", 404, "not_found"},
		{"PUT", "/api/examiners/e1/voice", "", "nonsense", 409, "no voice profile, or it is damaged"},
		{"PUT", "/api/examiners/e1/voice", "", strings.Repeat("x", 2<<20), 413, "longer than"},
		{"PUT", "/api/examiners/e1/voice", "", "leadsman voice 1", 200, "{}"},
		{"GET", "/api/examiners/e1/voice", "", "", 200, "leadsman voice 1"},
		{"DELETE", "/api/examiners/e1/voice", "", "", 200, "{}"},
		{"GET", "/api/examiners/e1/voice", "", "", 404, "not_found"},
		{"GET", "/api/examiners/e1/takes", "", "", 200, `{"takes":7,"confirmed":4,"leave":false}`},
		{"PUT", "/api/examiners/e1/takes", "application/json", `{"leave":true}`, 200, `{"takes":7,"confirmed":4,"leave":true}`},
		{"PUT", "/api/examiners/e1/takes", "application/json", `{"leave":1}`, 400, ""},
		{"GET", "/api/examiners/e2/takes", "", "", 404, "not_found"},
		{"POST", "/api/examiners/e1/practise", js, `{"kind":"teach"}`, 200, `"kind":"enrol"`},
		{"POST", "/api/examiners/e1/practise", js, `{"kind":"dance"}`, 422, "enrol, drill or teach"},
		{"POST", "/api/examiners/e2/practise", js, `{"kind":"drill"}`, 404, "not_found"},
		{"POST", "/api/examiners/e1/practise", js, `{"kind":"enrol"}`, 200, `"state":"reading"`},
		{"GET", "/api/practise/s2", "", "", 404, "not_found"},
		{"POST", "/api/practise/s1/skip", js, `{}`, 200, `"at":1`},
		{"GET", "/api/practise/s1", "", "", 200, `"at":1`},
	} {
		status, body := ask(c.method, c.path, c.kind, c.body)
		if status != c.status || !strings.Contains(body, c.has) {
			t.Errorf("%s %s %.40s: %d %.300s, want %d with %q", c.method, c.path, c.body, status, body, c.status, c.has)
		}
	}
	if !slices.Equal(v.asked, []voice.Kind{voice.Teach, voice.Enrol}) {
		t.Errorf("begun %v", v.asked)
	}

	// Sound: the page is told the session where it has changed.
	ws, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(s.URL, "http")+"/api/practise/s1/sound?"+hello+"owner=a", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer ws.Close()
	var told struct {
		Next *int64
		News *voice.View
	}
	if err := ws.ReadJSON(&told); err != nil || told.Next == nil || *told.Next != 0 {
		t.Fatalf("%+v, %v", told, err)
	}
	tries, news := 0, 0
	for at := 0; at < 32000; at += 1600 {
		if err := ws.WriteMessage(websocket.BinaryMessage, sound(uint64(at), make([]int16, 1600)...)); err != nil {
			t.Fatal(err)
		}
		told.News = nil
		if err := ws.ReadJSON(&told); err != nil || *told.Next != int64(at+1600) {
			t.Fatalf("%+v, %v", told, err)
		}
		if told.News != nil {
			tries, news = len(told.News.Tries), news+1
		}
	}
	if tries != 1 || news > 5 {
		t.Errorf("%d tries were told in %d messages", tries, news)
	}
	ws.WriteMessage(websocket.TextMessage, []byte(`{"end":true}`))

	if status, body := ask("POST", "/api/practise/s1/learn", js, "{}"); status != 200 || !strings.Contains(body, `"state":"learning"`) {
		t.Errorf("learn: %d %s", status, body)
	}
	if status, body := ask("POST", "/api/practise/s1/skip", js, "{}"); status != 409 || !strings.Contains(body, "begin another one") {
		t.Errorf("skip after the end: %d %s", status, body)
	}
	if status, _ := ask("DELETE", "/api/practise/s1", "", ""); status != 200 || len(v.ended) != 1 {
		t.Errorf("ended %v", v.ended)
	}

	// Without examiners, and without a recognizer that learns.
	s.Config.Handler = web.New(web.Options{Exams: s.practice, Practice: s.practice, People: solo{}})
	if status, _ := ask("GET", "/api/examiners", "", ""); status != 404 {
		t.Errorf("no examiners: %d", status)
	}
	for err, want := range map[error]int{practice.ErrNoAdapter: 503, exam.ErrNoEngine: 503, voice.ErrDone: 409} {
		s.Config.Handler = web.New(web.Options{Exams: s.practice, Practice: s.practice, People: solo{}, Voices: failing{err: err}})
		if status, body := ask("POST", "/api/examiners/e1/practise", js, `{"kind":"drill"}`); status != want || !strings.Contains(body, err.Error()) {
			t.Errorf("%v: %d %s", err, status, body)
		}
	}
}

type failing struct {
	web.Voices
	err error
}

func (f failing) Practise(context.Context, string, voice.Kind) (*voice.Session, error) {
	return nil, f.err
}
