// Package e2e drives the pages in a real browser (chromium, headless). Most tests run the service in
// this process, so that they can look behind it; the microphone test runs the built program.
package e2e

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/grammar"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/tests/program"
	"leadsman/web"
)

// world is a service with an invented practice, kept in memory.
type world struct {
	web.Practice // what no test of the pages asks for
	t            *testing.T
	srv          *httptest.Server
	url          string
	engine       speech.Engine
	mu           sync.Mutex
	exams        map[string]*exam.Exam
	logs         map[string]*memory
	visits       map[string]practice.Visit
	patients     []practice.Patient
	settings     practice.Settings
	sounds       map[string]map[uint64][]byte // clips by exam and call
	spoken       []string                     // what the service was asked to say
	now          atomic.Int64
	voices       *voices
	people       *solo
	// What exams begun from now on know: the practice's own paths, its words, and the exam before.
	own     []chart.Path
	terms   *grammar.Terms
	earlier *chart.Chart
}

// memory is a log in memory that may be read while the exam runs. Nothing is appended while hold is locked.
type memory struct {
	hold sync.Mutex
	mu   sync.Mutex
	exam.Memory
}

func (m *memory) AppendHeard(ctx context.Context, h exam.Heard, evs ...chart.Event) error {
	m.hold.Lock()
	defer m.hold.Unlock()
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.Memory.AppendHeard(ctx, h, evs...)
}

