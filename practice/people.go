package practice

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"leadsman/exam"
)

// Bounds of sessions: OWASP ASVS 5.0, 7.3 asks for both ends of a session. The figures are engine's choices: a working day; a long exam
// with the microphone on counts as use.
const (
	longestSession = 12 * time.Hour
	idleSession    = time.Hour
	minCode        = 4
	maxCode        = 64
)

var (
	// ErrSignIn means that nobody has signed in, or not any more.
	ErrSignIn = errors.New("sign in first: nobody is signed in here, or the session has ended")
	// ErrWrong means that name and password, or a code, fit nobody. Which of them is wrong is not told.
	ErrWrong = errors.New("that fits nobody here: look at the name and type it again")
	// ErrProve means that the person came by a short code, which is not enough for what is asked.
	ErrProve = errors.New("this is done in your name: type your password once more")
	// ErrTaken means that a name or code belongs to somebody already.
	ErrTaken = errors.New("somebody else has that already: choose another")
)

// LockedError says that too much was tried.
type LockedError struct{ For time.Duration }

func (e *LockedError) Error() string {
	return fmt.Sprintf("too many wrong tries: wait %s, then try again", e.For.Round(time.Second))
}

// Session is a screen at which somebody has signed in.
type Session struct {
	Token  []byte // SHA-256 of what the browser has
	Person string
	Sure   bool // by password, not by a short code
	Began  time.Time
	Used   time.Time
}

// Seat is who sits at a screen, and what may be done there.
type Seat struct {
	Person Person // without ID: nobody
	Open   bool   // nobody here has a password: who is at this machine says who it is
	Sure   bool   // the person proved to be it
	// Ended is closed when the session ends, or an open practice is open no more; nil for a program.
	Ended   <-chan struct{}
	token   string
	program *Program // nil: a person
}

// May says why the person may not do something: *ForbiddenError or ErrProve.
func (s *Seat) May(right Right) error {
	if s.Person.ID == "" {
		if !s.Open {
			return ErrSignIn
		}
		if !slices.Contains(nameless, right) {
			return &ForbiddenError{Right: right}
		}
		return nil
	}
	roles := s.Person.Roles
	if s.Open { // who could be anybody is not kept from the settings
		roles = append(slices.Clone(roles), Administrator)
	}
	if !slices.ContainsFunc(roles, func(r Role) bool { return r.May(right) }) {
		return &ForbiddenError{right, s.Person.Name, s.Person.Roles}
	}
	if !s.Sure && slices.Contains(proven, right) {
		return ErrProve
	}
	return nil
}

// Rights lists what the person may do, proven or not.
func (s *Seat) Rights() []Right {
	out := []Right{}
	for _, r := range []Right{Read, Patients, Examine, Decide, Sign, Cosign, Amend, Correct, Export, Practise, ChangeSettings, ManagePeople, Audit, EraseData, ManageHooks, ManagePrograms} {
		if err := s.May(r); err == nil || errors.Is(err, ErrProve) {
			out = append(out, r)
		}
	}
	return out
}

// People keeps accounts and who has signed in where.
type People struct {
	records Records
	now     func() time.Time
	log     *slog.Logger

	mu       sync.Mutex
	sessions map[string]*session // by Token
	asked    map[string]ceremony // passkeys that were asked for, by ticket
	swept    time.Time           // when old tries were forgotten last
	closed   bool                // somebody has a password
	opened   chan struct{}       // ends what was let in because nobody had one
	loaded   bool
}

type session struct {
	Session
	noted time.Time // when Used was kept last
	wrong int       // codes and passwords
	ended chan struct{}
}

func newPeople(r Records, now func() time.Time, log *slog.Logger) *People {
	return &People{records: r, now: now, log: log, sessions: map[string]*session{}, asked: map[string]ceremony{}, opened: make(chan struct{})}
}

// load reads what was kept, once. The caller holds mu.
func (p *People) load(ctx context.Context) error {
	if p.loaded {
		return nil
	}
	kept, err := p.records.Sessions(ctx)
	if err != nil {
		return err
	}
	for _, s := range kept {
		p.sessions[string(s.Token)] = &session{Session: s, noted: s.Used, ended: make(chan struct{})}
	}
	if err := p.count(ctx); err != nil {
		return err
	}
	p.loaded = true
	return nil
}

