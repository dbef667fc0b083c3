package worker

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	stdnet "net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/speech"
)

// Config is what a pool needs.
type Config struct {
	Workers []string // addresses: https://HOST:PORT, or http:// on this computer
	Secret  string
	TLS     *tls.Config // whom to trust; nil: as the system does
	Log     *slog.Logger
	Look    time.Duration // how often workers are looked after; 0: two seconds
}

// pool is an engine whose recognizers are at workers.
type pool struct {
	cfg    Config
	http   *http.Client
	dialer websocket.Dialer
	engine string
	quit   context.CancelFunc
	wg     sync.WaitGroup

	mu      sync.Mutex
	workers []*remote
	words   []string          // that all workers have to know
	nets    map[string]packed // by Key
	order   []string
	fits    map[[sha256.Size]byte]error // what became of profiles
}

// packed is a net as it is sent.
type packed struct{ body, hash []byte }

// remote is a worker as the pool knows it; guarded by the pool's mu.
type remote struct {
	addr   string
	up     bool
	state  State
	opened int    // streams since its state was asked
	why    string // it is not used
}

// open is how much a worker has to do, as far as is known.
func (r *remote) load() float64 {
	return float64(r.state.Streams+r.opened) / float64(max(1, r.state.Processors))
}

// adapting is a pool whose workers learn voices.
type adapting struct{ *pool }

var _ speech.Adapter = adapting{}

// Check finds what is wrong with addresses of workers.
func Check(workers []string) error {
	for _, w := range workers {
		u, err := url.Parse(w)
		if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || strings.Trim(u.Path, "/") != "" {
			return fmt.Errorf("--workers: %q is no address such as https://HOST:PORT", w)
		}
		if ip := stdnet.ParseIP(u.Hostname()); u.Scheme == "http" && u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return fmt.Errorf("--workers: %s: sound and voices leave this computer encrypted only: use https", w)
		}
	}
	if len(workers) == 0 {
		return errors.New("--workers names no worker")
	}
	return nil
}

// newPool knows the workers and has asked none of them yet.
func newPool(c Config) *pool {
	c.Look = cmp.Or(c.Look, 2*time.Second)
	sockets := &tls.Config{MinVersion: tls.VersionTLS13}
	if c.TLS != nil {
		sockets = c.TLS.Clone()
	}
	sockets.NextProtos = []string{"http/1.1"} // WebSockets are opened by this version
	p := &pool{cfg: c, nets: map[string]packed{}, fits: map[[sha256.Size]byte]error{}, dialer: websocket.Dialer{TLSClientConfig: sockets, HandshakeTimeout: 3 * time.Second, ReadBufferSize: 4096, WriteBufferSize: 4096}}
	p.http = &http.Client{Transport: &http.Transport{TLSClientConfig: c.TLS.Clone(), MaxIdleConnsPerHost: 2, ForceAttemptHTTP2: true}}
	for _, w := range c.Workers {
		p.workers = append(p.workers, &remote{addr: strings.TrimSuffix(w, "/")})
	}
	return p
}

// Standing is how a worker is.
type Standing struct {
	Addr string
	State
	Err error // why it cannot be used; nil: it can
}

// Look asks all workers once; Check finds nothing wrong with their addresses. words are those that they have to know.
func Look(ctx context.Context, c Config, words []string) []Standing {
	p := newPool(c)
	defer p.http.CloseIdleConnections()
	p.look(ctx)
	for _, r := range p.workers { // the first that answers says with which model all have to recognize
		if p.engine == "" && r.up {
			p.engine = r.state.Engine
		}
		r.up = false
	}
	p.words = words
	p.look(ctx)
	out := make([]Standing, len(p.workers))
	for i, r := range p.workers {
		out[i] = Standing{Addr: r.addr, State: r.state}
		if !r.up {
			out[i].Err = errors.New(r.why)
		}
	}
	return out
}

