package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"filippo.io/age"
	"github.com/mattn/go-sqlite3"
)

// Backup writes a copy of everything to path while the store goes on working. The copy is made
// durable and read back before it gets its name; an existing file is never replaced (ErrExists). The
// report says what the copy holds: damage of the store is copied too, for it may be all there is.
// The file is for its owner alone: it holds patient data and the key to them. With recipients it is encrypted to each of them (age,
// https://age-encryption.org), after it was read back.
func (s *Store) Backup(ctx context.Context, path string, to ...age.Recipient) (Report, error) {
	var rep Report
	if !s.inFile() {
		return s.backupOfDatabase(ctx, path, to...)
	}
	check := func(tmp string) (err error) {
		if err := s.carryKey(ctx, tmp); err != nil {
			return err
		}
		rep, err = verifyFile(ctx, tmp, nil)
		return err
	}
	if len(to) == 0 {
		return rep, s.copyTo(ctx, path, check)
	}
	return rep, s.encryptedTo(ctx, path, check, to...)
}

// backupOfDatabase makes a file of what lies in a database, as of one moment, and copies that.
func (s *Store) backupOfDatabase(ctx context.Context, path string, to ...age.Recipient) (Report, error) {
	tmp, err := os.MkdirTemp(s.dir, ".leadsman-copy-*")
	if err != nil {
		return Report{}, &Error{Op: "back up", Path: s.dir, Err: err, Hint: "name a data folder that can be written to (--data): the copy is made there"}
	}
	defer os.RemoveAll(tmp)
	dir := filepath.Join(tmp, "data")
	if err := s.copyInto(ctx, dir); err != nil {
		return Report{}, err
	}
	file, err := openReader(ctx, filepath.Join(dir, fileName), "mode=rw&_query_only=true", keySource{path: KeyFile(dir)})
	if err != nil {
		return Report{}, err
	}
	defer file.Close()
	return file.Backup(ctx, path, to...)
}

// encryptedTo is copyTo with an encrypted result. The copy in clear stands in the data folder for a moment, never where path is.
func (s *Store) encryptedTo(ctx context.Context, path string, check func(tmp string) error, to ...age.Recipient) error {
	if _, err := os.Lstat(path); err == nil {
		return &Error{Op: "back up", Path: path, Err: ErrExists, Hint: "choose another name"}
	}
	tmp, err := os.MkdirTemp(s.dir, ".leadsman-copy-*")
	if errors.Is(err, syscall.EROFS) {
		tmp, err = os.MkdirTemp("", "leadsman-copy-*")
	}
	if err != nil {
		return &Error{Op: "back up", Path: path, Err: err, Hint: "the data folder cannot be written to"}
	}
	defer os.RemoveAll(tmp)
	plain := filepath.Join(tmp, "copy")
	if err := s.copyTo(ctx, plain, check); err != nil {
		return err
	}
	return encryptFile(plain, path, to...)
}

// encryptFile writes an encrypted copy of a file, whole or not at all.
func encryptFile(from, path string, to ...age.Recipient) error {
	const op = "encrypt the copy"
	in, err := os.Open(from)
	if err != nil {
		return &Error{Op: op, Path: from, Err: err, Hint: "check the disk"}
	}
	defer in.Close()
	tmp, err := os.CreateTemp(filepath.Dir(path), ".leadsman-copy-*")
	if err != nil {
		return &Error{Op: op, Path: path, Err: err, Hint: "name a file in a folder that exists and that you may write to"}
	}
	defer os.Remove(tmp.Name())
	w, err := age.Encrypt(tmp, to...)
	if err == nil {
		_, err = io.Copy(w, in)
		err = errors.Join(err, w.Close())
	}
	if err = errors.Join(err, tmp.Close()); err != nil {
		return &Error{Op: op, Path: path, Err: err, Hint: "is the disk full?"}
	}
	return install(tmp.Name(), path)
}

// ageHeader is how encrypted files begin.
const ageHeader = "age-encryption.org/v1\n"

