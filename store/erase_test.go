package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/practice"
)

// piecesOf are bytes of all that a file holds of Mira Holt: as they stand there, and in clear.
func piecesOf(t *testing.T, s *Store) [][]byte {
	t.Helper()
	out := [][]byte{[]byte("Mira Holt"), []byte("A-17"), []byte("A-18"), []byte("the sound of exam signed"), []byte("prefers the window"), []byte("+44 1632 960111"), []byte("three two four")}
	for _, q := range []string{"SELECT sealed FROM patients WHERE id = 'mira'", "SELECT body FROM events WHERE exam IN ('signed', 'open')",
		"SELECT wav FROM clips WHERE exam IN ('signed', 'open')", "SELECT head FROM exams WHERE patient = 'mira'",
		"SELECT detail FROM journal WHERE patient = 'mira' AND detail IS NOT NULL"} {
		found, err := gather(ctx, s.r, func(scan func(...any) error) (b []byte, err error) { err = scan(&b); return }, q)
		if err != nil || len(found) == 0 {
			t.Fatalf("%s: %d, %v", q, len(found), err)
		}
		out = append(out, found...)
	}
	return out
}

// onDisk counts pieces that stand in any file below a folder, wherever in it: the file itself, -wal, -shm, the witness, copies.
func onDisk(t *testing.T, dir string, pieces [][]byte) (n int) {
	t.Helper()
	err := filepath.WalkDir(dir, func(f string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(f)
		for _, p := range pieces {
			for at := 0; at+4 <= len(p); at += 16 {
				if bytes.Contains(data, p[at:min(at+16, len(p))]) && min(at+16, len(p))-at >= 4 {
					n++
				}
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// mentions are the tables in which an id stands.
func mentions(t *testing.T, path, id string) (tables []string) {
	t.Helper()
	out, err := dump(path)
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(out) {
		if table, row, _ := strings.Cut(strings.TrimPrefix(line, "SELECT * FROM "), " "); strings.HasPrefix(line, "SELECT * FROM ") && strings.Contains(row, `"`+id+`"`) && !slices.Contains(tables, table) {
			tables = append(tables, table)
		}
	}
	return tables
}

// clear is all that can be read in a file by somebody who has the key.
func clear(t *testing.T, path string) string {
	t.Helper()
	s, err := openReader(ctx, path, "mode=ro&immutable=1")
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	out, err := dump(path)
	if err != nil {
		t.Fatal(err)
	}
	add := func(q string, open func(scan func(...any) error) ([]byte, error)) {
		found, err := gather(ctx, s.r, open, q)
		if err != nil {
			t.Fatalf("%s: %v", q, err)
		}
		out += string(bytes.Join(found, []byte("\n")))
	}
	add("SELECT id, sealed FROM patients", func(scan func(...any) error) ([]byte, error) {
		var id string
		var b []byte
		if err := scan(&id, &b); err != nil {
			return nil, err
		}
		return s.keys.open(patientPlace(id), b)
	})
	add("SELECT exam, seq, body FROM events", func(scan func(...any) error) ([]byte, error) {
		var exam string
		var seq uint64
		var b []byte
		if err := scan(&exam, &seq, &b); err != nil {
			return nil, err
		}
		return s.keys.openEvent(exam, seq, b)
	})
	add("SELECT exam, call, wav FROM clips", func(scan func(...any) error) ([]byte, error) {
		var exam string
		var call uint64
		var b []byte
		if err := scan(&exam, &call, &b); err != nil {
			return nil, err
		}
		return s.keys.open(clipPlace(exam, call), b)
	})
	es, err := s.Journal(ctx, practice.JournalQuery{})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range es {
		out += e.Detail + "\n"
	}
	return out
}

func TestErasePatient(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	s := openT(t, dir)
	mira, err := s.Patient(ctx, "mira")
	if err == nil {
		mira.Note, mira.Phone = "prefers the window", "+44 1632 960111"
		_, err = s.UpdatePatient(ctx, mira)
	}
	// A notice to another program that waits.
	if err == nil {
		_, err = s.AddHook(ctx, practice.Hook{ID: "h", URL: "https://office.example/in", Events: []string{"exam.signed"}, Details: true, Secret: "s"})
	}
	if err == nil {
		err = s.write(ctx, "put", func(t *tx) error {
			return put(ctx, t, practice.Notice{Hook: "h", What: "exam.signed", Exam: "open", Patient: "mira"})
		})
	}
	if err != nil {
		t.Fatal(err)
	}
	pieces := piecesOf(t, s)
	anchor, err := s.Anchor(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if got := mentions(t, filepath.Join(dir, fileName), "mira"); len(got) < 3 {
		t.Fatalf("the patient stands in %v: this test would find nothing", got)
	}
	before := filepath.Join(t.TempDir(), "before")
	if _, err := s.Backup(ctx, before); err != nil {
		t.Fatal(err)
	}
	if n := onDisk(t, dir, pieces); n < 20 {
		t.Fatalf("%d pieces of the patient are on the disk: this test would find nothing", n)
	}
	if text := clear(t, before); !strings.Contains(text, "Mira Holt") || !strings.Contains(text, "the sound of exam open") || !strings.Contains(text, "the chart") {
		t.Fatal("the backup from before does not hold the patient: this test would find nothing")
	}
	other, err := collect(s, "other")
	if err != nil {
		t.Fatal(err)
	}

	if _, err := s.ErasePatient(ctx, "nobody", practice.Erase{Reason: "asked for"}); !errors.Is(err, ErrNotFound) {
		t.Errorf("a patient who is not there: %v", err)
	}
	// A reader that holds an old state: said, and ended by erasing again.
	r, err := s.r.BeginTx(ctx, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.QueryRow("SELECT count(*) FROM patients").Scan(new(int)); err != nil {
		t.Fatal(err)
	}
	if _, err := s.w.Exec("PRAGMA busy_timeout = 50"); err != nil {
		t.Fatal(err)
	}
	var se *Error
	if _, err := s.ErasePatient(practice.By(ctx, "ada"), "mira", practice.Erase{Reason: "asked for in writing"}); !errors.As(err, &se) || !strings.Contains(se.Hint, "again") {
		t.Errorf("with a reader in the way: %v", err)
	}
	r.Rollback()
	if _, err := s.ErasePatient(ctx, "mira", practice.Erase{Reason: "asked for in writing"}); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, fileName+"-wal")); err != nil {
		t.Fatal("there is no -wal to look into: ", err)
	}
	if n := onDisk(t, dir, pieces); n > 0 {
		t.Errorf("%d pieces of the erased patient are still on the disk", n)
	}
	after := filepath.Join(t.TempDir(), "after")
	if _, err := s.Backup(ctx, after); err != nil {
		t.Fatal(err)
	}
	text := clear(t, after)
	for _, p := range pieces[:6] {
		if strings.Contains(text, string(p)) {
			t.Errorf("a backup made afterwards holds %q", p)
		}
	}
	if n := onDisk(t, filepath.Dir(after), pieces); n > 0 {
		t.Errorf("a backup made afterwards holds %d pieces, sealed or in clear", n)
	}
	// The ids stand in the journal alone, where they lead nowhere.
	for _, id := range []string{"mira", "signed", "open"} {
		for _, path := range []string{after, filepath.Join(dir, fileName)} {
			if got := mentions(t, path, id); !slices.Equal(got, []string{"journal"}) {
				t.Errorf("%s: %q stands in %v", filepath.Base(path), id, got)
			}
		}
	}
	if rep, err := s.Verify(ctx, anchor); err != nil || rep.Err() != nil || rep.Patients != 1 || rep.Exams != 1 {
		t.Errorf("%+v, %v", rep, err)
	}
	if got, err := collect(s, "other"); err != nil || len(got) != len(other) {
		t.Errorf("another patient's exam: %d events, %v", len(got), err)
	}
	es, err := s.Journal(ctx, practice.JournalQuery{Patient: "mira"})
	if err != nil || es[0].What != "patient.erased" || es[0].Who != "ada" || !strings.Contains(es[0].Detail, "asked for in writing: 2 exams") {
		t.Errorf("%+v, %v", es[0], err)
	}
	looks := 0
	for _, e := range es[1:] {
		if e.Detail != "" {
			t.Errorf("a detail is left: %+v", e)
		}
		if e.What == "patient.read" && e.Erased {
			looks++
		}
	}
	if looks != 1 {
		t.Error("that somebody looked is no longer in the journal")
	}
	for _, q := range []string{"UPDATE events SET time = 0", "DELETE FROM events", "DELETE FROM exams"} {
		if _, err := s.w.Exec(q); err == nil {
			t.Errorf("after erasing the file accepts: %s", q)
		}
	}
}

// Copies of former times beside the store cannot be erased in part: they are named, and removed if asked.
func TestEraseNamesCopies(t *testing.T) {
	dir := t.TempDir()
	ofVersion(t, 4, filepath.Join(dir, fileName))
	old, _ := os.ReadFile(filepath.Join(dir, fileName))
	os.WriteFile(filepath.Join(dir, fileName+".before-version-3"), old, 0o600) // as former versions left them
	s := openT(t, dir)
	if n := onDisk(t, dir, [][]byte{[]byte("Mira Holt"), []byte("mira@example.org"), []byte("sound of a call")}); n > 0 {
		t.Errorf("%d pieces are in clear after the update", n)
	}
	for _, c := range []bool{false, true} {
		p, err := s.AddPatient(ctx, Patient{Name: "Nell Ashby"})
		if err != nil {
			t.Fatal(err)
		}
		got, err := s.ErasePatient(ctx, p.ID, practice.Erase{Reason: "made by mistake", Copies: c})
		if want := map[bool]int{false: 2, true: 0}[c]; err != nil || len(got.Copies) != want {
			t.Errorf("copies %v, %v; want %d", got.Copies, err, want)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*.before-*")); len(left) != 0 {
		t.Errorf("left: %v", left)
	}
}

// The time that records are kept is asked before anything is erased.
func TestRetention(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	s := openT(t, dir)
	signed := time.UnixMilli(1772442000000)
	erase := func(id string, e practice.Erase, years int) error {
		_, err := practice.EraseRecords(ctx, s, id, e, signed.AddDate(years, 0, 1))
		return err
	}
	for name, c := range map[string]struct {
		e     practice.Erase
		years int
		is    error
	}{"no reason": {practice.Erase{Reason: " "}, 20, ErrInvalid}, "too early": {practice.Erase{Reason: "asked for"}, 9, practice.ErrKept}} {
		if err := erase("mira", c.e, c.years); !errors.Is(err, c.is) {
			t.Errorf("%s: %v, want %v", name, err, c.is)
		}
	}
	if err := erase("nobody", practice.Erase{Reason: "asked for"}, 20); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	if err := practice.SetRetention(ctx, s, -1); !errors.Is(err, ErrInvalid) {
		t.Error(err)
	}
	if err := practice.SetRetention(ctx, s, 30); err != nil {
		t.Fatal(err)
	}
	if err := erase("mira", practice.Erase{Reason: "asked for"}, 29); !errors.Is(err, practice.ErrKept) {
		t.Errorf("kept for thirty years: %v", err)
	}
	// What was never signed is no record yet.
	if err := erase("nell", practice.Erase{Reason: "made by mistake"}, 0); err != nil {
		t.Error(err)
	}
	if err := erase("mira", practice.Erase{Reason: "a court said so", Despite: true}, 1); err != nil {
		t.Error(err)
	}
	es, err := s.Journal(context.Background(), practice.JournalQuery{What: "patient.erased", Patient: "mira"})
	if err != nil || len(es) != 1 || !strings.Contains(es[0].Detail, "in spite of being kept until 2056-03-02") {
		t.Errorf("%+v, %v", es, err)
	}
}

// A damaged record can be erased as well, and an exam of another patient that was compared with an erased one stays.
func TestEraseDamagedAndCompared(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	tamper(t, dir, "UPDATE exams SET earlier = 'open' WHERE id = 'other'", "UPDATE patients SET sealed = x'00' WHERE id = 'mira'")
	s := openT(t, dir)
	if _, err := s.Accept(ctx, "moved by hand"); err != nil {
		t.Fatal(err)
	}
	if _, err := practice.EraseRecords(ctx, s, "mira", practice.Erase{Reason: "damaged", Despite: true}, time.Now()); err != nil {
		t.Fatal(err)
	}
	if x, err := s.Exam(ctx, "other"); err != nil || x.Earlier != "" {
		t.Errorf("%+v, %v", x, err)
	}
	if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil {
		t.Errorf("%+v, %v", rep, err)
	}
	var n sql.NullInt64
	if err := s.r.QueryRow("SELECT count(*) FROM pragma_foreign_key_check").Scan(&n); err != nil || n.Int64 != 0 {
		t.Error(n, err)
	}
}

// Two records of one person go together, and only by the one that they were merged into.
func TestEraseMerged(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	aPractice(t, dir)
	s := openT(t, dir)
	for _, p := range [][2]string{{"twin", "mira"}, {"twin2", "twin"}} {
		if _, err := s.AddPatient(ctx, Patient{ID: p[0], Name: "Mirabel Holt"}); err != nil {
			t.Fatal(err)
		}
		if err := s.MergePatient(ctx, p[0], p[1], "Mirabel Holt is Mira Holt", "ada"); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.ErasePatient(ctx, "twin", practice.Erase{Reason: "asked for"}); !errors.Is(err, ErrInvalid) || !strings.Contains(err.Error(), "merged with patient mira") {
		t.Errorf("the one that was merged: %v", err)
	}
	if _, err := s.ErasePatient(ctx, "mira", practice.Erase{Reason: "asked for"}); err != nil {
		t.Fatal(err)
	}
	if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil || rep.Patients != 1 {
		t.Errorf("%+v, %v", rep, err)
	}
	if !s.inFile() {
		return
	}
	after := filepath.Join(t.TempDir(), "after")
	if _, err := s.Backup(ctx, after); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(clear(t, after), "Mirabel") {
		t.Error("the merged record is still there")
	}
}
