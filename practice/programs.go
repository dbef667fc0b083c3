package practice

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Scope is a part of the service that a program of others may use.
type Scope string

const (
	ReadPatients  Scope = "patients:read"  // names, birth dates, file numbers, phones, visits, who is due
	WritePatients Scope = "patients:write" // add and change patients
	ReadExams     Scope = "exams:read"     // charts, findings, comparisons, plans
	TakeOut       Scope = "export"         // exams as files, the calendar, FHIR
	RunHooks      Scope = "webhooks"       // where it is told what became of exams
)

// scopes says which right of the table of roles each scope takes. A program enters nothing into exams: what stands there carries the
// name of a person.
var scopes = map[Scope]Right{ReadPatients: Read, WritePatients: Patients, ReadExams: Read, TakeOut: Export, RunHooks: ManageHooks}

// Scopes lists all scopes.
func Scopes() []Scope { return []Scope{ReadPatients, WritePatients, ReadExams, TakeOut, RunHooks} }

// Program is somebody else's program that is let in by a key.
type Program struct {
	ID        string    `json:"id"`
	Name      string    `json:"name"` // what it is for
	Scopes    []Scope   `json:"scopes"`
	Made      time.Time `json:"made"`
	MadeBy    string    `json:"made_by,omitempty"` // id of a person; "": at the command line
	Ends      string    `json:"ends,omitempty"`    // last day, YYYY-MM-DD; "": no end
	Used      string    `json:"used,omitempty"`    // last day on which it was let in
	Withdrawn time.Time `json:"withdrawn,omitzero"`
}

// Bounds of what a program may ask for (engine's choice): a page of patients a moment, not a flood.
const (
	programRate  = 20  // requests a second
	programBurst = 100 // and as many at once
)

// keyMark begins every key, so that one that leaked is recognized for what it is.
const keyMark = "leadsman_"

// ErrKey means that a key lets nobody in. Whether it was withdrawn, is over or never was is not told.
var ErrKey = errors.New("this key lets nobody in: ask an administrator of the practice for one (Settings, Programs)")

// BusyError says that a program asks for too much.
type BusyError struct{ For time.Duration }

func (e *BusyError) Error() string {
	return fmt.Sprintf("more than %d requests a second: go on in %s", programRate, e.For.Round(time.Millisecond))
}

// programs are let in.
type programs struct {
	mu    sync.Mutex
	rates map[string]*rate.Limiter
	wrong map[string]*rate.Limiter // by address
}

// Programs lists them, those that were withdrawn too.
func (p *Practice) Programs(ctx context.Context) ([]Program, error) { return p.records.Programs(ctx) }

// AddProgram lets a program in from now on, and gives its key, this once.
func (p *Practice) AddProgram(ctx context.Context, x Program) (Program, string, error) {
	x.Name = strings.TrimSpace(x.Name)
	switch {
	case x.Name == "" || len(x.Name) > 80:
		return x, "", fmt.Errorf("name: say in 1 to 80 letters what the program is for: %w", ErrInvalid)
	case len(x.Scopes) == 0:
		return x, "", fmt.Errorf("scopes: name at least one of %s: %w", scopeNames(), ErrInvalid)
	}
	for i, s := range x.Scopes {
		right, ok := scopes[s]
		if !ok || !programMay(right) {
			return x, "", fmt.Errorf("scope %q: there are %s: %w", s, scopeNames(), ErrInvalid)
		}
		if slices.Contains(x.Scopes[:i], s) {
			return x, "", fmt.Errorf("scope %q is named twice: %w", s, ErrInvalid)
		}
	}
	if x.Ends != "" {
		if day, err := time.Parse(time.DateOnly, x.Ends); err != nil || day.Format(time.DateOnly) < p.now().Format(time.DateOnly) {
			return x, "", fmt.Errorf("ends %q: write the last day as 2027-03-28, not one that is over: %w", x.Ends, ErrInvalid)
		}
	}
	secret := rand.Text() + rand.Text()
	x, err := p.records.AddProgram(ctx, Program{Name: x.Name, Scopes: x.Scopes, Ends: x.Ends, MadeBy: Who(ctx)}, secret)
	return x, keyMark + x.ID + "_" + secret, err
}

