package worker

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"runtime"
	"strings"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/speech"
)

// Server answers for an engine to pools that know the secret.
type Server struct {
	engine speech.Engine
	secret [sha256.Size]byte
	log    *slog.Logger
	turns  *speech.Turns
	jobs   chan struct{} // enrolments that run
	mux    *http.ServeMux

	mu      sync.Mutex
	nets    map[string]*net
	order   []string // of their hashes, the one used longest ago first
	streams map[*websocket.Conn]bool
	leaving bool
	wg      sync.WaitGroup
}

const (
	keptNets  = 256  // by a server, and by a pool
	mostOpen  = 1024 // streams of a server
	patience  = 10 * time.Second
	mediaType = "application/cbor" // RFC 8949
)

// NewServer serves the engine, which outlives it.
func NewServer(e speech.Engine, secret string, log *slog.Logger) *Server {
	s := &Server{engine: e, secret: sha256.Sum256([]byte(secret)), log: log, turns: speech.NewTurns(time.Now, false), jobs: make(chan struct{}, 1), mux: http.NewServeMux(),
		nets: map[string]*net{}, streams: map[*websocket.Conn]bool{}}
	at := func(pattern string, f func(ctx context.Context, in request) (response, error)) {
		s.mux.HandleFunc(fmt.Sprintf(pattern, protocolVersion), func(w http.ResponseWriter, r *http.Request) { s.answer(w, r, f) })
	}
	at("GET /v%d/state", func(context.Context, request) (response, error) { x := s.State(); return response{State: &x}, nil })
	at("POST /v%d/lacks", func(_ context.Context, in request) (response, error) { return response{Words: e.Lacks(in.Words)}, nil })
	at("POST /v%d/fits", s.fits)
	at("POST /v%d/check", s.check)
	at("POST /v%d/enrol", s.enrol)
	s.mux.HandleFunc(fmt.Sprintf("GET /v%d/listen", protocolVersion), s.listen)
	s.mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) { s.fail(w, r, errVersion) })
	return s
}

// State is how much it has to do.
func (s *Server) State() State {
	l := s.turns.Load()
	s.mu.Lock()
	defer s.mu.Unlock()
	_, adapts := s.engine.(speech.Adapter)
	return State{Engine: s.engine.Name(), Adapts: adapts, Streams: len(s.streams), Processors: runtime.GOMAXPROCS(0), Factor: l.Factor, Busy: l.Busy || len(s.streams) >= mostOpen, Leaving: s.leaving}
}

// Ready says why no further stream is taken; nil: one is.
func (s *Server) Ready() error {
	switch st := s.State(); {
	case st.Leaving:
		return speech.ErrStopping
	case st.Busy:
		return speech.ErrBusy
	}
	return nil
}

// Load is what its recognizers have to do.
func (s *Server) Load() speech.Load { return s.turns.Load() }

// Heard has f told of each piece of sound that is heard and of the time that took; call it before the first request.
func (s *Server) Heard(f func(sound, took time.Duration)) { s.turns.Heard = f }

func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	given, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if sum := sha256.Sum256([]byte(given)); !ok || subtle.ConstantTimeCompare(sum[:], s.secret[:]) != 1 {
		s.fail(w, r, errSecret)
		return
	}
	s.mux.ServeHTTP(w, r)
}

func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	f, status := faultOf(err)
	s.log.Warn("refused", "address", r.URL.Path, "client", r.RemoteAddr, "code", f.Code)
	s.write(w, status, response{Error: f})
}

func (s *Server) write(w http.ResponseWriter, status int, out response) {
	w.Header().Set("Content-Type", mediaType)
	w.WriteHeader(status)
	_, _ = w.Write(encode(out)) // who is gone needs no answer
}

