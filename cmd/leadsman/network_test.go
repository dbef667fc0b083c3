package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"filippo.io/age"

	"leadsman/certs"
	"leadsman/practice"
	"leadsman/speech/scripted"
	"leadsman/speech/worker"
	"leadsman/store"
	"leadsman/tests/program"
)

// beside runs the service in this process until the test ends.
func beside(t *testing.T, data string, args ...string) (url string, logged *program.Said) {
	t.Helper()
	fs := flags("serve", io.Discard)
	f := addServiceFlags(fs, data)
	if err := fs.Parse(append([]string{"--engine", "none"}, args...)); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	logged = &program.Said{}
	at, ended := make(chan string, 1), make(chan int, 1)
	go func() {
		ended <- serve(ctx, f, logged, logged, func(url string, _ *practice.Practice, _ *store.Store) error { at <- url; return nil })
	}()
	select {
	case url = <-at:
	case status := <-ended:
		t.Fatalf("exit status %d: %s", status, logged)
	}
	t.Cleanup(func() {
		stop()
		if status := <-ended; status != exitOK {
			t.Errorf("exit status %d: %s", status, logged)
		}
	})
	return url, logged
}

// Beyond this computer the service speaks TLS 1.3 or not at all: without a certificate it does not start and says what to do; with one of its own
// it is reached under its names by who trusts it, and tells anybody else how to.
func TestBeyondThisComputer(t *testing.T) {
	data := t.TempDir()
	var stderr bytes.Buffer
	if status := run([]string{"serve", "--engine", "none", "--data", data, "--addr", "0.0.0.0:0"}, nil, io.Discard, &stderr); status != exitInput || !strings.Contains(stderr.String(), "leadsman tls init") {
		t.Fatalf("%d %s", status, stderr.String())
	}
	var stdout bytes.Buffer
	if status := run([]string{"tls", "init", "chart.practice.lan", "--data", data}, nil, &stdout, &stderr); status != exitOK {
		t.Fatal(stderr.String())
	}
	a, err := certs.Open(authorityIn(data))
	if err != nil || !strings.Contains(stdout.String(), a.Fingerprint()) {
		t.Fatal(err, stdout.String())
	}
	url, said := beside(t, data, "--addr", "0.0.0.0:0")
	_, port, _ := net.SplitHostPort(strings.TrimSuffix(strings.TrimPrefix(url, "https://"), "/"))
	if !strings.HasPrefix(url, "https://") || !strings.Contains(said.String(), "chart.practice.lan") {
		t.Fatal(url, said)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(a.PEM())
	jar, _ := cookiejar.New(nil)
	// The name leads to this computer, as the practice's network would have it.
	dial := func(ctx context.Context, network, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, network, "127.0.0.1:"+port)
	}
	trusting := &http.Client{Jar: jar, Transport: &http.Transport{DialContext: dial, TLSClientConfig: &tls.Config{RootCAs: roots}}}
	get := func(c *http.Client, url string) (*http.Response, string) {
		t.Helper()
		res, err := c.Get(url)
		if err != nil {
			t.Fatal(url, err)
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body)
		return res, string(b)
	}
	base := "https://chart.practice.lan:" + port
	res, text := get(trusting, base+"/api/about")
	if res.StatusCode != 200 || res.TLS.Version != tls.VersionTLS13 || !strings.Contains(text, "version") {
		t.Errorf("%s %s", res.Status, text)
	}
	if h := res.Header.Get("Strict-Transport-Security"); h != "" {
		t.Errorf("HSTS %q with an authority of its own, which would lock out who has to make another one", h)
	}
	if csp := res.Header.Get("Content-Security-Policy"); strings.Contains(csp, " ws://") || !strings.Contains(csp, " wss://chart.practice.lan:"+port) {
		t.Errorf("%s", csp)
	}
	old := &http.Client{Transport: &http.Transport{DialContext: dial, TLSClientConfig: &tls.Config{RootCAs: roots, MaxVersion: tls.VersionTLS12}}}
	if _, err := old.Get(base); err == nil {
		t.Error("TLS 1.2 is spoken")
	}
	distrusting := &http.Client{Transport: &http.Transport{DialContext: dial}}
	if _, err := distrusting.Get(base); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("who does not trust the authority: %v", err)
	}
	for _, c := range []*http.Client{trusting, distrusting} {
		from := base
		if c == distrusting {
			from = "http://chart.practice.lan:" + port
		}
		res, text = get(c, from+"/trust")
		if res.StatusCode != 200 || !strings.Contains(text, a.Fingerprint()) || !strings.Contains(text, "iPad") || !strings.Contains(text, "Windows") || !strings.Contains(text, base+"/") {
			t.Errorf("%s: %s %s", from, res.Status, text)
		}
		if res, text = get(c, from+"/trust/authority.crt"); text != string(a.DER()) || res.Header.Get("Content-Type") != "application/x-x509-ca-cert" {
			t.Errorf("%s: the certificate: %s %q", from, res.Status, text)
		}
	}
	for _, path := range []string{"/", "/api/about", "/api/patients", "/healthz"} {
		res, text := get(distrusting, "http://chart.practice.lan:"+port+path)
		if res.StatusCode != http.StatusUpgradeRequired || !strings.Contains(text, base+"/") || !strings.Contains(text, "HTTPS") {
			t.Errorf("without encryption %s: %s %s", path, res.Status, text)
		}
	}
	// A person who sits down gets a cookie that no other host and no unencrypted page can set (RFC 6265bis, section 4.1.3.2).
	res, err = trusting.Post(base+"/api/people", "application/json", strings.NewReader(`{"name":"Ada Quill","roles":["clinician","administrator"]}`))
	if err != nil || res.StatusCode != 401 && res.StatusCode != 403 && res.StatusCode != 200 {
		t.Fatal(res, err)
	}
	res.Body.Close()
	// Connections that say nothing hold up nobody.
	for range 50 {
		c, err := net.Dial("tcp", "127.0.0.1:"+port)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
	}
	if res, _ := get(trusting, base+"/healthz"); res.StatusCode != 200 {
		t.Error(res.Status)
	}
}

