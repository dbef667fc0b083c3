package web_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/exam"
	"leadsman/practice"
	"leadsman/web"
)

// typed enters values, and gives the time that the slowest of them took.
func (s *service) typed(n int) (most time.Duration) {
	s.t.Helper()
	for i := range n {
		at := time.Now()
		if status, text := s.ask("POST", "/api/exams/x1/words", fmt.Sprintf(`{"text":"three","id":"t%d-%d"}`, at.UnixNano(), i)); status != 200 || !strings.Contains(text, "accepted") {
			s.t.Fatal(status, text)
		}
		most = max(most, time.Since(at))
	}
	return most
}

// at is a client with an address of its own.
func (s *service) at(addr string) *http.Client {
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(addr)}}
	return &http.Client{Transport: &http.Transport{DialContext: d.DialContext}}
}

// A page of another service cannot have its reader's browser ask here, for a reading of the data as little as for work: Fetch Metadata
// (W3C working draft) names the site, browsers of before name the page by Referer (RFC 9110, section 10.1.3).
func TestForeignPages(t *testing.T) {
	s := start(t)
	var said atomic.Int64
	s.Config.Handler = web.New(web.Options{Exams: s.practice, Practice: s.practice, People: solo{}, Say: func(context.Context, string, bool) ([]byte, error) {
		said.Add(1)
		return []byte("RIFF"), nil
	}})
	for _, c := range []struct {
		header, value string
		want          int
	}{
		{"Sec-Fetch-Site", "cross-site", 403}, {"Sec-Fetch-Site", "same-site", 403}, {"Referer", "https://evil.example/page", 403}, {"Referer", "garbage", 403},
		{"Sec-Fetch-Site", "same-origin", 200}, {"Sec-Fetch-Site", "none", 200}, {"Referer", s.URL + "/exams/x1/live", 200}, {"Accept", "*/*", 200},
	} {
		for _, path := range []string{"/api/say?text=hello", "/api/exams/x1", "/api/patients"} {
			before := said.Load()
			status, text := s.ask("GET", path, "", c.header, c.value)
			if status != c.want || status == 403 && (!strings.Contains(text, `"origin"`) || said.Load() != before) {
				t.Errorf("%s with %s %q: %d %s", path, c.header, c.value, status, text)
			}
		}
	}
	// 200 of them cost nothing: the own voice speaks at once.
	for range 200 {
		s.ask("GET", "/api/say?text=hello", "", "Sec-Fetch-Site", "cross-site")
	}
	at := time.Now()
	if status, text := s.ask("GET", "/api/say?text=five"+"", ""); status != 200 || time.Since(at) > time.Second {
		t.Errorf("own voice after 200 foreign requests: %d %s after %s", status, text, time.Since(at))
	}
}

// What one client asks too often is refused with a word of what to do; another client is served, and the first one again later.
func TestOneClientAsksTooOften(t *testing.T) {
	s := start(t)
	var log bytes.Buffer
	limits := web.Limits{Requests: 10, Spoken: 1}
	s.Config.Handler = web.New(web.Options{Exams: s.practice, Practice: s.practice, People: solo{}, Limits: limits, Log: slog.New(slog.NewJSONHandler(&log, nil)),
		Say: func(context.Context, string, bool) ([]byte, error) { return []byte("RIFF"), nil }})
	refused := 0
	for range 100 {
		if status, text := s.ask("GET", "/api/patients", ""); status == 429 && strings.Contains(text, "wait a moment") {
			refused++
		}
	}
	if refused < 40 {
		t.Errorf("%d of 100 requests at once were refused", refused)
	}
	res, err := s.at("127.0.0.9").Get(s.URL + "/api/patients")
	if err != nil || res.StatusCode != 200 {
		t.Errorf("another client: %v %v", res, err)
	}
	time.Sleep(300 * time.Millisecond)
	if status, text := s.ask("GET", "/api/patients", ""); status != 200 {
		t.Errorf("later: %d %s", status, text)
	}
	time.Sleep(time.Second)
	spoken := 0
	for range 8 {
		if status, _ := s.ask("GET", "/api/say?text=three", ""); status == 200 {
			spoken++
		}
	}
	if spoken < 4 || spoken > 6 {
		t.Errorf("%d of 8 texts at once were said, 5 may be", spoken)
	}
	if n := strings.Count(log.String(), "\n"); n == 0 || n > 110 {
		t.Errorf("%d lines of log", n)
	}
}

