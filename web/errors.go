package web

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"strconv"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/voice"
)

// inputError is a fault of a request that has a status of its own.
type inputError struct {
	status     int
	code, text string
}

func (e *inputError) Error() string { return e.text }

// fault is how an error goes to the page: {"error":{"code":..., "text":...}}.
type fault struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// status is the one table that maps errors to an HTTP status and a code for the page. Errors that
// are in nobody's table are the tool's own: the page is told so, the log has the cause.
func status(err error) (int, fault) {
	var (
		in      *inputError
		refusal *chart.Refusal
		limits  *chart.RangeError
		denied  *practice.ForbiddenError
		unkept  practice.Unkept
		locked  *practice.LockedError
		busy    *practice.BusyError
		scope   *practice.ScopeError
	)
	switch {
	case errors.As(err, new(*practice.ElsewhereError)):
		return http.StatusConflict, fault{"elsewhere", "this exam runs on another node of the service, where the page goes on"}
	case errors.Is(err, practice.ErrAway), errors.Is(err, practice.ErrBehind):
		return http.StatusServiceUnavailable, fault{"store_away", "the database does not answer: what is not entered waits until it is back"}
	case errors.As(err, &unkept) && unkept.Remedy() != "" && !errors.Is(err, practice.ErrNotFound):
		return http.StatusInternalServerError, fault{"not_kept", "nothing was entered: " + unkept.Remedy()}
	case errors.As(err, &in):
		return in.status, fault{in.code, in.text}
	case errors.As(err, &denied):
		return http.StatusForbidden, fault{"forbidden", denied.Error()}
	case errors.As(err, &locked):
		return http.StatusTooManyRequests, fault{"locked", locked.Error()}
	case errors.As(err, &busy):
		return http.StatusTooManyRequests, fault{"busy", busy.Error()}
	case errors.As(err, &scope):
		return http.StatusForbidden, fault{"scope", scope.Error()}
	case errors.Is(err, practice.ErrKey):
		return http.StatusUnauthorized, fault{"key", practice.ErrKey.Error()}
	case errors.Is(err, practice.ErrSignIn):
		return http.StatusUnauthorized, fault{"sign_in", practice.ErrSignIn.Error()}
	case errors.Is(err, practice.ErrWrong):
		return http.StatusUnauthorized, fault{"wrong", practice.ErrWrong.Error()}
	case errors.Is(err, practice.ErrPasskey):
		return http.StatusUnauthorized, fault{"passkey", practice.ErrPasskey.Error()}
	case errors.Is(err, practice.ErrNoName):
		return http.StatusConflict, fault{"no_name", practice.ErrNoName.Error()}
	case errors.Is(err, practice.ErrProve):
		return http.StatusForbidden, fault{"prove", practice.ErrProve.Error()}
	case errors.Is(err, practice.ErrTaken):
		return http.StatusConflict, fault{"taken", err.Error()}
	case errors.As(err, &refusal):
		return http.StatusConflict, fault{"refused", refusal.Text}
	case errors.As(err, &limits):
		return http.StatusUnprocessableEntity, fault{"range", limits.Error()}
	case errors.Is(err, chart.ErrNoSuchTooth):
		return http.StatusUnprocessableEntity, fault{"no_such_tooth", err.Error()}
	case errors.Is(err, chart.ErrSigned):
		return http.StatusConflict, fault{"signed", chart.ErrSigned.Error()}
	case errors.Is(err, chart.ErrVoid):
		return http.StatusConflict, fault{"void", chart.ErrVoid.Error()}
	case errors.Is(err, exam.ErrMicTaken):
		return http.StatusConflict, fault{"mic_taken", exam.ErrMicTaken.Error()}
	case errors.Is(err, exam.ErrNoEngine):
		return http.StatusServiceUnavailable, fault{"no_engine", exam.ErrNoEngine.Error()}
	case notHeard(err) != nil:
		return http.StatusServiceUnavailable, *notHeard(err)
	case errors.Is(err, practice.ErrNoAdapter):
		return http.StatusServiceUnavailable, fault{"no_engine", practice.ErrNoAdapter.Error()}
	case errors.Is(err, voice.ErrDone):
		return http.StatusConflict, fault{"refused", voice.ErrDone.Error()}
	case errors.Is(err, exam.ErrClosed):
		return http.StatusServiceUnavailable, fault{"closed", exam.ErrClosed.Error()}
	case errors.Is(err, practice.ErrNotFound):
		return http.StatusNotFound, fault{"not_found", "there is no such record: it may have been opened from an old address"}
	case errors.Is(err, practice.ErrConflict):
		return http.StatusConflict, fault{"stale", "this record was changed at another screen meanwhile: look at the newer one and change it again"}
	case errors.Is(err, practice.ErrKept):
		return http.StatusConflict, fault{"kept", err.Error()}
	case errors.Is(err, practice.ErrRunning):
		return http.StatusConflict, fault{"running", err.Error()}
	case errors.Is(err, practice.ErrInvalid):
		return http.StatusConflict, fault{"refused", err.Error()}
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return http.StatusServiceUnavailable, fault{"interrupted", "the request was interrupted: try again"}
	}
	return http.StatusInternalServerError, fault{"tool", "the tool failed here, nothing was entered: look into its log"}
}

// notHeard says why a microphone was not taken; nil: that is not what happened.
func notHeard(err error) *fault {
	for code, e := range map[string]error{"stopping": practice.ErrStopping, "full": practice.ErrBusy, "unheard": practice.ErrUnheard} {
		if errors.Is(err, e) {
			return &fault{code, e.Error()}
		}
	}
	return nil
}

func (s *server) fail(w http.ResponseWriter, r *http.Request, err error) {
	code, f := status(err)
	s.told(r, code, f.Code, err)
	if f.Code == "full" {
		w.Header().Set("Retry-After", "5")
	}
	// RFC 6750, 3 and RFC 9110, 10.2.3
	if code == http.StatusUnauthorized && f.Code == "key" {
		w.Header().Set("WWW-Authenticate", `Bearer error="invalid_token"`)
	}
	if code == http.StatusTooManyRequests {
		w.Header().Set("Retry-After", strconv.Itoa(retryAfter(err)))
	}
	out := map[string]any{"error": f}
	if n := nodeOf(err); n != "" {
		out["node"] = n
	}
	reply(w, code, out)
}

// retryAfter is in how many seconds it is worth to ask again.
func retryAfter(err error) int {
	var locked *practice.LockedError
	var busy *practice.BusyError
	wait := time.Second
	if errors.As(err, &locked) {
		wait = locked.For
	} else if errors.As(err, &busy) {
		wait = busy.For
	}
	return int(math.Ceil(wait.Seconds()))
}

func reply(w http.ResponseWriter, code int, v any) {
	b, err := json.Marshal(v)
	if err != nil { // half an answer would look like a whole one
		code = http.StatusInternalServerError
		b, _ = json.Marshal(map[string]fault{"error": {"tool", "the answer cannot be written: " + err.Error()}})
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	// A connection that broke while the answer was written has nobody left to be told.
	_, _ = w.Write(append(b, '\n'))
}
