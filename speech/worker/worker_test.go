package worker_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"leadsman/exam"
	"leadsman/grammar"
	"leadsman/speech"
	"leadsman/speech/ctc"
	"leadsman/speech/scripted"
	"leadsman/speech/speechtest"
	"leadsman/speech/worker"
	"leadsman/tests/recordings"
)

const secret = "a-secret-for-tests-alone"

var quiet = slog.New(slog.DiscardHandler)

// host is a worker over HTTP.
type host struct {
	*worker.Server
	http *httptest.Server
}

func serve(t testing.TB, e speech.Engine) *host {
	t.Helper()
	s := worker.NewServer(e, secret, quiet)
	h := &host{s, httptest.NewServer(s)}
	t.Cleanup(h.kill)
	return h
}

// kill cuts all connections.
func (h *host) kill() {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	go h.http.Close()
	h.Drain(ctx)
	h.http.CloseClientConnections()
}

func open(t testing.TB, hosts ...*host) speech.Engine {
	t.Helper()
	c := worker.Config{Secret: secret, Log: quiet, Look: 50 * time.Millisecond}
	for _, h := range hosts {
		c.Workers = append(c.Workers, h.http.URL)
	}
	e, err := worker.Open(context.Background(), c, nil)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func free(t testing.TB, e speech.Engine) {
	t.Cleanup(func() {
		if err := e.Close(); err != nil {
			t.Error(err)
		}
	})
}

// netOf is what may be said when an exam begins.
func netOf() speech.Net {
	return exam.SpeechNet(grammar.NetOf(grammar.State{Numbering: "universal", Listening: true}))
}

var script = []scripted.Utterance{
	{StartMS: 1000, EndMS: 1600, Text: "three two four", Rivals: []string{"three two five"}, Confidence: 0.9, Signal: speech.Signal{LevelDB: -21.25, NoiseDB: -60}},
	{StartMS: 3000, EndMS: 3700, Text: "five two three"},
	{StartMS: 5000, EndMS: 5700, Text: "bleeding", Strange: 1.5},
}

func engine(unknown ...string) *scripted.Engine {
	e := scripted.New(script...)
	e.Unknown = append(unknown, speechtest.Unpronounceable)
	return e
}

// The contract of recognizers holds over the wire, with an engine that plays a script, and with the real one.
func TestContract(t *testing.T) {
	t.Run("scripted", func(t *testing.T) {
		speechtest.TestRecognizer(t, func(t testing.TB) speech.Engine { return open(t, serve(t, engine()), serve(t, engine())) },
			speechtest.Sample{PCM: make([]int16, 7*speech.Rate), Net: netOf(), Want: []string{"three two four", "five two three", "bleeding"}, Other: word("zebra")})
	})
	t.Run("ctc", func(t *testing.T) {
		rec, err := recordings.Load("fullmouth-joe")
		if err != nil {
			t.Fatal(err)
		}
		end := (rec.Calls[1].End + rec.Calls[2].Start) / 2
		speechtest.TestRecognizer(t, func(t testing.TB) speech.Engine { return open(t, serve(t, ctcEngine(t))) },
			speechtest.Sample{PCM: rec.PCM[:int(end*speech.Rate)], Net: netOf(), Want: []string{rec.Calls[0].Words, rec.Calls[1].Words}, Other: word("zero")})
	})
}

var loaded = sync.OnceValues(func() (*ctc.Engine, error) {
	bin, err := filepath.Abs("../../bin")
	if err != nil {
		return nil, err
	}
	return ctc.Open(ctc.Options{ModelDir: filepath.Join("..", "..", "models"), Library: filepath.Join(bin, "libonnxruntime.so")})
})

func ctcEngine(t testing.TB) *ctc.Engine {
	t.Helper()
	if _, err := os.Stat("../../bin/libonnxruntime.so"); err != nil {
		t.Skip("SKIPPED: make build puts the speech library into bin")
	}
	e, err := loaded()
	if err != nil {
		t.Fatal(err)
	}
	return e
}

type word string

func (w word) Key() string { return "only " + string(w) }
func (w word) States() int { return 2 }
func (w word) Ending(s int) (speech.Ending, float64) {
	if s == 1 {
		return speech.Complete, 0
	}
	return speech.NoEnding, 0
}
func (w word) Arcs(s int, yield func(string, int, float64)) {
	if s == 0 {
		yield(string(w), 1, -0.3)
	}
}

// hear plays silence to a recognizer in 20 ms frames; at is told of the samples so far.
func hear(t *testing.T, r speech.Recognizer, seconds float64, at func(sample int)) (hyps []speech.Hypothesis) {
	t.Helper()
	for i := 0; i < int(seconds*speech.Rate); i += 320 {
		if at != nil {
			at(i)
		}
		got, err := r.Accept(make([]int16, 320))
		if err != nil {
			t.Fatalf("sample %d: %v", i, err)
		}
		hyps = append(hyps, got...)
	}
	return hyps
}

func recognizer(t *testing.T, e speech.Engine) speech.Recognizer {
	t.Helper()
	r, err := e.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	if err := r.SetNet(netOf()); err != nil {
		t.Fatal(err)
	}
	return r
}

// What an engine says comes over the wire as it is, to the last bit, the loudness of words too.
func TestNothingIsLostOnTheWire(t *testing.T) {
	e := open(t, serve(t, engine()))
	free(t, e)
	near, err := engine().NewRecognizer()
	if err == nil {
		err = near.SetNet(netOf())
	}
	if err != nil {
		t.Fatal(err)
	}
	want, got := hear(t, near, 7, nil), hear(t, recognizer(t, e), 7, nil)
	if len(want) < 6 || want[0].Readings[0].Words[0].LevelDB != -21.25 {
		t.Fatalf("the script says too little: %+v", want)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("far and near differ:\n%s", d)
	}
}

// fresh hears calls by the loudness of the sound, so that what a worker hears depends on the sound that it gets and on nothing else: a sample of 1000*n is call n.
type fresh struct{ said []string }

func (e fresh) NewRecognizer() (speech.Recognizer, error) { return &freshRec{e: e}, nil }
func (e fresh) Name() string                              { return "fresh" }
func (e fresh) Lacks([]string) []string                   { return nil }
func (e fresh) Close() error                              { return nil }

type freshRec struct {
	e       fresh
	net     speech.Net
	at      int64 // samples
	call    int
	from    int64
	waiting []int16
}

func (r *freshRec) SetNet(n speech.Net) error { r.net = n; return nil }
func (r *freshRec) Close() error              { return nil }

func (r *freshRec) Accept(pcm []int16) (hyps []speech.Hypothesis, err error) {
	r.waiting = append(r.waiting, pcm...)
	for len(r.waiting) > 0 {
		v := int(r.waiting[0]) / 1000
		r.waiting = r.waiting[1:]
		r.at++
		if v > 0 && r.call == 0 {
			r.call, r.from = v, r.at-1
			h := r.hyp()
			h.AtMS = h.EndMS
			hyps = append(hyps, h)
		} else if v == 0 && r.call > 0 {
			h := r.hyp()
			h.Final, h.AtMS, h.Consumed = true, h.EndMS+1, h.EndMS
			r.call = 0
			return append(hyps, h), nil
		}
	}
	return hyps, nil
}

func (r *freshRec) hyp() speech.Hypothesis {
	from, to := r.from*1000/speech.Rate, r.at*1000/speech.Rate
	return speech.Hypothesis{StartMS: from, EndMS: to, Readings: []speech.Reading{{Words: []speech.Word{{Text: r.e.said[r.call], StartMS: from, EndMS: to}}, Ending: speech.Complete}}}
}

func (r *freshRec) Flush() ([]speech.Hypothesis, error) {
	hyps, err := r.Accept(make([]int16, 1))
	*r = freshRec{e: r.e, net: r.net}
	return slices.DeleteFunc(hyps, func(h speech.Hypothesis) bool { return !h.Final }), err
}

// A worker that is lost, or is being stopped, in the middle of a call: another one hears the call again from its beginning. Each call is heard once, where it is in
// the stream. Where nobody is left it is an error, and when a worker is back a new recognizer is had.
func TestWorkersAreLost(t *testing.T) {
	said := []string{"", "one", "two", "three", "four", "five", "six", "seven"}
	for _, c := range []struct {
		what  string
		leave func(h *host)
	}{
		{"killed", (*host).kill},
		{"stopped", func(h *host) { go h.Drain(context.Background()) }},
	} {
		t.Run(c.what, func(t *testing.T) {
			hosts := []*host{serve(t, fresh{said}), serve(t, fresh{said}), serve(t, fresh{said})}
			e := open(t, hosts...)
			free(t, e)
			r := recognizer(t, e)
			var pcm []int16
			for n := 1; n < len(said); n++ { // half a second of silence, half a second of a call
				pcm = append(pcm, make([]int16, speech.Rate/2)...)
				for range speech.Rate / 2 {
					pcm = append(pcm, int16(n*1000))
				}
			}
			pcm = append(pcm, make([]int16, speech.Rate)...)
			var got []string
			partials := 0
			gone := map[*host]bool{}
			for i := 0; i < len(pcm); i += 320 {
				if i == 85*320 || i == 235*320 { // 1.7 and 4.7 s: within the second call, and the fifth
					for _, h := range hosts {
						if h.State().Streams > 0 && !gone[h] {
							gone[h] = true
							c.leave(h)
						}
					}
				}
				hyps, err := r.Accept(pcm[i:min(len(pcm), i+320)])
				if err != nil {
					t.Fatal(err)
				}
				for _, h := range hyps {
					if !h.Final {
						partials++
						continue
					}
					n := int64(slices.Index(said, h.Readings[0].Text()))
					if from := n*1000 - 500; h.StartMS != from || h.EndMS != from+500 || h.Readings[0].Words[0].StartMS != from {
						t.Errorf("%q lies at %d-%d ms, want %d-%d", h.Readings[0].Text(), h.StartMS, h.EndMS, from, from+500)
					}
					got = append(got, h.Readings[0].Text())
				}
			}
			if !slices.Equal(got, said[1:]) || len(gone) != 2 {
				t.Errorf("heard %q, want each of %q once; %d workers gone, want 2", got, said[1:], len(gone))
			}
			if partials != len(said)-1 {
				t.Errorf("%d beginnings of calls told, want %d: none again after a worker was lost", partials, len(said)-1)
			}
			for _, h := range hosts {
				h.kill()
			}
			if _, err := r.Accept(make([]int16, 320)); !errors.Is(err, speech.ErrUnheard) {
				t.Errorf("with no worker left: %v, want ErrUnheard", err)
			}
			if _, err := e.NewRecognizer(); !errors.Is(err, speech.ErrUnheard) {
				t.Errorf("a new one with no worker left: %v, want ErrUnheard", err)
			}
		})
	}
}

// A call that was begun when the sound ended is heard by another worker, too.
func TestLostBeforeFlush(t *testing.T) {
	said := []string{"", "one"}
	hosts := []*host{serve(t, fresh{said}), serve(t, fresh{said})}
	e := open(t, hosts...)
	free(t, e)
	r := recognizer(t, e)
	for range 2 {
		if _, err := r.Accept(slices.Repeat([]int16{1000}, 8000)); err != nil {
			t.Fatal(err)
		}
		for _, h := range hosts {
			if h.State().Streams > 0 {
				h.http.CloseClientConnections()
			}
		}
		finals, err := r.Flush()
		if err != nil || len(finals) != 1 || finals[0].StartMS != 0 || finals[0].EndMS != 500 {
			t.Fatalf("%+v %v, want one call from 0 to 500 ms", finals, err)
		}
		time.Sleep(200 * time.Millisecond) // the worker is looked after
	}
}

// Streams are spread over workers, whoever has the least to do first.
func TestSpread(t *testing.T) {
	hosts := []*host{serve(t, engine()), serve(t, engine()), serve(t, engine())}
	e := open(t, hosts...)
	free(t, e)
	for range 12 {
		recognizer(t, e)
	}
	for i, h := range hosts {
		if n := h.State().Streams; n != 4 {
			t.Errorf("worker %d has %d streams, want 4", i, n)
		}
	}
}

// slow takes as long to hear as the sound is.
type slow struct{ *scripted.Engine }

func (e slow) NewRecognizer() (speech.Recognizer, error) {
	r, err := e.Engine.NewRecognizer()
	return slowRec{r}, err
}

type slowRec struct{ speech.Recognizer }

func (r slowRec) Accept(pcm []int16) ([]speech.Hypothesis, error) {
	time.Sleep(time.Duration(len(pcm)) * time.Second / speech.Rate)
	return r.Recognizer.Accept(pcm)
}

// A worker that can hardly follow refuses streams that are new, clearly, and takes those that another worker had.
func TestBusy(t *testing.T) {
	h := serve(t, slow{engine()})
	e := open(t, h)
	free(t, e)
	r := recognizer(t, e)
	hear(t, r, 1.5, nil)
	if _, err := e.NewRecognizer(); !errors.Is(err, speech.ErrBusy) {
		t.Fatalf("a second microphone: %v, want ErrBusy", err)
	}
	h.http.CloseClientConnections() // as when the worker was lost and is back
	time.Sleep(200 * time.Millisecond)
	hear(t, r, 0.1, nil)
	free := serve(t, engine())
	if e2 := open(t, h, free); e2 != nil {
		defer e2.Close()
		recognizer(t, e2)
		if free.State().Streams != 1 {
			t.Error("the free worker was not preferred")
		}
	}
}

// Only who knows the secret is let in, and who speaks another version is told.
func TestStrangers(t *testing.T) {
	h := serve(t, engine())
	for _, c := range []struct {
		header, path string
		status       int
		code         string
	}{
		{"", "/v1/state", 401, "secret"},
		{"Bearer another-secret-altogether", "/v1/state", 401, "secret"},
		{"Bearer " + secret[:len(secret)-1], "/v1/listen", 401, "secret"},
		{"Basic " + secret, "/v1/state", 401, "secret"},
		{"Bearer " + secret, "/v2/state", 404, "version"},
		{"Bearer " + secret, "/v1/listen", 400, "bad_ask"},
		{"Bearer " + secret, "/v1/state", 200, ""},
	} {
		req, _ := http.NewRequest("GET", h.http.URL+c.path, nil)
		req.Header.Set("Authorization", c.header)
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		if res.StatusCode != c.status {
			t.Errorf("%s with %q: %s, want %d", c.path, c.header, res.Status, c.status)
		}
		if got := worker.CodeIn(res.Body); got != c.code {
			t.Errorf("%s with %q: code %q, want %q", c.path, c.header, got, c.code)
		}
		res.Body.Close()
	}
}

// A worker with another model, and one that lacks a word of the practice, are not used.
func TestUnlikeWorkers(t *testing.T) {
	said := []string{""}
	good, other, ignorant := serve(t, engine()), serve(t, fresh{said}), serve(t, engine("gumline"))
	e := open(t, good, other, ignorant)
	free(t, e)
	if lacks := e.Lacks([]string{"three", "gumline"}); len(lacks) > 1 {
		t.Errorf("lacks %q", lacks)
	}
	time.Sleep(200 * time.Millisecond)
	for range 3 {
		recognizer(t, e)
	}
	if good.State().Streams+ignorant.State().Streams != 3 || other.State().Streams != 0 {
		t.Errorf("streams: %d, %d, %d: the other model is in use", good.State().Streams, other.State().Streams, ignorant.State().Streams)
	}
	e2 := open(t, good, ignorant)
	free(t, e2)
	if e2.Lacks([]string{"gumline"}) == nil { // the good one was asked
		time.Sleep(200 * time.Millisecond)
		was := ignorant.State().Streams
		for range 3 {
			recognizer(t, e2)
		}
		if ignorant.State().Streams != was {
			t.Error("a worker that lacks a word is in use")
		}
	}
}

// Over TLS a worker is believed if the authority that was named vouches for it, and not else.
func TestOverTLS(t *testing.T) {
	s := worker.NewServer(engine(), secret, quiet)
	h := httptest.NewUnstartedServer(s)
	h.EnableHTTP2, h.Config.ErrorLog = true, slog.NewLogLogger(quiet.Handler(), 0)
	h.StartTLS()
	t.Cleanup(h.Close)
	trust := &tls.Config{RootCAs: x509.NewCertPool()}
	trust.RootCAs.AddCert(h.Certificate())
	e, err := worker.Open(context.Background(), worker.Config{Workers: []string{h.URL}, Secret: secret, TLS: trust, Log: quiet}, nil)
	if err != nil {
		t.Fatal(err)
	}
	free(t, e)
	if hyps := hear(t, recognizer(t, e), 2, nil); len(hyps) == 0 {
		t.Error("nothing heard")
	}
	ctx, cancel := context.WithTimeout(context.Background(), 300*time.Millisecond)
	defer cancel()
	var why error
	if _, err := worker.Open(ctx, worker.Config{Workers: []string{h.URL}, Secret: secret, Log: quiet}, func(err error) { why = err }); err == nil || !strings.Contains(fmt.Sprint(why), "certificate") {
		t.Errorf("an authority that nobody named: %v, %v", err, why)
	}
}

// Voices are checked and learned at workers, and heard with there; errors are those of the engine.
func TestVoices(t *testing.T) {
	near := ctcEngine(t)
	e := open(t, serve(t, near))
	free(t, e)
	a, ok := e.(speech.Adapter)
	if !ok {
		t.Fatal("the pool learns no voices")
	}
	rec, err := recordings.Load("fullmouth-joe")
	if err != nil {
		t.Fatal(err)
	}
	var takes []speech.Take
	for _, c := range rec.Calls[:4] {
		takes = append(takes, speech.Take{Words: strings.Fields(c.Words), PCM: rec.PCM[int(c.Start*speech.Rate)-4000 : int(c.End*speech.Rate)+4000]})
	}
	want, err1 := near.Check(takes[0])
	got, err2 := a.Check(takes[0])
	if err1 != nil || err2 != nil || got != want {
		t.Errorf("check: %+v %v, want %+v %v", got, err2, want, err1)
	}
	_, wantErr := near.Enrol(context.Background(), nil, takes)
	_, gotErr := a.Enrol(context.Background(), nil, takes)
	var few *speech.TakesError
	if !errors.As(gotErr, &few) || gotErr.Error() != wantErr.Error() {
		t.Errorf("four recordings: %v, want %v", gotErr, wantErr)
	}
	if _, err := a.NewRecognizerFor([]byte("no profile")); !errors.Is(err, speech.ErrProfile) {
		t.Errorf("no profile: %v, want ErrProfile", err)
	}
	if f, ok := e.(interface{ Fits([]byte) error }); !ok || !errors.Is(f.Fits([]byte("no profile")), speech.ErrProfile) {
		t.Error("Fits takes what is no profile")
	}
	if scr := open(t, serve(t, engine())); scr != nil {
		defer scr.Close()
		if _, ok := scr.(speech.Adapter); ok {
			t.Error("a pool of workers that learn no voices says that it does")
		}
	}
}

func TestAddresses(t *testing.T) {
	for addr, ok := range map[string]bool{"https://ear.lan:8645": true, "http://127.0.0.1:8645": true, "http://localhost:1/": true, "http://192.168.1.3:8645": false, "ear.lan:8645": false,
		"http://ear.lan": false, "https://": false, "https://ear.lan/path": false, "": false} {
		if err := worker.Check([]string{addr}); (err == nil) != ok {
			t.Errorf("%q: %v", addr, err)
		}
	}
}

// How workers are, as they and whoever asks them say it.
func TestStandingOfWorkers(t *testing.T) {
	one := serve(t, engine())
	if err := one.Ready(); err != nil {
		t.Error(err)
	}
	var heard atomic.Int64
	one.Heard(func(sound, _ time.Duration) { heard.Add(int64(sound)) })
	gone := httptest.NewServer(http.NotFoundHandler())
	gone.Close()
	c := worker.Config{Workers: []string{one.http.URL, gone.URL}, Secret: secret, Log: quiet, Look: 50 * time.Millisecond}
	found := worker.Look(t.Context(), c, []string{"bleeding"})
	if len(found) != 2 || found[0].Err != nil || found[0].Engine != one.State().Engine || found[1].Err == nil {
		t.Errorf("%+v", found)
	}
	if found = worker.Look(t.Context(), c, []string{speechtest.Unpronounceable}); found[0].Err == nil {
		t.Error("a worker that lacks a word of the practice is found good")
	}
	e, err := worker.Open(t.Context(), c, nil)
	if err != nil {
		t.Fatal(err)
	}
	free(t, e)
	if up, all := e.(interface{ Up() (up, all int) }).Up(); up != 1 || all != 2 || e.Name() != one.State().Engine {
		t.Errorf("%d of %d workers, engine %q", up, all, e.Name())
	}
	rec, err := e.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	if err := rec.SetNet(netOf()); err != nil {
		t.Fatal(err)
	}
	for range 20 {
		if _, err := rec.Accept(make([]int16, speech.Rate/10)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := rec.Flush(); err != nil {
		t.Fatal(err)
	}
	if got := time.Duration(heard.Load()); got != 2*time.Second {
		t.Errorf("the worker heard %s of sound, 2 s were sent", got)
	}
	if l := one.Load(); l.Microphones != 1 {
		t.Errorf("%+v with one microphone", l)
	}
	rec.Close()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	one.Drain(ctx)
	if err := one.Ready(); !errors.Is(err, speech.ErrStopping) {
		t.Error(err)
	}
	for text, good := range map[string]bool{" sixteen-letters-x\n": true, "short": false, "two words of sixteen": false} {
		if s, err := worker.Secret([]byte(text)); (err == nil) != good || err == nil && s != strings.TrimSpace(text) {
			t.Errorf("%q: %q, %v", text, s, err)
		}
	}
}