func newWorld(t *testing.T, engine speech.Engine, own ...chart.Path) *world {
	t.Helper()
	w := &world{t: t, engine: engine, own: own, exams: map[string]*exam.Exam{}, logs: map[string]*memory{}, voices: &voices{profiles: map[string][]byte{}}, people: &solo{}, visits: map[string]practice.Visit{}, sounds: map[string]map[uint64][]byte{},
		settings: practice.Settings{Practice: "Fathom Lane Dental (invented)", Numbering: chart.Universal, Path: "arch", SiteWords: "buccal-lingual"}}
	w.now.Store(time.Now().UnixMilli())
	w.patients = []practice.Patient{
		{ID: "p1", Name: "Harriet Sallow", Born: "1969-04-17", Number: "FL-0112", Version: 1, Note: "Prefers the morning."},
		{ID: "p2", Name: "Jonas Merrow", Born: "1991", Number: "FL-0127", Version: 1},
	}
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	if os.Getenv("LEADSMAN_TEST_LOG") != "" {
		log = slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	w.srv = httptest.NewServer(web.New(web.Options{Exams: w, Practice: w, People: w.people, Clips: w, Voices: w.voices, Trial: w.trial, Say: w.say, Paths: own, Log: log, Version: "test"}))
	w.url = w.srv.URL
	t.Cleanup(func() {
		for _, e := range w.exams {
			e.Close()
		}
		w.srv.CloseClientConnections()
		w.srv.Close()
	})
	return w
}

// begin opens an exam with the given call list already in it.
func (w *world) begin(id string, n chart.Numbering, calls ...string) *exam.Exam {
	w.t.Helper()
	log := &memory{}
	ctx := context.Background()
	if err := exam.Start(ctx, log, n, "arch", nil, nil, w.now.Load(), ""); err != nil {
		w.t.Fatal(err)
	}
	keep := func(call uint64, pcm []int16) {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.sounds[id] == nil {
			w.sounds[id] = map[uint64][]byte{}
		}
		w.sounds[id][call] = speech.WAV(pcm)
	}
	e, err := exam.Open(ctx, exam.Config{ID: id, Log: log, Engine: w.engine, Now: func() int64 { return w.now.Add(1700) }, KeepClip: keep,
		Terms: w.terms, Paths: w.own, Earlier: w.earlier})
	if err != nil {
		w.t.Fatal(err)
	}
	for i, c := range calls {
		if _, err := e.Words(ctx, c, exam.Caller{Who: "Ada Quill"}, fmt.Sprintf("%s-%d", id, i)); err != nil {
			w.t.Fatalf("call %q: %v", c, err)
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.exams[id], w.logs[id] = e, log
	v := practice.Visit{ID: id, Patient: "p1", PatientName: "Harriet Sallow", Kind: "exam", Began: time.Now().Add(-7 * time.Minute).UnixMilli(), Numbering: n, Path: "arch", Sites: 168}
	if w.earlier != nil {
		v.Kind, v.Earlier = "re-evaluation", "x0"
	}
	w.visits[id] = v
	return e
}

func (w *world) Exam(_ context.Context, id string) (web.Exam, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	e := w.exams[id]
	if e == nil {
		return nil, practice.ErrNotFound
	}
	return web.Running(e), nil
}

func (w *world) Patients(_ context.Context, search, _ string, _ int) ([]practice.Patient, bool, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []practice.Patient
	for _, p := range w.patients {
		if strings.Contains(strings.ToLower(p.Name+" "+p.Number), strings.ToLower(search)) {
			out = append(out, p)
		}
	}
	return out, false, nil
}

func (w *world) Patient(_ context.Context, id string) (practice.Patient, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, p := range w.patients {
		if p.ID == id {
			return p, nil
		}
	}
	return practice.Patient{}, practice.ErrNotFound
}

func (w *world) SavePatient(_ context.Context, p practice.Patient) (practice.Patient, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for i, old := range w.patients {
		if old.ID != p.ID {
			continue
		}
		if old.Version != p.Version {
			return p, practice.ErrConflict
		}
		p.Version++
		w.patients[i] = p
		return p, nil
	}
	if p.ID != "" {
		return p, practice.ErrNotFound
	}
	p.ID, p.Version = fmt.Sprintf("p%d", len(w.patients)+1), 1
	w.patients = append(w.patients, p)
	return p, nil
}

func (w *world) Visits(_ context.Context, patient string) ([]practice.Visit, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []practice.Visit
	for _, v := range w.visits {
		if v.Patient == patient {
			out = append(out, v)
		}
	}
	slices.SortFunc(out, func(a, b practice.Visit) int { return cmp.Compare(b.Began, a.Began) })
	return out, nil
}

func (w *world) State(_ context.Context, id string) (*chart.State, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	log := w.logs[id]
	if log == nil {
		return nil, practice.ErrNotFound
	}
	log.mu.Lock()
	defer log.mu.Unlock()
	return chart.Fold(log.Events)
}

func (w *world) Feed(context.Context) (bool, error)       { return false, nil }
func (w *world) OpenFeed(context.Context) (string, error) { return "", errors.ErrUnsupported }
func (w *world) WithdrawFeed(context.Context) error       { return nil }
func (w *world) FeedAt(context.Context, string) error     { return practice.ErrNotFound }

func (w *world) Doubles(context.Context, string) ([]practice.Double, string, error) {
	return nil, "", nil
}

func (w *world) Due(context.Context, practice.DueQuery) ([]practice.Due, string, error) {
	return nil, "", nil
}
func (w *world) AllDue(context.Context, practice.DueQuery) ([]practice.Due, error) { return nil, nil }

func (w *world) Visit(_ context.Context, id string) (practice.Visit, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	v, ok := w.visits[id]
	if !ok {
		return v, practice.ErrNotFound
	}
	return v, nil
}

func (w *world) Begin(_ context.Context, v practice.NewVisit, _ exam.Caller) (practice.Visit, error) {
	w.begin(v.ID, v.Numbering)
	w.mu.Lock()
	defer w.mu.Unlock()
	out := w.visits[v.ID]
	out.Patient = v.Patient
	w.visits[v.ID] = out
	return out, nil
}

func (w *world) trial(ctx context.Context) (*exam.Exam, error) {
	log := &exam.Memory{}
	if err := exam.Start(ctx, log, w.settings.Numbering, w.settings.Path, nil, nil, w.now.Load(), ""); err != nil {
		return nil, err
	}
	return exam.Open(ctx, exam.Config{ID: "trial", Log: log, Engine: w.engine, Now: w.now.Load})
}

func (w *world) Waiting(context.Context) ([]practice.Visit, error) { return nil, nil }

func (w *world) SavePerson(_ context.Context, p practice.Person) (practice.Person, error) {
	return w.voices.SavePerson(p)
}

// solo is an open practice in which everybody has every role, and is who the cookie names: see live.
type solo struct{ web.People }

func (solo) Seat(_ context.Context, name string, _ bool) (*practice.Seat, error) {
	name, err := url.QueryUnescape(cmp.Or(name, "Ada+Quill"))
	return &practice.Seat{Person: practice.Person{ID: strings.ToLower(strings.Fields(name)[0]), Name: name, Roles: practice.Roles()}, Open: true, Sure: true}, err
}
func (solo) Listens(*practice.Seat) {}
func (solo) All(context.Context) ([]practice.Person, error) {
	return []practice.Person{{ID: "ada", Name: "Ada Quill", Roles: practice.Roles()}}, nil
}

func (w *world) Settings(context.Context) (practice.Settings, error) { return w.settings, nil }

func (w *world) SaveSettings(_ context.Context, s practice.Settings) (practice.Settings, error) {
	if s.Version != w.settings.Version {
		return s, practice.ErrConflict
	}
	s.Version++
	w.settings = s
	return s, nil
}

func (w *world) Clips(_ context.Context, id string) (l practice.ClipList, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for call := range w.sounds[id] {
		l.Calls = append(l.Calls, call)
	}
	slices.Sort(l.Calls)
	return l, nil
}

func (w *world) Clip(_ context.Context, id string, call uint64) ([]byte, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if wav := w.sounds[id][call]; wav != nil {
		return wav, nil
	}
	return nil, practice.ErrNotFound
}

// say is a voice that hums, so long that it must be interrupted to end.
func (w *world) say(_ context.Context, text string, _ bool) ([]byte, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.spoken = append(w.spoken, text)
	pcm := make([]int16, 60*speech.Rate)
	for i := range pcm {
		pcm[i] = int16(3000 * math.Sin(2*math.Pi*220*float64(i)/speech.Rate))
	}
	return speech.WAV(pcm), nil
}

func (w *world) ClipUse(context.Context) (bytes, limit int64, err error) {
	return 3 << 20, 2 << 30, nil
}

// shared is the chromium of all tests that need no flags of their own: each opens its tabs in profiles of its own.
var shared struct {
	once sync.Once
	ctx  context.Context
	stop func()
	err  error
}

func TestMain(m *testing.M) {
	code := m.Run()
	if shared.stop != nil {
		shared.stop()
	}
	os.Exit(code)
}

// startBrowser gives a chromium, one of the test's own where there are flags for it: NAME or NAME=VALUE.
func startBrowser(t *testing.T, extra ...string) context.Context {
	t.Helper()
	path := browserPath(t)
	if len(extra) > 0 {
		ctx, stop, err := launchBrowser(path, extra...)
		t.Cleanup(stop)
		if err != nil {
			t.Fatalf("start chromium: %v", err)
		}
		return ctx
	}
	shared.once.Do(func() { shared.ctx, shared.stop, shared.err = launchBrowser(path) })
	if shared.err != nil {
		t.Fatalf("start chromium: %v", shared.err)
	}
	return shared.ctx
}

func browserPath(t *testing.T) (path string) {
	t.Helper()
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "google-chrome-stable"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		program.Lacks(t, "chromium: make browser installs it, or says how")
	}
	return path
}

func launchBrowser(path string, extra ...string) (context.Context, func(), error) {
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("mute-audio", true), chromedp.Flag("autoplay-policy", "no-user-gesture-required"),
		chromedp.Flag("lang", "en-GB"), chromedp.WSURLReadTimeout(60*time.Second))
	if os.Geteuid() == 0 {
		opts = append(opts, chromedp.NoSandbox) // chromium refuses to run its sandbox as root
	}
	for _, f := range extra {
		name, value, has := strings.Cut(f, "=")
		if has {
			opts = append(opts, chromedp.Flag(name, value))
		} else {
			opts = append(opts, chromedp.Flag(name, true))
		}
	}
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, cancel := chromedp.NewContext(alloc)
	return ctx, func() { cancel(); stop() }, chromedp.Do(ctx)
}

// page is a tab.
type page struct {
	t   *testing.T
	ctx context.Context
	mu  sync.Mutex
	// faults are uncaught errors of the page's scripts and refusals by its content policy.
	faults []string
}

// open opens a tab in a profile of its own, as another person's browser would be.
func open(t *testing.T, b context.Context, url string) *page {
	t.Helper()
	ctx, cancel := chromedp.NewContext(b, chromedp.WithNewBrowserContext())
	p := &page{t: t, ctx: ctx}
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1280, 720)); err != nil {
		t.Fatal(err)
	}
	p.watch()
	p.goTo(url)
	t.Cleanup(func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		for _, f := range p.faults {
			t.Errorf("the page reports: %s", f)
		}
	})
	return p
}