// decrypted gives the name of a file with the content of a copy in clear: its own, or that of a temporary file that done removes.
func (o options) decrypted(path string) (plain string, done func(), err error) {
	const op = "decrypt the backup"
	nothing := func() {}
	in, err := os.Open(path)
	if err != nil {
		return path, nothing, nil // verifyFile says what is wrong
	}
	defer in.Close()
	begin := make([]byte, len(ageHeader))
	if n, _ := io.ReadFull(in, begin); string(begin[:n]) != ageHeader {
		return path, nothing, nil
	}
	ids := o.identities
	if len(ids) == 0 { // a copy that a store keeps of its own
		for _, from := range o.sources(path) {
			if k, err := readKey(from); err == nil {
				ids = append(ids, k.copyIdentity())
			}
		}
	}
	fail := func(err error, hint string) (string, func(), error) {
		return "", nothing, &Error{Op: op, Path: path, Err: err, Hint: hint}
	}
	const which = "name the age identity file (--identity) or the file with the passphrase (--passphrase-file) that it was made for"
	if len(ids) == 0 {
		return fail(fmt.Errorf("it is encrypted: %w", ErrKey), which)
	}
	if _, err := in.Seek(0, io.SeekStart); err != nil {
		return fail(err, "check the disk")
	}
	r, err := age.Decrypt(in, ids...)
	if err != nil {
		if errors.As(err, new(*age.NoIdentityMatchError)) {
			return fail(fmt.Errorf("it was encrypted for somebody else, or the passphrase is another: %w", ErrKey), which)
		}
		return fail(fmt.Errorf("%w: %w", err, ErrDamaged), "use another backup")
	}
	dir, err := os.MkdirTemp("", "leadsman-copy-*")
	if err != nil {
		return fail(err, "there must be room for the decrypted copy: set TMPDIR to a folder that has it")
	}
	plain = filepath.Join(dir, "copy")
	out, err := os.OpenFile(plain, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err == nil {
		_, err = io.Copy(out, r)
		err = errors.Join(err, out.Close())
	}
	if err != nil {
		os.RemoveAll(dir)
		if !errors.As(err, new(*fs.PathError)) { // not of the disk
			return fail(fmt.Errorf("it is cut short or damaged: %w", ErrDamaged), "use another backup")
		}
		return fail(err, "there must be room for the decrypted copy: set TMPDIR to a folder that has it")
	}
	return plain, func() { os.RemoveAll(dir) }, nil
}

// Copies that the store keeps of itself are encrypted for its key: they are of versions that sealed nothing.
func (k *keyring) copyIdentity() *age.ScryptIdentity {
	id, _ := age.NewScryptIdentity(k.copies) // fails for an empty one alone
	return id
}

func (k *keyring) copyRecipient() *age.ScryptRecipient {
	r, _ := age.NewScryptRecipient(k.copies)
	r.SetWorkFactor(1) // it is no passphrase that could be guessed
	return r
}

// hideCopies encrypts the copies in clear that versions before left beside the file, and returns the names of all copies.
func (s *Store) hideCopies() error {
	copies, err := s.Copies()
	if err != nil {
		return err
	}
	for _, c := range copies {
		if _, err := os.Lstat(c + "-wal"); err == nil || strings.HasSuffix(c, ".age") || strings.HasSuffix(c, "-wal") {
			continue // its -wal belongs to it: both stay as they are
		}
		if err := encryptFile(c, c+".age", s.keys.copyRecipient()); err != nil {
			return err
		}
		if err := os.Remove(c); err != nil {
			return &Error{Op: "encrypt a former copy", Path: c, Err: err, Hint: "remove it by hand: it holds patient data in clear"}
		}
	}
	return nil
}

// Copies are the files beside the store that hold data of former times: from before an update or a restore.
func (s *Store) Copies() ([]string, error) {
	entries, err := os.ReadDir(s.dir)
	if err != nil {
		return nil, &Error{Op: "list the copies", Path: s.dir, Err: err, Hint: "check who owns the folder"}
	}
	var out []string
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), fileName+".before-") {
			out = append(out, filepath.Join(s.dir, e.Name()))
		}
	}
	return out, nil
}

// carryKey puts the key into a copy, which then restores anywhere.
func (s *Store) carryKey(ctx context.Context, path string) error {
	db, err := sql.Open("sqlite3", dsn(path, "mode=rw"))
	if err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, "CREATE TABLE carried (secret BLOB NOT NULL) STRICT; INSERT INTO carried VALUES (?)", s.keys.secret)
	return errors.Join(err, db.Close())
}