// With a certificate that every device knows browsers are told to keep to it, under names, never for addresses and this computer.
func TestGivenCertificate(t *testing.T) {
	dir := t.TempDir()
	if _, err := certs.Init(dir, []string{"chart.practice.example"}, time.Now()); err != nil {
		t.Fatal(err)
	}
	url, _ := beside(t, t.TempDir(), "--addr", "127.0.0.1:0", "--tls-cert", filepath.Join(dir, "service.crt"), "--tls-key", filepath.Join(dir, "service.key"))
	for host, want := range map[string]string{"chart.practice.example": "max-age=31536000", "localhost": "", "127.0.0.1": ""} {
		r, err := http.NewRequest("GET", url+"api/about", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Host = host
		res, err := (&http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}).Do(r) // what is asked here is a header
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		if got := res.Header.Get("Strict-Transport-Security"); got != want || res.StatusCode != 200 {
			t.Errorf("%s: %s, HSTS %q, want %q", host, res.Status, got, want)
		}
		for _, c := range res.Cookies() {
			if !strings.HasPrefix(c.Name, "__Host-") || !c.Secure {
				t.Errorf("cookie %v", c)
			}
		}
	}
	res, err := http.Get(strings.Replace(url, "https", "http", 1) + "trust")
	if err != nil || res.StatusCode != http.StatusUpgradeRequired {
		t.Errorf("%v %v", res, err)
	}
}

