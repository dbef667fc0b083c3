package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
)

// Move copies all data of a store into the empty place that dir and opts name, a file or a database: every row as it is, so that all hashes and
// the journal's chain are the same there. The store is verified before, and what was copied after; neither may have problems. Nobody may write meanwhile: the
// caller has opened the store to change it, and other nodes must be stopped. The store stays as it is, but for an entry in its journal.
func (s *Store) Move(ctx context.Context, dir string, opts ...Option) (rep Report, err error) {
	const op = "move the data"
	if err := s.alone(ctx, op); err != nil {
		return rep, err
	}
	if rep, err = s.Verify(ctx); err != nil {
		return rep, err
	}
	if len(rep.Problems) > 0 {
		return rep, &Error{Op: op, Path: s.path, Err: fmt.Errorf("%d problems were found: %w", len(rep.Problems), ErrDamaged), Hint: "settle them first (leadsman verify); nothing was moved"}
	}
	end, err := s.Anchor(ctx)
	if err != nil {
		return rep, err
	}
	if err := s.copyInto(ctx, dir, opts...); err != nil {
		return rep, err
	}
	to, err := Open(ctx, dir, s.now, opts...)
	if err != nil {
		return rep, err
	}
	defer to.Close()
	got, err := to.Verify(ctx, end)
	if err != nil {
		return got, err
	}
	if len(got.Problems) > 0 || got.Events != rep.Events || got.Patients != rep.Patients || got.Exams != rep.Exams || got.Entries != rep.Entries {
		return got, &Error{Op: op, Path: to.path, Err: fmt.Errorf("what arrived is not what was sent (%d and %d entries of the journal): %w: %w", got.Entries, rep.Entries, got.Err(), ErrDamaged),
			Hint: "the former data are as they were: go on with them"}
	}
	return got, errors.Join(to.Note(ctx, "store.moved", "", "from "+s.path), s.Note(ctx, "store.moved", "", "to "+to.path))
}

// alone refuses while nodes are up.
func (s *Store) alone(ctx context.Context, op string) error {
	if s.inFile() {
		return nil
	}
	var up int
	if err := s.r.QueryRowContext(ctx, "SELECT count(*) FROM nodes WHERE until > "+nowMillis).Scan(&up); err != nil {
		return s.fail(op, err)
	}
	if up > 0 {
		return &Error{Op: op, Path: s.path, Err: fmt.Errorf("%d nodes of the service run: %w", up, ErrLocked), Hint: "stop them first"}
	}
	return nil
}

// copyInto makes the same data at an empty place, with the same key, as of one moment.
func (s *Store) copyInto(ctx context.Context, dir string, opts ...Option) (err error) {
	const op = "copy the data"
	dir, err = filepath.Abs(dir)
	if err != nil {
		return err
	}
	if err := makeDir(dir); err != nil {
		return &Error{Op: op, Path: dir, Err: err, Hint: "name a folder on a local disk that you may write to"}
	}
	o := optionsOf(dir, opts)
	if k, err := readKey(o.source); errors.Is(err, fs.ErrNotExist) {
		if err := writeKey(o.source.path, dir, s.keys); err != nil {
			return err
		}
	} else if err != nil {
		return err
	} else if k.id != s.keys.id {
		return &Error{Op: op, Path: o.source.path, Err: fmt.Errorf("it holds key %s, the data were kept with key %s: %w", k.id, s.keys.id, ErrKey), Hint: "name another key file with --to-key, or another folder"}
	}
	to := &Store{dir: dir, now: s.now, keys: s.keys}
	if to.lock, err = lockDir(dir); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, to.Close()) }()
	witness := filepath.Join(dir, witnessName)
	if b, err := os.ReadFile(witness); err == nil && !strings.HasPrefix(string(b), nothingSeen) {
		return &Error{Op: op, Path: witness, Err: fmt.Errorf("there were data here: %w", ErrExists), Hint: "name an empty folder"}
	}
	connect := to.openFile
	if o.database != "" {
		connect = to.openPostgres
	}
	v, err := connect(ctx, len(schema), o)
	if err != nil {
		return err
	}
	if v > 0 {
		return &Error{Op: op, Path: to.path, Err: ErrExists, Hint: "name an empty folder or database"}
	}
	if to.inFile() {
		if err := to.sealingFunctions(ctx); err != nil {
			return to.fail(op, err)
		}
	}
	end, err := s.pour(ctx, to)
	if err != nil {
		return to.fail(op, err)
	}
	if err := os.WriteFile(witness, s.keys.witnessLine(end), 0o600); err != nil {
		return &Error{Op: op, Path: witness, Err: err, Hint: "is the disk full?"}
	}
	return syncDir(dir)
}