func (p *page) goTo(url string) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, chromedp.Navigate(url)); err != nil {
		p.t.Fatal(err)
	}
	p.until("the screen is shown", `!!document.querySelector("main > *")`)
}

// eval runs an expression in the page; promises are waited for.
func eval[T any](p *page, js string) T {
	p.t.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatalf("%s: %v", js, err)
	}
	return v
}

// until waits for a condition in the page; it is a condition, not a measurement.
func (p *page) until(what, js string) {
	p.t.Helper()
	p.within(30*time.Second, what, js)
}

func (p *page) within(d time.Duration, what, js string) {
	p.t.Helper()
	// The page itself watches the condition, at every frame.
	_, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](fmt.Sprintf(`new Promise((yes, no) => {
		const end = performance.now() + %d;
		const look = () => {
			let ok = false;
			try { ok = !!(%s); } catch (e) { /* not there yet */ }
			if (ok) yes(true);
			else if (performance.now() > end) no(new Error("timed out"));
			else setTimeout(look, 10);
		};
		look();
	})`, d.Milliseconds(), js), chromedp.EvalAwaitPromise))
	if err != nil {
		text, _ := chromedp.Run(p.ctx, chromedp.Evaluate[string](`document.querySelector("main")?.innerText || document.body.innerText`))
		if len(text) > 1500 {
			text = text[:1500]
		}
		p.t.Fatalf("waited in vain until %s (%s): %v\nthe page shows:\n%s", what, js, err, text)
	}
}