// count finds out whether anybody has a password. The caller holds mu.
func (p *People) count(ctx context.Context) error {
	all, err := p.records.People(ctx)
	if err != nil {
		return err
	}
	was := p.closed
	p.closed = slices.ContainsFunc(all, func(x Person) bool { return x.Password && !x.Retired })
	switch {
	case p.closed && !was:
		close(p.opened)
	case was && !p.closed:
		p.opened = make(chan struct{})
	}
	return nil
}

func hashed(token string) string {
	h := sha256.Sum256([]byte(token))
	return string(h[:])
}

// Seat is who sits at the screen that has a token, "" for none. here says that the screen is on the machine of the service: at another
// one nobody is let in as long as nobody has a password.
func (p *People) Seat(ctx context.Context, token string, here bool) (*Seat, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return nil, err
	}
	s := &Seat{Open: !p.closed && here, token: token}
	x := p.sessions[hashed(token)]
	now := p.now()
	if x != nil && p.over(x, now) {
		p.end(ctx, x)
		x = nil
	}
	if x == nil {
		if !s.Open {
			return s, nil
		}
		s.Ended = p.opened
		return s, p.only(ctx, s)
	}
	person, err := p.person(ctx, x.Person)
	if err != nil || person.Retired || !s.Open && !p.closed {
		p.end(ctx, x)
		if errors.Is(err, ErrNotFound) || err == nil {
			return &Seat{Open: s.Open, Ended: p.opened}, nil
		}
		return nil, err
	}
	x.Used = now
	if now.Sub(x.noted) > time.Minute {
		if err := p.records.PutSession(ctx, x.Session); err != nil {
			return nil, err
		}
		x.noted = now
	}
	s.Person, s.Sure, s.Ended = person, x.Sure || s.Open, x.ended
	return s, nil
}

func (p *People) over(x *session, now time.Time) bool {
	return now.Sub(x.Began) > longestSession || now.Sub(x.Used) > idleSession
}

// only seats the only person of an open practice.
func (p *People) only(ctx context.Context, s *Seat) error {
	all, err := p.records.People(ctx)
	all = slices.DeleteFunc(all, func(x Person) bool { return x.Retired })
	if len(all) == 1 {
		s.Person, s.Sure = all[0], true
	}
	return err
}

func (p *People) person(ctx context.Context, id string) (Person, error) {
	all, err := p.records.People(ctx)
	if err != nil {
		return Person{}, err
	}
	for _, x := range all {
		if x.ID == id {
			return x, nil
		}
	}
	return Person{}, fmt.Errorf("person %q: %w", id, ErrNotFound)
}

// end forgets a session. The caller holds mu.
func (p *People) end(ctx context.Context, x *session) {
	delete(p.sessions, string(x.Token))
	close(x.ended)
	if err := p.records.EndSession(ctx, x.Token); err != nil {
		p.log.Error("a session is not forgotten", "err", err)
	}
}

// begin seats a person with a new token; the former session of the screen ends. The caller holds mu.
func (p *People) begin(ctx context.Context, former *Seat, person Person, sure bool) (string, error) {
	b := make([]byte, 32)
	rand.Read(b) // never fails
	token := base64.RawURLEncoding.EncodeToString(b)
	now := p.now()
	x := &session{Session: Session{Token: []byte(hashed(token)), Person: person.ID, Sure: sure, Began: now, Used: now}, noted: now, ended: make(chan struct{})}
	if old := p.sessions[hashed(former.token)]; old != nil {
		if !sure { // a switch of the person does not lengthen the session of the screen
			x.Began = old.Began
		}
		p.end(ctx, old)
	}
	if err := p.records.PutSession(ctx, x.Session); err != nil {
		return "", err
	}
	p.sessions[string(x.Token)] = x
	return token, p.records.Note(By(ctx, person.ID), "session.began", "", map[bool]string{true: "", false: "by a short code"}[sure])
}

// Choose seats somebody by name alone, which an open practice allows.
func (p *People) Choose(ctx context.Context, s *Seat, person string) (string, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !s.Open || p.closed {
		return "", ErrSignIn
	}
	x, err := p.person(ctx, person)
	if err != nil {
		return "", err
	}
	if x.Retired {
		return "", ErrWrong
	}
	return p.begin(ctx, s, x, true)
}