// pour copies every row, in one transaction of each side, and gives the end of the journal.
func (s *Store) pour(ctx context.Context, to *Store) (end head, err error) {
	own, err := ownSchema()
	if err != nil {
		return end, err
	}
	names := own.tables
	from, err := s.r.BeginTx(ctx, &sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true})
	if err != nil {
		return end, err
	}
	defer from.Rollback()
	source := &tx{Tx: from, s: s}
	conn, err := to.w.Conn(ctx)
	if err != nil {
		return end, err
	}
	defer conn.Close()
	sqlTx, err := conn.BeginTx(ctx, nil)
	if err != nil {
		return end, err
	}
	defer sqlTx.Rollback()
	t := &tx{Tx: sqlTx, s: to}
	if err := to.begin(ctx, t); err != nil {
		return end, err
	}
	for i, step := range schema {
		if err := to.step(ctx, t, step, i+1); err != nil {
			return end, err
		}
	}
	resume, err := to.suspend(ctx, t, names...)
	if err != nil {
		return end, err
	}
	for _, table := range names {
		if err := copyTable(ctx, source, t, conn, table); err != nil {
			return end, fmt.Errorf("table %s: %w", table, err)
		}
	}
	if err := resume(); err != nil {
		return end, err
	}
	if !to.inFile() {
		if _, err := t.ExecContext(ctx, "SELECT setval(pg_get_serial_sequence('exams', '"+rowNumber+"'), COALESCE((SELECT MAX(rowid) FROM exams), 1), EXISTS (SELECT 1 FROM exams))"); err != nil {
			return end, err
		}
	}
	if err := t.QueryRowContext(ctx, "SELECT n, mac FROM journal ORDER BY n DESC LIMIT 1").Scan(&end.n, &end.mac); err != nil {
		return end, err
	}
	return end, t.Commit()
}

// copyTable copies the rows of a table, those of exams with their numbers.
func copyTable(ctx context.Context, from, to *tx, conn *sql.Conn, table string) error {
	columns, order := "*", ""
	switch table {
	case "exams":
		columns, order = rowNumber+", *", " ORDER BY "+rowNumber
		if !from.s.inFile() {
			columns = "*"
		}
	case "journal":
		order = " ORDER BY n"
	}
	rows, err := from.QueryContext(ctx, "SELECT "+columns+" FROM "+table+order)
	if err != nil {
		return err
	}
	defer rows.Close()
	row, err := anyRowOf(rows)
	if err != nil {
		return err
	}
	next := func() ([]any, error) {
		if !rows.Next() {
			return nil, rows.Err()
		}
		return row.vals, row.scan(rows)
	}
	if !to.s.inFile() {
		return conn.Raw(func(c any) error {
			_, err := c.(*stdlib.Conn).Conn().CopyFrom(ctx, pgx.Identifier{table}, row.cols, pgx.CopyFromFunc(next))
			return err
		})
	}
	ins, err := to.PrepareContext(ctx, "INSERT INTO "+table+" ("+strings.Join(row.cols, ", ")+") VALUES (?"+strings.Repeat(",?", len(row.cols)-1)+")")
	if err != nil {
		return err
	}
	defer ins.Close()
	for {
		vals, err := next()
		if err != nil || vals == nil {
			return err
		}
		if _, err := ins.ExecContext(ctx, vals...); err != nil {
			return err
		}
	}
}