// Open waits until a worker answers, whose engine is then that of the pool. waiting is told why it waits; once, and may be nil.
func Open(ctx context.Context, c Config, waiting func(error)) (speech.Engine, error) {
	if err := Check(c.Workers); err != nil {
		return nil, err
	}
	p := newPool(c)
	for said := false; ; said = true {
		p.look(ctx)
		if i := slices.IndexFunc(p.workers, func(r *remote) bool { return r.up }); i >= 0 {
			p.engine = p.workers[i].state.Engine
			break
		}
		if !said && waiting != nil {
			waiting(fmt.Errorf("no worker answers: %s: %s", p.workers[0].addr, p.workers[0].why))
		}
		select {
		case <-time.After(time.Second):
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	run, quit := context.WithCancel(context.Background())
	p.quit = quit
	p.wg.Go(func() {
		every := time.NewTicker(p.cfg.Look)
		defer every.Stop()
		for {
			select {
			case <-every.C:
				p.look(run)
			case <-run.Done():
				return
			}
		}
	})
	adapts := false
	for _, r := range p.workers {
		adapts = adapts || r.up && r.state.Adapts
	}
	if adapts {
		return adapting{p}, nil
	}
	return p, nil
}

// Close implements speech.Engine.
func (p *pool) Close() error {
	p.quit()
	p.wg.Wait()
	p.http.CloseIdleConnections()
	return nil
}

// Name implements speech.Engine.
func (p *pool) Name() string { return p.engine }

// Up is how many workers can be used, of how many.
func (p *pool) Up() (up, all int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, r := range p.workers {
		if r.up {
			up++
		}
	}
	return up, len(p.workers)
}

// look asks all workers how they are.
func (p *pool) look(ctx context.Context) {
	var wg sync.WaitGroup
	for _, r := range p.workers {
		wg.Go(func() {
			ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
			defer cancel()
			got, err := p.request(ctx, r, "GET", "state", request{})
			if err == nil && got.State == nil {
				err = errAsk
			}
			if err == nil {
				err = p.suits(ctx, r, got.State.Engine)
			}
			p.mu.Lock()
			defer p.mu.Unlock()
			if err != nil {
				p.down(r, err)
				return
			}
			if !r.up && p.engine != "" {
				p.cfg.Log.Info("worker takes part", "worker", r.addr, "streams", got.State.Streams, "processors", got.State.Processors)
			}
			r.up, r.why, r.state, r.opened = true, "", *got.State, 0
		})
	}
	wg.Wait()
}

// suits says why a worker cannot be used.
func (p *pool) suits(ctx context.Context, r *remote, engine string) error {
	if p.engine != "" && engine != p.engine {
		return fmt.Errorf("it recognizes with %s, the others with %s: give all the same version and model", engine, p.engine)
	}
	p.mu.Lock()
	words, up := p.words, r.up
	p.mu.Unlock()
	if up || len(words) == 0 {
		return nil
	}
	got, err := p.request(ctx, r, "POST", "lacks", request{Words: words})
	if err == nil && len(got.Words) > 0 {
		err = fmt.Errorf("it does not know how %q sounds: give it the practice file of the service (--practice)", got.Words[0])
	}
	return err
}

// down notes that a worker cannot be used. The caller holds mu.
func (p *pool) down(r *remote, err error) {
	if why := err.Error(); why != r.why && !errors.Is(err, context.Canceled) {
		p.cfg.Log.Warn("worker not in use", "worker", r.addr, "error", why)
		r.why = why
	}
	r.up = false
}

// request is one question to a worker.
func (p *pool) request(ctx context.Context, r *remote, method, what string, in request) (out response, err error) {
	req, err := http.NewRequestWithContext(ctx, method, fmt.Sprintf("%s/v%d/%s", r.addr, protocolVersion, what), bytes.NewReader(encode(in)))
	if err != nil {
		return out, err
	}
	req.Header = p.header()
	res, err := p.http.Do(req)
	if err != nil {
		return out, err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(io.LimitReader(res.Body, maxBody))
	if err != nil {
		return out, err
	}
	if err := decode(b, &out); err != nil {
		return out, fmt.Errorf("%s answers %s and is no worker of this version", r.addr, res.Status)
	}
	if out.Error != nil {
		return out, errorOf(out.Error)
	}
	return out, nil
}

func (p *pool) header() http.Header { return http.Header{"Authorization": {"Bearer " + p.cfg.Secret}} }

// usable are the workers that may be asked, those with the least to do first.
func (p *pool) usable() []*remote {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := slices.DeleteFunc(slices.Clone(p.workers), func(r *remote) bool { return !r.up })
	slices.SortStableFunc(out, func(a, b *remote) int {
		if a.state.Busy != b.state.Busy {
			return map[bool]int{true: 1, false: -1}[a.state.Busy]
		}
		return cmp.Compare(a.load(), b.load())
	})
	return out
}

// anyone asks one worker after the other until one answers.
func (p *pool) anyone(ctx context.Context, what string, in request) (out response, err error) {
	err = speech.ErrUnheard
	for _, r := range p.usable() {
		out, err = p.request(ctx, r, "POST", what, in)
		var broken *url.Error
		if !errors.As(err, &broken) || ctx.Err() != nil {
			return out, err
		}
		p.mu.Lock()
		p.down(r, err)
		p.mu.Unlock()
	}
	return out, err
}

// Lacks implements speech.Engine. A worker that lacks one of the words is not used from then on. Where none can be asked, all are lacking.
func (p *pool) Lacks(words []string) []string {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	got, err := p.anyone(ctx, "lacks", request{Words: words})
	if err != nil {
		p.cfg.Log.Error("workers cannot be asked what they know", "error", err)
		return words
	}
	if len(got.Words) == 0 {
		p.mu.Lock()
		p.words = append(p.words, words...)
		for _, r := range p.workers {
			r.up = false // until it says that it knows them
		}
		p.mu.Unlock()
		p.look(ctx)
	}
	return got.Words
}

// Fits says whether workers can hear with a profile.
func (p *pool) Fits(profile []byte) error {
	sum := sha256.Sum256(profile)
	p.mu.Lock()
	err, known := p.fits[sum]
	p.mu.Unlock()
	if known {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	_, err = p.anyone(ctx, "fits", request{Profile: profile})
	if err == nil || errors.Is(err, speech.ErrOtherModel) || errors.Is(err, speech.ErrProfile) {
		p.mu.Lock()
		defer p.mu.Unlock()
		if len(p.fits) > 1000 {
			clear(p.fits)
		}
		p.fits[sum] = err
	}
	return err
}

func wireTakes(takes []speech.Take) (out []take) {
	for _, t := range takes {
		out = append(out, take{t.Words, bytesOf(t.PCM)})
	}
	return out
}

// Check implements speech.Adapter.
func (p adapting) Check(t speech.Take) (speech.Fit, error) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	got, err := p.anyone(ctx, "check", request{Takes: wireTakes([]speech.Take{t})})
	if err != nil || got.Fit == nil {
		return speech.Fit{}, cmp.Or(err, errAsk)
	}
	return *got.Fit, nil
}

// Enrol implements speech.Adapter.
func (p adapting) Enrol(ctx context.Context, onto []byte, takes []speech.Take) (speech.Enrolment, error) {
	got, err := p.anyone(ctx, "enrol", request{Profile: onto, Takes: wireTakes(takes)})
	if err != nil || got.Enrolment == nil {
		return speech.Enrolment{}, cmp.Or(err, errAsk)
	}
	return *got.Enrolment, nil
}

// NewRecognizer implements speech.Engine. It fails with speech.ErrBusy where no worker takes a stream that is new, with speech.ErrUnheard
// where none answers.
func (p *pool) NewRecognizer() (speech.Recognizer, error) { return p.newStream(nil) }

// NewRecognizerFor implements speech.Adapter.
func (p adapting) NewRecognizerFor(profile []byte) (speech.Recognizer, error) {
	return p.newStream(profile)
}

func (p *pool) newStream(profile []byte) (speech.Recognizer, error) {
	s := &stream{p: p, profile: profile}
	if err := s.connect(false, nil); err != nil {
		return nil, err
	}
	return s, nil
}

// pack gives a net as it is sent. Nets come again and again.
func (p *pool) pack(n speech.Net) packed {
	key := n.Key()
	p.mu.Lock()
	got, ok := p.nets[key]
	p.mu.Unlock()
	if !ok {
		got.body, got.hash = netOf(n)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.order = used(p.order, key, p.nets, got)
	return got
}
