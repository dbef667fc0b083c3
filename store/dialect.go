package store

import (
	"context"
	"database/sql"
	"strconv"
	"strings"
	"sync"
)

// dialect is what differs between the databases that a store may lie in. Everything else is the same code and the same statements,
// written so that both understand them: parameters are ? or ?1, texts compare by their bytes, numbers are whole numbers of 64 bits.
type dialect interface {
	// bind gives a statement the parameters of the database.
	bind(q string) string
	// begin keeps other writers out until the transaction ends: each change goes on from the end of the journal.
	begin(ctx context.Context, t *tx) error
	// step runs a step of the schema, and notes the version that it leads to.
	step(ctx context.Context, t *tx, s step, version int) error
	// has reports whether there is a table.
	has(ctx context.Context, db querier, table string) (bool, error)
	// suspend sets the rules of tables aside until resume, or until the transaction fails.
	suspend(ctx context.Context, t *tx, tables ...string) (resume func() error, err error)
	// wipe takes what was deleted from the disk, as far as the database can.
	wipe(ctx context.Context, s *Store, op string) error
	// structure checks what the database itself keeps, and lists what is wrong.
	structure(ctx context.Context, s *Store) ([]string, error)
	// objects lists tables, indexes and rules: those that are there, and those that the program makes.
	objects(ctx context.Context, s *Store) (got, want []string, err error)
}

// database is a pool of connections.
type database struct {
	*sql.DB
	dialect
}

func (d *database) QueryContext(ctx context.Context, q string, args ...any) (*sql.Rows, error) {
	return d.DB.QueryContext(ctx, d.bind(q), plain(args)...)
}

func (d *database) QueryRowContext(ctx context.Context, q string, args ...any) *sql.Row {
	return d.DB.QueryRowContext(ctx, d.bind(q), plain(args)...)
}

func (t *tx) QueryContext(ctx context.Context, q string, args ...any) (*sql.Rows, error) {
	return t.Tx.QueryContext(ctx, t.s.bind(q), plain(args)...)
}

func (t *tx) QueryRowContext(ctx context.Context, q string, args ...any) *sql.Row {
	return t.Tx.QueryRowContext(ctx, t.s.bind(q), plain(args)...)
}

func (t *tx) ExecContext(ctx context.Context, q string, args ...any) (sql.Result, error) {
	return t.Tx.ExecContext(ctx, t.s.bind(q), plain(args)...)
}

// plain makes 0 and 1 of truths: they are kept as numbers.
func plain(args []any) []any {
	out := make([]any, len(args))
	for i, a := range args {
		if b, ok := a.(bool); ok {
			n := int64(0)
			if b {
				n = 1
			}
			a = n
		}
		out[i] = a
	}
	return out
}

// numbered writes ? as $1, $2 ... and ?2 as $2. No text in the statements of this package has a question mark.
func numbered(q string) string {
	if known, ok := numberedBefore.Load(q); ok {
		return known.(string)
	}
	var b strings.Builder
	n := 0
	for i := 0; i < len(q); i++ {
		if q[i] != '?' {
			b.WriteByte(q[i])
			continue
		}
		b.WriteByte('$')
		if i+1 < len(q) && q[i+1] >= '0' && q[i+1] <= '9' {
			continue // its number follows
		}
		n++
		b.WriteString(strconv.Itoa(n))
	}
	numberedBefore.Store(q, b.String())
	return b.String()
}

var numberedBefore sync.Map // statements are few and constant
