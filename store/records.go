package store

import (
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"leadsman/practice"
)

// What the store keeps, as package practice knows it.
type (
	Patient = practice.Patient
	Exam    = practice.Exam
	Person  = practice.Person
	Voice   = practice.Voice
)

const (
	patientCols = "id, sealed, version, created, changed"
	// mergedCol follows them where patients are read.
	mergedCol = ", COALESCE((SELECT whole FROM merged WHERE patient = patients.id), '')"
)

func (s *Store) scanPatient(scan func(...any) error) (p Patient, err error) {
	var created, changed int64
	var sealed []byte
	if err = scan(&p.ID, &sealed, &p.Version, &created, &changed, &p.Merged); err != nil {
		return p, err
	}
	p.Created, p.Changed = fromMillis(created), fromMillis(changed)
	return p, s.keys.openPatient(&p, sealed)
}

// AddPatient stores a new patient and returns it with ID, Version and times filled in. It fails with
// ErrInvalid if a field cannot be kept and with ErrExists if the given ID is taken.
func (s *Store) AddPatient(ctx context.Context, p Patient) (Patient, error) {
	id, err := newID(p.ID)
	if err == nil {
		err = p.Check()
	}
	if err != nil {
		return Patient{}, fmt.Errorf("add patient: %w", err)
	}
	now := millis(s.now())
	p.ID, p.Version, p.Created, p.Changed = id, 1, fromMillis(now), fromMillis(now)
	err = s.write(ctx, "add patient", func(tx *tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO patients ("+patientCols+") VALUES (?,?,?,?,?)", p.ID, s.keys.sealPatient(p), p.Version, now, now)
		if err != nil {
			return taken("id "+p.ID, err)
		}
		return tx.record(ctx, Entry{What: "patient.added", Table: "patients", Patient: p.ID}, p.ID)
	})
	if err != nil {
		return Patient{}, err
	}
	return p, nil
}

// taken turns a broken primary key into ErrExists.
func taken(what string, err error) error {
	if key, _ := brokenKey(err); key {
		return fmt.Errorf("%s: %w", what, ErrExists)
	}
	return err
}

// Patient returns one patient, or ErrNotFound.
func (s *Store) Patient(ctx context.Context, id string) (Patient, error) {
	p, err := s.scanPatient(s.r.QueryRowContext(ctx, "SELECT "+patientCols+mergedCol+" FROM patients WHERE id = ?", id).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return p, fmt.Errorf("patient %q: %w", id, ErrNotFound)
	}
	return p, s.fail("read patient", err)
}

// Patients lists the patients whose name, number and date of birth contain every word of search, in
// any order and whatever the case; an empty search lists all but those merged into others. Sorted by name.
func (s *Store) Patients(ctx context.Context, search string) ([]Patient, error) {
	ps, _, err := s.PatientPage(ctx, search, "", math.MaxInt)
	return ps, err
}

// PatientPage is Patients from behind the one whose id is after, as far as limit goes; more says that others follow.
func (s *Store) PatientPage(ctx context.Context, search, after string, limit int) (ps []Patient, more bool, err error) {
	all, err := s.allPatients(ctx)
	if err != nil {
		return nil, false, err
	}
	if after != "" {
		i := slices.IndexFunc(all, func(p *opened) bool { return p.ID == after })
		if i < 0 {
			return nil, false, fmt.Errorf("list patients: there is no page behind %q any more: begin with the first: %w", after, ErrInvalid)
		}
		all = all[i+1:]
	}
	words := strings.Fields(strings.ToLower(search))
	for _, p := range all {
		if p.Merged != "" || slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(p.key, w) }) {
			continue
		}
		if len(ps) == limit {
			return ps, true, nil
		}
		ps = append(ps, p.Patient)
	}
	return ps, false, nil
}

// opened is a patient with what searches and sorting look at.
type opened struct {
	Patient
	key, by string
}

