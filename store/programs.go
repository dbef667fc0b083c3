package store

import (
	"context"
	"crypto/hmac"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"leadsman/practice"
)

// programKey is the form in which the key of a program is kept: whoever reads the data does not learn it.
func (s *Store) programKey(program, key string) []byte {
	return mac(s.keys.rows, []byte("program"), []byte(program), []byte(key))
}

const programCols = "id, name, scopes, made, made_by, ends, used, withdrawn"

func scanProgram(scan func(...any) error) (p practice.Program, err error) {
	var scopes string
	var made int64
	var withdrawn sql.NullInt64
	err = scan(&p.ID, &p.Name, &scopes, &made, &p.MadeBy, &p.Ends, &p.Used, &withdrawn)
	for _, x := range strings.Fields(scopes) {
		p.Scopes = append(p.Scopes, practice.Scope(x))
	}
	p.Made = fromMillis(made)
	if withdrawn.Valid {
		p.Withdrawn = fromMillis(withdrawn.Int64)
	}
	return p, err
}

// Programs lists all programs, those that were withdrawn too, the one made last first.
func (s *Store) Programs(ctx context.Context) ([]practice.Program, error) {
	return list(ctx, s, "list programs", scanProgram, "SELECT "+programCols+" FROM programs ORDER BY made DESC, id")
}

// AddProgram keeps a new program with its key.
func (s *Store) AddProgram(ctx context.Context, p practice.Program, key string) (practice.Program, error) {
	id, err := newID(p.ID)
	if err != nil {
		return p, err
	}
	p.ID, p.Made = id, s.now()
	scopes := make([]string, len(p.Scopes))
	for i, x := range p.Scopes {
		scopes[i] = string(x)
	}
	return p, s.write(ctx, "store program", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO programs (id, name, scopes, hash, made, made_by, ends, used, withdrawn) VALUES (?,?,?,?,?,?,?,'',NULL)",
			p.ID, p.Name, strings.Join(scopes, " "), s.programKey(p.ID, key), millis(p.Made), p.MadeBy, p.Ends)
		if err = taken("program "+p.ID, err); err != nil {
			return err
		}
		return tx.record(ctx, Entry{What: "program.made", Table: "programs", Detail: p.Name + ": " + strings.Join(scopes, " ")}, p.ID)
	})
}

// ProgramWithKey finds the program that a key belongs to, withdrawn or not; ErrNotFound for any other key. A wrong key takes as long as
// an unknown program.
func (s *Store) ProgramWithKey(ctx context.Context, id, key string) (practice.Program, error) {
	none := fmt.Errorf("program %q: %w", id, ErrNotFound)
	var hash []byte
	row := s.r.QueryRowContext(ctx, "SELECT "+programCols+", hash FROM programs WHERE id = ?", id)
	p, err := scanProgram(func(to ...any) error { return row.Scan(append(to, &hash)...) })
	same := hmac.Equal(hash, s.programKey(id, key))
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return practice.Program{}, none
	case err != nil:
		return practice.Program{}, s.fail("look for a program", err)
	case !same:
		return practice.Program{}, none
	}
	return p, nil
}

// changeProgram changes one column of a program and journals it.
func (s *Store) changeProgram(ctx context.Context, what, id, column string, value any) error {
	return s.write(ctx, "change program", func(tx *tx) error {
		r, err := tx.ExecContext(ctx, "UPDATE programs SET "+column+" = ? WHERE id = ?", value, id)
		if err != nil {
			return err
		}
		if n, err := r.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, fmt.Errorf("program %q: %w", id, ErrNotFound))
		}
		return tx.record(ctx, Entry{What: what, Table: "programs"}, id)
	})
}

// WithdrawProgram ends a program's key for good.
func (s *Store) WithdrawProgram(ctx context.Context, id string) error {
	return s.changeProgram(ctx, "program.withdrawn", id, "withdrawn", millis(s.now()))
}

// ProgramUsed notes a day on which a program was let in.
func (s *Store) ProgramUsed(ctx context.Context, id, day string) error {
	return s.changeProgram(ctx, "program.used", id, "used", day)
}
