package store

import (
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"filippo.io/age"
	"github.com/jackc/pgx/v5"
)

// Names of the files in the data folder.
const (
	fileName = "leadsman.db"
	lockName = "leadsman.lock"
)

// Store is an open data folder. It is safe for concurrent use; Close it when done.
type Store struct {
	dialect
	dir      string // the data folder
	path     string // of the database file, or the address of the database without its password
	now      func() time.Time
	w        *database // the one connection that writes; nil when read-only
	r        *database // readers: they run beside the writer
	lock     *os.File
	keys     *keyring
	seen     witness
	made     string // the key file that was made when the store was opened
	patients patientList
	doubles  signedTwice
	lost     string // what the witness missed when the store was opened
	// beside connects to write beside another process; nil where nothing is noted (a lone file).
	beside func() (*database, error)
	// folder says that this is a data folder with a witness, not a lone file.
	folder bool
	gone   func() error         // removes the copy that the store is looked at in; nil: none
	listen *pgx.ConnConfig      // how further connections to the database are made
	node   atomic.Pointer[Node] // this process among several; nil: it is alone
}

// Open opens the data folder for reading and writing. It creates the folder (for its owner alone)
// and the file where there are none and brings an older file up to date. now gives the times of
// patients, exams and clips; events bring their own.
//
// It fails with ErrLocked if another process has the folder open, with ErrNewer if a newer program
// wrote it, and with ErrKey if its key is gone or another one.
func Open(ctx context.Context, dir string, now func() time.Time, opts ...Option) (*Store, error) {
	return open(ctx, dir, now, schema, opts...)
}

// Option says how a store is opened.
type Option func(*options)

type options struct {
	source     keySource
	identities []age.Identity
	anchors    []Anchor
	database   string
}

// WithDatabase names a database of PostgreSQL (postgres://...) in which the data lie instead of in a file of the data folder; "" is the file.
func WithDatabase(url string) Option { return func(o *options) { o.database = url } }

// WithKey names the key file; "" is KeyFile of the folder.
func WithKey(path string) Option { return func(o *options) { o.source.path = path } }

// WithPassphrase says whom to ask for the passphrase of a key file that is protected by one.
func WithPassphrase(ask func() (string, error)) Option {
	return func(o *options) { o.source.pass = ask }
}

// WithIdentities opens backups that are encrypted to one of them.
func WithIdentities(ids ...age.Identity) Option {
	return func(o *options) { o.identities = append(o.identities, ids...) }
}

// WithAnchors has VerifyFile check anchors as Verify does.
func WithAnchors(as ...Anchor) Option {
	return func(o *options) { o.anchors = append(o.anchors, as...) }
}

func optionsOf(dir string, opts []Option) options {
	var o options
	for _, f := range opts {
		f(&o)
	}
	if o.source.path == "" {
		o.source.path = KeyFile(dir)
	}
	return o
}