func open1(p Patient, err error) (*opened, error) {
	if errors.Is(err, ErrDamaged) {
		// One damaged record hides no other, nor its exams.
		p.Name, p.Note, err = "(damaged record) "+p.ID, err.Error(), nil
	}
	return &opened{p, p.SearchKey(), strings.ToLower(p.Name)}, err
}

func byName(a, b *opened) int { return cmp.Or(cmp.Compare(a.by, b.by), cmp.Compare(a.ID, b.ID)) }

// patientList keeps all patients as they were opened, by name: opening one takes ten microseconds. The journal says which of them changed,
// by whatever program. A list that was handed out is never changed.
type patientList struct {
	mu  sync.Mutex
	all []*opened // nil: not read yet
	n   int64     // entries of the journal that it takes account of
}

// allPatients lists all patients by name.
func (s *Store) allPatients(ctx context.Context) ([]*opened, error) {
	const op = "list patients"
	l := &s.patients
	l.mu.Lock()
	defer l.mu.Unlock()
	now, err := s.entriesNow(ctx)
	if err != nil || l.all != nil && now == l.n {
		return l.all, s.fail(op, err)
	}
	if l.all == nil {
		all, err := list(ctx, s, op, func(scan func(...any) error) (*opened, error) { return open1(s.scanPatient(scan)) },
			"SELECT "+patientCols+mergedCol+" FROM patients")
		if err != nil {
			return nil, err
		}
		slices.SortFunc(all, byName)
		l.all, l.n = append([]*opened{}, all...), now
		return l.all, nil
	}
	ids, err := list(ctx, s, op, text, "SELECT DISTINCT key FROM journal WHERE n > ? AND tbl IN ('patients', 'merged')", l.n)
	if err != nil {
		return nil, err
	}
	all := l.all
	if len(ids) > 0 {
		all = slices.DeleteFunc(slices.Clone(all), func(p *opened) bool { return slices.Contains(ids, p.ID) })
	}
	for _, id := range ids {
		p, err := open1(s.Patient(ctx, id))
		if errors.Is(err, ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if i, there := slices.BinarySearchFunc(all, p, byName); !there {
			all = slices.Insert(all, i, p)
		}
	}
	l.all, l.n = all, now
	return all, nil
}

// entriesNow is how many entries the journal has.
func (s *Store) entriesNow(ctx context.Context) (n int64, err error) {
	err = s.r.QueryRowContext(ctx, "SELECT COALESCE(MAX(n), 0) FROM journal").Scan(&n)
	return n, err
}

// list collects the rows of a query.
func list[T any](ctx context.Context, s *Store, op string, scan func(func(...any) error) (T, error), q string, args ...any) ([]T, error) {
	out, err := gather(ctx, s.r, scan, q, args...)
	return out, s.fail(op, err)
}

// gather is list on any connection, with errors as they are.
func gather[T any](ctx context.Context, db querier, scan func(func(...any) error) (T, error), q string, args ...any) ([]T, error) {
	rows, err := db.QueryContext(ctx, q, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []T
	for rows.Next() {
		v, err := scan(rows.Scan)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

// anyRow reads rows of whatever columns.
type anyRow struct {
	cols []string
	vals []any
	to   []any // where each is scanned to
}

func anyRowOf(rows *sql.Rows) (*anyRow, error) {
	cols, err := rows.Columns()
	if err != nil {
		return nil, err
	}
	r := &anyRow{cols: cols, vals: make([]any, len(cols)), to: make([]any, len(cols))}
	for i := range r.vals {
		r.to[i] = &r.vals[i]
	}
	return r, nil
}

// scan reads the row that rows stand on into vals.
func (r *anyRow) scan(rows *sql.Rows) error { return rows.Scan(r.to...) }

// UpdatePatient replaces the fields of a patient. p.Version must be the version that was read:
// otherwise somebody else was faster and ErrConflict is returned, together with what is stored now.
func (s *Store) UpdatePatient(ctx context.Context, p Patient) (Patient, error) {
	if err := p.Check(); err != nil {
		return Patient{}, fmt.Errorf("update patient: %w", err)
	}
	err := s.write(ctx, "update patient", func(tx *tx) error {
		r, err := tx.ExecContext(ctx, "UPDATE patients SET sealed=?, version=version+1, changed=? WHERE id=? AND version=?",
			s.keys.sealPatient(p), millis(s.now()), p.ID, p.Version)
		if err != nil {
			return err
		}
		if n, err := r.RowsAffected(); err != nil || n == 0 {
			return cmp.Or(err, ErrConflict)
		}
		return tx.record(ctx, Entry{What: "patient.changed", Table: "patients", Patient: p.ID}, p.ID)
	})
	cur, readErr := s.Patient(ctx, p.ID)
	if readErr != nil {
		return Patient{}, readErr
	}
	return cur, err
}

const (
	examCols = "id, patient, kind, earlier, examiner, title, created, events, head, signed, signed_by"
	// standingCols follow them where exams are read.
	standingCols = ", COALESCE((SELECT void FROM standing WHERE exam = exams.id), 0), COALESCE((SELECT waits FROM standing WHERE exam = exams.id), 0), exams.rowid"
)

func (s *Store) scanExam(scan func(...any) error) (x Exam, err error) {
	var created int64
	var earlier sql.NullString
	var signed sql.NullInt64
	var head []byte
	err = scan(&x.ID, &x.Patient, &x.Kind, &earlier, &x.Examiner, &x.Title, &created, &x.Events, &head, &signed, &x.SignedBy, &x.Void, &x.Waits, &x.Order)
	x.Created, x.Earlier, x.Head = fromMillis(created), earlier.String, s.keys.openHead(x.ID, head)
	if signed.Valid {
		x.Signed = fromMillis(signed.Int64)
	}
	return x, err
}

// NewExam stores an exam with an empty log and returns it with ID, Created and Head filled in. A
// re-evaluation names an earlier exam of the same patient; an exam may.
func (s *Store) NewExam(ctx context.Context, x Exam) (Exam, error) {
	const op = "new exam"
	id, err := newID(x.ID)
	if err != nil {
		return Exam{}, fmt.Errorf("%s: %w", op, err)
	}
	if x.Kind == "" {
		x.Kind = practice.KindExam
	}
	if x.Kind != practice.KindExam && x.Kind != practice.KindReevaluation {
		return Exam{}, fmt.Errorf("%s: kind %q: use %s or %s: %w", op, x.Kind, practice.KindExam, practice.KindReevaluation, ErrInvalid)
	}
	if x.Kind == practice.KindReevaluation && x.Earlier == "" {
		return Exam{}, fmt.Errorf("%s: a re-evaluation names the earlier exam: %w", op, ErrInvalid)
	}
	err = s.write(ctx, op, func(tx *tx) error {
		var n int
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM patients WHERE id = ?", x.Patient).Scan(&n); err != nil {
			return err
		}
		if n == 0 {
			return fmt.Errorf("patient %q: %w", x.Patient, ErrNotFound)
		}
		if x.Earlier != "" {
			var of string
			err := tx.QueryRowContext(ctx, "SELECT patient FROM exams WHERE id = ?", x.Earlier).Scan(&of)
			if errors.Is(err, sql.ErrNoRows) {
				return fmt.Errorf("earlier exam %q: %w", x.Earlier, ErrNotFound)
			}
			if err != nil {
				return err
			}
			if of != x.Patient {
				return fmt.Errorf("earlier exam %q is of another patient: %w", x.Earlier, ErrInvalid)
			}
		}
		_, err := tx.ExecContext(ctx, "INSERT INTO exams ("+examCols+") VALUES (?,?,?,?,?,?,?,0,?,NULL,'')",
			id, x.Patient, x.Kind, sql.NullString{String: x.Earlier, Valid: x.Earlier != ""}, x.Examiner, x.Title, millis(s.now()), s.keys.seal(headPlace(id), genesis(id)))
		if err != nil {
			return taken("id "+id, err)
		}
		if err := tx.dueAgain(ctx, x.Patient); err != nil {
			return err
		}
		return tx.record(ctx, Entry{What: "exam.begun", Table: "exams", Patient: x.Patient}, id)
	})
	if err != nil {
		return Exam{}, err
	}
	return s.Exam(ctx, id)
}

// Exam returns one exam, or ErrNotFound.
func (s *Store) Exam(ctx context.Context, id string) (Exam, error) {
	x, err := s.scanExam(s.r.QueryRowContext(ctx, "SELECT "+examCols+standingCols+" FROM exams WHERE id = ?", id).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return x, fmt.Errorf("exam %q: %w", id, ErrNotFound)
	}
	return x, s.fail("read exam", err)
}

// Exams lists the exams of a patient, or of all for "", the one begun last first.
func (s *Store) Exams(ctx context.Context, patient string) ([]Exam, error) {
	return list(ctx, s, "list exams", s.scanExam,
		"SELECT "+examCols+standingCols+" FROM exams WHERE ?1 = '' OR patient = ?1 ORDER BY rowid DESC", patient)
}

// WaitingExams lists the exams that wait for a co-signature and count, the one begun last first.
func (s *Store) WaitingExams(ctx context.Context) ([]Exam, error) {
	return list(ctx, s, "list exams", s.scanExam,
		"SELECT "+examCols+standingCols+" FROM exams WHERE id IN (SELECT exam FROM standing WHERE waits = 1 AND void = 0) ORDER BY rowid DESC")
}

// ExamsWithClips lists the exams of which sound is kept, the one begun last first.
func (s *Store) ExamsWithClips(ctx context.Context) ([]Exam, error) {
	return list(ctx, s, "list exams", s.scanExam,
		"SELECT "+examCols+standingCols+" FROM exams WHERE id IN (SELECT exam FROM clips) ORDER BY rowid DESC")
}

// signedTwice remembers the mark of the list of double examinations until what it rests on changes.
type signedTwice struct {
	mu   sync.Mutex
	mark string
	n    int64 // entries of the journal that it takes account of; 0: it was not made yet
}

// SignedTwice lists exams of one patient on one day in pairs, in the order in which they were begun; all are signed and count. Days
// are local ones. Unless something changed since mark was given nothing is read.
func (s *Store) SignedTwice(ctx context.Context, mark string) (pairs [][2]Exam, now string, err error) {
	const op = "list double examinations"
	d := &s.doubles
	d.mu.Lock()
	defer d.mu.Unlock()
	n, err := s.entriesNow(ctx)
	changed := d.n == 0 || mark != d.mark
	if err == nil && !changed && n > d.n {
		err = s.r.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM journal WHERE n > ? AND what IN ('exam.signed', 'exam.amended', 'exam.moved', 'exam.voided',
			'exam.reinstated', 'exam.erased'))`, d.n).Scan(&changed)
	}
	if err != nil || !changed {
		if err == nil {
			d.n = n
		}
		return nil, mark, s.fail(op, err)
	}
	// Candidates are less than two days apart; which fall on one day is decided here, where the time zone is known.
	ids, err := list(ctx, s, op, text, `SELECT a.id FROM exams a WHERE a.signed IS NOT NULL AND EXISTS (SELECT 1 FROM exams b
		WHERE b.patient = a.patient AND b.id <> a.id AND b.signed IS NOT NULL AND b.created BETWEEN a.created - 86400000 AND a.created + 86400000)
		AND a.id NOT IN (SELECT exam FROM standing WHERE void = 1) ORDER BY a.rowid`)
	if err != nil {
		return nil, "", err
	}
	type key struct{ patient, day string }
	waits := map[key]Exam{}
	h := sha256.New()
	for _, id := range ids {
		x, err := s.Exam(ctx, id)
		if err != nil {
			return nil, "", err
		}
		k := key{x.Patient, x.Created.Format(time.DateOnly)}
		first, ok := waits[k]
		if !ok {
			waits[k] = x
			continue
		}
		delete(waits, k)
		pairs = append(pairs, [2]Exam{first, x})
		fmt.Fprintln(h, first.ID, first.Head, x.ID, x.Head)
	}
	if len(pairs) > 0 {
		now = hex.EncodeToString(h.Sum(nil))
	}
	d.n, d.mark = n, now
	if now == mark {
		pairs = nil
	}
	return pairs, now, nil
}

// Settings returns the settings of a scope: "" for the practice, or the ID of an examiner.
func (s *Store) Settings(ctx context.Context, scope string) (map[string]string, error) {
	pairs, err := list(ctx, s, "read settings", func(scan func(...any) error) (kv [2]string, err error) {
		err = scan(&kv[0], &kv[1])
		return
	}, "SELECT key, value FROM settings WHERE scope = ?", scope)
	out := make(map[string]string, len(pairs))
	for _, kv := range pairs {
		out[kv[0]] = kv[1]
	}
	return out, err
}

// SetSettings stores all the given settings of a scope, or none; an empty value removes a key.
func (s *Store) SetSettings(ctx context.Context, scope string, kv map[string]string) error {
	return s.write(ctx, "store settings", func(tx *tx) error {
		for k, v := range kv {
			q, args := "DELETE FROM settings WHERE scope = ? AND key = ?", []any{scope, k}
			if v != "" {
				q = `INSERT INTO settings (scope, key, value) VALUES (?,?,?)
					ON CONFLICT (scope, key) DO UPDATE SET value = excluded.value`
				args = append(args, v)
			}
			if _, err := tx.ExecContext(ctx, q, args...); err != nil {
				return err
			}
			if err := tx.record(ctx, Entry{What: "settings.changed", Table: "settings"}, scope, k); err != nil {
				return err
			}
		}
		return nil
	})
}

// maxClip is the largest sound clip, in bytes: four minutes of 16 kHz mono 16-bit sound.
const maxClip = 8 << 20

// AddClip keeps the sound of a call as a WAV file. The log is not touched; a second clip of the
// same call fails with ErrExists.
func (s *Store) AddClip(ctx context.Context, exam string, call uint64, wav []byte) error {
	op := fmt.Sprintf("add clip of call %d of exam %s", call, exam)
	if len(wav) < 12 || string(wav[:4]) != "RIFF" || string(wav[8:12]) != "WAVE" {
		return fmt.Errorf("%s: not a WAV file: %w", op, ErrInvalid)
	}
	if len(wav) > maxClip {
		return fmt.Errorf("%s: %d bytes, at most %d are kept: %w", op, len(wav), maxClip, ErrInvalid)
	}
	return s.write(ctx, op, func(tx *tx) error {
		var n int
		err := tx.QueryRowContext(ctx, "SELECT count(*) FROM events WHERE exam = ? AND seq = ? AND call = seq", exam, call).Scan(&n)
		if err == nil && n == 0 {
			err = fmt.Errorf("no such call: %w", ErrNotFound)
		}
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, "INSERT INTO clips (exam, call, created, wav) VALUES (?,?,?,?)",
			exam, call, millis(s.now()), s.keys.seal(clipPlace(exam, call), wav))
		if err != nil {
			return taken("clip", err)
		}
		return tx.recordOf(ctx, exam, Entry{What: "clip.kept", Table: "clips"}, exam, call)
	})
}

// Clip returns the sound of a call, or ErrNotFound.
func (s *Store) Clip(ctx context.Context, exam string, call uint64) ([]byte, error) {
	var wav []byte
	err := s.r.QueryRowContext(ctx, "SELECT wav FROM clips WHERE exam = ? AND call = ?", exam, call).Scan(&wav)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("clip of call %d of exam %q: %w", call, exam, ErrNotFound)
	}
	if err == nil {
		if wav, err = s.keys.open(clipPlace(exam, call), wav); err != nil {
			err = fmt.Errorf("its bytes are not those that were kept: %w", ErrDamaged)
		}
	}
	return wav, s.fail(fmt.Sprintf("read the clip of call %d of exam %s", call, exam), err)
}

// Clips lists the calls of an exam that have a clip.
func (s *Store) Clips(ctx context.Context, exam string) ([]uint64, error) {
	return list(ctx, s, "list clips", func(scan func(...any) error) (c uint64, err error) {
		err = scan(&c)
		return
	}, "SELECT call FROM clips WHERE exam = ? ORDER BY call", exam)
}

// aid picks the clips that only help to review a call. Where a remark was spoken the sound is the
// entry itself: it stays with the exam.
const aid = " AND call NOT IN (SELECT call FROM events WHERE exam = clips.exam AND kind = 'remark')"

// DeleteClips wipes sound clips and returns how many: those of an exam, or of all exams for "", made
// before the given time, or whenever for the zero time, but for those of some calls. Clips are not part of the log: they may go;
// those of remarks stay.
func (s *Store) DeleteClips(ctx context.Context, exam string, before time.Time, but ...uint64) (n int64, err error) {
	kept := ""
	for _, call := range but {
		kept += fmt.Sprintf(" AND call <> %d", call)
	}
	limit := int64(1<<63 - 1)
	if !before.IsZero() {
		limit = millis(before)
	}
	err = s.write(ctx, "delete clips", func(tx *tx) error {
		type clip struct {
			exam string
			call int64
		}
		gone, err := gather(ctx, tx, func(scan func(...any) error) (c clip, err error) {
			err = scan(&c.exam, &c.call)
			return
		}, "DELETE FROM clips WHERE (?1 = '' OR exam = ?1) AND created < ?2"+aid+kept+" RETURNING exam, call", exam, limit)
		if err != nil {
			return err
		}
		for _, c := range gone {
			if err := tx.recordOf(ctx, c.exam, Entry{What: "clip.deleted", Table: "clips"}, c.exam, c.call); err != nil {
				return err
			}
		}
		n = int64(len(gone))
		return nil
	})
	return n, err
}

// ClipBytes is the size of all clips of an exam, or of all exams for "".
func (s *Store) ClipBytes(ctx context.Context, exam string) (n int64, err error) {
	err = s.r.QueryRowContext(ctx, "SELECT COALESCE(SUM(length(wav) - ?2), 0) FROM clips WHERE ?1 = '' OR exam = ?1", exam, sealedSize).Scan(&n)
	return n, s.fail("size of clips", err)
}

// MakeRoom wipes the clips of exams until at least need bytes are free, and returns how many went:
// first of signed exams, the longest signed first, then of those begun before the given time.
func (s *Store) MakeRoom(ctx context.Context, need int64, before time.Time) (freed int64, err error) {
	type old struct {
		exam  string
		bytes int64
	}
	exams, err := list(ctx, s, "list clips", func(scan func(...any) error) (o old, err error) {
		err = scan(&o.exam, &o.bytes)
		return
	}, `SELECT exam, SUM(length(wav) - ?2) FROM clips JOIN exams ON exams.id = clips.exam
		WHERE (signed IS NOT NULL OR exams.created < ?1)`+aid+` GROUP BY exam, signed, exams.created ORDER BY signed IS NULL, signed, exams.created`, millis(before), sealedSize)
	for _, o := range exams {
		if err != nil || freed >= need {
			break
		}
		if _, err = s.DeleteClips(ctx, o.exam, time.Time{}); err == nil {
			freed += o.bytes
		}
	}
	return freed, err
}
