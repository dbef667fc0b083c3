package store

import (
	"context"
	"errors"
	"fmt"
)

// sqlite is the dialect of one file in the data folder.
type sqlite struct{}

func (sqlite) bind(q string) string { return q }

// begin has nothing to do: the one connection that writes begins with the lock of the file (_txlock=immediate).
func (sqlite) begin(context.Context, *tx) error { return nil }

func (sqlite) step(ctx context.Context, t *tx, s step, version int) error {
	// The pragmas are part of the transaction: the version changes together with the tables.
	_, err := t.ExecContext(ctx, s.forSQLite()+fmt.Sprintf("; PRAGMA user_version = %d; PRAGMA application_id = %d;", version, appID))
	return err
}

func (sqlite) has(ctx context.Context, db querier, table string) (there bool, err error) {
	err = db.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = ?)", table).Scan(&there)
	return there, err
}

func (sqlite) suspend(ctx context.Context, t *tx, tables ...string) (func() error, error) {
	type trigger struct{ name, sql string }
	var all []trigger
	for _, table := range tables {
		of, err := gather(ctx, t, func(scan func(...any) error) (g trigger, err error) { err = scan(&g.name, &g.sql); return },
			"SELECT name, sql FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = ?", table)
		if err != nil {
			return nil, err
		}
		all = append(all, of...)
	}
	for _, g := range all {
		if _, err := t.ExecContext(ctx, "DROP TRIGGER "+g.name); err != nil {
			return nil, err
		}
	}
	return func() error {
		for _, g := range all {
			if _, err := t.ExecContext(ctx, g.sql); err != nil {
				return err
			}
		}
		return nil
	}, nil
}

// wipe empties the write-ahead log, where pages from before an erasure stand; the pages of the file are overwritten by secure_delete.
func (sqlite) wipe(ctx context.Context, s *Store, op string) error {
	var busy, frames, done int
	if err := s.w.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &frames, &done); err != nil {
		return s.fail(op, err)
	}
	if busy != 0 {
		return &Error{Op: op, Path: s.path, Err: errors.New("it is no longer in use, but another program that reads the file (a backup?) keeps old pages of it on the disk"),
			Hint: "erase again when that has ended"}
	}
	return nil
}

func (sqlite) structure(ctx context.Context, s *Store) (bad []string, err error) {
	lines, err := list(ctx, s, "check the file", text, "PRAGMA integrity_check")
	for _, l := range lines {
		if l != "ok" {
			bad = append(bad, fmt.Sprintf("file structure: %s: restore a backup, or save the exams one by one (leadsman verify --salvage)", l))
		}
	}
	if err != nil {
		return bad, err
	}
	refs, err := list(ctx, s, "check references", text, `SELECT "table" || ' refers to a missing row of ' || parent FROM pragma_foreign_key_check`)
	for _, l := range refs {
		bad = append(bad, "references: "+l)
	}
	return bad, err
}

func (sqlite) objects(ctx context.Context, s *Store) (got, want []string, err error) {
	own, err := ownSchema()
	if err != nil {
		return nil, nil, err
	}
	got, err = list(ctx, s, "read the tables", text, schemaQuery)
	return got, own.objects, err
}
