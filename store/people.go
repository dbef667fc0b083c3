package store

import (
	"cmp"
	"context"
	"crypto/hmac"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"leadsman/practice"
)

// account makes sure that a person has a row in accounts.
func account(ctx context.Context, tx *tx, person string) error {
	var there bool
	err := tx.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM examiners WHERE id = ?)", person).Scan(&there)
	if err == nil && !there {
		err = fmt.Errorf("person %q: %w", person, ErrNotFound)
	}
	if err == nil {
		_, err = tx.ExecContext(ctx, "INSERT INTO accounts (person, roles, password, code) VALUES (?, ?, '', NULL) ON CONFLICT (person) DO NOTHING", person, string(practice.Clinician))
	}
	return err
}

// PutPerson adds a person or changes name, roles and whether the one with the same ID left; what the account has stays.
func (s *Store) PutPerson(ctx context.Context, p Person) (Person, error) {
	id, err := newID(p.ID)
	p.ID = id
	if err == nil {
		err = p.Check()
	}
	if err != nil {
		return Person{}, fmt.Errorf("store person: %w", err)
	}
	roles := make([]string, len(p.Roles))
	for i, r := range p.Roles {
		roles[i] = string(r)
	}
	return p, s.write(ctx, "store person", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO examiners (id, name, retired) VALUES (?,?,?)
			ON CONFLICT (id) DO UPDATE SET name = excluded.name, retired = excluded.retired`, p.ID, p.Name, p.Retired)
		if err == nil {
			err = account(ctx, tx, p.ID)
		}
		if err == nil {
			_, err = tx.ExecContext(ctx, "UPDATE accounts SET roles = ? WHERE person = ?", strings.Join(roles, " "), p.ID)
		}
		if err != nil {
			return err
		}
		return errors.Join(tx.record(ctx, Entry{What: "examiner.changed", Table: "examiners"}, p.ID), tx.record(ctx, Entry{What: "account.roles", Table: "accounts", Detail: strings.Join(roles, " ")}, p.ID))
	})
}

// People lists everybody by name.
func (s *Store) People(ctx context.Context) ([]Person, error) {
	return list(ctx, s, "list people", func(scan func(...any) error) (p Person, err error) {
		var roles string
		err = scan(&p.ID, &p.Name, &p.Retired, &roles, &p.Password, &p.Code)
		for _, r := range strings.Fields(roles) {
			p.Roles = append(p.Roles, practice.Role(r))
		}
		return
	}, `SELECT id, name, retired, COALESCE(roles, 'clinician'), COALESCE(password, '') <> '', code IS NOT NULL
		FROM examiners e LEFT JOIN accounts ON person = e.id ORDER BY lower(name), id`)
}

// Password is the hash of a person's password, "" without one.
func (s *Store) Password(ctx context.Context, person string) (kept string, err error) {
	err = s.r.QueryRowContext(ctx, "SELECT password FROM accounts WHERE person = ?", person).Scan(&kept)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	return kept, s.fail("read password", err)
}

// SetPassword keeps the hash of a password, "" for none.
func (s *Store) SetPassword(ctx context.Context, person, kept string) error {
	return s.write(ctx, "store password", func(tx *tx) error {
		err := account(ctx, tx, person)
		if err == nil {
			_, err = tx.ExecContext(ctx, "UPDATE accounts SET password = ? WHERE person = ?", kept, person)
		}
		if err != nil {
			return err
		}
		return tx.record(ctx, Entry{What: "account.password", Table: "accounts"}, person)
	})
}

// codeOf is the form in which a short code is kept: without the key, which lies apart, it cannot be tried out.
func (s *Store) codeOf(code string) []byte {
	if code == "" {
		return nil
	}
	return mac(s.keys.rows, []byte("short code"), []byte(code))
}

// SetCode keeps a short code, "" for none. It fails with practice.ErrTaken if it is somebody else's.
func (s *Store) SetCode(ctx context.Context, person, code string) error {
	return s.write(ctx, "store short code", func(tx *tx) error {
		err := account(ctx, tx, person)
		if err == nil {
			_, err = tx.ExecContext(ctx, "UPDATE accounts SET code = ? WHERE person = ?", s.codeOf(code), person)
		}
		if _, other := brokenKey(err); other {
			return practice.ErrTaken
		}
		if err != nil {
			return err
		}
		return tx.record(ctx, Entry{What: "account.code", Table: "accounts"}, person)
	})
}

// PersonWithCode finds whose a short code is.
func (s *Store) PersonWithCode(ctx context.Context, code string) (person string, err error) {
	err = s.r.QueryRowContext(ctx, "SELECT person FROM accounts WHERE code = ?", s.codeOf(code)).Scan(&person)
	if errors.Is(err, sql.ErrNoRows) {
		return "", fmt.Errorf("short code: %w", ErrNotFound)
	}
	return person, s.fail("look for a short code", err)
}

// Sessions lists the sessions that were not ended. They come and go, and are not journalled here; a row that was not written with the
// key is none.
func (s *Store) Sessions(ctx context.Context) ([]practice.Session, error) {
	xs, err := list(ctx, s, "list sessions", func(scan func(...any) error) (x practice.Session, err error) {
		var began, used int64
		var sum []byte
		err = scan(&x.Token, &x.Person, &x.Sure, &began, &used, &sum)
		x.Began, x.Used = fromMillis(began), fromMillis(used)
		if !hmac.Equal(sum, s.keys.session(&x)) {
			x.Token = nil
		}
		return
	}, "SELECT token, person, sure, began, used, mac FROM sessions")
	return slices.DeleteFunc(xs, func(x practice.Session) bool { return x.Token == nil }), err
}

func (k *keyring) session(x *practice.Session) []byte {
	sure := "by a short code"
	if x.Sure {
		sure = "proven"
	}
	return mac(k.rows, []byte("session"), x.Token, []byte(x.Person), []byte(sure), number(millis(x.Began)), number(millis(x.Used)))
}

// PutSession adds or changes a session.
func (s *Store) PutSession(ctx context.Context, x practice.Session) error {
	return s.write(ctx, "store session", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO sessions (token, person, sure, began, used, mac) VALUES (?,?,?,?,?,?)
			ON CONFLICT (token) DO UPDATE SET person = excluded.person, sure = excluded.sure, began = excluded.began, used = excluded.used, mac = excluded.mac`,
			x.Token, x.Person, x.Sure, millis(x.Began), millis(x.Used), s.keys.session(&x))
		return cmp.Or(err, tx.tellSession(ctx))
	})
}

