package web

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"runtime"
	"strings"
	"sync"
	"time"

	limiter "golang.org/x/time/rate"
)

// Limits keep one client, by mistake or on purpose, from taking the service away from the others. A client is an address; of IPv6 the
// network of 64 bits. 0 stands for the default, less than 0 for no limit.
type Limits struct {
	Requests    float64 // to the API a second, with bursts of five times as many; 200
	Spoken      float64 // texts a second that the service's voice says; 4, bursts of five times as many
	Microphones int     // that are on at once; 16
	Connections int     // at once: see Connections; 512
}

func (l Limits) withDefaults() Limits {
	for _, f := range []struct {
		v   *float64
		def float64
	}{{&l.Requests, 200}, {&l.Spoken, 4}} {
		if *f.v == 0 {
			*f.v = f.def
		}
	}
	if l.Microphones == 0 {
		l.Microphones = 16
	}
	if l.Connections == 0 {
		l.Connections = 512
	}
	return l
}

// bursts is how many times the number of a second may come at once.
const bursts = 5

// client is what one address does.
type client struct {
	requests, spoken *limiter.Limiter
	mics             int
	seen             time.Time
}

// clients are known by address until they have been quiet for a while.
type clients struct {
	Limits
	mu  sync.Mutex
	all map[string]*client
	// how fast the microphones that were on lately may send, by exam
	sound map[string]*soundLimit
	late  chan struct{} // turns of sound that comes faster than it was spoken
}

const quietAfter = 5 * time.Minute

func newClients(l Limits) *clients {
	return &clients{Limits: l.withDefaults(), all: map[string]*client{}, sound: map[string]*soundLimit{}, late: make(chan struct{}, max(1, runtime.GOMAXPROCS(0)/2))}
}

func clientOf(remote string) string {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		host = remote
	}
	a, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	if a = a.Unmap().WithZone(""); a.Is6() && !a.IsLoopback() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}

func allow(perSecond float64) *limiter.Limiter {
	if perSecond < 0 {
		return limiter.NewLimiter(limiter.Inf, 1)
	}
	return limiter.NewLimiter(limiter.Limit(perSecond), max(1, int(bursts*perSecond)))
}

// of finds a client, whose mu is held while f looks at it.
func (cs *clients) of(r *http.Request, f func(*client)) {
	now, key := time.Now(), clientOf(r.RemoteAddr)
	cs.mu.Lock()
	defer cs.mu.Unlock()
	c := cs.all[key]
	if c == nil {
		if len(cs.all) >= 4096 { // seldom: who was quiet is forgotten
			for k, o := range cs.all {
				if o.mics == 0 && now.Sub(o.seen) > quietAfter {
					delete(cs.all, k)
				}
			}
		}
		c = &client{requests: allow(cs.Requests), spoken: allow(cs.Spoken)}
		cs.all[key] = c
	}
	c.seen = now
	f(c)
}

// tooMany answers a client that asks too often.
func tooMany(what string) error {
	return &inputError{http.StatusTooManyRequests, "too_many", what + ": wait a moment; leadsman serve --help says how many are taken"}
}

// asks counts a request to the API.
func (cs *clients) asks(r *http.Request) (err error) {
	cs.of(r, func(c *client) {
		if !c.requests.Allow() {
			err = tooMany("this computer asks more often than is answered")
		}
	})
	return err
}

// speaks counts a text to be said.
func (cs *clients) speaks(r *http.Request) (err error) {
	cs.of(r, func(c *client) {
		if !c.spoken.Allow() {
			err = tooMany("this computer has more said than can be listened to")
		}
	})
	return err
}

// micOn counts a microphone until off is called.
func (cs *clients) micOn(r *http.Request) (off func(), err error) {
	cs.of(r, func(c *client) {
		if cs.Microphones > 0 && c.mics >= cs.Microphones {
			err = tooMany(fmt.Sprintf("%d microphones of this computer are on, and no more are taken", c.mics))
			return
		}
		c.mics++
	})
	if err != nil {
		return nil, err
	}
	return func() { cs.of(r, func(c *client) { c.mics-- }) }, nil
}

// Sound comes as fast as it is spoken, but for a page that comes back, which has some to catch up with.
const (
	liveSlack  = 1.05     // clocks of sound cards differ from ours
	liveBurst  = 2 * rate // samples that may come at once
	catchUp    = 2        // times real time for what comes faster
	catchBurst = 10 * rate
)

// soundLimit has the sound of a microphone come no faster than it was spoken; what is to be caught up with waits for a turn that all who catch up share,
// so that it delays nobody who speaks now.
type soundLimit struct {
	cs         *clients
	used       time.Time
	live, late *limiter.Limiter
}

