package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"time"
)

// Names of the files in the data folder.
const (
	fileName = "leadsman.db"
	lockName = "leadsman.lock"
)

// Store is an open data folder. It is safe for concurrent use; Close it when done.
type Store struct {
	path string // of the database file
	now  func() time.Time
	w    *sql.DB // the one connection that writes; nil when read-only
	r    *sql.DB // readers: WAL lets them run beside the writer
	lock *os.File
}

// Open opens the data folder for reading and writing. It creates the folder (for its owner alone)
// and the file where there are none and brings an older file up to date. now gives the times of
// patients, exams and clips; events bring their own.
//
// It fails with ErrLocked if another process has the folder open and with ErrNewer if a newer
// program wrote it.
func Open(ctx context.Context, dir string, now func() time.Time) (*Store, error) {
	return open(ctx, dir, now, schema)
}

func open(ctx context.Context, dir string, now func() time.Time, steps []string) (_ *Store, err error) {
	dir, err = filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	if err := makeDir(dir); err != nil {
		return nil, &Error{Op: "open the data folder", Path: dir, Err: err, Hint: "name a folder on a local disk that you may write to (--data)"}
	}
	s := &Store{path: filepath.Join(dir, fileName), now: now}
	if s.lock, err = lockDir(dir); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			s.Close()
		}
	}()
	// SQLite gives -wal and -shm the mode of the file.
	f, err := os.OpenFile(s.path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, &Error{Op: "open the data file", Path: s.path, Err: err, Hint: "check who owns it"}
	}
	f.Close()
	if s.w, err = sql.Open("sqlite3", dsn(s.path, "mode=rw&_journal_mode=WAL&_txlock=immediate&_secure_delete=true")); err != nil {
		return nil, err
	}
	s.w.SetMaxOpenConns(1)
	// Asked before anything is written, so that a foreign or newer file stays as it is.
	if err := s.checkForeign(ctx, len(steps)); err != nil {
		return nil, err
	}
	var mode string
	if err := s.w.QueryRowContext(ctx, "PRAGMA journal_mode").Scan(&mode); err != nil {
		return nil, s.fail("open the data file", err)
	}
	if mode != "wal" {
		return nil, &Error{Op: "open the data file", Path: s.path, Err: fmt.Errorf("journal mode is %q, not wal", mode),
			Hint: "this disk cannot keep the log safely (a network share?): use a local disk"}
	}
	if err := s.migrate(ctx, steps); err != nil {
		return nil, err
	}
	if s.r, err = sql.Open("sqlite3", dsn(s.path, "mode=rw&_query_only=true")); err != nil {
		return nil, err
	}
	s.r.SetMaxIdleConns(4)
	return s, nil
}

// checkForeign refuses foreign and newer files through a connection that cannot write.
func (s *Store) checkForeign(ctx context.Context, newest int) error {
	db, err := sql.Open("sqlite3", dsn(s.path, "mode=rw&_query_only=true"))
	if err != nil {
		return err
	}
	defer db.Close()
	_, err = version(ctx, db, s.path, newest)
	return err
}

// OpenReadOnly opens an existing data folder to look on, beside a process that writes or without
// one. Everything that would write fails with ErrReadOnly.
func OpenReadOnly(ctx context.Context, dir string) (*Store, error) {
	path := filepath.Join(dir, fileName)
	if _, err := os.Stat(path); err != nil {
		return nil, &Error{Op: "open the data folder", Path: dir, Err: fmt.Errorf("no data here: %w", ErrNotFound),
			Hint: "name the folder with --data, or start leadsman serve once"}
	}
	return openReader(ctx, path, "mode=rw&_query_only=true")
}

// openReader opens a database file without the lock.
func openReader(ctx context.Context, path, params string) (*Store, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	s := &Store{path: path, now: time.Now}
	if s.r, err = sql.Open("sqlite3", dsn(path, params)); err != nil {
		return nil, err
	}
	v, err := version(ctx, s.r, path, len(schema))
	if err == nil && v < len(schema) {
		err = &Error{Op: "open the data file", Path: path, Err: fmt.Errorf("its version is %d, this program works with %d", v, len(schema)),
			Hint: "start leadsman serve once to bring it up to date"}
	}
	if err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

// dsn names a file with all the settings that durability and correctness rest on; every connection
// gets them.
func dsn(path, params string) string {
	u := url.URL{Scheme: "file", OmitHost: true, Path: path}
	return u.String() + "?_synchronous=FULL&_foreign_keys=on&_busy_timeout=5000&" + params
}

// Close writes the log back into the file, closes it and gives the folder free.
func (s *Store) Close() error {
	var errs []error
	for _, db := range []*sql.DB{s.r, s.w} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return s.fail("close the data file", errors.Join(errs...))
}

// Path is the database file.
func (s *Store) Path() string { return s.path }

// makeDir makes the folder, and its parents, for the owner alone and makes the new entry durable.
func makeDir(dir string) error {
	if fi, err := os.Stat(dir); err == nil {
		if !fi.IsDir() {
			return errors.New("not a folder")
		}
		return nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	return syncDir(filepath.Dir(dir))
}

// syncDir makes renames and new files in a folder durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// lockDir takes the folder for this process. The lock is the kernel's: it goes when the process
// goes, however that happens. The number inside the file only helps people.
func lockDir(dir string) (*os.File, error) {
	path := filepath.Join(dir, lockName)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, &Error{Op: "open the data folder", Path: dir, Err: err, Hint: "check who owns the folder and that it is writable"}
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		defer f.Close()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, &Error{Op: "lock the data folder", Path: path, Err: err, Hint: "use a local disk"}
		}
		who := make([]byte, 32)
		n, _ := f.Read(who)
		e := &Error{Op: "open the data folder", Path: dir, Err: ErrLocked, Hint: "stop that one, or name another folder with --data"}
		if pid := strings.TrimSpace(string(who[:n])); pid != "" {
			e.Hint = "stop that one (process " + pid + "), or name another folder with --data"
		}
		return nil, e
	}
	if err := f.Truncate(0); err == nil {
		fmt.Fprintf(f, "%d\n", os.Getpid())
	}
	return f, nil
}

// write runs do in a transaction that is durable when write returns nil.
func (s *Store) write(ctx context.Context, op string, do func(*sql.Tx) error) error {
	if s.w == nil {
		return fmt.Errorf("%s: %w", op, ErrReadOnly)
	}
	tx, err := s.w.BeginTx(ctx, nil)
	if err != nil {
		return s.fail(op, err)
	}
	if err := do(tx); err != nil {
		tx.Rollback()
		return s.fail(op, err)
	}
	if err := tx.Commit(); err != nil {
		tx.Rollback()
		return s.fail(op, err)
	}
	return nil
}

var idForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// idLetters leaves out what is easily mistaken when an id is typed from paper.
const idLetters = "23456789abcdefghjkmnpqrstuvwxyz"

// newID checks a given id or makes one. Ids stand in addresses, file names and on command lines.
func newID(given string) (string, error) {
	if given != "" {
		if !idForm.MatchString(given) {
			return "", fmt.Errorf("id %q: use 1 to 40 of a-z, 0-9 and -: %w", given, ErrInvalid)
		}
		return given, nil
	}
	b := make([]byte, 10)
	rand.Read(b) // never fails
	for i := range b {
		b[i] = idLetters[int(b[i])%len(idLetters)]
	}
	return string(b), nil
}

func millis(t time.Time) int64     { return t.UnixMilli() }
func fromMillis(m int64) time.Time { return time.UnixMilli(m) }
