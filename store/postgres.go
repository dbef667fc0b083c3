package store

import (
	"cmp"
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
)

// postgreSQL is the dialect of a schema in a database of PostgreSQL: the first one of the search path.
type postgreSQL struct{}

func (postgreSQL) bind(q string) string { return numbered(q) }

// begin waits for the lock that all writers of these data take, on whatever node they are.
func (postgreSQL) begin(ctx context.Context, t *tx) error {
	_, err := t.ExecContext(ctx, "SELECT pg_advisory_xact_lock(hashtextextended('leadsman ' || current_schema(), 0))")
	return err
}

func (postgreSQL) step(ctx context.Context, t *tx, s step, version int) error {
	if q := s.forPostgres(); q != "" {
		if _, err := t.ExecContext(ctx, q); err != nil {
			return err
		}
	}
	if there, err := (postgreSQL{}).has(ctx, t, "leadsman"); err != nil || !there {
		return err // of a version before PostgreSQL
	}
	_, err := t.ExecContext(ctx, "UPDATE leadsman SET version = ?", version)
	return err
}

func (postgreSQL) has(ctx context.Context, db querier, table string) (there bool, err error) {
	err = db.QueryRowContext(ctx, "SELECT to_regclass(quote_ident(current_schema()) || '.' || quote_ident(?)) IS NOT NULL", table).Scan(&there)
	return there, err
}

func (postgreSQL) suspend(ctx context.Context, t *tx, tables ...string) (func() error, error) {
	alter := func(how string) error {
		for _, table := range tables {
			if _, err := t.ExecContext(ctx, "ALTER TABLE "+table+" "+how+" TRIGGER USER"); err != nil {
				return err
			}
		}
		return nil
	}
	return func() error { return alter("ENABLE") }, alter("DISABLE")
}

// wipe gives the room of deleted rows free. Their sealed bytes may stand in it, and in the server's own log, until they are overwritten.
func (postgreSQL) wipe(ctx context.Context, s *Store, op string) error {
	_, err := s.w.ExecContext(ctx, "VACUUM")
	return s.fail(op, err)
}

func (p postgreSQL) structure(ctx context.Context, s *Store) (bad []string, err error) {
	if bad, err = unsafeSettings(ctx, s.r); err != nil {
		return bad, err
	}
	type reference struct{ table, column, parent, key string }
	refs, err := list(ctx, s, "check references", func(scan func(...any) error) (r reference, err error) {
		err = scan(&r.table, &r.column, &r.parent, &r.key)
		return
	}, `SELECT c.conrelid::regclass::text, a.attname::text, c.confrelid::regclass::text, f.attname::text FROM pg_constraint c
		JOIN pg_attribute a ON a.attrelid = c.conrelid AND a.attnum = c.conkey[1] JOIN pg_attribute f ON f.attrelid = c.confrelid AND f.attnum = c.confkey[1]
		WHERE c.contype = 'f' AND c.connamespace = current_schema()::regnamespace`)
	for _, r := range refs {
		var n int
		err = cmp.Or(err, s.r.QueryRowContext(ctx, fmt.Sprintf("SELECT count(*) FROM %s WHERE %s IS NOT NULL AND NOT EXISTS (SELECT 1 FROM %s p WHERE p.%s = %[1]s.%[2]s)",
			r.table, r.column, r.parent, r.key)).Scan(&n))
		if n > 0 {
			bad = append(bad, fmt.Sprintf("references: %d rows of %s refer to a missing row of %s", n, r.table, r.parent))
		}
	}
	return bad, err
}

// unsafeSettings names what keeps a confirmed change from being on the disk.
func unsafeSettings(ctx context.Context, db querier) (bad []string, err error) {
	for _, setting := range []string{"fsync", "full_page_writes", "synchronous_commit"} {
		var is string
		if err := db.QueryRowContext(ctx, "SELECT current_setting(?)", setting).Scan(&is); err != nil {
			return bad, err
		}
		if is == "off" || is == "local" && setting != "synchronous_commit" {
			bad = append(bad, fmt.Sprintf("the server's setting %s is off: what was confirmed can be lost in a power cut; set it to on", setting))
		}
	}
	return bad, nil
}

// objectsOf lists what a schema holds. Names of the schema itself are left out.
const objectsOf = `
SELECT 'column ' || c.relname || '.' || a.attname || ' ' || format_type(a.atttypid, a.atttypmod) || ' ' || a.attnotnull::text || ' ' || a.attidentity::text || ' ' ||
	COALESCE(pg_get_expr(d.adbin, d.adrelid), '') || ' ' || COALESCE(o.collname, '') FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped
	LEFT JOIN pg_attrdef d ON d.adrelid = c.oid AND d.adnum = a.attnum LEFT JOIN pg_collation o ON o.oid = a.attcollation
	WHERE c.relkind IN ('r', 'v', 'm', 'p', 'f') AND c.relnamespace = current_schema()::regnamespace
UNION ALL SELECT 'constraint ' || replace(conrelid::regclass::text, current_schema() || '.', '') || ' ' || conname || ' ' || pg_get_constraintdef(oid) || ' ' || convalidated::text FROM pg_constraint WHERE connamespace = current_schema()::regnamespace
UNION ALL SELECT 'index ' || replace(pg_get_indexdef(i.indexrelid), current_schema() || '.', '') || ' ' || i.indisvalid::text FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid
	WHERE c.relnamespace = current_schema()::regnamespace
UNION ALL SELECT 'trigger ' || t.tgenabled::text || ' ' || CASE WHEN t.tgisinternal THEN 'of references' ELSE replace(pg_get_triggerdef(t.oid), current_schema() || '.', '') END
	FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid WHERE c.relnamespace = current_schema()::regnamespace
UNION ALL SELECT 'function ' || proname || ' ' || prosrc FROM pg_proc WHERE pronamespace = current_schema()::regnamespace
ORDER BY 1`