// 500 bodies that come by the byte and 1,000 connections on which nothing is asked keep nobody waiting, and are ended by themselves.
func TestSlowBodiesAndIdleConnections(t *testing.T) {
	defer web.SetBodyWithin(3 * time.Second)()
	s := start(t)
	conns := web.NewConnections(web.Limits{Connections: 600})
	srv := httptest.NewUnstartedServer(s.Config.Handler)
	srv.Config.ConnState = conns.State
	srv.Config.ReadHeaderTimeout = 10 * time.Second
	srv.Start()
	defer srv.Close()
	s.URL = srv.URL
	var open []net.Conn
	dial := func() net.Conn {
		c, err := net.Dial("tcp", srv.Listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		open = append(open, c)
		return c
	}
	defer func() {
		for _, c := range open {
			c.Close()
		}
	}()
	for range 1000 {
		dial()
	}
	if most := s.typed(20); most > 450*time.Millisecond {
		t.Errorf("beside 1,000 connections a value takes %s", most)
	}
	slow := open[len(open):]
	for range 500 {
		c := dial()
		fmt.Fprintf(c, "POST /api/exams/x1/words HTTP/1.1\r\nHost: %s\r\nContent-Type: application/json\r\nContent-Length: 40\r\n\r\n{", srv.Listener.Addr())
		slow = append(slow, c)
	}
	if most := s.typed(20); most > 450*time.Millisecond {
		t.Errorf("beside 500 slow bodies a value takes %s", most)
	}
	end := time.Now().Add(10 * time.Second)
	for i, c := range slow {
		_ = c.SetReadDeadline(end)
		if b, err := io.ReadAll(c); err != nil {
			t.Fatalf("slow body %d is still open: %q %v", i, b, err)
		}
	}
}

// Sound that comes faster than it is spoken waits: two seconds of it are heard at once, ten more soon, the rest at twice real time.
func TestFloodingMicrophone(t *testing.T) {
	s := start(t)
	c := s.mustDial(hello + "owner=a")
	s.expect(c, map[string]any{"next": 0.0})
	go func() {
		for { // answers are taken
			if _, _, err := c.ReadMessage(); err != nil {
				return
			}
		}
	}()
	second := make([]int16, 16000)
	began := time.Now()
	go func() {
		for i := range 120 {
			if c.WriteMessage(websocket.BinaryMessage, sound(uint64(i*16000), second...)) != nil {
				return
			}
		}
	}()
	time.Sleep(1500 * time.Millisecond)
	s.hearing.mic.mu.Lock()
	heard := float64(len(s.hearing.mic.pcm)) / 16000
	s.hearing.mic.mu.Unlock()
	if past := time.Since(began).Seconds(); heard < 10 || heard > 13+3.1*past {
		t.Errorf("%.1f s of sound were heard in %.1f s", heard, past)
	}
}

// One computer gets so many microphones; one that is switched off makes room.
func TestMicrophonesOfOneClient(t *testing.T) {
	s := start(t)
	s.Config.Handler = web.New(web.Options{Exams: s.practice, Practice: s.practice, People: solo{}, Limits: web.Limits{Microphones: 2}})
	a := s.mustDial(hello + "owner=a")
	s.expect(a, map[string]any{"next": 0.0})
	b := s.mustDial(hello + "owner=b&takeover=1")
	s.expect(b, map[string]any{"next": 0.0})
	third := s.mustDial(hello + "owner=c&takeover=1")
	_, text, err := third.ReadMessage()
	if err != nil || !strings.Contains(string(text), "too_many") || closeCode(t, third) != 4006 {
		t.Errorf("%s %v", text, err)
	}
	a.Close()
	b.Close()
	for range 50 {
		c := s.mustDial(hello + "owner=d&takeover=1")
		if _, text, err := c.ReadMessage(); err == nil && strings.Contains(string(text), "next") {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Error("no microphone is taken after others were switched off")
}

// busyExam cannot take a microphone more.
type busyExam struct{ web.Exam }

func (busyExam) OpenMic(string, string, bool) (web.Mic, error) {
	return nil, fmt.Errorf("open microphone: %w", practice.ErrBusy)
}

func TestNoMicrophoneWhereTheRecognizerIsBusy(t *testing.T) {
	s := start(t)
	s.practice.exam = busyExam{s.hearing}
	c := s.mustDial(hello + "owner=a")
	_, text, err := c.ReadMessage()
	if err != nil || !strings.Contains(string(text), "those that are on go on") || closeCode(t, c) != 4006 {
		t.Errorf("%s %v", text, err)
	}
}

// The token of a microphone is known to who opened it, and to nobody who looks on: with it a stream could be taken over.
func TestOwnersAreNotTold(t *testing.T) {
	c := newClinic(t)
	id := c.begin(practice.Clinician)
	e, err := c.p.Open(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	sub := e.Subscribe(0)
	defer sub.Close()
	m, err := e.OpenMic("my-secret-token", false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Write(0, make([]int16, 16000)); err != nil {
		t.Fatal(err)
	}
	v, err := e.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	told := fmt.Sprintf("%+v", v)
	on := false
	for len(sub.C) > 0 {
		ch := <-sub.C
		on = on || ch.Mic != nil && ch.Mic.On
		told += fmt.Sprintf("%+v %+v", ch, ch.Mic)
	}
	if !on || strings.Contains(told, "my-secret-token") {
		t.Errorf("on %v; the token is told: %s", on, told)
	}
}

// Commands that come again, late or out of order enter each value once: the id that the page gave each of them tells.
func TestReplayedAndReordered(t *testing.T) {
	s := start(t)
	words := []string{"three", "four", "five", "six"}
	send := func(i int) string {
		_, text := s.ask("POST", "/api/exams/x1/words", fmt.Sprintf(`{"text":%q,"id":"w%d"}`, words[i], i))
		return text
	}
	first := make([]string, len(words))
	for i := range words {
		first[i] = send(i)
	}
	var wg sync.WaitGroup
	for i := range 40 {
		wg.Go(func() {
			call, _, _ := strings.Cut(first[3-i%4], ",")
			if again := send(3 - i%4); !strings.HasPrefix(again, call+",") || !strings.Contains(again, "already entered") {
				t.Errorf("sent again: %s, first %s", again, call)
			}
		})
	}
	wg.Wait()
	v, err := s.hearing.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var calls []string
	for _, c := range v.Calls {
		calls = append(calls, c.Words)
	}
	if got := strings.Join(calls, " "); !strings.HasSuffix(got, "three four five six") || strings.Count(got, "five") != 1 {
		t.Errorf("calls %s", got)
	}
	if _, text := s.ask("POST", "/api/exams/x1/do", `{"id":"d1","command":{"acts":[{"verb":"soundings","numbers":[9],"ref":{"tooth":18,"site":"DB"}}]}}`); !strings.Contains(text, string(exam.ToneRefused)) {
		t.Errorf("a reading for a place that the path has left: %s", text)
	}
}

// Lists lead on by Link.
func TestLinks(t *testing.T) {
	c := newClinic(t)
	p := c.screen()
	page := func(path string) (n int, next string) {
		t.Helper()
		res, err := p.Get(c.srv.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body)
		if res.StatusCode != 200 {
			t.Fatal(path, res.Status, string(b))
		}
		_, next, _ = strings.Cut(strings.TrimSuffix(res.Header.Get("Link"), `>; rel="next"`), "<")
		return bytes.Count(b, []byte(`"version"`)), next
	}
	c.begin(practice.Clinician)
	n, next := page("/api/patients?limit=1&search=")
	m, end := page(next)
	if n != 1 || m != 1 || end != "" || !strings.Contains(next, "limit=1") {
		t.Errorf("%d %d, %q %q", n, m, next, end)
	}
	for path, want := range map[string]int{"/api/patients?limit=0": 400, "/api/patients?limit=x": 400, "/api/patients?limit=1001": 400, "/api/patients?after=nobody": 409,
		"/api/due?from=yesterday": 422, "/api/due?after=x": 409, "/api/due?undecided=1": 200, "/api/due?to=9999-12-31&limit=2": 200, "/api/due?patient=" + c.patient: 200} {
		if status, _, text := p.ask("GET", path, ""); status != want {
			t.Errorf("%s: %d %s", path, status, text)
		}
	}
	_, _, text := p.ask("GET", "/api/due?patient="+c.patient, "")
	if !slices.Contains(strings.Split(text, ","), `"name":"Harriet Sallow"`) || strings.Count(text, `"patient"`) != 1 {
		t.Errorf("due of one patient: %s", text)
	}
}