func (s *Server) answer(w http.ResponseWriter, r *http.Request, f func(context.Context, request) (response, error)) {
	var in request
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	if err != nil {
		err = fmt.Errorf("%w: %w", errAsk, err)
	} else if len(b) > 0 {
		err = decode(b, &in)
	}
	var out response
	if err == nil {
		out, err = f(r.Context(), in)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.write(w, http.StatusOK, out)
}

func (s *Server) adapter() (speech.Adapter, error) {
	a, ok := s.engine.(speech.Adapter)
	if !ok {
		return nil, errAdapter
	}
	return a, nil
}

func (s *Server) fits(_ context.Context, in request) (response, error) {
	a, err := s.adapter()
	if err != nil {
		return response{}, err
	}
	rec, err := a.NewRecognizerFor(in.Profile)
	if err != nil {
		return response{}, err
	}
	return response{}, rec.Close()
}

func takesOf(in []take) (out []speech.Take, err error) {
	for _, t := range in {
		pcm, err := samplesOf(t.Sound)
		if err != nil {
			return nil, err
		}
		out = append(out, speech.Take{Words: t.Words, PCM: pcm})
	}
	return out, nil
}

func (s *Server) check(_ context.Context, in request) (response, error) {
	a, err := s.adapter()
	if err != nil {
		return response{}, err
	}
	takes, err := takesOf(in.Takes)
	if err != nil || len(takes) != 1 {
		return response{}, fmt.Errorf("%w: a check takes one recording (%v)", errAsk, err)
	}
	fit, err := a.Check(takes[0])
	return response{Fit: &fit}, err
}

// enrol learns one voice after the other: it takes the processor for long.
func (s *Server) enrol(ctx context.Context, in request) (response, error) {
	a, err := s.adapter()
	if err != nil {
		return response{}, err
	}
	takes, err := takesOf(in.Takes)
	if err != nil {
		return response{}, err
	}
	select {
	case s.jobs <- struct{}{}:
	case <-ctx.Done():
		return response{}, ctx.Err()
	}
	defer func() { <-s.jobs }()
	got, err := a.Enrol(ctx, in.Profile, takes)
	return response{Enrolment: &got}, err
}

// enter makes room for a stream; why not, if there is none.
func (s *Server) enter(c *websocket.Conn, again bool) error {
	busy := s.turns.Load().Busy
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.leaving:
		return speech.ErrStopping
	case busy && !again, len(s.streams) >= mostOpen:
		return speech.ErrBusy
	}
	s.streams[c] = true
	return nil
}

func (s *Server) leave(c *websocket.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.streams, c)
}

// Drain has no further stream be taken and asks those that are on to go on elsewhere. It returns when they have, or when ctx ends; then those that are left are cut.
func (s *Server) Drain(ctx context.Context) {
	s.mu.Lock()
	s.leaving = true
	s.mu.Unlock()
	look := time.NewTicker(50 * time.Millisecond)
	defer look.Stop()
	for s.State().Streams > 0 && ctx.Err() == nil {
		select {
		case <-look.C:
		case <-ctx.Done():
		}
	}
	s.mu.Lock()
	for c := range s.streams {
		c.Close()
	}
	s.mu.Unlock()
	s.wg.Wait()
}

// listen hears a stream of sound.
func (s *Server) listen(w http.ResponseWriter, r *http.Request) {
	up := websocket.Upgrader{CheckOrigin: func(*http.Request) bool { return true }, // who knows the secret is let in; browsers do not know it
		Error: func(w http.ResponseWriter, r *http.Request, _ int, reason error) {
			s.fail(w, r, fmt.Errorf("%w: %w", errAsk, reason))
		}}
	c, err := up.Upgrade(w, r, nil)
	if err != nil {
		return // answered
	}
	defer c.Close()
	s.wg.Add(1)
	defer s.wg.Done()
	c.SetReadLimit(maxMessage)
	say := func(a answer) error {
		_ = c.SetWriteDeadline(time.Now().Add(patience))
		return c.WriteMessage(websocket.BinaryMessage, encode(a))
	}
	_ = c.SetReadDeadline(time.Now().Add(patience)) // a stream begins with being opened
	rec, err := s.open(c)
	if err != nil {
		f, _ := faultOf(err)
		s.log.Warn("stream not taken", "client", r.RemoteAddr, "code", f.Code)
		_ = say(answer{Error: f})
		return
	}
	defer s.leave(c)
	defer rec.Close()
	_ = c.SetReadDeadline(time.Time{}) // a microphone may rest; who died is found out by the keep-alive of TCP
	c.SetReadLimit(maxNet + maxMessage)
	err = say(answer{})
	for err == nil {
		var in ask
		if in, err = read(c); err != nil {
			break
		}
		var out answer
		if out.Hyps, err = s.hear(rec, in); err != nil {
			out.Error, _ = faultOf(err)
		}
		s.mu.Lock()
		out.Leaving = s.leaving
		s.mu.Unlock()
		fatal := out.Error != nil && !errors.Is(err, errNet) && !errors.As(err, new(*speech.VocabularyError))
		if err = say(out); fatal {
			s.log.Error("stream ended by a fault", "client", r.RemoteAddr, "code", out.Error.Code, "error", out.Error.Text)
			return
		}
	}
}