// objects makes the schema a second time, in a transaction that is given up, and compares the two.
func (postgreSQL) objects(ctx context.Context, s *Store) (got, want []string, err error) {
	if got, err = list(ctx, s, "read the tables", text, objectsOf); err != nil {
		return nil, nil, err
	}
	const op = "make the tables once more, to compare"
	sqlTx, err := s.r.BeginTx(ctx, nil)
	if err != nil {
		return nil, nil, s.fail(op, err)
	}
	t := &tx{Tx: sqlTx, s: s}
	defer t.Rollback()
	if _, err := t.ExecContext(ctx, "SET TRANSACTION READ WRITE; CREATE SCHEMA leadsman_as_made; SET LOCAL search_path = leadsman_as_made"); err != nil {
		return nil, nil, s.fail(op, err)
	}
	for i, step := range schema {
		if err := s.step(ctx, t, step, i+1); err != nil {
			return nil, nil, s.fail(op, err)
		}
	}
	want, err = gather(ctx, t, text, objectsOf)
	return got, want, s.fail(op, err)
}

// connectPostgres makes a pool of connections. Every one has the settings that durability rests on.
func (s *Store) connectPostgres(url string, readOnly bool) (*database, error) {
	cfg, err := pgx.ParseConfig(url)
	if err != nil {
		// What the library says of it could hold the password.
		return nil, &Error{Op: "open the database", Err: fmt.Errorf("its address is not one of PostgreSQL: %w", ErrInvalid),
			Hint: "write it as postgres://USER@HOST:5432/DATABASE, the password in the file that PGPASSFILE names or in PGPASSWORD"}
	}
	s.dialect = postgreSQL{}
	s.path = Address(url)
	if cfg.ConnectTimeout == 0 {
		cfg.ConnectTimeout = 5 * time.Second
	}
	for k, v := range map[string]string{
		"application_name": "leadsman", "synchronous_commit": "on", "client_encoding": "UTF8",
		// A node that fell asleep in the middle of a change keeps the others waiting no longer than this.
		"idle_in_transaction_session_timeout": "5s", "lock_timeout": "20s",
		"tcp_keepalives_idle": "5", "tcp_keepalives_interval": "2", "tcp_keepalives_count": "3", "tcp_user_timeout": "10000",
	} {
		if _, given := cfg.RuntimeParams[k]; !given {
			cfg.RuntimeParams[k] = v
		}
	}
	s.listen = cfg.Copy()
	if readOnly {
		cfg.RuntimeParams["default_transaction_read_only"] = "on"
	}
	db := &database{stdlib.OpenDB(*cfg), postgreSQL{}}
	db.SetMaxIdleConns(4)
	return db, nil
}

// Address is the address of a database without its password, for messages.
func Address(url string) string {
	cfg, err := pgx.ParseConfig(url)
	if err != nil {
		return "the database"
	}
	return fmt.Sprintf("postgres://%s/%s", net.JoinHostPort(cfg.Host, fmt.Sprint(cfg.Port)), cfg.Database)
}

// openPostgres opens a database to change it, and gives the version of its tables. The data folder keeps the witness.
func (s *Store) openPostgres(ctx context.Context, newest int, o options) (v int, err error) {
	if s.w, err = s.connectPostgres(o.database, false); err != nil {
		return 0, err
	}
	s.w.SetMaxOpenConns(1)
	if s.r, err = s.connectPostgres(o.database, true); err != nil {
		return 0, err
	}
	s.r.SetMaxOpenConns(16)
	bad, err := unsafeSettings(ctx, s.w)
	if err != nil {
		return 0, s.fail("open the database", err)
	}
	if len(bad) > 0 {
		return 0, &Error{Op: "open the database", Path: s.path, Err: errors.New("it cannot keep the log safely"), Hint: strings.Join(bad, "; ")}
	}
	if v, err = s.knownPostgres(ctx, newest); err != nil {
		return 0, err
	}
	if b, err := os.ReadFile(filepath.Join(s.dir, witnessName)); v == 0 && err == nil && !strings.HasPrefix(string(b), nothingSeen) {
		return 0, &Error{Op: "open the database", Path: s.path, Err: fmt.Errorf("it is empty, though there were data here (%s says so): %w", filepath.Join(s.dir, witnessName), ErrDamaged),
			Hint: "restore the database; to begin anew, name another folder with --data"}
	}
	s.keys, err = keyOf(ctx, s.w, s.path, v, o.source)
	if err == nil && s.keys == nil {
		s.keys, err = makeKey(o.source.path, s.dir)
		s.made = o.source.path
	}
	return v, err
}