func open(ctx context.Context, dir string, now func() time.Time, steps []step, opts ...Option) (_ *Store, err error) {
	dir, err = filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	if err := makeDir(dir); err != nil {
		return nil, &Error{Op: "open the data folder", Path: dir, Err: err, Hint: "name a folder on a local disk that you may write to (--data)"}
	}
	o := optionsOf(dir, opts)
	s := &Store{dir: dir, now: now, folder: true}
	if s.lock, err = lockDir(dir); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			s.Close()
		}
	}()
	tidy(dir)
	connect := s.openFile
	if o.database != "" {
		connect = s.openPostgres
	}
	v, err := connect(ctx, len(steps), o)
	if err != nil {
		return nil, err
	}
	if err := s.takeWitness(v); err != nil {
		return nil, err
	}
	if o.database == "" {
		if err := s.prepareFile(ctx, v, steps); err != nil {
			return nil, err
		}
	}
	if err := s.migrate(ctx, v, steps); err != nil {
		return nil, err
	}
	if len(steps) >= withJournal {
		if err := s.heed(ctx); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// openFile opens the file of the data folder and gives its version.
func (s *Store) openFile(ctx context.Context, newest int, o options) (int, error) {
	s.dialect, s.path = sqlite{}, filepath.Join(s.dir, fileName)
	if err := checkPresent(s.path); err != nil {
		return 0, err
	}
	// SQLite gives -wal and -shm the mode of the file.
	f, err := os.OpenFile(s.path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return 0, &Error{Op: "open the data file", Path: s.path, Err: err, Hint: "check who owns it"}
	}
	f.Close()
	if s.w, err = openSQLite(s.path, "mode=rw&_journal_mode=WAL&_txlock=immediate&_secure_delete=true"); err != nil {
		return 0, err
	}
	s.w.SetMaxOpenConns(1)
	// Asked before anything is written, so that a foreign or newer file stays as it is.
	v, err := s.checkForeign(ctx, newest, o.source)
	if err != nil {
		return 0, err
	}
	var mode string
	if err := s.w.QueryRowContext(ctx, "PRAGMA journal_mode").Scan(&mode); err != nil {
		return 0, s.fail("open the data file", err)
	}
	if mode != "wal" {
		return 0, &Error{Op: "open the data file", Path: s.path, Err: fmt.Errorf("journal mode is %q, not wal", mode),
			Hint: "this disk cannot keep the log safely (a network share?): use a local disk"}
	}
	if s.r, err = openSQLite(s.path, "mode=rw&_query_only=true"); err != nil {
		return 0, err
	}
	s.r.SetMaxIdleConns(4)
	return v, nil
}

func openSQLite(path, params string) (*database, error) {
	db, err := sql.Open("sqlite3", dsn(path, params))
	return &database{db, sqlite{}}, err
}

// tidy takes the folder and its files away from everybody but their owner, and removes what an interrupted backup or restore of
// former days left behind. What belongs to somebody else stays as it is: leadsman doctor tells of it.
func tidy(dir string) {
	tighten := func(path string) {
		if fi, err := os.Lstat(path); err == nil && (fi.IsDir() || fi.Mode().IsRegular()) && fi.Mode().Perm()&0o077 != 0 {
			os.Chmod(path, fi.Mode().Perm()&0o700)
		}
	}
	tighten(dir)
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		switch {
		case strings.HasPrefix(e.Name(), "leadsman."):
			tighten(path)
		case strings.HasPrefix(e.Name(), ".leadsman-copy-"), strings.HasPrefix(e.Name(), ".leadsman-restore-"):
			if fi, err := e.Info(); err == nil && time.Since(fi.ModTime()) > 24*time.Hour {
				os.RemoveAll(path)
			}
		}
	}
}

// checkPresent refuses to begin anew where data were: an empty file in the place of a store is a loss, not a start.
func checkPresent(path string) error {
	if fi, err := os.Stat(path); err == nil && fi.Size() > 0 {
		return nil
	}
	if fi, err := os.Stat(path + "-wal"); err == nil && fi.Size() > 0 {
		return nil
	}
	if b, err := os.ReadFile(filepath.Join(filepath.Dir(path), witnessName)); err != nil || strings.HasPrefix(string(b), nothingSeen) {
		return nil
	}
	return &Error{Op: "open the data folder", Path: path, Err: fmt.Errorf("the data file is empty or gone, though there were data here: %w", ErrDamaged),
		Hint: "restore a backup (leadsman restore FILE --overwrite); to begin anew, name another folder with --data"}
}

// checkForeign refuses foreign and newer files through a connection that cannot write, finds the key, and gives the file's version.
func (s *Store) checkForeign(ctx context.Context, newest int, from keySource) (int, error) {
	db, err := sql.Open("sqlite3", dsn(s.path, "mode=rw&_query_only=true"))
	if err != nil {
		return 0, err
	}
	defer db.Close()
	v, err := version(ctx, db, s.path, newest)
	if err == nil {
		s.keys, err = findKey(ctx, db, s.path, v, from)
	}
	if err == nil && s.keys == nil {
		s.keys, err = makeKey(from.path, s.dir)
		s.made = from.path
	}
	return v, err
}

// findKey finds the key of a data file: the one that it carries, or that of the first key file that has it. A file of a version
// without keys gets any; the key is nil if there is none yet.
func findKey(ctx context.Context, db *sql.DB, path string, v int, sources ...keySource) (*keyring, error) {
	if k, err := carriedKey(ctx, db); err != nil || k != nil {
		return k, wrap("read the key that the file carries", path, err)
	}
	return keyOf(ctx, db, path, v, sources...)
}

