package web

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"slices"
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

// answers is the one table that maps errors to an HTTP status and a code for the page: the first row that an error is of. Faults of
// requests (inputError) bring their own.
var answers = []struct {
	of     finder
	status int
	code   string
}{
	{says("this exam runs on another node of the service, where the page goes on", kind[*practice.ElsewhereError]), http.StatusConflict, "elsewhere"},
	{says("the database does not answer: what is not entered waits until it is back", is(practice.ErrAway), is(practice.ErrBehind)), http.StatusServiceUnavailable, "store_away"},
	{unkept, http.StatusInternalServerError, "not_kept"},
	{kind[*practice.ForbiddenError], http.StatusForbidden, "forbidden"},
	{kind[*practice.LockedError], http.StatusTooManyRequests, "locked"},
	{kind[*practice.BusyError], http.StatusTooManyRequests, "busy"},
	{kind[*practice.ScopeError], http.StatusForbidden, "scope"},
	{is(practice.ErrKey), http.StatusUnauthorized, "key"},
	{is(practice.ErrSignIn), http.StatusUnauthorized, "sign_in"},
	{is(practice.ErrWrong), http.StatusUnauthorized, "wrong"},
	{is(practice.ErrPasskey), http.StatusUnauthorized, "passkey"},
	{is(practice.ErrNoName), http.StatusConflict, "no_name"},
	{is(practice.ErrProve), http.StatusForbidden, "prove"},
	{within(practice.ErrTaken), http.StatusConflict, "taken"},
	{kind[*chart.Refusal], http.StatusConflict, "refused"},
	{kind[*chart.RangeError], http.StatusUnprocessableEntity, "range"},
	{within(chart.ErrNoSuchTooth), http.StatusUnprocessableEntity, "no_such_tooth"},
	{is(chart.ErrSigned), http.StatusConflict, "signed"},
	{is(chart.ErrVoid), http.StatusConflict, "void"},
	{is(exam.ErrMicTaken), http.StatusConflict, "mic_taken"},
	{is(exam.ErrNoEngine), http.StatusServiceUnavailable, "no_engine"},
	{is(practice.ErrStopping), http.StatusServiceUnavailable, "stopping"},
	{is(practice.ErrBusy), http.StatusServiceUnavailable, "full"},
	{is(practice.ErrUnheard), http.StatusServiceUnavailable, "unheard"},
	{is(practice.ErrNoAdapter), http.StatusServiceUnavailable, "no_engine"},
	{is(voice.ErrDone), http.StatusConflict, "refused"},
	{is(exam.ErrClosed), http.StatusServiceUnavailable, "closed"},
	{says("there is no such record: it may have been opened from an old address", is(practice.ErrNotFound)), http.StatusNotFound, "not_found"},
	{says("this record was changed at another screen meanwhile: look at the newer one and change it again", is(practice.ErrConflict)), http.StatusConflict, "stale"},
	{within(practice.ErrKept), http.StatusConflict, "kept"},
	{within(practice.ErrRunning), http.StatusConflict, "running"},
	{within(practice.ErrInvalid), http.StatusConflict, "refused"},
	{says("the request was interrupted: try again", is(context.Canceled), is(context.DeadlineExceeded)), http.StatusServiceUnavailable, "interrupted"},
}

// finder looks for an error in what went wrong, and gives the text that tells of it.
type finder func(error) (text string, ok bool)

// is finds an error and gives its own words.
func is(target error) finder {
	return func(err error) (string, bool) { return target.Error(), errors.Is(err, target) }
}

// within finds an error and gives the words of all that it is wrapped in: they say which record, and what to do.
func within(target error) finder {
	return func(err error) (string, bool) { return err.Error(), errors.Is(err, target) }
}

// kind finds an error of a type and gives its own words.
func kind[E error](err error) (string, bool) {
	if e := *new(E); errors.As(err, &e) {
		return e.Error(), true
	}
	return "", false
}

// says gives other words where one of several is found.
func says(text string, these ...finder) finder {
	return func(err error) (string, bool) {
		return text, slices.ContainsFunc(these, func(of finder) bool {
			_, ok := of(err)
			return ok
		})
	}
}

// unkept finds a fault of the store that somebody can do something about.
func unkept(err error) (string, bool) {
	var e practice.Unkept
	if errors.As(err, &e) && e.Remedy() != "" && !errors.Is(err, practice.ErrNotFound) {
		return "nothing was entered: " + e.Remedy(), true
	}
	return "", false
}

// status gives the HTTP status of an error, and what the page is told. Errors that are in no row are the tool's own: the page is told so,
// the log has the cause.
func status(err error) (int, fault) {
	if in := (*inputError)(nil); errors.As(err, &in) {
		return in.status, fault{in.code, in.text}
	}
	for _, a := range answers {
		if text, ok := a.of(err); ok {
			return a.status, fault{a.code, text}
		}
	}
	return http.StatusInternalServerError, fault{"tool", "the tool failed here, nothing was entered: look into its log"}
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