// keys types, key by key, as a keyboard does: a key whose keydown was taken by the page types nothing.
func (p *page) keys(k string) {
	p.t.Helper()
	for _, r := range k {
		evs := kb.Encode(r)
		down := *evs[0]
		for _, ev := range evs {
			if ev.Type == input.DispatchKeyEventTypeChar {
				down.Type, down.Text, down.UnmodifiedText = input.DispatchKeyEventTypeKeyDown, ev.Text, ev.UnmodifiedText
			}
		}
		for _, ev := range []input.DispatchKeyEventParams{down, *evs[len(evs)-1]} {
			if _, err := chromedp.Call(p.ctx, input.DispatchKeyEvent, ev); err != nil {
				p.t.Fatal(err)
			}
		}
	}
}

func (p *page) click(css string) {
	p.t.Helper()
	p.until(css+" is there", fmt.Sprintf(`document.querySelector(%q)`, css))
	if err := chromedp.Do(p.ctx, chromedp.Click(chromedp.CSS(css))); err != nil {
		p.t.Fatalf("click %s: %v", css, err)
	}
}

// clickText clicks the first button or link with a text.
func (p *page) clickText(text string) {
	p.t.Helper()
	js := fmt.Sprintf(`[...document.querySelectorAll("main button, main a, main summary, header a")].find((b) => b.offsetParent && b.textContent.trim().startsWith(%q))`, text)
	p.until(text+" can be clicked", js)
	eval[bool](p, "("+js+").click(), true")
}

// session is the page's session in scripts.
const session = `document.querySelector("ls-app").session`

// depth waits until the page shows a confirmed depth.
func (p *page) depth(key string, want string) {
	p.t.Helper()
	tooth, site, _ := strings.Cut(key, ".")
	p.until(fmt.Sprintf("%s is %s", key, want), fmt.Sprintf(`String(%s.view.teeth[%q].sites[%q]?.depth ?? "") === %q && %s.pending.length === 0`, session, tooth, site, want, session))
}

// cutter is a TCP proxy whose connections can be cut and which can be closed for a while.
type cutter struct {
	ln   net.Listener
	to   string
	mu   sync.Mutex
	open map[net.Conn]bool
	down bool
	url  string
	wg   sync.WaitGroup
}

func newCutter(t *testing.T, to string) *cutter {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cutter{ln: ln, to: strings.TrimPrefix(to, "http://"), open: map[net.Conn]bool{}, url: "http://" + ln.Addr().String()}
	c.wg.Add(1)
	go func() {
		defer c.wg.Done()
		for {
			in, err := ln.Accept()
			if err != nil {
				return
			}
			c.wg.Add(1)
			go func() { defer c.wg.Done(); c.serve(in) }()
		}
	}()
	t.Cleanup(func() { ln.Close(); c.cut(true); c.wg.Wait() })
	return c
}

func (c *cutter) serve(in net.Conn) {
	defer in.Close()
	out, err := net.Dial("tcp", c.to)
	if err != nil {
		return
	}
	defer out.Close()
	c.mu.Lock()
	if c.down {
		c.mu.Unlock()
		return
	}
	c.open[in], c.open[out] = true, true
	c.mu.Unlock()
	done := make(chan bool, 2)
	pipe := func(a, b net.Conn) {
		io.Copy(a, b)
		a.Close()
		b.Close()
		done <- true
	}
	go pipe(in, out)
	go pipe(out, in)
	<-done
	<-done
	c.mu.Lock()
	delete(c.open, in)
	delete(c.open, out)
	c.mu.Unlock()
}

// cut breaks every connection without a goodbye; down keeps new ones out as well.
func (c *cutter) cut(down bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.down = down
	for conn := range c.open {
		if t, ok := conn.(*net.TCPConn); ok {
			t.SetLinger(0)
		}
		conn.Close()
	}
}

func (c *cutter) up() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.down = false
}