// carriedKey is the key that a copy carries, nil for none.
func carriedKey(ctx context.Context, db *sql.DB) (*keyring, error) {
	secrets, err := gather(ctx, db, func(scan func(...any) error) (b []byte, err error) { err = scan(&b); return },
		"SELECT name FROM sqlite_schema WHERE name = 'carried'")
	if err != nil || len(secrets) == 0 {
		return nil, err
	}
	var secret []byte
	if err := db.QueryRowContext(ctx, "SELECT secret FROM carried").Scan(&secret); err != nil {
		return nil, err
	}
	return newKeyring(secret)
}

// copyTo copies the database to path; check looks at the copy before it gets its name.
func (s *Store) copyTo(ctx context.Context, path string, check func(tmp string) error) error {
	const op = "back up"
	if _, err := os.Lstat(path); err == nil {
		return &Error{Op: op, Path: path, Err: ErrExists, Hint: "choose another name"}
	}
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, ".leadsman-copy-*")
	if err != nil {
		return &Error{Op: op, Path: path, Err: err, Hint: "name a file in a folder that exists and that you may write to"}
	}
	tmp := f.Name()
	f.Close()
	defer os.Remove(tmp)
	defer os.Remove(tmp + "-journal")
	src := s.r
	if src == nil {
		src = s.w
	}
	if err := copyDB(ctx, src.DB, tmp); err != nil {
		return wrap(op, path, err)
	}
	if err := check(tmp); err != nil {
		return fmt.Errorf("read the copy back: %w", err)
	}
	return install(tmp, path)
}

// copyDB copies the database behind src into the file dst by SQLite's online backup.
func copyDB(ctx context.Context, src *sql.DB, dst string) error {
	from, err := src.Conn(ctx)
	if err != nil {
		return err
	}
	defer from.Close()
	db, err := sql.Open("sqlite3", dsn(dst, "mode=rw"))
	if err != nil {
		return err
	}
	defer db.Close()
	to, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer to.Close()
	// With a read transaction open the copy is of one moment, and writers do not make it start over.
	if _, err := from.ExecContext(ctx, "BEGIN"); err != nil {
		return err
	}
	defer from.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
	var n int
	if err := from.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&n); err != nil {
		return err
	}
	err = to.Raw(func(d any) error {
		return from.Raw(func(s any) error {
			b, err := d.(*sqlite3.SQLiteConn).Backup("main", s.(*sqlite3.SQLiteConn), "main")
			if err != nil {
				return err
			}
			for done := false; err == nil && !done; {
				if err = ctx.Err(); err == nil {
					done, err = b.Step(1024)
				}
			}
			return errors.Join(err, b.Finish())
		})
	})
	if err != nil {
		return err
	}
	// One file without companions: it can be carried about and opened from a read-only disk.
	var mode string
	if err := to.QueryRowContext(ctx, "PRAGMA journal_mode = DELETE").Scan(&mode); err != nil {
		return err
	}
	return nil
}

// install makes a finished file durable and gives it its name.
func install(tmp, path string) error {
	f, err := os.Open(tmp)
	if err == nil {
		err = errors.Join(f.Sync(), f.Close())
	}
	if err == nil {
		err = os.Rename(tmp, path)
	}
	if err == nil {
		err = syncDir(filepath.Dir(path))
	}
	if err != nil {
		return &Error{Op: "finish the copy", Path: path, Err: err, Hint: "check the disk"}
	}
	return nil
}

// VerifyFile checks a backup file as Verify does a store. The file is not changed; one of an earlier version is brought up to
// date in a copy and checked there.
func VerifyFile(ctx context.Context, path string, opts ...Option) (Report, error) {
	o := optionsOf(filepath.Dir(path), opts)
	plain, done, err := o.decrypted(path)
	if err != nil {
		return Report{}, err
	}
	defer done()
	return verifyFile(ctx, plain, o.anchors, o.sources(path)...)
}

// sources are the keys that may belong to a copy: the one that was named, and that of the folder where it stands, for copies that a
// store keeps of its own.
func (o options) sources(path string) []keySource {
	return []keySource{o.source, {KeyFile(filepath.Dir(path)), o.source.pass}}
}

