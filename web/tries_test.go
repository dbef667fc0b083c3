package web_test

import (
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"leadsman/practice"
	"leadsman/speech/scripted"
)

// try signs in from an address, past the pages.
func (c *clinic) try(p *practice.Practice, name, word, from string) error {
	_, err := p.People.SignIn(c.t.Context(), &practice.Seat{}, name, word, from)
	return err
}

func locked(err error) bool { return errors.As(err, new(*practice.LockedError)) }

// What was tried is counted by the service that comes after a restart too, and many guesses at once get no further than many in a row.
func TestLocksSurvive(t *testing.T) {
	c := newClinic(t)
	c.close()
	var looked, wrong atomic.Int32
	var all sync.WaitGroup
	for i := range 40 {
		all.Go(func() {
			switch err := c.try(c.p, "Tess Holm", fmt.Sprint("guess ", i), "192.0.2.7"); {
			case errors.Is(err, practice.ErrWrong):
				wrong.Add(1)
			case locked(err):
				looked.Add(1)
			default:
				t.Error(err)
			}
		})
	}
	all.Wait()
	if wrong.Load() != 5 || looked.Load() != 35 {
		t.Errorf("of 40 guesses at once %d were worked out and %d refused", wrong.Load(), looked.Load())
	}
	again := practice.New(practice.Config{Records: c.store, Engine: scripted.New(), Now: func() time.Time { return time.UnixMilli(c.now.Load()) }, Log: slog.New(slog.DiscardHandler)})
	defer again.Close()
	if err := c.try(again, "Tess Holm", password, "192.0.2.7"); !locked(err) {
		t.Errorf("after a restart: %v", err)
	}
	// Nobody waits for years because the clock was set back.
	c.now.Add(-400 * 86_400_000)
	if err := c.try(again, "Tess Holm", password, "192.0.2.7"); err != nil {
		t.Errorf("with the clock set back: %v", err)
	}
}

// Who tries passwords at one address locks names there, and keeps nobody out elsewhere; nor does an own account clear the way. Names that
// were never here are slowed down as a whole, those of the house are not.
func TestLocksAreOfOneAddress(t *testing.T) {
	c := newClinic(t)
	c.close()
	const bad, good = "192.0.2.66", "192.0.2.7"
	for _, x := range c.people {
		for i := range 12 {
			if err := c.try(c.p, x.Name, fmt.Sprint("guess ", i), bad); i < 5 && !errors.Is(err, practice.ErrWrong) && !locked(err) {
				t.Error(err)
			}
		}
	}
	for _, x := range c.people {
		if err := c.try(c.p, x.Name, password, good); err != nil {
			t.Errorf("%s is kept out at another address: %v", x.Name, err)
		}
		if err := c.try(c.p, x.Name, password, bad); !locked(err) {
			t.Errorf("%s at the address where passwords are tried: %v", x.Name, err)
		}
	}
	// Somebody with an account who signs in between the guesses.
	c.now.Add(3600_000)
	guesses := 0
	for range 30 {
		if err := c.try(c.p, c.people[practice.Administrator].Name, "guess", good); errors.Is(err, practice.ErrWrong) {
			guesses++
		}
		if err := c.try(c.p, c.people[practice.Viewer].Name, password, good); err != nil {
			t.Fatal(err)
		}
	}
	if guesses != 5 {
		t.Errorf("%d guesses between own sign-ins", guesses)
	}
	// Many names from the address of the house.
	c.now.Add(3600_000)
	for i := range 10 {
		x, err := c.p.SavePerson(t.Context(), practice.Person{Name: fmt.Sprint("Somebody ", i), Roles: []practice.Role{practice.Viewer}})
		if err == nil {
			err = c.store.SetPassword(t.Context(), x.ID, cheap())
		}
		if err != nil {
			t.Fatal(err)
		}
		for range 5 {
			c.try(c.p, x.Name, "guess", good)
		}
	}
	if err := c.try(c.p, "Nobody at all", "guess", good); !locked(err) {
		t.Errorf("after 50 guesses at ten names: %v", err)
	}
	if err := c.try(c.p, c.people[practice.Clinician].Name, password, good); err != nil {
		t.Errorf("who signed in here before is kept out: %v", err)
	}
}