// SignIn seats who has a name and a password. from is the address of the screen.
func (p *People) SignIn(ctx context.Context, s *Seat, name, password, from string) (string, error) {
	a := signingIn(name, from)
	p.mu.Lock()
	err := p.take(ctx, a)
	p.mu.Unlock()
	if err != nil {
		return "", err
	}
	all, err := p.records.People(ctx)
	if err != nil {
		return "", err
	}
	var found []Person
	asked := false
	for _, x := range all {
		if x.Retired || !x.Password || !strings.EqualFold(x.Name, strings.TrimSpace(name)) {
			continue
		}
		kept, err := p.records.Password(ctx, x.ID)
		if err != nil {
			return "", err
		}
		asked = true
		if checkPassword(kept, password) {
			found = append(found, x)
		}
	}
	if !asked {
		checkPassword("", password)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(found) != 1 {
		return "", errors.Join(ErrWrong, p.records.Note(ctx, "session.refused", "", "name and password"))
	}
	if err := p.right(ctx, a); err != nil {
		return "", err
	}
	return p.begin(ctx, s, found[0], true)
}

// Switch seats who has a short code, at a screen where somebody sits already.
func (p *People) Switch(ctx context.Context, s *Seat, code string) (string, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if s.Person.ID == "" && !s.Open {
		return "", ErrSignIn
	}
	a := ofPerson("codes", s.Person.ID)
	a.ofOthers = true
	if err := p.take(ctx, a); err != nil {
		return "", err
	}
	id, err := p.records.PersonWithCode(ctx, strings.TrimSpace(code))
	var x Person
	if err == nil {
		x, err = p.person(ctx, id)
	}
	if errors.Is(err, ErrNotFound) || err == nil && x.Retired {
		p.tiredOf(ctx, s)
		return "", errors.Join(ErrWrong, p.records.Note(By(ctx, s.Person.ID), "session.refused", "", "short code"))
	}
	if err != nil {
		return "", err
	}
	if err := p.right(ctx, a); err != nil {
		return "", err
	}
	return p.begin(ctx, s, x, s.Open)
}

// tiredOf closes a screen at which somebody tries codes or passwords. The caller holds mu.
func (p *People) tiredOf(ctx context.Context, s *Seat) {
	if x := p.sessions[hashed(s.token)]; x != nil && !s.Open {
		if x.wrong++; x.wrong >= mostWrong {
			p.end(ctx, x)
		}
	}
}

// Prove has the person at a screen type the own password, so that what needs proof may be done there.
func (p *People) Prove(ctx context.Context, s *Seat, password string) (string, error) {
	if err := p.Is(ctx, s, password); err != nil {
		return "", err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.begin(ctx, s, s.Person, true)
}

// Is checks that a password is that of the person at a screen.
func (p *People) Is(ctx context.Context, s *Seat, password string) error {
	if s.Person.ID == "" {
		return ErrSignIn
	}
	a := ofPerson("proof", s.Person.ID)
	p.mu.Lock()
	err := p.take(ctx, a)
	p.mu.Unlock()
	if err != nil {
		return err
	}
	kept, err := p.records.Password(ctx, s.Person.ID)
	if err != nil {
		return err
	}
	ok := checkPassword(kept, password)
	p.mu.Lock()
	defer p.mu.Unlock()
	if !ok {
		p.tiredOf(ctx, s)
		return errors.Join(ErrWrong, p.records.Note(By(ctx, s.Person.ID), "session.refused", "", "password"))
	}
	return p.right(ctx, a)
}

// SignOut ends the session of a screen.
func (p *People) SignOut(ctx context.Context, s *Seat) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if x := p.sessions[hashed(s.token)]; x != nil {
		p.end(ctx, x)
	}
}

// sweep ends what is over.
func (p *People) sweep(ctx context.Context) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.now()
	for _, x := range p.sessions {
		if p.over(x, now) {
			p.end(ctx, x)
		}
	}
	maps.DeleteFunc(p.asked, func(_ string, c ceremony) bool { return now.After(c.until) })
	if now.Sub(p.swept) < time.Hour {
		return
	}
	p.swept = now
	if err := p.records.ForgetTries(ctx, now.Add(-longestLock)); err != nil {
		p.log.Error("old tries are not forgotten", "err", err)
	}
}

// Listens keeps the session of a screen from ending while it is in use by other ways than requests: a microphone that is on.
func (p *People) Listens(s *Seat) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if x := p.sessions[hashed(s.token)]; x != nil {
		x.Used = p.now()
	}
}

// All lists everybody, those who left too.
func (p *People) All(ctx context.Context) ([]Person, error) { return p.records.People(ctx) }

