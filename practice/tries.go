package practice

import (
	"context"
	"strings"
	"time"
)

// Tries are wrong passwords or codes in a row, or that somebody is known at a place.
type Tries struct {
	Times int
	Until time.Time // nothing is let in, or the place is known, until then
	Last  time.Time
}

// How trying is slowed down: OWASP ASVS 5.0, 6.3 asks for it; the figures are engine's choices. What is counted is kept, so that
// starting the service anew clears nothing. A name is locked only at the address where it was tried, so nobody keeps others out from
// elsewhere. Tries of many names from one address, or of one name from many, are slowed down as well, but not for who has signed in
// there before.
const (
	mostWrong   = 5                // for one name at one address, or one person's codes
	mostAround  = 50               // at one address for all names, or for one name at all addresses
	lockedFor   = time.Minute      // after them; doubled by each further one
	longestLock = 15 * time.Minute // and no longer
	knownFor    = 90 * 24 * time.Hour
)

// attempt is something that is tried: what it counts under, with how many wrong ones are let pass.
type attempt struct {
	most     map[string]int
	known    string // where the person signed in before; "": that does not count
	ofOthers bool   // a right one, which may be one's own, forgives no wrong ones of before
}

// signingIn is an attempt to sign in under a name from an address.
func signingIn(name, from string) attempt {
	name = strings.ToLower(strings.TrimSpace(name))
	return attempt{most: map[string]int{"name\n" + name + "\nfrom\n" + from: mostWrong, "name\n" + name: mostAround, "from\n" + from: mostAround}, known: "known\n" + name + "\nfrom\n" + from}
}

// ofPerson is an attempt by who sits at a screen: at the own password or somebody's code.
func ofPerson(what, person string) attempt {
	return attempt{most: map[string]int{what + "\n" + person: mostWrong}}
}

// take counts an attempt as wrong before it is known to be: many at once get no further than many in a row. It fails with *LockedError
// where too many were. The caller holds mu.
func (p *People) take(ctx context.Context, a attempt) error {
	now := p.now()
	if a.known != "" {
		t, err := p.records.Tries(ctx, a.known)
		if err != nil {
			return err
		}
		if now.Before(t.Until) {
			for what, most := range a.most {
				if most == mostAround {
					delete(a.most, what)
				}
			}
		}
	}
	counted := map[string]Tries{}
	for what, most := range a.most {
		t, err := p.records.Tries(ctx, what)
		if err != nil {
			return err
		}
		// A longer wait than there is means that the clock was set back: nobody is kept out for that.
		if wait := t.Until.Sub(now); t.Times > 0 && wait > 0 && wait <= longestLock {
			return &LockedError{wait}
		}
		if now.Sub(t.Last) > longestLock && now.Sub(t.Until) > longestLock { // a slip of the day before is forgiven
			t.Times = 0
		}
		t.Times++
		t.Last = now
		if over := t.Times - most; over >= 0 {
			t.Until = now.Add(min(lockedFor<<min(over, 10), longestLock))
		}
		counted[what] = t
	}
	for what, t := range counted {
		if err := p.records.PutTries(ctx, what, t); err != nil {
			return err
		}
	}
	return nil
}

// right forgets an attempt that was right. Others at the same address and under the same name stay counted: who has an account does not
// clear the way to another one. The caller holds mu.
func (p *People) right(ctx context.Context, a attempt) error {
	for what, most := range a.most {
		t, err := p.records.Tries(ctx, what)
		if err != nil {
			return err
		}
		if most == mostWrong && !a.ofOthers {
			t = Tries{}
		} else if t.Times--; t.Times <= 0 {
			t = Tries{}
		} else if t.Times < most {
			t.Until = time.Time{}
		}
		if err := p.records.PutTries(ctx, what, t); err != nil {
			return err
		}
	}
	if a.known == "" {
		return nil
	}
	now := p.now()
	if t, err := p.records.Tries(ctx, a.known); err != nil || t.Until.Sub(now) > knownFor/2 {
		return err
	}
	return p.records.PutTries(ctx, a.known, Tries{Until: now.Add(knownFor), Last: now})
}
