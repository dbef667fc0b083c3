package store

import (
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/mattn/go-sqlite3"

	"leadsman/chart"
	"leadsman/practice"
)

var (
	ErrNotFound = practice.ErrNotFound
	ErrConflict = practice.ErrConflict
	ErrInvalid  = practice.ErrInvalid
	// ErrOutOfOrder means that events do not follow the last one of the log. Nothing was written.
	ErrOutOfOrder = practice.ErrBehind
	// ErrSigned means that the exam is signed: only remarks and plans can be added.
	ErrSigned = chart.ErrSigned
	// ErrLocked means that another process has the store open.
	ErrLocked = errors.New("the data folder is in use by another leadsman")
	// ErrExists means that a file is there already and would be replaced.
	ErrExists = errors.New("exists already")
	// ErrNewer means that the file was written by a newer version of this program.
	ErrNewer = errors.New("the data file was written by a newer version of leadsman")
	errOlder = errors.New("it is older than this program")
	// ErrReadOnly means that the store was opened to look on.
	ErrReadOnly = errors.New("the store was opened read-only")
	// ErrAway means that the database does not answer. Whether what was being written is kept is not known: read it again.
	ErrAway = practice.ErrAway
	// ErrDamaged is what *CorruptError and faults in the structure of the file are: data were written
	// well once and cannot all be read any more.
	ErrDamaged = errors.New("damaged")
)

// Error is a fault of the file or the disk, with what the operator can do about it.
type Error struct {
	Op   string // what was being done
	Path string // the file or folder
	Hint string // what to do
	Err  error
}

func (e *Error) Error() string {
	s := e.Op + ": " + e.Err.Error()
	if e.Path != "" {
		s += " (" + e.Path + ")"
	}
	if e.Hint != "" {
		s += ": " + e.Hint
	}
	return s
}

func (e *Error) Unwrap() error { return e.Err }

// Remedy is the hint: practice.Unkept.
func (e *Error) Remedy() string { return e.Hint }

// Is makes errors.Is(err, ErrDamaged) hold for faults in the structure of the file.
func (e *Error) Is(target error) bool { return target == ErrDamaged && damaged(e.Err) }

// CorruptError says that the log of an exam is damaged. Seq is the first event that cannot be trusted; those before it are intact.
type CorruptError struct {
	Exam string
	Seq  uint64
	Hint string // what can be saved, and how
	Err  error  // what was found
}

func (e *CorruptError) Error() string {
	return fmt.Sprintf("log of exam %s is damaged at event %d: %v: %s", e.Exam, e.Seq, e.Err, e.Hint)
}

func (e *CorruptError) Unwrap() error { return e.Err }

// Is makes errors.Is(err, ErrDamaged) hold.
func (e *CorruptError) Is(target error) bool { return target == ErrDamaged }

func corrupt(exam string, seq uint64, format string, a ...any) *CorruptError {
	return &CorruptError{Exam: exam, Seq: seq, Hint: "leadsman verify says what else of it is intact and can be saved", Err: fmt.Errorf(format, a...)}
}

// fail wraps an error of the database with what was done and, for faults of file and disk, a hint.
func (s *Store) fail(op string, err error) error { return wrap(op, s.path, err) }

func wrap(op, path string, err error) error {
	if err == nil {
		return nil
	}
	if errors.Is(err, ErrAway) {
		return err
	}
	if away(err) {
		err = &awayError{err}
	}
	hint := faultOfSQLite(err)
	if hint == "" {
		hint = faultOfPostgres(err)
	}
	if hint == "" {
		return fmt.Errorf("%s: %w", op, err)
	}
	return &Error{Op: op, Path: path, Hint: hint, Err: err}
}

// Unwritable reports whether a write failed because nothing can be written where the store is: the disk is full, or read-only.
func Unwritable(err error) bool {
	var se sqlite3.Error
	return errors.Is(err, ErrReadOnly) || errors.As(err, &se) && (se.Code == sqlite3.ErrFull || se.Code == sqlite3.ErrReadonly)
}

func faultOfSQLite(err error) string {
	var se sqlite3.Error
	if !errors.As(err, &se) {
		return ""
	}
	switch se.Code {
	case sqlite3.ErrFull:
		return "the disk is full, nothing of this was written: free some space, then repeat"
	case sqlite3.ErrIoErr:
		return "the disk reported an error, this was not saved: check the disk and the cable, make a backup to another disk"
	case sqlite3.ErrCorrupt, sqlite3.ErrNotADB:
		return "the file is damaged: leadsman verify says what is intact, leadsman restore brings a backup back"
	case sqlite3.ErrReadonly, sqlite3.ErrPerm:
		return "no permission to write: check the owner of the folder, and that the disk is not mounted read-only"
	case sqlite3.ErrCantOpen:
		return "the file cannot be opened: check that the folder exists and who owns it"
	case sqlite3.ErrBusy, sqlite3.ErrLocked:
		return "another program holds the file: close it, then repeat"
	case sqlite3.ErrTooBig:
		return "too large to be stored"
	}
	return ""
}

// awayError is an error of a connection, in one line.
type awayError struct{ err error }

func (e *awayError) Error() string {
	return ErrAway.Error() + ": " + strings.Join(strings.Fields(e.err.Error()), " ")
}

func (e *awayError) Unwrap() []error { return []error{ErrAway, e.err} }

// brokenKey reports whether an error says that a row with the same primary key is there, or one with another value that none may share.
func brokenKey(err error) (primary, other bool) {
	var se sqlite3.Error
	if errors.As(err, &se) {
		return se.ExtendedCode == sqlite3.ErrConstraintPrimaryKey, se.ExtendedCode == sqlite3.ErrConstraintUnique
	}
	var pe *pgconn.PgError
	if errors.As(err, &pe) && pe.Code == codeUnique {
		primary = strings.HasSuffix(pe.ConstraintName, "_pkey")
		return primary, !primary
	}
	return false, false
}

// damaged reports whether the database itself found its data broken.
func damaged(err error) bool {
	var se sqlite3.Error
	var pe *pgconn.PgError
	return errors.As(err, &se) && (se.Code == sqlite3.ErrCorrupt || se.Code == sqlite3.ErrNotADB) ||
		errors.As(err, &pe) && (pe.Code == "XX001" || pe.Code == "XX002")
}