// knownPostgres gives the version of the tables, 0 where there are none yet, and refuses those of others.
func (s *Store) knownPostgres(ctx context.Context, newest int) (v int, err error) {
	const op = "open the database"
	var schema sql.NullString
	var encoding string
	var tables int
	err = s.r.QueryRowContext(ctx, "SELECT current_schema(), current_setting('server_encoding'), (SELECT count(*) FROM pg_class WHERE relkind IN ('r', 'v', 'p', 'm') AND relnamespace = current_schema()::regnamespace)").
		Scan(&schema, &encoding, &tables)
	if err != nil {
		return 0, s.fail(op, err)
	}
	refuse := func(err error, hint string) (int, error) {
		return 0, &Error{Op: op, Path: s.path, Err: err, Hint: hint}
	}
	switch {
	case !schema.Valid:
		return refuse(fmt.Errorf("its search path leads to no schema: %w", ErrInvalid), "create the schema that the address names")
	case encoding != "UTF8":
		return refuse(fmt.Errorf("its encoding is %s: %w", encoding, ErrInvalid), "create the database with the encoding UTF8")
	case tables == 0:
		return 0, nil
	}
	if there, err := s.has(ctx, s.r, "leadsman"); err != nil {
		return 0, s.fail(op, err)
	} else if !there {
		return refuse(fmt.Errorf("there are tables of another program in schema %s: %w", schema.String, ErrInvalid), "name a database, or a schema (?search_path=NAME), that is empty")
	}
	if err := s.r.QueryRowContext(ctx, "SELECT version FROM leadsman").Scan(&v); err != nil {
		return 0, s.fail(op, err)
	}
	if v > newest {
		return refuse(ErrNewer, fmt.Sprintf("its version is %d, this program knows up to %d: install the newer program; nothing was touched", v, newest))
	}
	return v, nil
}

// lookOnPostgres opens a database to look on.
func lookOnPostgres(ctx context.Context, dir string, o options) (_ *Store, err error) {
	s := &Store{dir: dir, now: time.Now}
	defer func() {
		if err != nil {
			s.Close()
		}
	}()
	if s.r, err = s.connectPostgres(o.database, true); err != nil {
		return nil, err
	}
	v, err := s.knownPostgres(ctx, len(schema))
	if err != nil {
		return nil, err
	}
	if v == 0 {
		return nil, &Error{Op: "open the database", Path: s.path, Err: fmt.Errorf("no data here: %w", ErrNotFound), Hint: "name another one, or start leadsman serve once"}
	}
	if err := upToDate(v, s.path); err != nil {
		return nil, err
	}
	// A folder of a node has a witness; from elsewhere the database is looked at without one.
	if _, err := os.Stat(filepath.Join(dir, witnessName)); !errors.Is(err, fs.ErrNotExist) {
		s.folder = true
	}
	s.beside = func() (*database, error) { return s.connectPostgres(o.database, false) }
	s.keys, err = keyOf(ctx, s.r, s.path, v, o.source)
	return s, err
}

const codeUnique = "23505" // unique_violation

// faultOfPostgres says what to do about an error of PostgreSQL, "" for one that is none of the database.
func faultOfPostgres(err error) string {
	if away(err) {
		return "the database does not answer: is PostgreSQL running, and reached from here? What was being saved is looked up when it is back"
	}
	var e *pgconn.PgError
	if !errors.As(err, &e) {
		return ""
	}
	switch e.Code {
	case "53100":
		return "the disk of the database is full, nothing of this was written: free some space, then repeat"
	case "58030":
		return "the disk of the database reported an error, this was not saved: check it, and make a backup"
	case "XX001", "XX002":
		return "the database is damaged: leadsman verify says what is intact; restore a backup of the database"
	case "42501", "25006":
		return "no permission: the role must own its database, which must not be a standby"
	case "28000", "28P01", "3D000":
		return "check name, password (PGPASSFILE or PGPASSWORD) and database in the address"
	case "55P03":
		return "another node has kept a change open for too long: repeat, and look at that node"
	case "22021", "22P05":
		return "a text holds characters that cannot be kept: type it anew"
	}
	return ""
}

// away reports whether the database could not be reached, or went away.
func away(err error) bool {
	if errors.Is(err, context.Canceled) {
		return false // whoever asked has gone
	}
	var e *pgconn.PgError
	if errors.As(err, &e) {
		return slices.Contains([]string{"57P01", "57P02", "57P03", "25P03", "53300"}, e.Code) || strings.HasPrefix(e.Code, "08")
	}
	return errors.As(err, new(*pgconn.ConnectError)) || errors.As(err, new(*net.OpError)) || errors.Is(err, pgconn.ErrConnClosed) || errors.Is(err, driver.ErrBadConn) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, sql.ErrConnDone)
}