func verifyFile(ctx context.Context, path string, as []Anchor, sources ...keySource) (Report, error) {
	if fi, err := os.Stat(path); err != nil || !fi.Mode().IsRegular() {
		return Report{}, &Error{Op: "read the backup", Path: path, Err: fmt.Errorf("no such file: %w", ErrNotFound), Hint: "name a file that leadsman backup made"}
	}
	if fi, err := os.Stat(path + "-wal"); err == nil && fi.Size() > 0 {
		return Report{}, &Error{Op: "read the backup", Path: path, Err: fmt.Errorf("this is the file of a store, not a backup: %w", ErrInvalid),
			Hint: "its newest entries are in the -wal file beside it: use that folder with --data, or make a backup of it first"}
	}
	s, err := openReader(ctx, path, "mode=ro&immutable=1", sources...)
	if errors.Is(err, errOlder) {
		tmp, err := os.MkdirTemp("", "leadsman-verify-*")
		if err != nil {
			return Report{}, &Error{Op: "read the backup", Path: path, Err: err, Hint: "it is of an earlier version and checked in a copy, which needs room"}
		}
		defer os.RemoveAll(tmp)
		if err := unpack(ctx, path, tmp, "checked", sources...); err != nil {
			return Report{}, err
		}
		if s, err = OpenReadOnly(ctx, tmp, WithKey(filepath.Join(tmp, unpackedKey))); err != nil {
			return Report{}, err
		}
		defer s.Close()
		return s.Verify(ctx, as...)
	}
	if err != nil {
		return Report{}, err
	}
	defer s.Close()
	return s.Verify(ctx, as...)
}

// unpackedKey is the name of the key file in a folder that unpack filled.
const unpackedKey = "key"

