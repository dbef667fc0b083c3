package store

import (
	"cmp"
	"context"
	"crypto/hmac"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"sync"
	"time"

	"leadsman/chart"
)

// Report is what Verify found.
type Report struct {
	Patients int
	Exams    int
	Events   uint64   // that are intact
	Entries  int64    // of the journal
	Problems []error  // *CorruptError for logs, *ForgeryError for records, other errors for the file; none: all is well
	Notes    []string // what was found before and is settled: saved or accepted
}

// Err is nil if nothing was found, else all problems in one.
func (r Report) Err() error { return errors.Join(r.Problems...) }

// ForgeryError says that a record is not what the journal says was made of it last: somebody changed the file past the program, or
// the disk did.
type ForgeryError struct {
	Table, Key string
	How        string
}

func (e *ForgeryError) Error() string {
	what := map[string]string{"patients": "patient", "exams": "exam", "examiners": "examiner", "settings": "setting", "clips": "sound clip", "voices": "voice profile",
		"accounts": "account", "standing": "standing of exam", "merged": "merger of patient", "passkeys": "passkey"}
	return fmt.Sprintf("%s %s %s: look at it, compare it with a backup, then restore that or accept what is there (leadsman verify --accept REASON)",
		cmp.Or(what[e.Table], "record of "+e.Table), e.Key, e.How)
}

// Is makes errors.Is(err, ErrDamaged) hold.
func (e *ForgeryError) Is(target error) bool { return target == ErrDamaged }

// Verify checks the file's structure and tables, every reference, the journal's chain and the witness, every record against the
// journal, every event, that every log folds to a chart, and anchors of former days. The error says that the check itself could not be done.
func (s *Store) Verify(ctx context.Context, as ...Anchor) (Report, error) {
	v := verification{s: s, saved: map[string]string{}}
	// The witness first: what is confirmed while this runs is then never missed.
	if s.folder {
		h, err := s.keys.readWitness(s.dir)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			v.problem("%s is missing, which tells how far changes were confirmed: lost changes cannot be ruled out", witnessName)
		case errors.Is(err, ErrDamaged):
			v.problem("%v", err)
		case err != nil:
			return v.Report, s.fail("read "+witnessName, err)
		default:
			lost, err := testify(ctx, s.r, h)
			if lost != "" {
				v.problem("%s: restore a backup if it has them", lost)
			} else if err := v.tolerate(err); err != nil {
				return v.Report, err
			}
		}
	}
	for _, check := range []func(context.Context) error{v.structure, v.tables, v.journal, v.records, v.sound, v.due, v.logs} {
		if err := v.tolerate(check(ctx)); err != nil {
			return v.Report, err
		}
	}
	for _, a := range as {
		if err := v.tolerate(s.holds(ctx, a)); err != nil {
			return v.Report, err
		}
	}
	return v.Report, nil
}

// verification is a check that goes on.
type verification struct {
	Report
	s        *Store
	accepted int64             // problems of the journal before this entry were accepted
	saved    map[string]string // damaged exams that were saved, and as which
}

func (v *verification) problem(format string, a ...any) {
	v.Problems = append(v.Problems, fmt.Errorf(format, a...))
}

// tolerate makes a problem of damage, so that the other checks go on.
func (v *verification) tolerate(err error) error {
	if err == nil || !damaged(err) && !errors.Is(err, ErrDamaged) {
		return err
	}
	v.Problems = append(v.Problems, v.s.fail("read the file", err))
	return nil
}

func text(scan func(...any) error) (t string, err error) { err = scan(&t); return }

func (v *verification) structure(ctx context.Context) error {
	bad, err := v.s.structure(ctx, v.s)
	for _, b := range bad {
		v.problem("%s", b)
	}
	return err
}