func programMay(right Right) bool { return slices.Contains(table[program], right) }

func scopeNames() string {
	var out []string
	for _, s := range Scopes() {
		out = append(out, string(s))
	}
	return strings.Join(out, ", ")
}

// WithdrawProgram ends a key at once and for good.
func (p *Practice) WithdrawProgram(ctx context.Context, id string) error {
	return p.records.WithdrawProgram(ctx, id)
}

// Enter seats the program that has a key; from is the address that it asks from. It fails with ErrKey, *LockedError and *BusyError.
func (p *Practice) Enter(ctx context.Context, key, from string) (*Seat, error) {
	now := p.now()
	id, secret, _ := strings.Cut(strings.TrimPrefix(key, keyMark), "_")
	x, err := p.records.ProgramWithKey(ctx, id, secret)
	switch {
	case errors.Is(err, ErrNotFound) || !strings.HasPrefix(key, keyMark):
		return nil, p.wrongKey(ctx, from, "a key that nobody has")
	case err != nil:
		return nil, err
	case !x.Withdrawn.IsZero():
		return nil, p.wrongKey(ctx, from, "withdrawn: "+x.ID)
	case x.Ends != "" && now.Format(time.DateOnly) > x.Ends:
		return nil, p.wrongKey(ctx, from, "over: "+x.ID)
	}
	if wait := p.programs.take(&p.programs.rates, x.ID, programRate, programBurst, now); wait > 0 {
		return nil, &BusyError{wait}
	}
	if day := now.Format(time.DateOnly); x.Used != day {
		if err := p.records.ProgramUsed(By(ctx, programID(x.ID)), x.ID, day); err != nil {
			return nil, err
		}
	}
	return &Seat{Person: Person{ID: programID(x.ID), Name: x.Name, Roles: []Role{program}}, Sure: true, program: &x}, nil
}

// programID is how the journal names a program.
func programID(id string) string { return "program/" + id }

// wrongKey journals a try, a few a minute and address: whoever knows no key cannot fill the journal. Keys cannot be guessed, so that a
// right one is let in however many wrong ones come from the same address.
func (p *Practice) wrongKey(ctx context.Context, from, why string) error {
	if wait := p.programs.take(&p.programs.wrong, from, rate.Every(lockedFor/mostWrong), mostWrong, p.now()); wait > 0 {
		return &LockedError{wait}
	}
	return errors.Join(ErrKey, p.records.Note(ctx, "program.refused", "", why+", from "+from))
}

// take takes one from a bucket; if it is empty it says how long it takes until there is one again.
func (g *programs) take(buckets *map[string]*rate.Limiter, name string, per rate.Limit, burst int, now time.Time) time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	if *buckets == nil || len(*buckets) > 10_000 { // more than there are programs, or addresses that try
		*buckets = map[string]*rate.Limiter{}
	}
	l := (*buckets)[name]
	if l == nil {
		l = rate.NewLimiter(per, burst)
		(*buckets)[name] = l
	}
	if l.AllowN(now, 1) {
		return 0
	}
	r := l.ReserveN(now, 1)
	defer r.CancelAt(now)
	return max(r.DelayFrom(now), time.Millisecond)
}

// ScopeError says that a key has not the scope that an address takes.
type ScopeError struct {
	Scope Scope // "": no key opens this address
	Name  string
}

func (e *ScopeError) Error() string {
	if e.Scope == "" {
		return "no key opens this address: it is for people who sign in"
	}
	return fmt.Sprintf("the key of %q has not the scope %s that this takes: an administrator makes another key", e.Name, e.Scope)
}

// Program reports whether it is a program that sits there.
func (s *Seat) Program() bool { return s.program != nil }

// Opens says why a program may not use an address that takes a scope; "" is one that no key opens.
func (s *Seat) Opens(scope Scope) error {
	if scope == "" || !slices.Contains(s.program.Scopes, scope) {
		return &ScopeError{scope, s.program.Name}
	}
	return s.May(scopes[scope])
}
