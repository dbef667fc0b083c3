package practice_test

import (
	"encoding/base64"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"

	"leadsman/practice"
	"leadsman/speech/scripted"
	"leadsman/store"
)

// staffed is a practice with an administrator who has a password, a clinician and a student, at a time that the test sets.
func staffed(t *testing.T, now *time.Time) (p *practice.Practice, st *store.Store, ada, ben, sam practice.Person) {
	t.Helper()
	ctx := t.Context()
	clock := func() time.Time { return *now }
	st, err := store.Open(ctx, t.TempDir()+"/data", clock)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	p = practice.New(practice.Config{Records: st, Engine: scripted.New(), Now: clock, Look: time.Hour, Log: slog.New(slog.DiscardHandler)})
	t.Cleanup(p.Close)
	save := func(name string, r practice.Role) practice.Person {
		x, err := p.SavePerson(ctx, practice.Person{Name: name, Roles: []practice.Role{r}})
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	ada, ben, sam = save("Ada Quill", practice.Administrator), save("Ben Oakley", practice.Clinician), save("Sam Reed", practice.Student)
	return p, st, ada, ben, sam
}

// Who may sit down: in an open practice by name, then by password alone, by a short code at a screen that is in use; and what a session
// allows. Bounds are those of OWASP ASVS 5.0 where people.go and tries.go name it.
func TestWhoSitsAtAScreen(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	p, st, ada, ben, sam := staffed(t, &now)
	ctx := t.Context()
	seat := func(token string) *practice.Seat {
		t.Helper()
		s, err := p.People.Seat(ctx, token, true)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	if s := seat(""); !s.Open || s.Person.ID != "" || s.May(practice.Examine) == nil || s.May(practice.Patients) != nil {
		t.Errorf("nobody sits here as %+v", s)
	}
	token, err := p.People.Choose(ctx, seat(""), ben.ID)
	if err != nil {
		t.Fatal(err)
	}
	if s := seat(token); s.Caller().Who != "Ben Oakley" || s.May(practice.Sign) != nil || s.May(practice.ChangeSettings) != nil {
		t.Errorf("in an open practice Ben is %+v", s)
	}
	// The first password is an administrator's and closes the practice: whoever sat there by name has to sign in.
	if err := p.People.SetPassword(ctx, seat(""), ben.ID, "seven fathoms deep"); !errors.Is(err, practice.ErrInvalid) {
		t.Error("the first password was a clinician's:", err)
	}
	if err := p.People.SetPassword(ctx, seat(""), ada.ID, "seven"); !errors.Is(err, practice.ErrInvalid) {
		t.Error("a password of five letters:", err)
	}
	if err := p.People.SetPassword(ctx, seat(""), ada.ID, "seven fathoms deep"); err != nil {
		t.Fatal(err)
	}
	if s := seat(token); s.Person.ID != "" || s.May(practice.Read) == nil {
		t.Errorf("after the first password sits %+v", s)
	}
	if _, err := p.People.Choose(ctx, seat(""), ben.ID); !errors.Is(err, practice.ErrSignIn) {
		t.Error("a name alone lets in:", err)
	}
	// What is kept is argon2id, as its reference library works it out (RFC 9106).
	kept, err := st.Password(ctx, ada.ID)
	if err != nil {
		t.Fatal(err)
	}
	part := strings.Split(kept, "$")
	salt, _ := base64.RawStdEncoding.DecodeString(part[4])
	if part[3] != "m=65536,t=3,p=4" || base64.RawStdEncoding.EncodeToString(argon2.IDKey([]byte("seven fathoms deep"), salt, 3, 65536, 4, 32)) != part[5] {
		t.Errorf("the password is kept as %s", kept)
	}
	if _, err := p.People.SignIn(ctx, seat(""), "Ada Quill", "eight fathoms deep", "10.0.0.1"); !errors.Is(err, practice.ErrWrong) {
		t.Error("another password:", err)
	}
	if token, err = p.People.SignIn(ctx, seat(""), " ada quill ", "seven fathoms deep", "10.0.0.1"); err != nil {
		t.Fatal(err)
	}
	chair := seat(token)
	if chair.Person.ID != ada.ID || !chair.Sure || chair.May(practice.ManagePeople) != nil || chair.Program() {
		t.Errorf("signed in as %+v", chair)
	}
	var no *practice.ForbiddenError
	if err := chair.May(practice.Cosign); !errors.As(err, &no) || !strings.Contains(err.Error(), "supervisor") {
		t.Error("an administrator may co-sign:", err)
	}
	// A short code switches the person, but proves nothing; the own password does.
	if err := p.People.SetCode(ctx, chair, sam.ID, "ab"); !errors.Is(err, practice.ErrInvalid) {
		t.Error("a code of two letters:", err)
	}
	if err := errors.Join(p.People.SetCode(ctx, chair, sam.ID, "4711"), p.People.SetPassword(ctx, chair, sam.ID, "a lead line of ten")); err != nil {
		t.Fatal(err)
	}
	if _, err := p.People.Switch(ctx, chair, "0815"); !errors.Is(err, practice.ErrWrong) {
		t.Error("a code that nobody has:", err)
	}
	if token, err = p.People.Switch(ctx, chair, " 4711"); err != nil {
		t.Fatal(err)
	}
	chair = seat(token)
	if chair.Person.ID != sam.ID || chair.Sure || chair.May(practice.Examine) != nil || !errors.Is(chair.May(practice.Sign), practice.ErrProve) {
		t.Errorf("switched to %+v", chair)
	}
	for _, r := range chair.Rights() {
		if r == practice.Cosign {
			t.Error("a student may co-sign")
		}
	}
	if err := p.People.Is(ctx, chair, "seven fathoms deep"); !errors.Is(err, practice.ErrWrong) {
		t.Error("somebody else's password:", err)
	}
	if token, err = p.People.Prove(ctx, chair, "a lead line of ten"); err != nil {
		t.Fatal(err)
	}
	if s := seat(token); !s.Sure || s.May(practice.Sign) != nil {
		t.Errorf("proved to be %+v", s)
	}
	// A microphone keeps the session in use; without it an hour ends it, and signing out at once.
	for range 3 {
		now = now.Add(50 * time.Minute)
		p.People.Listens(seat(token))
	}
	if seat(token).Person.ID != sam.ID {
		t.Error("a session in use has ended")
	}
	now = now.Add(61 * time.Minute)
	if seat(token).Person.ID != "" {
		t.Error("a session of an hour ago goes on")
	}
	if token, err = p.People.SignIn(ctx, seat(""), "Sam Reed", "a lead line of ten", "10.0.0.1"); err != nil {
		t.Fatal(err)
	}
	p.People.SignOut(ctx, seat(token))
	if seat(token).Person.ID != "" {
		t.Error("signed out, the session goes on")
	}
	if all, err := p.People.All(ctx); err != nil || len(all) != 3 {
		t.Errorf("%d people, %v", len(all), err)
	}
	// The sixth wrong password waits a minute (5 in a row: engine's choice under ASVS 6.3).
	for range 5 {
		if _, err := p.People.SignIn(ctx, seat(""), "Sam Reed", "wrong and wrong", "10.0.0.9"); !errors.Is(err, practice.ErrWrong) {
			t.Fatal(err)
		}
	}
	var locked *practice.LockedError
	if _, err := p.People.SignIn(ctx, seat(""), "Sam Reed", "a lead line of ten", "10.0.0.9"); !errors.As(err, &locked) || locked.For > time.Minute || locked.Error() == "" {
		t.Error("after five wrong ones:", err)
	}
	if err := p.People.SetPassword(ctx, seat(""), ada.ID, ""); !errors.Is(err, practice.ErrInvalid) {
		t.Error("the last administrator has no password any more:", err)
	}
}

// Keys let programs in as far as their scopes go, until they end, are withdrawn or ask too much.
func TestProgramsHaveKeys(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	p, _, _, _, _ := staffed(t, &now)
	ctx := t.Context()
	for _, bad := range []practice.Program{{Scopes: practice.Scopes()}, {Name: "recall"}, {Name: "recall", Scopes: []practice.Scope{"all"}},
		{Name: "recall", Scopes: []practice.Scope{practice.TakeOut, practice.TakeOut}}, {Name: "recall", Scopes: practice.Scopes(), Ends: "2026-03-01"}} {
		if _, _, err := p.AddProgram(ctx, bad); !errors.Is(err, practice.ErrInvalid) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	x, key, err := p.AddProgram(ctx, practice.Program{Name: "recall", Scopes: []practice.Scope{practice.ReadPatients}, Ends: "2026-03-03"})
	if err != nil {
		t.Fatal(err)
	}
	s, err := p.Enter(ctx, key, "10.0.0.2")
	if err != nil || !s.Program() || s.Opens(practice.ReadPatients) != nil || s.May(practice.Sign) == nil {
		t.Fatalf("%+v, %v", s, err)
	}
	var scope *practice.ScopeError
	for _, not := range []practice.Scope{practice.TakeOut, ""} {
		if err := s.Opens(not); !errors.As(err, &scope) || err.Error() == "" {
			t.Errorf("scope %q: %v", not, err)
		}
	}
	if _, err := p.Enter(ctx, key+"x", "10.0.0.2"); !errors.Is(err, practice.ErrKey) {
		t.Error("another key:", err)
	}
	var busy *practice.BusyError
	for range 200 {
		if _, err = p.Enter(ctx, key, "10.0.0.2"); err != nil {
			break
		}
	}
	if !errors.As(err, &busy) || busy.For > time.Second || busy.Error() == "" {
		t.Error("200 requests at one moment:", err)
	}
	now = now.AddDate(0, 0, 2)
	if _, err := p.Enter(ctx, key, "10.0.0.2"); !errors.Is(err, practice.ErrKey) {
		t.Error("a day after its end:", err)
	}
	now = now.AddDate(0, 0, -2)
	if err := p.WithdrawProgram(ctx, x.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Enter(ctx, key, "10.0.0.2"); !errors.Is(err, practice.ErrKey) {
		t.Error("withdrawn:", err)
	}
	for range 10 {
		_, err = p.Enter(ctx, "leadsman_none_none", "10.0.0.3")
	}
	if !errors.As(err, new(*practice.LockedError)) {
		t.Error("ten wrong keys from one address:", err)
	}
	if all, err := p.Programs(ctx); err != nil || len(all) != 1 || all[0].Used != "2026-03-02" || all[0].Withdrawn.IsZero() {
		t.Errorf("%+v, %v", all, err)
	}
}
