package store

import (
	"bytes"
	"context"
	"crypto/hmac"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"iter"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"leadsman/practice"
)

// kept lists the tables whose rows the journal vouches for, with the columns of their keys. A table of
// further records is added here, and what writes to it calls record in the same transaction.
var kept = []struct {
	table string
	key   []string
}{
	{"patients", []string{"id"}},
	{"examiners", []string{"id"}},
	{"exams", []string{"id"}},
	{"settings", []string{"scope", "key"}},
	{"clips", []string{"exam", "call"}},
	{"voices", []string{"examiner"}},
	{"accounts", []string{"person"}},
	{"standing", []string{"exam"}},
	{"merged", []string{"patient"}},
	{"programs", []string{"id"}},
	{"hooks", []string{"id"}},
	{"passkeys", []string{"id"}},
}

func keyColumns(table string) []string {
	for _, k := range kept {
		if k.table == table {
			return k.key
		}
	}
	panic("store: the journal knows no table " + table)
}

// Entry is a line of the journal.
type Entry = practice.Entry

// tx is a transaction that can write to the journal.
type tx struct {
	*sql.Tx
	s       *Store
	last    int64 // number of the last entry, once read is set
	entries int64 // that were added
	head    []byte
	read    bool
}

// record journals what became of a row: that of e.Table whose key has these values. It is called after
// the change, in its transaction. Where the row is gone the entry says so.
func (t *tx) record(ctx context.Context, e Entry, key ...any) error {
	cols := keyColumns(e.Table)
	q := "SELECT * FROM " + e.Table + " WHERE " + strings.Join(cols, " = ? AND ") + " = ?"
	rows, err := t.QueryContext(ctx, q, key...)
	if err != nil {
		return err
	}
	defer rows.Close()
	var digest []byte
	if rows.Next() {
		if _, digest, err = t.s.keys.digest(e.Table, cols, rows); err != nil {
			return err
		}
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	text := make([]string, len(key))
	for i, k := range key {
		text[i] = fmt.Sprint(k)
	}
	e.Key = strings.Join(text, "/")
	return t.enter(ctx, e, digest)
}

// recordOf is record for what belongs to an exam, and thereby to its patient.
func (t *tx) recordOf(ctx context.Context, exam string, e Entry, key ...any) error {
	if err := t.QueryRowContext(ctx, "SELECT patient FROM exams WHERE id = ?", exam).Scan(&e.Patient); err != nil {
		return err
	}
	return t.record(ctx, e, key...)
}

// enter adds an entry at the end of the chain.
func (t *tx) enter(ctx context.Context, e Entry, digest []byte) error {
	if !t.read {
		err := t.QueryRowContext(ctx, "SELECT n, mac FROM journal ORDER BY n DESC LIMIT 1").Scan(&t.last, &t.head)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		t.read = true
	}
	if e.Who == "" {
		e.Who = practice.Who(ctx)
	}
	e.N = t.last + 1
	now := millis(t.s.now())
	var detail, sum []byte
	if e.Detail != "" {
		detail = t.s.keys.seal(entryPlace(e.N), []byte(e.Detail))
		sum = mac(t.s.keys.chain, detail)
	}
	head := t.s.keys.entry(t.head, e, now, digest, sum)
	_, err := t.ExecContext(ctx, "INSERT INTO journal (n, time, who, what, tbl, key, patient, digest, detail, sum, mac) VALUES (?,?,?,?,?,?,?,?,?,?,?)",
		e.N, now, e.Who, e.What, e.Table, e.Key, e.Patient, digest, detail, sum, head)
	if err == nil {
		t.last, t.head = e.N, head
		t.entries++
	}
	return err
}

// entry is the link of the chain that an entry makes. The detail takes part by its sum alone, so that it can be erased.
func (k *keyring) entry(prev []byte, e Entry, time int64, digest, sum []byte) []byte {
	return mac(k.chain, prev, number(e.N), number(time), []byte(e.Who), []byte(e.What), []byte(e.Table), []byte(e.Key), []byte(e.Patient), digest, sum)
}

func number(n int64) []byte { return binary.BigEndian.AppendUint64(nil, uint64(n)) }

// rowNumber is the column that numbers rows as they come. SQLite has it in every table without listing it; it says nothing of the record.
const rowNumber = "rowid"

// digest reads the row that rows stand on: the values of its key, and a keyed hash over all its columns.
func (k *keyring) digest(table string, key []string, rows *sql.Rows) (string, []byte, error) {
	row, err := anyRowOf(rows)
	if err == nil {
		err = row.scan(rows)
	}
	if err != nil {
		return "", nil, err
	}
	parts := [][]byte{[]byte(table)}
	text := make([]string, len(key))
	for i, c := range row.cols {
		if c == rowNumber {
			continue
		}
		for j, name := range key {
			if name == c {
				text[j] = fmt.Sprint(row.vals[i])
			}
		}
		parts = append(parts, []byte(c))
		switch v := row.vals[i].(type) {
		case nil:
			parts = append(parts, []byte("null"), nil)
		case int64:
			parts = append(parts, []byte("int"), number(v))
		case float64:
			parts = append(parts, []byte("real"), number(int64(math.Float64bits(v))))
		case string:
			parts = append(parts, []byte("text"), []byte(v))
		case []byte:
			parts = append(parts, []byte("blob"), v)
		default:
			return "", nil, fmt.Errorf("table %s, column %s: %T", table, c, v)
		}
	}
	return strings.Join(text, "/"), mac(k.rows, parts...), nil
}

// Note journals what changes no record: a look at a patient's record, a sign-in, an export. Patient may be "".
// A store that was opened to look on notes it too, beside the process that writes: the entry goes on from the end of the journal as it is
// then.
func (s *Store) Note(ctx context.Context, what, patient, detail string) error {
	if s.w == nil && s.beside != nil {
		return s.noteBeside(ctx, what, patient, detail)
	}
	return s.write(ctx, "write the journal", func(t *tx) error {
		return t.enter(ctx, Entry{What: what, Patient: patient, Detail: detail}, nil)
	})
}

func (s *Store) noteBeside(ctx context.Context, what, patient, detail string) error {
	w := &Store{dialect: s.dialect, dir: s.dir, path: s.path, now: s.now, keys: s.keys}
	defer w.Close()
	const op = "note in the journal what is read"
	var err error
	if w.w, err = s.beside(); err != nil {
		return s.fail(op, err)
	}
	if s.folder {
		if w.seen.f, err = os.OpenFile(filepath.Join(s.dir, witnessName), os.O_RDWR, 0); err != nil {
			return &Error{Op: op, Path: s.dir, Err: err, Hint: "what is read is journalled, so the folder must be one that you may write to: copy it with its key to one"}
		}
	}
	return w.Note(ctx, what, patient, detail)
}

// chained is an entry as it stands in the file.
type chained struct {
	Entry
	time        int64
	digest      []byte
	detail, sum []byte
	mac         []byte
}

const linkCols = "n, time, who, what, tbl, key, patient, digest, detail, sum, mac"

func scanLink(scan func(...any) error) (l chained, err error) {
	err = scan(&l.N, &l.time, &l.Who, &l.What, &l.Table, &l.Key, &l.Patient, &l.digest, &l.detail, &l.sum, &l.mac)
	l.Time = fromMillis(l.time)
	return l, err
}

// read opens the detail of an entry.
func (k *keyring) read(l *chained) error {
	switch {
	case len(l.sum) == 0:
		return nil
	case l.detail == nil:
		l.Erased = true
		return nil
	}
	b, err := k.open(entryPlace(l.N), l.detail)
	l.Detail = string(b)
	return err
}

// Journal lists entries, the newest first.
func (s *Store) Journal(ctx context.Context, q practice.JournalQuery) ([]Entry, error) {
	var out []Entry
	for e, err := range s.entries(ctx, q) {
		if err != nil {
			return out, err
		}
		if out = append(out, e); q.Limit > 0 && len(out) == q.Limit {
			break
		}
	}
	return out, nil
}

func (s *Store) entries(ctx context.Context, q practice.JournalQuery) iter.Seq2[Entry, error] {
	const op = "read the journal"
	return func(yield func(Entry, error) bool) {
		from, to := int64(math.MinInt64), int64(math.MaxInt64)
		if !q.From.IsZero() {
			from = millis(q.From)
		}
		if !q.To.IsZero() {
			to = millis(q.To)
		}
		before := q.Before
		if before == 0 {
			before = math.MaxInt64
		}
		rows, err := s.r.QueryContext(ctx, "SELECT "+linkCols+`, EXISTS (SELECT 1 FROM journal b WHERE b.n = j.n - 1 AND b.time > j.time)
			FROM journal j WHERE (?1 = '' OR patient = ?1) AND (?2 = '' OR who = ?2) AND substr(what, 1, length(?3)) = ?3
			AND time >= ?4 AND time < ?5 AND n < ?6 ORDER BY n DESC`, q.Patient, q.Who, q.What, from, to, before)
		if err != nil {
			yield(Entry{}, s.fail(op, err))
			return
		}
		defer rows.Close()
		text := strings.ToLower(q.Text)
		for rows.Next() {
			var back bool
			l, err := scanLink(func(to ...any) error { return rows.Scan(append(to, &back)...) })
			if err == nil {
				err = s.keys.read(&l)
			}
			if err != nil {
				yield(Entry{}, s.fail(op, err))
				return
			}
			l.Back = back
			if text != "" && !strings.Contains(strings.ToLower(strings.Join([]string{l.Who, l.What, l.Key, l.Patient, l.Detail}, "\n")), text) {
				continue
			}
			if !yield(l.Entry, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(Entry{}, s.fail(op, err))
		}
	}
}

// witnessName is the file that says how long the journal was at the last confirmed change. SQLite takes a lost write-ahead log
// for the end of the data; this file tells that there was more.
const (
	witnessName = "leadsman.head"
	nothingSeen = "00000000000000000000 " // how it begins before the first change
)

// whatLost is the entry that says that confirmed changes are gone.
const whatLost = "store.lost"

// witness is the open file. It is written without a sync: the change is on the disk already, and a witness that stayed behind in a
// power cut accuses nobody.
type witness struct {
	mu sync.Mutex
	f  *os.File
	n  int64
}

// head is the end of a journal.
type head struct {
	n   int64
	mac []byte
}

func (k *keyring) witnessLine(h head) []byte {
	return fmt.Appendf(nil, "%020d %064x %x\n", h.n, h.mac, mac(k.chain, []byte("witness"), number(h.n), h.mac))
}

// saw notes the end of the journal after a commit.
func (w *witness) saw(k *keyring, h head) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.f != nil && h.n > w.n {
		if _, err := w.f.WriteAt(k.witnessLine(h), 0); err == nil {
			w.n = h.n
		}
	}
}

// readWitness reads the witness of a data folder; fs.ErrNotExist says that there is none.
func (k *keyring) readWitness(dir string) (head, error) {
	b, err := os.ReadFile(filepath.Join(dir, witnessName))
	if err != nil {
		return head{}, err
	}
	var h head
	var tag string
	_, err = fmt.Sscanf(string(b), "%d %x %s", &h.n, &h.mac, &tag)
	if h.n == 0 {
		h.mac = nil // before the first change
	}
	if err != nil || !hmac.Equal(b, k.witnessLine(h)) {
		return head{}, fmt.Errorf("%s is garbled or was made with another key: %w", witnessName, ErrDamaged)
	}
	return h, nil
}

// testify compares the journal with the witness: what is missing, in words, or "".
func testify(ctx context.Context, db querier, h head) (string, error) {
	if h.n == 0 {
		return "", nil
	}
	var last int64
	if err := db.QueryRowContext(ctx, "SELECT COALESCE(MAX(n), 0) FROM journal").Scan(&last); err != nil {
		return "", err
	}
	if last < h.n {
		return fmt.Sprintf("the journal ends at entry %d, but %d were confirmed: the last %d changes are lost (was the -wal file deleted, or an older file put here?)", last, h.n, h.n-last), nil
	}
	var m []byte
	if err := db.QueryRowContext(ctx, "SELECT mac FROM journal WHERE n = ?", h.n).Scan(&m); err != nil && !errors.Is(err, sql.ErrNoRows) {
		return "", err
	}
	if !bytes.Equal(m, h.mac) {
		return fmt.Sprintf("entry %d of the journal is not the one that was confirmed: the data were replaced or rewritten", h.n), nil
	}
	return "", nil
}

type querier interface {
	QueryRowContext(ctx context.Context, q string, args ...any) *sql.Row
	QueryContext(ctx context.Context, q string, args ...any) (*sql.Rows, error)
}

// rowsDiffer compares every kept row with what the journal says of it last, and calls differ for each that is another, is missing
// or is unknown to the journal.
func (s *Store) rowsDiffer(ctx context.Context, db querier, differ func(table, key, how string, digest []byte) error) error {
	said, err := saidLast(ctx, db)
	if err != nil {
		return err
	}
	var diffs []rowDiff
	for _, t := range kept {
		if there, err := s.has(ctx, db, t.table); err != nil {
			return err
		} else if !there {
			continue // of a later version
		}
		of, err := s.tableDiffers(ctx, db, t.table, t.key, said)
		if err != nil {
			return err
		}
		diffs = append(diffs, of...)
	}
	for at, was := range said {
		if was != nil {
			diffs = append(diffs, rowDiff{at.table, at.key, "was deleted behind the journal's back", nil})
		}
	}
	for _, d := range diffs {
		if err := differ(d.table, d.key, d.how, d.digest); err != nil {
			return err
		}
	}
	return nil
}

type rowKey struct{ table, key string }

// rowDiff is a row that is not as the journal says.
type rowDiff struct {
	table, key, how string
	digest          []byte
}

// saidLast is what the journal says last of each row: its digest, nil for one that was deleted.
func saidLast(ctx context.Context, db querier) (map[rowKey][]byte, error) {
	rows, err := db.QueryContext(ctx, "SELECT tbl, key, digest FROM journal WHERE tbl <> '' ORDER BY n")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	said := map[rowKey][]byte{}
	for rows.Next() {
		var at rowKey
		var digest []byte
		if err := rows.Scan(&at.table, &at.key, &digest); err != nil {
			return nil, err
		}
		said[at] = digest
	}
	return said, rows.Err()
}

// tableDiffers compares the rows of a table and takes them off what the journal said.
func (s *Store) tableDiffers(ctx context.Context, db querier, table string, keys []string, said map[rowKey][]byte) (diffs []rowDiff, err error) {
	rows, err := db.QueryContext(ctx, "SELECT * FROM "+table)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		key, digest, err := s.keys.digest(table, keys, rows)
		if err != nil {
			return nil, err
		}
		at := rowKey{table, key}
		switch was, known := said[at]; {
		case !known || was == nil:
			diffs = append(diffs, rowDiff{table, key, "was put there behind the journal's back", digest})
		case !hmac.Equal(was, digest):
			diffs = append(diffs, rowDiff{table, key, "was changed behind the journal's back", digest})
		}
		delete(said, at)
	}
	return diffs, rows.Err()
}

