package store

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/mattn/go-sqlite3"

	"leadsman/practice"
)

// What accounts rest on comes back as it was kept, and what could be tried out does not stand in the file.
func TestAccounts(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	ada, err := s.PutPerson(ctx, Person{Name: "Ada Quill", Roles: []practice.Role{practice.Administrator}})
	if err != nil {
		t.Fatal(err)
	}
	ben, err := s.PutPerson(ctx, Person{Name: "Ben Oakley", Roles: []practice.Role{practice.Clinician}})
	if err != nil {
		t.Fatal(err)
	}
	if kept, err := s.Password(ctx, ada.ID); err != nil || kept != "" {
		t.Errorf("%q before the first password, %v", kept, err)
	}
	if err := s.SetPassword(ctx, ada.ID, "$argon2id$kept"); err != nil {
		t.Fatal(err)
	}
	if kept, err := s.Password(ctx, ada.ID); err != nil || kept != "$argon2id$kept" {
		t.Errorf("%q, %v", kept, err)
	}
	if err := s.SetCode(ctx, ada.ID, "shortcode4711"); err != nil {
		t.Fatal(err)
	}
	if err := s.SetCode(ctx, ben.ID, "shortcode4711"); !errors.Is(err, practice.ErrTaken) {
		t.Error("two people have one code:", err)
	}
	if who, err := s.PersonWithCode(ctx, "shortcode4711"); err != nil || who != ada.ID {
		t.Errorf("the code is of %s, %v", who, err)
	}
	if _, err := s.PersonWithCode(ctx, "0815"); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	if err := s.SetCode(ctx, ada.ID, ""); err != nil {
		t.Fatal(err)
	}
	if _, err := s.PersonWithCode(ctx, ""); !errors.Is(err, ErrNotFound) {
		t.Error("no code is somebody's:", err)
	}
	// Sessions and tries, which come and go.
	now := s.now()
	if err := s.PutSession(ctx, practice.Session{Token: []byte("token"), Person: ada.ID, Began: now, Used: now}); err != nil {
		t.Fatal(err)
	}
	if err := s.EndSession(ctx, []byte("token")); err != nil {
		t.Fatal(err)
	}
	if all, err := s.Sessions(ctx); err != nil || len(all) != 0 {
		t.Errorf("%d sessions, %v", len(all), err)
	}
	want := practice.Tries{Times: 3, Until: now.Add(time.Minute).Truncate(time.Millisecond), Last: now.Truncate(time.Millisecond)}
	if err := s.PutTries(ctx, "typedassomename", want); err != nil {
		t.Fatal(err)
	}
	if got, err := s.Tries(ctx, "typedassomename"); err != nil || got.Times != 3 || !got.Until.Equal(want.Until) || !got.Last.Equal(want.Last) {
		t.Errorf("%+v, want %+v, %v", got, want, err)
	}
	if err := s.ForgetTries(ctx, now.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	if got, err := s.Tries(ctx, "typedassomename"); err != nil || got.Times != 0 {
		t.Errorf("%+v after they were forgotten, %v", got, err)
	}
	if err := s.DeletePasskey(ctx, ada.ID, "none"); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	// Programs.
	x, err := s.AddProgram(ctx, practice.Program{Name: "recall", Scopes: practice.Scopes()}, "keyofaprogram")
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.ProgramUsed(ctx, x.ID, "2026-03-02"), s.WithdrawProgram(ctx, x.ID)); err != nil {
		t.Fatal(err)
	}
	if all, err := s.Programs(ctx); err != nil || len(all) != 1 || all[0].Used != "2026-03-02" || all[0].Withdrawn.IsZero() || len(all[0].Scopes) != len(practice.Scopes()) {
		t.Errorf("%+v, %v", all, err)
	}
	if err := s.WithdrawProgram(ctx, "none"); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	s.Close()
	for _, name := range []string{fileName, fileName + "-wal"} {
		if b, err := os.ReadFile(dir + "/" + name); err == nil {
			for _, secret := range []string{"shortcode4711", "typedassomename", "keyofaprogram"} {
				if strings.Contains(string(b), secret) {
					t.Errorf("%s stands in %s", secret, name)
				}
			}
		}
	}
}

// The key file is protected by a passphrase in the form of age (age-encryption.org/v1), and opens with that one alone.
func TestKeyIsProtected(t *testing.T) {
	dir := t.TempDir()
	openT(t, dir).Close()
	was, err := ReadKey(dir, at(dir)...)
	if err != nil || was.Protected || was.Words == "" {
		t.Fatalf("%+v, %v", was, err)
	}
	if err := ProtectKey(dir, "three fathoms by the lead", at(dir)...); err != nil {
		t.Fatal(err)
	}
	with := func(pass string) []Option {
		return append(at(dir), WithPassphrase(func() (string, error) { return pass, nil }))
	}
	b, err := os.ReadFile(was.Path)
	if err != nil || !strings.HasPrefix(string(b), "-----BEGIN AGE ENCRYPTED FILE-----") {
		t.Errorf("%.60s, %v", b, err)
	}
	if k, err := ReadKey(dir, with("three fathoms by the lead")...); err != nil || !k.Protected || k.ID != was.ID || k.Words != was.Words {
		t.Errorf("%+v, %v", k, err)
	}
	for _, pass := range []string{"two fathoms", ""} {
		if _, err := ReadKey(dir, with(pass)...); err == nil {
			t.Errorf("%q opens it", pass)
		}
	}
	if _, err := ReadKey(dir, at(dir)...); err == nil {
		t.Error("it opens without a passphrase")
	}
	if err := ProtectKey(dir, "", with("three fathoms by the lead")...); err != nil {
		t.Fatal(err)
	}
	if k, err := ReadKey(dir, at(dir)...); err != nil || k.Protected || k.Words != was.Words {
		t.Errorf("in clear again: %+v, %v", k, err)
	}
	var e *Error
	if _, err := ReadKey(t.TempDir()+"/none", WithKey(t.TempDir()+"/none.key")); !errors.As(err, &e) || e.Remedy() == "" || !errors.Is(err, ErrKey) {
		t.Errorf("a key that is not there: %v", err)
	}
}

// A full or read-only disk is told from other faults (codes of SQLite, sqlite.org/rescode.html).
func TestDisksThatTakeNothing(t *testing.T) {
	for err, want := range map[error]bool{sqlite3.Error{Code: sqlite3.ErrFull}: true, sqlite3.Error{Code: sqlite3.ErrReadonly}: true, ErrReadOnly: true,
		sqlite3.Error{Code: sqlite3.ErrIoErr}: false, syscall.ENOENT: false} {
		if got := Unwritable(fmt.Errorf("write: %w", err)); got != want {
			t.Errorf("%v: %t", err, got)
		}
	}
	if !errors.Is(&ForgeryError{Table: "exams", Key: "x1", How: "was changed"}, ErrDamaged) {
		t.Error("a forged record is not damage")
	}
}
