package web

import (
	"bufio"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	limiter "golang.org/x/time/rate"

	"leadsman/practice"
)

// refusals are written to the log, as many as somebody can read: a flood of requests must not become a flood of lines.
type refusals struct {
	lines *limiter.Limiter
	left  atomic.Int64
}

func newRefusals() *refusals { return &refusals{lines: limiter.NewLimiter(10, 100)} }

// told writes to the log what was refused or failed: the pattern of the address, never the address itself nor what was sent, which may name
// a patient. What failed within the program comes with its cause.
func (s *server) told(r *http.Request, status int, code string, err error) {
	level, fault := slog.LevelInfo, status >= 500
	switch {
	case errors.Is(err, practice.ErrStopping), errors.Is(err, practice.ErrBusy), errors.Is(err, practice.ErrUnheard): // as it is meant to be; a page tries again and again
		if fault = false; code == "stopping" && s.stopTold.Swap(true) {
			return
		}
	case fault:
		level = slog.LevelError
	case status == http.StatusUnauthorized, status == http.StatusForbidden, status == http.StatusMisdirectedRequest, status == http.StatusTooManyRequests:
		level = slog.LevelWarn
	}
	if !fault && !s.refusals.lines.Allow() {
		s.refusals.left.Add(1)
		return
	}
	_, pattern := named(r)
	args := []any{"method", r.Method, "address", pattern, "status", status, "code", code, "client", clientOf(r.RemoteAddr)}
	if seat := seatOf(r); seat != nil && seat.Person.ID != "" {
		args = append(args, "person", seat.Person.ID)
	}
	if n := s.refusals.left.Swap(0); n > 0 {
		args = append(args, "not_logged", n)
	}
	if fault {
		args = append(args, "error", err)
	}
	s.log.Log(r.Context(), level, map[bool]string{true: "request failed", false: "request refused"}[fault], args...)
}

// named is the method and the pattern of an address.
func named(r *http.Request) (method, pattern string) {
	method, pattern, ok := strings.Cut(r.Pattern, " ")
	if !ok {
		method, pattern = r.Method, r.Pattern
	}
	if pattern == "" {
		pattern = "other"
	}
	return method, pattern
}

// watched tells of each request that was answered.
func (s *server) watched(next http.Handler) http.Handler {
	if s.Seen == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a, began := &answer{ResponseWriter: w, status: http.StatusOK}, time.Now()
		defer func() {
			method, pattern := named(r)
			s.Seen(method, pattern, a.status, time.Since(began))
		}()
		next.ServeHTTP(a, r)
	})
}

// answer remembers the status of an answer.
type answer struct {
	http.ResponseWriter
	status int
}

func (a *answer) WriteHeader(status int) {
	a.status = status
	a.ResponseWriter.WriteHeader(status)
}

func (a *answer) Unwrap() http.ResponseWriter { return a.ResponseWriter }

func (a *answer) Hijack() (net.Conn, *bufio.ReadWriter, error) {
	a.status = http.StatusSwitchingProtocols
	return http.NewResponseController(a.ResponseWriter).Hijack()
}

// state tells those who watch over the service whether it works, and whether somebody is to be sent here; nothing else.
func (s *server) state(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	if r.URL.Path == "/readyz" && s.Ready != nil && s.Ready(r.Context()) != nil {
		w.WriteHeader(http.StatusServiceUnavailable)
		_, _ = io.WriteString(w, "not ready\n")
		return
	}
	_, _ = io.WriteString(w, "ok\n")
}