// unpack makes a store in the empty folder dir from a copy: with the key beside it, a witness, and brought up to date. A copy that
// carries no key is of a version without, or belongs to one of the sources.
func unpack(ctx context.Context, path, dir, why string, sources ...keySource) error {
	const op = "unpack the backup"
	file := filepath.Join(dir, fileName)
	if err := copyFile(path, file); err != nil {
		return &Error{Op: op, Path: dir, Err: err, Hint: "is the disk full? The present data were not touched"}
	}
	db, err := sql.Open("sqlite3", dsn(file, "mode=rw&_secure_delete=true"))
	if err != nil {
		return err
	}
	defer db.Close()
	v, err := version(ctx, db, path, len(schema))
	if err != nil {
		return err
	}
	keys, err := carriedKey(ctx, db)
	if err == nil && keys != nil {
		_, err = db.ExecContext(ctx, "DROP TABLE carried; VACUUM")
	} else if err == nil {
		keys, err = findKey(ctx, db, path, v, sources...)
	}
	if err != nil {
		return wrap(op, path, err)
	}
	var end head
	if v >= withJournal {
		if err := db.QueryRowContext(ctx, "SELECT n, mac FROM journal ORDER BY n DESC LIMIT 1").Scan(&end.n, &end.mac); err != nil {
			return wrap(op, path, err)
		}
	}
	if err := db.Close(); err != nil {
		return err
	}
	key := filepath.Join(dir, unpackedKey)
	if keys == nil {
		if keys, err = makeKey(key, dir); err != nil {
			return err
		}
	} else if err := writeKey(key, dir, keys); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, witnessName), keys.witnessLine(end), 0o600); err != nil {
		return &Error{Op: op, Path: dir, Err: err, Hint: "is the disk full? The present data were not touched"}
	}
	s, err := Open(ctx, dir, time.Now, WithKey(key))
	if err != nil {
		return err
	}
	return errors.Join(s.Note(ctx, "store."+why, "", fmt.Sprintf("from %s, whose journal had %d entries", filepath.Base(path), end.n)), s.Close())
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// Restore puts a backup into the data folder dir after verifying it, and its key beside the folder. The folder must not be in use.
// A store that is there already is refused with ErrExists unless overwrite is set, and then it is
// kept beside the new one under another name, as is its key if it is another. A backup with problems is refused, with the report,
// unless damaged is set.
func Restore(ctx context.Context, path, dir string, overwrite, damaged bool, opts ...Option) (Report, error) {
	const op = "restore"
	dir, err := filepath.Abs(dir)
	if err != nil {
		return Report{}, err
	}
	o := optionsOf(dir, opts)
	plain, done, err := o.decrypted(path)
	if err != nil {
		return Report{}, err
	}
	defer done()
	rep, err := verifyFile(ctx, plain, nil, o.sources(path)...)
	if err != nil {
		return rep, err
	}
	if len(rep.Problems) > 0 && !damaged {
		return rep, &Error{Op: op, Path: path, Err: fmt.Errorf("the backup is damaged (%d problems): %w", len(rep.Problems), rep.Err()),
			Hint: "use another backup, or restore what is left of it with --damaged"}
	}
	if err := makeDir(dir); err != nil {
		return rep, &Error{Op: op, Path: dir, Err: err, Hint: "name a folder that you may write to"}
	}
	lock, err := lockDir(dir)
	if err != nil {
		return rep, err
	}
	defer lock.Close()
	db := filepath.Join(dir, fileName)
	there := isThere(db) || isThere(db+"-wal")
	if there && !overwrite {
		return rep, &Error{Op: op, Path: db, Err: ErrExists, Hint: "name an empty folder with --data, or add --overwrite (the present data are then kept beside it under another name)"}
	}
	tmp, err := os.MkdirTemp(dir, ".leadsman-restore-*")
	if err != nil {
		return rep, &Error{Op: op, Path: dir, Err: err, Hint: "check who owns the folder"}
	}
	defer os.RemoveAll(tmp)
	if err := unpack(ctx, plain, tmp, "restored", o.sources(path)...); err != nil {
		return rep, err
	}
	keys, err := readKey(keySource{path: filepath.Join(tmp, unpackedKey)})
	if err != nil {
		return rep, err
	}
	if there {
		if err := setAside(ctx, db); err != nil {
			return rep, &Error{Op: op, Path: db, Err: err, Hint: "the present data were not replaced"}
		}
	}
	// The data come last: a store is never there without its key and its witness.
	if err := installKey(keys, o.source, dir); err != nil {
		return rep, err
	}
	if err := os.Rename(filepath.Join(tmp, witnessName), filepath.Join(dir, witnessName)); err != nil {
		return rep, &Error{Op: op, Path: dir, Err: err, Hint: "check who owns the folder"}
	}
	return rep, install(filepath.Join(tmp, fileName), db)
}

func isThere(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// installKey puts a key in the place of the one that is there, which is kept under another name if it is another.
func installKey(keys *keyring, at keySource, dir string) error {
	if old, err := readKey(at); err == nil && old.id == keys.id {
		return nil
	}
	if err := moveAside(at.path); err != nil {
		return &Error{Op: "restore", Path: at.path, Err: err, Hint: "name another key file with --key"}
	}
	return writeKey(at.path, dir, keys)
}

// moveAside renames a file, if it is there, to a name that is free.
func moveAside(path string) error {
	for i := 1; ; i++ {
		aside := fmt.Sprintf("%s.before-restore-%d", path, i)
		if _, err := os.Lstat(aside); err == nil {
			continue
		}
		if err := os.Rename(path, aside); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		return nil
	}
}

// setAside renames the files of a store. Its -wal file is written back first where that is possible;
// where not, it is moved along, before the main file: beside another main file it would do harm.
func setAside(ctx context.Context, db string) error {
	if old, err := sql.Open("sqlite3", dsn(db, "mode=rw")); err == nil {
		// Closing the last connection writes back; a file too damaged for that is moved as it is.
		old.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
		old.Close()
	}
	for i := 1; ; i++ {
		aside := fmt.Sprintf("%s.before-restore-%d", db, i)
		if _, err := os.Lstat(aside); err == nil {
			continue
		}
		if _, err := os.Lstat(aside + "-wal"); err == nil {
			continue
		}
		os.Remove(db + "-shm") // made anew from the -wal file whenever needed
		for _, suffix := range []string{"-wal", ""} {
			if err := os.Rename(db+suffix, aside+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
				return err
			}
		}
		return syncDir(filepath.Dir(db))
	}
}