// freeAddress is one on which nobody listens.
func freeAddress(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

// A worker tells how much it hears and how long that takes; and whether it takes more.
func TestMetricsOfAWorker(t *testing.T) {
	secret := strings.Repeat("s", 20)
	w := worker.NewServer(scripted.New(), secret, slog.New(slog.DiscardHandler))
	ctx, end := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	t.Cleanup(func() { end(); wg.Wait() })
	addr := freeAddress(t)
	if err := newWorkerMetrics(w, nil).serve(ctx, &wg, addr, func(context.Context) error { return w.Ready() }); err != nil {
		t.Fatal(err)
	}
	at := httptest.NewServer(w)
	t.Cleanup(at.Close)
	engine, err := worker.Open(ctx, worker.Config{Workers: []string{at.URL}, Secret: secret, Log: slog.New(slog.DiscardHandler)}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer engine.Close()
	rec, err := engine.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	if _, err := rec.Accept(make([]int16, 32000)); err != nil {
		t.Fatal(err)
	}
	ask := asking(t, "")
	_, figures := ask("GET", "http://"+addr+"/metrics", "")
	for _, want := range []string{"leadsman_sound_seconds_total 2\n", "leadsman_hearing_seconds_count 1\n", "leadsman_microphones 1\n", "leadsman_realtime_factor ", "go_goroutines "} {
		if !strings.Contains(figures, want) {
			t.Errorf("without %q:\n%s", want, figures)
		}
	}
	if strings.Contains(figures, "leadsman_calls_total") {
		t.Error("figures of what a worker does not do")
	}
	if status, _ := ask("GET", "http://"+addr+"/readyz", ""); status != 200 {
		t.Errorf("ready: %d", status)
	}
	gone, cancel := context.WithCancel(ctx)
	cancel()
	w.Drain(gone)
	if status, text := ask("GET", "http://"+addr+"/readyz", ""); status != 503 || !strings.Contains(text, "being stopped") {
		t.Errorf("leaving: %d %s", status, text)
	}
}

// Figures are told on an address of their own and name nobody.
func TestMetricsAndHealth(t *testing.T) {
	addr := freeAddress(t)
	url, logged := beside(t, t.TempDir(), "--addr", "127.0.0.1:0", "--metrics", addr, "--log", "json")
	ask := asking(t, "")
	_, text := ask("POST", url+"api/invented", "{}")
	if !strings.Contains(text, "Harriet Sallow") {
		t.Fatal(text)
	}
	var open struct{ People []struct{ ID, Name string } }
	_, text = ask("GET", url+"api/session", "")
	if err := json.Unmarshal([]byte(text), &open); err != nil || len(open.People) == 0 {
		t.Fatal(text)
	}
	for _, p := range open.People {
		if p.Name == "Ada Quill" {
			ask("POST", url+"api/session", fmt.Sprintf(`{"person":%q}`, p.ID))
		}
	}
	_, text = ask("GET", url+"api/patients?search=harriet", "")
	var ps []practice.Patient
	if err := json.Unmarshal([]byte(text), &ps); err != nil || len(ps) != 1 {
		t.Fatal(text)
	}
	// A whole exam: begun, typed, doubted, put right, planned, signed, looked at in every way; with requests that are refused.
	words := []string{"three two four", "three twelve four", "remark she is afraid of needles", "five five banana", "bleeding", "disregard"}
	if status, text := ask("POST", url+"api/exams", fmt.Sprintf(`{"patient":%q,"numbering":"fdi","path":"arch","id":"whole"}`, ps[0].ID)); status != 200 {
		t.Fatal(text)
	}
	for i, w := range words {
		ask("POST", url+"api/exams/whole/words", fmt.Sprintf(`{"text":%q,"id":"w%d"}`, w, i))
	}
	ask("POST", url+"api/exams/whole/do", `{"id":"p1","command":{"acts":[{"verb":"patient","text":"{\"age\":52}"}]}}`)
	ask("POST", url+"api/exams/whole/do", `{"id":"p2","command":{"acts":[{"verb":"plan","text":"{\"recall\":\"2027-02-01\",\"note\":\"likes mornings\"}"}]}}`)
	for _, path := range []string{"", "/findings", "/plan", "/visit", "/history?tooth=17&site=DB", "/export?as=pdf", "/export?as=fhir", "/clips/3", "/history?tooth=Harriet&site=x"} {
		ask("GET", url+"api/exams/whole"+path, "")
	}
	for _, path := range []string{"api/patients/Harriet%20Sallow", "api/exams/Harriet", "Harriet/Sallow", "api/patients?limit=Harriet", "api/feed/Harriet"} {
		ask("GET", url+path, "")
	}
	ask("PUT", url+"api/patients/"+ps[0].ID, `{"name":"Harriet Sallow","version":77}`)
	ask("POST", url+"api/patients", `{"name":"Harriet Sallow","born":"yesterday"}`)
	ask("POST", url+"api/exams/whole/words", `{"text":"three`)
	ask("POST", url+"api/exams/whole/do", `{"id":"s","command":{"acts":[{"verb":"sign"}]}}`)

	status, figures := ask("GET", "http://"+addr+"/metrics", "")
	for _, want := range []string{`leadsman_calls_total{became="entered",source="keyboard"}`, "leadsman_write_seconds_count", "leadsman_doubts_total", "leadsman_reconnects_total 0", "leadsman_realtime_factor", "leadsman_sound_waiting", "leadsman_microphones 0",
		`leadsman_request_seconds_count{address="/api/exams/{id}/words",method="POST",status="200"} 6`, "go_goroutines"} {
		if status != 200 || !strings.Contains(figures, want) {
			t.Errorf("figures: %d, without %s", status, want)
		}
	}
	for _, path := range []string{"http://" + addr + "/readyz", "http://" + addr + "/healthz", url + "readyz", url + "healthz"} {
		if status, text := ask("GET", path, ""); status != 200 {
			t.Errorf("%s: %d %s", path, status, text)
		}
	}
	lines := logged.String()
	_, lines, _ = strings.Cut(lines, "{") // after what is said to people
	lines = "{" + lines
	refused := 0
	for l := range strings.Lines(lines) {
		if !strings.HasPrefix(l, "{") {
			continue
		}
		var line map[string]any
		if err := json.Unmarshal([]byte(l), &line); err != nil || line["time"] == nil || line["level"] == nil || line["msg"] == nil {
			t.Errorf("no line of a structured log: %s", l)
		}
		if line["msg"] == "request refused" {
			refused++
		}
	}
	if refused < 6 {
		t.Errorf("%d refused requests in the log:\n%s", refused, lines)
	}
	secrets := []string{"harriet", "sallow", "three", "needles", "banana", "mornings", ps[0].ID, "whole"}
	for _, s := range secrets {
		if strings.Contains(strings.ToLower(lines), s) {
			t.Errorf("the log has %q:\n%s", s, lines)
		}
		if strings.Contains(strings.ToLower(figures), s) && s != "three" {
			t.Errorf("the figures have %q", s)
		}
	}
}

// Backups are made when they are due, encrypted and read back; as many are kept as was asked for, and one that was missed is made up for.
func TestScheduledBackups(t *testing.T) {
	data, folder := t.TempDir(), filepath.Join(t.TempDir(), "copies")
	st, err := store.Open(t.Context(), data, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	if _, err := st.AddPatient(t.Context(), practice.Patient{Name: "Harriet Sallow"}); err != nil {
		t.Fatal(err)
	}
	id, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	s := schedule{folder: folder, at: "02:30", keep: 2, to: several{id.Recipient().String()}}
	if err := s.check(); err != nil {
		t.Fatal(err)
	}
	day := func(d, h int) time.Time { return time.Date(2026, 3, d, h, 0, 0, 0, time.Local) }
	if got := s.next(day(2, 1)); got != time.Date(2026, 3, 2, 2, 30, 0, 0, time.Local) {
		t.Errorf("after 1:00: %s", got)
	}
	if got := s.next(day(2, 3)); got != time.Date(2026, 3, 3, 2, 30, 0, 0, time.Local) {
		t.Errorf("after 3:00: %s", got)
	}
	var paths []string
	for _, c := range []struct {
		now time.Time
		due bool
	}{{day(2, 9), true}, {day(2, 12), false}, {day(3, 1), false}, {day(3, 3), true}, {day(9, 1), true}} {
		if s.due(c.now) != c.due {
			t.Errorf("%s: due %v", c.now, !c.due)
		}
		if c.due {
			path, err := s.make(t.Context(), st, c.now)
			if err != nil {
				t.Fatal(err)
			}
			paths = append(paths, filepath.Base(path))
		}
	}
	if made := s.made(); !slices.Equal(made, paths[1:]) {
		t.Errorf("kept %v of %v", made, paths)
	}
	identity := filepath.Join(t.TempDir(), "identity")
	if err := os.WriteFile(identity, []byte(id.String()+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	newest := filepath.Join(folder, paths[2])
	if status := run([]string{"restore", newest, "--rehearse", "--identity", identity, "--data", data}, nil, &stdout, &stderr); status != exitOK || !strings.Contains(stdout.String(), "1 patient,") {
		t.Errorf("rehearsal: %d %s %s", status, stdout.String(), stderr.String())
	}
	b, _ := os.ReadFile(newest)
	if bytes.Contains(b, []byte("Harriet")) || !bytes.HasPrefix(b, []byte("age-encryption.org")) {
		t.Error("the backup is not encrypted")
	}
	b[len(b)/2] ^= 1
	if err := os.WriteFile(newest, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if status := run([]string{"restore", newest, "--rehearse", "--identity", identity}, nil, io.Discard, &stderr); status == exitOK {
		t.Error("a damaged backup passes the rehearsal")
	}
	// What fails is told and tried again; what is not encrypted is refused.
	bad := schedule{folder: filepath.Join(identity, "x"), at: "02:30", keep: 2, to: s.to}
	if err := bad.check(); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer stop()
	var told error
	bad.run(ctx, st, time.Now, slog.New(slog.DiscardHandler), func(err error) { told = err })
	if told == nil {
		t.Error("a backup into no folder was made")
	}
	for _, s := range []schedule{{folder: folder, at: "02:30", keep: 2}, {folder: folder, at: "half past two", keep: 2, to: s.to}, {folder: folder, at: "02:30", to: s.to}} {
		if s.check() == nil {
			t.Errorf("%+v is taken", s)
		}
	}
}