// EndSession forgets a session.
func (s *Store) EndSession(ctx context.Context, token []byte) error {
	return s.write(ctx, "end session", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, "DELETE FROM sessions WHERE token = ?", token)
		return cmp.Or(err, tx.tellSession(ctx))
	})
}

// Passkeys lists the passkeys of a person, of all for "". One that was not written with the key fails with ErrDamaged.
func (s *Store) Passkeys(ctx context.Context, person string) ([]practice.Passkey, error) {
	return list(ctx, s, "list passkeys", func(scan func(...any) error) (k practice.Passkey, err error) {
		var id, of string
		var sealed []byte
		if err = scan(&id, &of, &sealed); err != nil {
			return k, err
		}
		b, err := s.keys.open(passkeyPlace(id, of), sealed)
		if err == nil {
			err = json.Unmarshal(b, &k)
		}
		if err != nil {
			return k, fmt.Errorf("passkey %s of %s was not written by this program: %w", id, of, ErrDamaged)
		}
		k.ID, k.Person = id, of
		return k, nil
	}, "SELECT id, person, sealed FROM passkeys WHERE ?1 = '' OR person = ?1 ORDER BY id", person)
}

func passkeyPlace(id, person string) string { return "passkeys/" + person + "/" + id }

// PutPasskey adds or changes a passkey.
func (s *Store) PutPasskey(ctx context.Context, k practice.Passkey) error {
	b, err := json.Marshal(k)
	if err != nil {
		return err
	}
	return s.write(ctx, "store passkey", func(tx *tx) error {
		what := "account.passkey"
		var before string
		err := tx.QueryRowContext(ctx, "SELECT person FROM passkeys WHERE id = ?", k.ID).Scan(&before)
		switch {
		case err == nil && before != k.Person:
			return practice.ErrTaken
		case err == nil:
			what = "passkey.used"
		case !errors.Is(err, sql.ErrNoRows):
			return err
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO passkeys (id, person, sealed) VALUES (?,?,?) ON CONFLICT (id) DO UPDATE SET sealed = excluded.sealed",
			k.ID, k.Person, s.keys.seal(passkeyPlace(k.ID, k.Person), b)); err != nil {
			return err
		}
		return tx.record(ctx, Entry{What: what, Table: "passkeys", Detail: "of " + k.Person}, k.ID)
	})
}