// Anchor is the end of the journal at a moment. Kept away from the data, it proves later that nothing before it was rewritten.
type Anchor struct {
	N    int64
	Head string // hex
	Time time.Time
}

// String is the line that is printed or sent away.
func (a Anchor) String() string {
	return fmt.Sprintf("leadsman-anchor %s %d %s", a.Time.UTC().Format(time.RFC3339), a.N, a.Head)
}

// ParseAnchor reads such a line.
func ParseAnchor(line string) (a Anchor, err error) {
	var at string
	if _, err = fmt.Sscanf(strings.TrimSpace(line), "leadsman-anchor %s %d %s", &at, &a.N, &a.Head); err == nil {
		a.Time, err = time.Parse(time.RFC3339, at)
	}
	if b, herr := hex.DecodeString(a.Head); err != nil || herr != nil || len(b) != 32 || a.N < 1 {
		return Anchor{}, fmt.Errorf("anchor %q: a line such as \"leadsman-anchor 2026-03-02T18:00:00Z 812 5f0c...\" is wanted, as leadsman anchor prints it: %w", line, ErrInvalid)
	}
	return a, nil
}

// Anchor is the end of the journal now.
func (s *Store) Anchor(ctx context.Context) (Anchor, error) {
	l, err := scanLink(s.r.QueryRowContext(ctx, "SELECT "+linkCols+" FROM journal ORDER BY n DESC LIMIT 1").Scan)
	if err != nil {
		return Anchor{}, s.fail("read the journal", err)
	}
	return Anchor{l.N, hex.EncodeToString(l.mac), s.now()}, nil
}

// holds checks an anchor of former times: nil if the journal up to it is the one of then.
func (s *Store) holds(ctx context.Context, a Anchor) error {
	var m []byte
	err := s.r.QueryRowContext(ctx, "SELECT mac FROM journal WHERE n = ?", a.N).Scan(&m)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return fmt.Errorf("the anchor of %s knows %d entries, the journal has fewer: its end was cut off: %w", a.Time.Format(time.DateOnly), a.N, ErrDamaged)
	case err != nil:
		return s.fail("read the journal", err)
	case hex.EncodeToString(m) != a.Head:
		return fmt.Errorf("the journal is not the one of the anchor of %s: entries up to %d were rewritten since: %w", a.Time.Format(time.DateOnly), a.N, ErrDamaged)
	}
	return nil
}
