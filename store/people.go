package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

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

// Sessions lists the sessions that were not ended. They come and go, and are not journalled here.
func (s *Store) Sessions(ctx context.Context) ([]practice.Session, error) {
	return list(ctx, s, "list sessions", func(scan func(...any) error) (x practice.Session, err error) {
		var began, used int64
		err = scan(&x.Token, &x.Person, &x.Sure, &began, &used)
		x.Began, x.Used = fromMillis(began), fromMillis(used)
		return
	}, "SELECT token, person, sure, began, used FROM sessions")
}

// PutSession adds or changes a session.
func (s *Store) PutSession(ctx context.Context, x practice.Session) error {
	return s.write(ctx, "store session", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO sessions (token, person, sure, began, used) VALUES (?,?,?,?,?)
			ON CONFLICT (token) DO UPDATE SET person = excluded.person, sure = excluded.sure, began = excluded.began, used = excluded.used`,
			x.Token, x.Person, x.Sure, millis(x.Began), millis(x.Used))
		return err
	})
}

// EndSession forgets a session.
func (s *Store) EndSession(ctx context.Context, token []byte) error {
	return s.write(ctx, "end session", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, "DELETE FROM sessions WHERE token = ?", token)
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