// limit is that of a stream; who connects again goes on with it.
func (cs *clients) limit(stream string) *soundLimit {
	now := time.Now()
	cs.mu.Lock()
	defer cs.mu.Unlock()
	if p := cs.sound[stream]; p != nil {
		p.used = now
		return p
	}
	for k, p := range cs.sound {
		if now.Sub(p.used) > time.Minute {
			delete(cs.sound, k) // one that is still on keeps it, and has its bursts again when it comes back
		}
	}
	p := &soundLimit{cs: cs, used: now, live: limiter.NewLimiter(liveSlack*rate, liveBurst), late: limiter.NewLimiter(catchUp*rate, catchBurst)}
	cs.sound[stream] = p
	return p
}

// wait returns when so many samples may be heard; done is to be called when they were.
func (l *soundLimit) wait(ctx context.Context, samples int) (done func(), err error) {
	if l.live.AllowN(time.Now(), samples) {
		return func() {}, nil
	}
	if err := l.late.WaitN(ctx, samples); err != nil {
		return nil, err
	}
	select {
	case l.cs.late <- struct{}{}:
		return func() { <-l.cs.late }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// ownPage refuses what another page has its reader's browser ask for; pages that came from another node are ours. Other programs than browsers
// say nothing of where a request comes from.
func (s *server) ownPage(r *http.Request) error {
	if nodes(s.Nodes).has(r.Header.Get("Origin")) {
		return nil
	}
	from := r.Header.Get("Sec-Fetch-Site")
	own := from == "" || from == "same-origin" || from == "none"
	if from == "" { // a browser of former years
		if ref := r.Header.Get("Referer"); ref != "" {
			_, rest, _ := strings.Cut(ref, "://")
			host, _, _ := strings.Cut(rest, "/")
			own = strings.EqualFold(host, r.Host)
		}
	}
	if !own {
		return &inputError{http.StatusForbidden, "origin", "this came from a page of another service: refused"}
	}
	return nil
}

// Times that a request may take to arrive, and its answer to be taken.
var (
	bodyWithin   = 20 * time.Second
	answerWithin = 5 * time.Minute
)

// timed ends a request whose body does not come, and an answer that nobody takes. The streams set times of their own.
func timed(w http.ResponseWriter, r *http.Request) {
	out := http.NewResponseController(w)
	now := time.Now()
	_ = out.SetWriteDeadline(now.Add(answerWithin)) // not every writer knows deadlines
	if r.Body != nil && r.Body != http.NoBody && r.ContentLength != 0 {
		if out.SetReadDeadline(now.Add(bodyWithin)) == nil {
			r.Body = &body{r.Body, out}
		}
	}
}

// body takes the time limit off when it was read: what comes after it is another matter.
type body struct {
	of interface {
		Read([]byte) (int, error)
		Close() error
	}
	out *http.ResponseController
}

func (b *body) Read(p []byte) (int, error) {
	n, err := b.of.Read(p)
	if err != nil {
		if ne, ok := err.(net.Error); !ok || !ne.Timeout() {
			_ = b.out.SetReadDeadline(time.Time{})
		}
	}
	return n, err
}

func (b *body) Close() error { return b.of.Close() }

// Connections bounds how many connections a client has, in all and at once: one more ends the one of them that has been idle longest. State is
// for http.Server.ConnState.
type Connections struct {
	mu   sync.Mutex
	per  int
	open map[string][]*connection // by client, in the order in which they were opened
}

type connection struct {
	net.Conn
	idle bool // nothing is being asked on it
}

// NewConnections takes its number from the limits.
func NewConnections(l Limits) *Connections {
	return &Connections{per: l.withDefaults().Connections, open: map[string][]*connection{}}
}

func (cs *Connections) State(c net.Conn, s http.ConnState) {
	if cs.per < 0 {
		return
	}
	key := clientOf(c.RemoteAddr().String())
	cs.mu.Lock()
	defer cs.mu.Unlock()
	all := cs.open[key]
	at := -1
	for i, o := range all {
		if o.Conn == c {
			at = i
		}
	}
	switch {
	case s == http.StateNew:
		if len(all) >= cs.per {
			last := c // nobody is idle: the new one goes
			for _, o := range all {
				if o.idle {
					last = o.Conn
					break
				}
			}
			last.Close()
		}
		cs.open[key] = append(all, &connection{c, true})
	case at < 0:
	case s == http.StateClosed || s == http.StateHijacked:
		if all = append(all[:at:at], all[at+1:]...); len(all) == 0 {
			delete(cs.open, key)
		} else {
			cs.open[key] = all
		}
	default:
		all[at].idle = s == http.StateIdle
	}
}