// DeletePasskey takes a passkey of a person away.
func (s *Store) DeletePasskey(ctx context.Context, person, id string) error {
	return s.write(ctx, "remove passkey", func(tx *tx) error {
		r, err := tx.ExecContext(ctx, "DELETE FROM passkeys WHERE id = ? AND person = ?", id, person)
		if err != nil {
			return err
		}
		if n, err := r.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, fmt.Errorf("passkey %q: %w", id, ErrNotFound))
		}
		return tx.record(ctx, Entry{What: "passkey.removed", Table: "passkeys", Detail: "of " + person}, id)
	})
}

// Tries gives what is kept under a name of somebody or something; nothing is zero.
func (s *Store) Tries(ctx context.Context, what string) (t practice.Tries, err error) {
	var until, last int64
	err = s.r.QueryRowContext(ctx, "SELECT times, until, last FROM tries WHERE what = ?", s.triesOf(what)).Scan(&t.Times, &until, &last)
	if errors.Is(err, sql.ErrNoRows) {
		return t, nil
	}
	t.Until, t.Last = fromMillis(until), fromMillis(last)
	return t, s.fail("read tries", err)
}

// triesOf hides what was typed in the place of a name: it may have been a password.
func (s *Store) triesOf(what string) []byte { return mac(s.keys.rows, []byte("tries"), []byte(what)) }

// PutTries keeps tries, or forgets them where they are zero.
func (s *Store) PutTries(ctx context.Context, what string, t practice.Tries) error {
	return s.write(ctx, "store tries", func(tx *tx) error {
		if t == (practice.Tries{}) {
			_, err := tx.ExecContext(ctx, "DELETE FROM tries WHERE what = ?", s.triesOf(what))
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO tries (what, times, until, last) VALUES (?,?,?,?)
			ON CONFLICT (what) DO UPDATE SET times = excluded.times, until = excluded.until, last = excluded.last`, s.triesOf(what), t.Times, millis(t.Until), millis(t.Last))
		return err
	})
}

// ForgetTries forgets those that were over and not added to since a time.
func (s *Store) ForgetTries(ctx context.Context, before time.Time) error {
	return s.write(ctx, "forget tries", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, "DELETE FROM tries WHERE until < ?1 AND last < ?1", millis(before))
		return err
	})
}

// MergePatient notes that a patient is another one. The exams move by events of their own.
func (s *Store) MergePatient(ctx context.Context, patient, whole, reason, who string) error {
	return s.write(ctx, "merge patients", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO merged (patient, whole, who, time) VALUES (?,?,?,?)", patient, whole, who, millis(s.now()))
		if err = taken("patient "+patient, err); err != nil {
			return err
		}
		return tx.record(ctx, Entry{What: "patient.merged", Table: "merged", Patient: patient, Detail: reason}, patient)
	})
}