// tables compares tables, indexes and triggers with those that the program makes.
func (v *verification) tables(ctx context.Context) error {
	got, want, err := v.s.objects(ctx, v.s)
	if err != nil {
		return err
	}
	for _, l := range got {
		if !slices.Contains(want, l) {
			v.problem("tables: not as this program makes them: %.80q", l)
		}
	}
	for _, l := range want {
		if !slices.Contains(got, l) {
			v.problem("tables: missing: %.80q", l)
		}
	}
	return nil
}

const schemaQuery = "SELECT type || ' ' || name || ' ' || tbl_name || ' ' || COALESCE(sql, '') FROM sqlite_schema WHERE name <> 'carried' ORDER BY 1"

// made is what the steps of the schema make.
type made struct {
	objects []string // of a file: tables, indexes, triggers
	tables  []string // their names, each behind those that it refers to
}

// ownSchema is the schema of a new file.
var ownSchema = sync.OnceValues(func() (m made, err error) {
	ctx := context.Background()
	db, err := sql.Open("sqlite3", ":memory:")
	if err != nil {
		return m, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	k, err := newKeyring(make([]byte, secretSize)) // seals nothing: the tables are empty
	if err != nil {
		return m, err
	}
	own := &database{db, sqlite{}}
	s := &Store{w: own, r: own, dialect: sqlite{}, keys: k, now: time.Now}
	if err := s.sealingFunctions(ctx); err != nil {
		return m, err
	}
	for _, step := range schema {
		if _, err := db.Exec(step.forSQLite()); err != nil {
			return m, err
		}
	}
	if m.objects, err = list(ctx, s, "read the tables", text, schemaQuery); err == nil {
		m.tables, err = list(ctx, s, "read the tables", text, "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY rowid")
	}
	return m, err
})

// journal checks the chain.
func (v *verification) journal(ctx context.Context) error {
	s := v.s
	rows, err := s.r.QueryContext(ctx, "SELECT "+linkCols+" FROM journal ORDER BY n")
	if err != nil {
		return err
	}
	defer rows.Close()
	var prev []byte
	var broken, lost []string
	var brokenAt []int64
	for rows.Next() {
		l, err := scanLink(rows.Scan)
		if err != nil {
			return err
		}
		say := func(format string, a ...any) {
			broken, brokenAt = append(broken, fmt.Sprintf(format, a...)), append(brokenAt, l.N)
		}
		if l.N != v.Entries+1 {
			say("journal: entry %d follows entry %d: entries between them were deleted", l.N, v.Entries)
		}
		if !hmac.Equal(l.mac, s.keys.entry(prev, l.Entry, l.time, l.digest, l.sum)) {
			say("journal: entry %d (%s) is not the one that was written, or the one before it is not", l.N, l.What)
		} else if l.detail != nil && !hmac.Equal(l.sum, mac(s.keys.chain, l.detail)) {
			say("journal: the detail of entry %d (%s) is not the one that was written", l.N, l.What)
		} else {
			if err := s.keys.read(&l); err != nil {
				say("journal: the detail of entry %d (%s) cannot be read", l.N, l.What)
			}
			switch l.What {
			case whatLost:
				say("on %s changes had been lost: %s", l.Time.Format(time.DateTime), l.Detail)
			case whatAccepted:
				v.accepted = l.N
				lost = append(lost, fmt.Sprintf("accepted on %s by %s: %s", l.Time.Format(time.DateTime), cmp.Or(l.Who, "the administrator of this computer"), l.Detail))
			case whatSaved:
				v.saved[l.Detail] = l.Key
			}
		}
		prev, v.Entries = l.mac, l.N
	}
	for i, b := range broken {
		if brokenAt[i] < v.accepted {
			v.Notes = append(v.Notes, b)
		} else {
			v.problem("%s", b)
		}
	}
	v.Notes = append(v.Notes, lost...)
	return rows.Err()
}

// records compares the records with the journal.
func (v *verification) records(ctx context.Context) error {
	if err := v.s.r.QueryRowContext(ctx, "SELECT count(*) FROM patients").Scan(&v.Patients); err != nil {
		return err
	}
	return v.s.ofOneMoment(ctx, func(tx *tx) error {
		return v.s.rowsDiffer(ctx, tx, func(table, key, how string, _ []byte) error {
			v.Problems = append(v.Problems, &ForgeryError{table, key, how})
			return nil
		})
	})
}

// ofOneMoment reads all that f reads as it stood at one moment: the service may be writing.
func (s *Store) ofOneMoment(ctx context.Context, f func(*tx) error) error {
	sqlTx, err := s.r.BeginTx(ctx, &sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true})
	if err != nil {
		return err
	}
	defer sqlTx.Rollback()
	return f(&tx{Tx: sqlTx, s: s})
}