// keyOf finds the key of data among key files.
func keyOf(ctx context.Context, db querier, path string, v int, sources ...keySource) (*keyring, error) {
	const op = "open the data"
	id := ""
	if v >= withJournal {
		if err := db.QueryRowContext(ctx, "SELECT id FROM secret").Scan(&id); err != nil {
			return nil, wrap(op, path, err)
		}
	}
	other := ""
	for _, from := range sources {
		k, err := readKey(from)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return nil, err
		case v < withJournal || k.id == id:
			return k, nil
		default:
			other = fmt.Sprintf("the key file %s holds key %s, these data were kept with key %s", from.path, k.id, id)
		}
	}
	switch {
	case v < withJournal:
		return nil, nil
	case other != "":
		return nil, &Error{Op: op, Path: path, Err: fmt.Errorf("%s: %w", other, ErrKey),
			Hint: "name the right key file with --key, or restore a backup, which brings its key along"}
	}
	return nil, &Error{Op: op, Path: path, Err: fmt.Errorf("its key file %s is gone: %w", sources[0].path, ErrKey),
		Hint: "put the copy of it back that you keep (key " + id + "), name it with --key, or restore a backup, which brings its key along"}
}

// takeWitness opens the witness. A store that has no journal yet gets a new one, so that from then on a missing one means something.
func (s *Store) takeWitness(v int) error {
	path := filepath.Join(s.dir, witnessName)
	fi, err := os.Lstat(path)
	fresh := errors.Is(err, fs.ErrNotExist) || err == nil && fi.Size() == 0
	if fresh && v >= withJournal && s.inFile() { // a database is opened from many folders
		s.lost = witnessName + " was missing, which tells how far changes were confirmed: lost changes cannot be ruled out"
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return &Error{Op: "open the data folder", Path: path, Err: err, Hint: "check who owns it"}
	}
	s.seen.f = f
	if fresh {
		// On the disk before there is anything to lose.
		_, err := f.Write(s.keys.witnessLine(head{}))
		if err = errors.Join(err, f.Sync(), syncDir(s.dir)); err != nil {
			return &Error{Op: "open the data folder", Path: path, Err: err, Hint: "is the disk full?"}
		}
	}
	return nil
}

// heed compares the journal with the witness and journals what is lost: the work goes on, the loss stays in sight until somebody
// answers for it (see Accept).
func (s *Store) heed(ctx context.Context) error {
	h, err := s.keys.readWitness(s.dir)
	if errors.Is(err, ErrDamaged) {
		s.lost = cmp.Or(s.lost, err.Error())
	} else if err != nil {
		return s.fail("read "+witnessName, err)
	}
	lost, err := testify(ctx, s.w, h)
	if err != nil {
		return s.fail("read the journal", err)
	}
	s.lost = cmp.Or(s.lost, lost)
	if s.lost != "" {
		if err := s.write(ctx, "write the journal", func(t *tx) error {
			return t.enter(ctx, Entry{What: whatLost, Detail: s.lost}, nil)
		}); err != nil {
			return err
		}
	}
	var end head
	if err := s.w.QueryRowContext(ctx, "SELECT n, mac FROM journal ORDER BY n DESC LIMIT 1").Scan(&end.n, &end.mac); err != nil {
		return s.fail("read the journal", err)
	}
	s.seen.n = 0
	s.seen.saw(s.keys, end)
	return nil
}

// NewKey names the key file if the opening of the store made one, else it is "".
func (s *Store) NewKey() string { return s.made }

// Lost says what was confirmed and is no longer there, as far as the opening of the store found out; "" for nothing.
func (s *Store) Lost() string { return s.lost }

// OpenReadOnly opens an existing data folder to look on, beside a process that writes or without
// one. Everything that would write fails with ErrReadOnly.
func OpenReadOnly(ctx context.Context, dir string, opts ...Option) (*Store, error) {
	if o := optionsOf(dir, opts); o.database != "" {
		return lookOnPostgres(ctx, dir, o)
	}
	path := filepath.Join(dir, fileName)
	if err := checkPresent(path); err != nil {
		return nil, err
	}
	if _, err := os.Stat(path); err != nil {
		return nil, &Error{Op: "open the data folder", Path: dir, Err: fmt.Errorf("no data here: %w", ErrNotFound),
			Hint: "name the folder with --data, or start leadsman serve once"}
	}
	if syscall.Access(dir, writable) == syscall.EROFS {
		return openOnReadOnlyDisk(ctx, dir, optionsOf(dir, opts))
	}
	s, err := openReader(ctx, path, "mode=rw&_query_only=true", optionsOf(dir, opts).source)
	if err == nil {
		s.folder = true
		s.beside = func() (*database, error) {
			db, err := openSQLite(path, "mode=rw&_txlock=immediate&_secure_delete=true")
			if err == nil {
				db.SetMaxOpenConns(1)
			}
			return db, err
		}
	}
	return s, err
}

