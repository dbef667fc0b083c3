package web

import (
	"context"
	"net"
	"net/http"
	"strings"

	"leadsman/practice"
)

// Programs are programs of others: those that are let in by a key, and those that are told what became of exams.
type Programs interface {
	// Enter seats the program that has a key; from is the address that it asks from.
	Enter(ctx context.Context, key, from string) (*practice.Seat, error)
	Programs(ctx context.Context) ([]practice.Program, error)
	// AddProgram gives the key, this once.
	AddProgram(ctx context.Context, x practice.Program) (made practice.Program, key string, err error)
	WithdrawProgram(ctx context.Context, id string) error

	Hooks(ctx context.Context) ([]practice.Hook, error)
	// AddHook gives the secret, this once.
	AddHook(ctx context.Context, h practice.Hook) (made practice.Hook, secret string, err error)
	RemoveHook(ctx context.Context, id string) error
	TryHook(ctx context.Context, id string) error
	Notices(ctx context.Context, id string) ([]practice.Notice, error)
	SendAgain(ctx context.Context, id string) (int, error)
}

// opens lists the addresses that keys open, and the scope that each takes. What is not here is for people alone.
var opens = map[string]practice.Scope{
	"GET /api/patients":             practice.ReadPatients,
	"GET /api/patients/{id}":        practice.ReadPatients,
	"GET /api/due":                  practice.ReadPatients,
	"POST /api/patients":            practice.WritePatients,
	"PUT /api/patients/{id}":        practice.WritePatients,
	"GET /api/patients/{id}/course": practice.ReadExams,
	"GET /api/waiting":              practice.ReadExams,
	"GET /api/exams/{id}":           practice.ReadExams,
	"GET /api/exams/{id}/visit":     practice.ReadExams,
	"GET /api/exams/{id}/findings":  practice.ReadExams,
	"GET /api/exams/{id}/compare":   practice.ReadExams,
	"GET /api/exams/{id}/profile":   practice.ReadExams,
	"GET /api/exams/{id}/earlier":   practice.ReadExams,
	"GET /api/exams/{id}/plan":      practice.ReadExams,
	"GET /api/exams/{id}/inputs":    practice.ReadExams,
	"GET /api/exams/{id}/history":   practice.ReadExams,
	"GET /api/exams/{id}/export":    practice.TakeOut,
	"GET /api/exams/{id}/due.ics":   practice.TakeOut,
	"GET /api/due.ics":              practice.TakeOut,
	"/fhir/":                        practice.TakeOut,
	"GET /api/hooks":                practice.RunHooks,
	"POST /api/hooks":               practice.RunHooks,
	"DELETE /api/hooks/{id}":        practice.RunHooks,
	"POST /api/hooks/{id}/try":      practice.RunHooks,
	"GET /api/hooks/{id}/letters":   practice.RunHooks,
	"POST /api/hooks/{id}/again":    practice.RunHooks,
}

// keyOf is the key that a request shows. Only the header counts: what stands in an address is kept in logs and histories.
func keyOf(r *http.Request) (string, bool) {
	scheme, key, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	return strings.TrimSpace(key), strings.EqualFold(scheme, "Bearer")
}

// enter seats a program. A key that crossed a network in clear is not taken: whoever listened has it.
func (s *server) enter(r *http.Request, key string) (*practice.Seat, error) {
	from, _, _ := net.SplitHostPort(r.RemoteAddr)
	if ip := net.ParseIP(from); r.TLS == nil && (ip == nil || !ip.IsLoopback()) {
		return nil, &inputError{http.StatusForbidden, "tls", "keys are taken over TLS or from this machine alone: start the service with --tls-cert, and withdraw this key, which others may have read"}
	}
	if s.Programs == nil {
		return nil, practice.ErrKey
	}
	return s.Programs.Enter(r.Context(), key, from)
}

// withPrograms is a call of a service that programs can ask, and that tells others.
func (s *server) withPrograms(do func(*http.Request) (any, error)) func(*http.Request) (any, error) {
	return func(r *http.Request) (any, error) {
		if s.Programs == nil {
			return nil, errNothingHere
		}
		return do(r)
	}
}

func (s *server) programs(r *http.Request) (any, error) {
	ps, err := s.Programs.Programs(r.Context())
	return map[string]any{"programs": append([]practice.Program{}, ps...), "scopes": practice.Scopes()}, err
}

// addProgram makes a key, which is told this once.
func (s *server) addProgram(r *http.Request) (any, error) {
	var in struct {
		Name   string           `json:"name"`
		Scopes []practice.Scope `json:"scopes"`
		Ends   string           `json:"ends"`
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	p, key, err := s.Programs.AddProgram(r.Context(), practice.Program{Name: in.Name, Scopes: in.Scopes, Ends: in.Ends})
	return struct {
		practice.Program
		Key string `json:"key"`
	}{p, key}, err
}

func (s *server) withdrawProgram(r *http.Request) (any, error) {
	if err := s.Programs.WithdrawProgram(r.Context(), r.PathValue("id")); err != nil {
		return nil, err
	}
	return s.programs(r)
}

func (s *server) hooks(r *http.Request) (any, error) {
	hs, err := s.Programs.Hooks(r.Context())
	return map[string]any{"hooks": append([]practice.Hook{}, hs...), "events": practice.Tidings()}, err
}

// addHook keeps where it is to be told, and gives the secret that notices are signed with, this once.
func (s *server) addHook(r *http.Request) (any, error) {
	var in struct {
		URL     string   `json:"url"`
		Events  []string `json:"events"`
		Details bool     `json:"details"`
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	if err := need("url", in.URL, 500); err != nil {
		return nil, err
	}
	h, secret, err := s.Programs.AddHook(r.Context(), practice.Hook{URL: in.URL, Events: in.Events, Details: in.Details})
	return struct {
		practice.Hook
		Secret string `json:"secret"`
	}{h, secret}, err
}

func (s *server) removeHook(r *http.Request) (any, error) {
	if err := s.Programs.RemoveHook(r.Context(), r.PathValue("id")); err != nil {
		return nil, err
	}
	return s.hooks(r)
}

func (s *server) tryHook(r *http.Request) (any, error) {
	return struct{}{}, s.Programs.TryHook(r.Context(), r.PathValue("id"))
}

func (s *server) notices(r *http.Request) (any, error) {
	ls, err := s.Programs.Notices(r.Context(), r.PathValue("id"))
	return append([]practice.Notice{}, ls...), err
}

func (s *server) sendAgain(r *http.Request) (any, error) {
	n, err := s.Programs.SendAgain(r.Context(), r.PathValue("id"))
	return map[string]int{"letters": n}, err
}