// save adds (ID "") or changes a person; what the account has is left as it is.
func (p *People) save(ctx context.Context, x Person) (Person, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return x, err
	}
	if err := x.Check(); err != nil {
		return x, err
	}
	all, err := p.records.People(ctx)
	if err != nil {
		return x, err
	}
	var was Person
	for _, o := range all {
		if o.ID == x.ID {
			was = o
		} else if !o.Retired && !x.Retired && strings.EqualFold(o.Name, x.Name) {
			return x, fmt.Errorf("name %q: %w", x.Name, ErrTaken)
		}
	}
	if x.ID != "" && was.ID == "" {
		return x, fmt.Errorf("person %q: %w", x.ID, ErrNotFound)
	}
	if was.Password && was.Is(Administrator) && !was.Retired && (x.Retired || !x.Is(Administrator)) && p.last(all, was.ID) {
		return x, fmt.Errorf("%s is the last administrator with a password: make somebody else one first: %w", was.Name, ErrInvalid)
	}
	if x, err = p.records.PutPerson(ctx, x); err != nil {
		return x, err
	}
	// Who may do less from here on signs in anew: a microphone that is on was opened with the rights of before.
	less := x.Retired || slices.ContainsFunc(was.Roles, func(r Role) bool { return !x.Is(r) })
	for _, o := range p.sessions {
		if less && o.Person == x.ID {
			p.end(ctx, o)
		}
	}
	return x, p.count(ctx)
}

// last reports whether nobody but one person is an administrator with a password.
func (p *People) last(all []Person, id string) bool {
	return !slices.ContainsFunc(all, func(o Person) bool { return o.ID != id && !o.Retired && o.Password && o.Is(Administrator) })
}

// SetPassword gives a person a password, or takes it away (""). The person's other sessions end. The first password is an
// administrator's: from it on everybody signs in.
func (p *People) SetPassword(ctx context.Context, s *Seat, id, password string) error {
	var kept string
	var err error
	if password != "" {
		if kept, err = hashPassword(password); err != nil {
			return err
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return err
	}
	all, err := p.records.People(ctx)
	if err != nil {
		return err
	}
	x, err := p.person(ctx, id)
	if err != nil {
		return err
	}
	others := slices.ContainsFunc(all, func(o Person) bool { return o.ID != id && o.Password && !o.Retired })
	switch {
	case password != "" && !p.closed && !x.Is(Administrator):
		return fmt.Errorf("password: the first one is an administrator's, so that somebody can always get in: %w", ErrInvalid)
	case password == "" && others && x.Is(Administrator) && p.last(all, id):
		return fmt.Errorf("%s is the last administrator with a password: make somebody else one first: %w", x.Name, ErrInvalid)
	}
	if err := p.records.SetPassword(ctx, id, kept); err != nil {
		return err
	}
	// Without a password there are no passkeys; who gets one from somebody else may have lost those as well.
	if password == "" || s.Person.ID != id {
		keys, err := p.records.Passkeys(ctx, id)
		if err != nil {
			return err
		}
		for _, k := range keys {
			if err := p.records.DeletePasskey(ctx, id, k.ID); err != nil {
				return err
			}
		}
	}
	open := !p.closed
	if err := p.count(ctx); err != nil {
		return err
	}
	for _, x := range p.sessions {
		if x.Person == id && string(x.Token) != hashed(s.token) || open && p.closed { // from here on everybody signs in
			p.end(ctx, x)
		}
	}
	return nil
}

// SetCode gives a person a short code, which is typed or comes from a card, or takes it away (""). Choosing one's own is counted as trying
// is: whether somebody else has a code already tells who could sit down with it.
func (p *People) SetCode(ctx context.Context, s *Seat, id, code string) error {
	code = strings.TrimSpace(code)
	if n := len(code); code != "" && (n < minCode || n > maxCode || strings.ContainsFunc(code, func(r rune) bool { return !unicode.IsGraphic(r) })) {
		return fmt.Errorf("code: %d to %d letters or digits: %w", minCode, maxCode, ErrInvalid)
	}
	if _, err := p.person(ctx, id); err != nil {
		return err
	}
	if code != "" && s.May(ManagePeople) != nil {
		p.mu.Lock()
		err := p.take(ctx, ofPerson("new codes", id))
		p.mu.Unlock()
		if err != nil {
			return err
		}
	}
	return p.records.SetCode(ctx, id, code)
}

// Caller is who makes a call at a screen.
func (s *Seat) Caller() exam.Caller { return s.Person.Caller() }