const writable = 2 // W_OK of access(2)

// openOnReadOnlyDisk opens a folder on a disk that is mounted read-only. SQLite needs to write beside a file whose newest entries are in a -wal
// file: such a folder is looked at in a copy, which goes when the store is closed.
func openOnReadOnlyDisk(ctx context.Context, dir string, o options) (*Store, error) {
	path, gone := filepath.Join(dir, fileName), func() error { return nil }
	if fi, err := os.Stat(path + "-wal"); err == nil && fi.Size() > 0 {
		tmp, err := os.MkdirTemp("", "leadsman-look-*")
		if err != nil {
			return nil, &Error{Op: "open the data folder", Path: dir, Err: err, Hint: "its disk is read-only and its newest entries are in the -wal file, so it is looked at in a copy: set TMPDIR to a folder that has room"}
		}
		gone = func() error { return os.RemoveAll(tmp) }
		for _, name := range []string{fileName, fileName + "-wal", witnessName} {
			if err := copyFile(filepath.Join(dir, name), filepath.Join(tmp, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return nil, errors.Join(&Error{Op: "open the data folder", Path: dir, Err: err, Hint: "its disk is read-only and it is looked at in a copy: set TMPDIR to a folder that has room"}, gone())
			}
		}
		path = filepath.Join(tmp, fileName)
	}
	params := "mode=ro&immutable=1"
	if filepath.Dir(path) != dir {
		params = "mode=rw&_query_only=true"
	}
	s, err := openReader(ctx, path, params, o.source)
	if err != nil {
		return nil, errors.Join(err, gone())
	}
	s.folder, s.gone = true, gone
	return s, nil
}

// openReader opens a database file without the lock.
func openReader(ctx context.Context, path, params string, sources ...keySource) (*Store, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	s := &Store{dialect: sqlite{}, dir: filepath.Dir(path), path: path, now: time.Now}
	if s.r, err = openSQLite(path, params); err != nil {
		return nil, err
	}
	v, err := version(ctx, s.r, path, len(schema))
	if err == nil {
		err = upToDate(v, path)
	}
	if err == nil {
		s.keys, err = findKey(ctx, s.r.DB, path, v, sources...)
	}
	if err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

// upToDate refuses data that have to be brought up to date first.
func upToDate(v int, path string) error {
	if v == len(schema) {
		return nil
	}
	return &Error{Op: "open the data", Path: path, Err: fmt.Errorf("their version is %d, this program works with %d: %w", v, len(schema), errOlder),
		Hint: "start leadsman serve once to bring them up to date"}
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
	for _, db := range []*database{s.r, s.w} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	if s.seen.f != nil {
		errs = append(errs, s.seen.f.Sync(), s.seen.f.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	if s.gone != nil {
		errs = append(errs, s.gone())
	}
	return s.fail("close the data file", errors.Join(errs...))
}

// Path is the database file, or the address of the database without its password.
func (s *Store) Path() string { return s.path }

// inFile reports whether the data lie in a file of the data folder.
func (s *Store) inFile() bool {
	_, ok := s.dialect.(sqlite)
	return ok
}

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
func (s *Store) write(ctx context.Context, op string, do func(*tx) error) error {
	if s.w == nil {
		return fmt.Errorf("%s: %w", op, ErrReadOnly)
	}
	sqlTx, err := s.w.BeginTx(ctx, nil)
	if err != nil {
		return s.fail(op, err)
	}
	t := &tx{Tx: sqlTx, s: s}
	n := s.node.Load()
	err = s.begin(ctx, t)
	if err == nil {
		err = do(t)
	}
	if n != nil {
		n.own(t, true)
		if err == nil && t.entries > 0 {
			err = t.tell(ctx, t.last)
		}
	}
	if err == nil {
		err = t.Commit()
	}
	if err != nil {
		t.Rollback()
		if n != nil {
			n.own(t, false)
		}
		return s.fail(op, err)
	}
	s.seen.saw(s.keys, head{t.last, t.head})
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