func read(c *websocket.Conn) (in ask, err error) {
	_, b, err := c.ReadMessage()
	if err != nil {
		return in, err
	}
	return in, decode(b, &in)
}

func (s *Server) open(c *websocket.Conn) (speech.Recognizer, error) {
	in, err := read(c)
	if err == nil && in.Do != doOpen {
		err = fmt.Errorf("%w: a stream begins with open, not with %.20q", errAsk, in.Do)
	}
	if err != nil {
		return nil, err
	}
	if err := s.enter(c, in.Again); err != nil {
		return nil, err
	}
	var rec speech.Recognizer
	if in.Profile == nil {
		rec, err = s.engine.NewRecognizer()
	} else if a, aerr := s.adapter(); aerr != nil {
		err = aerr
	} else {
		rec, err = a.NewRecognizerFor(in.Profile)
	}
	if err != nil {
		s.leave(c)
		return nil, err
	}
	return s.turns.Take(rec), nil
}

// hear does what is asked on a stream.
func (s *Server) hear(rec speech.Recognizer, in ask) ([]speech.Hypothesis, error) {
	switch in.Do {
	case doNet:
		n, err := s.net(in)
		if err != nil {
			return nil, err
		}
		return nil, rec.SetNet(n)
	case doSound:
		pcm, err := samplesOf(in.Sound)
		if err == nil && len(pcm) > maxSound {
			err = fmt.Errorf("%w: %d samples at once, at most %d", errAsk, len(pcm), maxSound)
		}
		if err != nil {
			return nil, err
		}
		return rec.Accept(pcm)
	case doSkip:
		if s, can := rec.(speech.Skipper); can {
			s.Skip(in.Before)
		}
		return nil, nil
	case doFlush:
		return rec.Flush()
	}
	return nil, fmt.Errorf("%w: %.20q is nothing that a stream does", errAsk, in.Do)
}

// net finds or takes in a net.
func (s *Server) net(in ask) (*net, error) {
	key := string(in.Hash)
	s.mu.Lock()
	n := s.nets[key]
	s.mu.Unlock()
	if n == nil {
		if in.Net == nil {
			return nil, errNet
		}
		var err error
		if n, err = readNet(in.Net, in.Hash); err != nil {
			return nil, err
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.order = used(s.order, key, s.nets, n)
	return n, nil
}

// used puts a net in front of those that are kept, and drops the one that was used longest ago where there are too many.
func used[T any](order []string, key string, kept map[string]T, n T) []string {
	if _, ok := kept[key]; !ok {
		kept[key] = n
		order = append(order, key)
	} else {
		for i, k := range order {
			if k == key {
				order = append(append(order[:i:i], order[i+1:]...), key)
				break
			}
		}
	}
	if len(order) > keptNets {
		delete(kept, order[0])
		order = order[1:]
	}
	return order
}

// Secret is what a secret file says.
func Secret(b []byte) (string, error) {
	s := strings.TrimSpace(string(b))
	if len(s) < 16 || strings.ContainsAny(s, "\r\n\t ") {
		return "", errors.New("a secret is one word of 16 characters or more")
	}
	return s, nil
}