// sound checks how far sound is said to be decided.
func (v *verification) sound(ctx context.Context) error {
	bad, err := list(ctx, v.s, "check the positions of sound", func(scan func(...any) error) (string, error) {
		var exam, stream string
		var samples int64
		var m []byte
		err := scan(&exam, &stream, &samples, &m)
		if err == nil && hmac.Equal(m, v.s.keys.soundMAC(exam, stream, samples)) {
			exam = ""
		}
		return exam, err
	}, "SELECT exam, stream, samples, mac FROM sound")
	for _, exam := range bad {
		if exam != "" {
			v.problem("exam %s: how far its sound is decided is not what was written: values are not touched; the last words may be heard twice", exam)
		}
	}
	return err
}

// logs reads the log of every exam.
func (v *verification) logs(ctx context.Context) error {
	exams, err := v.s.Exams(ctx, "")
	if err != nil {
		return err
	}
	for _, x := range exams {
		v.Exams++
		st := chart.NewState()
		var found *CorruptError
		for e, err := range v.s.Log(x.ID).All(ctx) {
			if err == nil {
				if err = st.Apply(e); err != nil {
					err = corrupt(x.ID, e.Seq, "%w", err)
				}
			}
			if err != nil && !errors.As(err, &found) {
				return err
			}
			if err != nil {
				break
			}
		}
		if found == nil {
			v.Events += st.Seq()
			continue
		}
		pieces, err := v.s.pieces(ctx, x)
		if err != nil {
			return err
		}
		v.Events += pieces.intact
		if as := v.saved[x.ID]; as != "" {
			v.Notes = append(v.Notes, fmt.Sprintf("exam %s is damaged (%s); the rest of it was saved as exam %s", x.ID, pieces.what(), as))
			continue
		}
		found.Hint = pieces.what() + "; the rest can be saved as a new exam (leadsman verify --salvage); a backup may hold all of it"
		v.Problems = append(v.Problems, found)
	}
	return nil
}

// Names of entries that Verify heeds.
const (
	whatAccepted = "store.accepted"
	whatSaved    = "exam.saved" // Key: the new exam; detail: the damaged one
)

// Accept makes what the records are now what the journal vouches for, and settles what is broken in the journal and what is lost. It
// is for an administrator who has looked into what Verify found and keeps the file all the same; the reason stays in the journal.
// It returns how many records were accepted.
func (s *Store) Accept(ctx context.Context, reason string) (n int, err error) {
	if reason == "" {
		return 0, fmt.Errorf("accept: give a reason: %w", ErrInvalid)
	}
	err = s.write(ctx, "accept", func(t *tx) error {
		err := s.rowsDiffer(ctx, t, func(table, key, how string, digest []byte) error {
			n++
			return t.enter(ctx, Entry{What: "record.accepted", Table: table, Key: key, Detail: how}, digest)
		})
		if err != nil {
			return err
		}
		wrong, err := s.dueWrong(ctx, t)
		for _, p := range wrong {
			err = errors.Join(err, t.dueAgain(ctx, p))
		}
		if err != nil {
			return err
		}
		return t.enter(ctx, Entry{What: whatAccepted, Detail: reason}, nil)
	})
	return n, err
}
