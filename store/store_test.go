package store

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/practice"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(killDirEnv); dir != "" {
		killChild(dir)
		return
	}
	os.Exit(m.Run())
}

var ctx = context.Background()

// clock is a time that moves a second at every look.
func clock() func() time.Time {
	t := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	return func() time.Time { t = t.Add(time.Second); return t }
}

func openT(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(ctx, dir, clock(), at(dir)...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// newExam makes a patient and an exam.
func newExam(t testing.TB, s *Store) Exam {
	t.Helper()
	p, err := s.AddPatient(ctx, Patient{Name: "Mira Holt"})
	if err != nil {
		t.Fatal(err)
	}
	x, err := s.NewExam(ctx, Exam{Patient: p.ID, Examiner: "Dr. Ansel Reed"})
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// play appends the start and n calls of three soundings, and returns what was written.
func play(t testing.TB, s *Store, exam string, n int) []chart.Event {
	t.Helper()
	st := chart.NewState()
	evs, err := chart.Start(chart.FDI, "", nil, nil, chart.Meta{Time: 1})
	for i := 0; ; i++ {
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Log(exam).Append(ctx, evs...); err != nil {
			t.Fatal(err)
		}
		if err := st.Apply(evs...); err != nil {
			t.Fatal(err)
		}
		if i == n {
			return st.Log()
		}
		evs, err = st.Do(soundings(3, 2, 4), chart.Meta{Time: int64(i + 2), Source: chart.Voice, Words: "three two four", Confidence: 0.97})
	}
}

func soundings(mm ...int) chart.Command {
	a := chart.Act{Verb: chart.VerbSoundings}
	for _, n := range mm {
		a.Numbers = append(a.Numbers, chart.Half(2*n))
	}
	return chart.Command{Acts: []chart.Act{a}}
}

func one(a chart.Act) chart.Command { return chart.Command{Acts: []chart.Act{a}} }

// collect reads a log to its end or its first error.
func collect(s *Store, exam string) (evs []chart.Event, err error) {
	for e, err := range s.Log(exam).All(ctx) {
		if err != nil {
			return evs, err
		}
		evs = append(evs, e)
	}
	return evs, nil
}

// The settings that durability rests on. Source: the pragma page of the SQLite documentation:
// synchronous 2 is FULL, "In WAL mode ... FULL" syncs the log after each commit.
func TestOpenSetsDurability(t *testing.T) {
	s := openT(t, filepath.Join(t.TempDir(), "data"))
	for _, c := range []struct {
		db     *database
		pragma string
		want   string
	}{
		{s.w, "journal_mode", "wal"}, {s.w, "synchronous", "2"}, {s.w, "foreign_keys", "1"}, {s.w, "busy_timeout", "5000"},
		{s.w, "secure_delete", "1"}, {s.r, "foreign_keys", "1"}, {s.r, "query_only", "1"},
	} {
		var got string
		if err := c.db.QueryRow("PRAGMA " + c.pragma).Scan(&got); err != nil || got != c.want {
			t.Errorf("%s = %q (%v), want %q", c.pragma, got, err, c.want)
		}
	}
	if _, err := s.w.Exec("INSERT INTO exams VALUES ('x', 'nobody', 'exam', NULL, '', '', 0, 0, x'', NULL, '')"); err == nil {
		t.Error("an exam of a patient who does not exist was accepted")
	}
	if _, err := s.w.Exec("INSERT INTO settings VALUES ('', 'k', x'00')"); err == nil {
		t.Error("a blob was accepted in a text column: tables are not STRICT")
	}
}

func TestOpenMakesPrivateFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a b", "ü ? # % &x=1")
	s := openT(t, dir)
	newExam(t, s)
	for path, want := range map[string]os.FileMode{dir: 0o700, s.Path(): 0o600, s.Path() + "-wal": 0o600} {
		if fi, err := os.Stat(path); err != nil || fi.Mode().Perm() != want {
			t.Errorf("%s: %v %v, want mode %o", path, fi, err, want)
		}
	}
}

func TestOpenOneProcessAtATime(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	_, err := Open(ctx, dir, clock(), at(dir)...)
	if !errors.Is(err, ErrLocked) || !strings.Contains(err.Error(), "--data") {
		t.Errorf("second Open: %v, want ErrLocked with a hint", err)
	}
	if _, err := Restore(ctx, s.Path(), dir, true, false); err == nil {
		t.Error("Restore into an open store was accepted")
	}
	s.Close()
	openT(t, dir)
}

func TestOpenRefuses(t *testing.T) {
	file := func(t *testing.T, stmts ...string) string {
		dir := t.TempDir()
		db, err := sql.Open("sqlite3", filepath.Join(dir, fileName))
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		for _, q := range stmts {
			if _, err := db.Exec(q); err != nil {
				t.Fatal(err)
			}
		}
		return dir
	}
	junk := t.TempDir()
	os.WriteFile(filepath.Join(junk, fileName), []byte(strings.Repeat("this is no database ", 500)), 0o600)
	plain := filepath.Join(t.TempDir(), "file")
	os.WriteFile(plain, nil, 0o600)
	for name, c := range map[string]struct {
		dir  string
		is   error
		text string
	}{
		"newer":          {file(t, "PRAGMA application_id = 1281712484", "PRAGMA user_version = 99"), ErrNewer, "install the newer program"},
		"foreign":        {file(t, "CREATE TABLE t (x)"), ErrInvalid, "not made by leadsman"},
		"foreign marked": {file(t, "PRAGMA application_id = 7"), nil, "not made by leadsman"},
		"junk":           {junk, ErrDamaged, "leadsman restore"},
		"a file":         {plain, nil, "not a folder"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(c.dir, fileName)
			before, _ := os.ReadFile(path)
			_, err := Open(ctx, c.dir, clock())
			if err == nil || c.is != nil && !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.text) {
				t.Errorf("got %v, want %v with %q", err, c.is, c.text)
			}
			if after, _ := os.ReadFile(path); string(before) != string(after) {
				t.Error("the file was changed")
			}
			if err := new(Error); !errors.As(func() error { _, e := Open(ctx, c.dir, clock()); return e }(), &err) || err.Hint == "" {
				t.Errorf("no hint: %v", err)
			}
		})
	}
	if _, err := OpenReadOnly(ctx, t.TempDir()); !errors.Is(err, ErrNotFound) {
		t.Errorf("read-only of an empty folder: %v", err)
	}
}

func TestMigrationKeepsCopy(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	x := newExam(t, s)
	want := play(t, s, x.ID, 5)
	s.Close()
	next := append(schema[:len(schema):len(schema)], step{both: "ALTER TABLE patients ADD COLUMN extra TEXT NOT NULL DEFAULT 'new';"})
	s, err := open(ctx, dir, clock(), next, at(dir)...)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := collect(s, x.ID); err != nil || len(got) != len(want) {
		t.Errorf("after the migration: %d events, %v", len(got), err)
	}
	var extra string
	if err := s.r.QueryRow("SELECT extra FROM patients").Scan(&extra); err != nil || extra != "new" {
		t.Error(extra, err)
	}
	s.Close()
	if rep, err := VerifyFile(ctx, s.Path()+fmt.Sprintf(".before-version-%d.age", len(next))); err != nil || rep.Err() != nil || int(rep.Events) != len(want) {
		t.Errorf("copy from before: %+v %v", rep, err)
	}
	if _, err := Open(ctx, dir, clock(), at(dir)...); !errors.Is(err, ErrNewer) {
		t.Errorf("older program on the newer file: %v", err)
	}
	// A step that fails leaves the file as it was.
	if _, err := open(ctx, dir, clock(), append(next, step{both: "CREATE TABLE t (x TEXT); CREATE TABLE t (x TEXT);"}), at(dir)...); err == nil {
		t.Error("a broken step was accepted")
	}
	s, err = open(ctx, dir, clock(), next, at(dir)...)
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
}

func TestReadOnlyBesideWriter(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	x := newExam(t, s)
	r, err := OpenReadOnly(ctx, dir, at(dir)...)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	want := play(t, s, x.ID, 3)
	if got, err := collect(r, x.ID); err != nil || len(got) != len(want) {
		t.Errorf("reader sees %d events, %v; want %d", len(got), err, len(want))
	}
	if _, err := r.AddPatient(ctx, Patient{Name: "Nobody"}); !errors.Is(err, ErrReadOnly) {
		t.Errorf("write through a reader: %v", err)
	}
	if _, err := r.r.Exec("DELETE FROM settings"); err == nil {
		t.Error("the reader's connection can write")
	}
	// What is read is noted in the journal, between the entries of who writes; the chain and its witness hold.
	for range 3 {
		if err := r.Note(practice.By(ctx, "command line"), "exam.exported", x.Patient, "json"); err != nil {
			t.Fatal(err)
		}
		newExam(t, s)
	}
	es, err := s.Journal(ctx, practice.JournalQuery{What: "exam.exported"})
	if err != nil || len(es) != 3 || es[0].Who != "command line" || es[0].Detail != "json" {
		t.Errorf("%+v, %v", es, err)
	}
	if rep, err := r.Verify(ctx); err != nil || rep.Err() != nil {
		t.Errorf("%+v, %v", rep, err)
	}
	if !s.inFile() {
		return
	}
	if err := r.Note(ctx, "exam.exported", x.Patient, "csv"); err != nil { // the last one is the reader's
		t.Fatal(err)
	}
	s.Close()
	if err := verifyDir(dir); err != nil {
		t.Error(err)
	}
	if s = openT(t, dir); s.Lost() != "" {
		t.Error(s.Lost())
	}
	// Where the journal cannot be written nothing is read in silence.
	if err := os.Remove(filepath.Join(dir, witnessName)); err != nil {
		t.Fatal(err)
	}
	if err := r.Note(ctx, "exam.exported", x.Patient, "csv"); err == nil || !strings.Contains(err.Error(), "is journalled") {
		t.Errorf("without a witness: %v", err)
	}
}

// What is typed is a value, never part of a statement.
func TestNothingTypedIsAStatement(t *testing.T) {
	s := openT(t, t.TempDir())
	for _, name := range []string{`Nell'); DROP TABLE patients; --`, `" OR ""="`, `'; UPDATE exams SET signed_by='x' WHERE '1'='1`} {
		p, err := s.AddPatient(ctx, Patient{Name: name, Number: name})
		if err != nil {
			t.Fatal(err)
		}
		if got, err := s.Patient(ctx, p.ID); err != nil || got.Name != name || got.Number != name {
			t.Errorf("%s: read back as %+v, %v", name, got, err)
		}
		if got, err := s.Patients(ctx, name); err != nil || len(got) != 1 || got[0].ID != p.ID {
			t.Errorf("%s: found %+v, %v", name, got, err)
		}
		if _, err := s.Patient(ctx, p.ID+"' OR '1'='1"); !errors.Is(err, ErrNotFound) {
			t.Errorf("an id with a statement: %v", err)
		}
		if _, err := s.Exam(ctx, "' OR '1'='1"); !errors.Is(err, ErrNotFound) {
			t.Errorf("an exam's id that is a statement: %v", err)
		}
	}
	if all, err := s.Patients(ctx, ""); err != nil || len(all) != 3 {
		t.Errorf("%d patients, %v", len(all), err)
	}
}

func TestPatients(t *testing.T) {
	s := openT(t, t.TempDir())
	in := Patient{Name: " Jörg Müller-Ames ", Born: "1971-03-28", Number: "K-204", Note: "prefers mornings"}
	p, err := s.AddPatient(ctx, in)
	if err != nil {
		t.Fatal(err)
	}
	if p.ID == "" || p.Version != 1 || p.Name != "Jörg Müller-Ames" {
		t.Errorf("added %+v", p)
	}
	if got, err := s.Patient(ctx, p.ID); err != nil || !reflect.DeepEqual(got, p) {
		t.Errorf("read back %+v %v, want %+v", got, err, p)
	}
	if _, err := s.AddPatient(ctx, Patient{ID: p.ID, Name: "Again"}); !errors.Is(err, ErrExists) {
		t.Errorf("same id twice: %v", err)
	}
	s.AddPatient(ctx, Patient{Name: "abel Stone", Born: "1950-01-01"})
	for search, want := range map[string]int{"": 2, "MÜLLER": 1, "ames jörg": 1, "1971": 1, "k-204": 1, "stone müller": 0, "%": 0} {
		if got, err := s.Patients(ctx, search); err != nil || len(got) != want {
			t.Errorf("search %q: %d found, %v; want %d", search, len(got), err, want)
		}
	}
	if all, _ := s.Patients(ctx, ""); all[0].Name != "abel Stone" {
		t.Errorf("order: %v", all)
	}

	mine, theirs := p, p
	mine.Note, theirs.Note = "mine", "theirs"
	if got, err := s.UpdatePatient(ctx, mine); err != nil || got.Note != "mine" || got.Version != 2 {
		t.Errorf("update: %+v %v", got, err)
	}
	if got, err := s.UpdatePatient(ctx, theirs); !errors.Is(err, ErrConflict) || got.Note != "mine" {
		t.Errorf("late update: %+v %v, want ErrConflict and what is stored", got, err)
	}
	for _, bad := range []Patient{{Name: "  "}, {Name: "x", Born: "28.3.1971"}, {Name: "x", ID: "../x"},
		{Name: strings.Repeat("x", 201)}} {
		if _, err := s.AddPatient(ctx, bad); !errors.Is(err, ErrInvalid) {
			t.Errorf("%+v: %v, want ErrInvalid", bad, err)
		}
	}
	if _, err := s.Patient(ctx, "nobody"); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	if _, err := s.UpdatePatient(ctx, Patient{ID: "nobody", Name: "x"}); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
}

func TestExams(t *testing.T) {
	s := openT(t, t.TempDir())
	x := newExam(t, s)
	other := newExam(t, s)
	re, err := s.NewExam(ctx, Exam{Patient: x.Patient, Kind: practice.KindReevaluation, Earlier: x.ID, Title: "after eight weeks"})
	if err != nil || re.Earlier != x.ID {
		t.Fatal(re, err)
	}
	if got, err := s.Exams(ctx, x.Patient); err != nil || len(got) != 2 || got[0].ID != re.ID {
		t.Errorf("exams of the patient, newest first: %+v %v", got, err)
	}
	if got, _ := s.Exams(ctx, ""); len(got) != 3 {
		t.Errorf("all exams: %d", len(got))
	}
	for _, c := range []struct {
		x    Exam
		want error
	}{
		{Exam{Patient: "nobody"}, ErrNotFound},
		{Exam{Patient: x.Patient, Kind: "visit"}, ErrInvalid},
		{Exam{Patient: x.Patient, Kind: practice.KindReevaluation}, ErrInvalid},
		{Exam{Patient: x.Patient, Earlier: "none"}, ErrNotFound},
		{Exam{Patient: x.Patient, Earlier: other.ID}, ErrInvalid},
		{Exam{Patient: x.Patient, ID: x.ID}, ErrExists},
	} {
		if _, err := s.NewExam(ctx, c.x); !errors.Is(err, c.want) {
			t.Errorf("%+v: %v, want %v", c.x, err, c.want)
		}
	}
	if _, err := s.Exam(ctx, "none"); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
}

func TestExaminersAndSettings(t *testing.T) {
	s := openT(t, t.TempDir())
	e, err := s.PutPerson(ctx, Person{Name: "Dr. Ansel Reed", Roles: practice.Roles()})
	if err != nil {
		t.Fatal(err)
	}
	e.Retired = true
	if _, err := s.PutPerson(ctx, e); err != nil {
		t.Fatal(err)
	}
	if got, err := s.People(ctx); err != nil || len(got) != 1 || !reflect.DeepEqual(got[0], e) {
		t.Errorf("%+v %v", got, err)
	}
	if _, err := s.PutPerson(ctx, Person{}); !errors.Is(err, ErrInvalid) {
		t.Error(err)
	}
	s.SetSettings(ctx, "", map[string]string{"numbering": "fdi", "path": "arch"})
	s.SetSettings(ctx, e.ID, map[string]string{"answer": "tone"})
	if err := s.SetSettings(ctx, "", map[string]string{"numbering": "universal", "path": ""}); err != nil {
		t.Fatal(err)
	}
	if got, err := s.Settings(ctx, ""); err != nil || len(got) != 1 || got["numbering"] != "universal" {
		t.Errorf("%v %v", got, err)
	}
	if got, _ := s.Settings(ctx, e.ID); got["answer"] != "tone" {
		t.Errorf("%v", got)
	}
}

func TestClips(t *testing.T) {
	s := openT(t, t.TempDir())
	x := newExam(t, s)
	evs := play(t, s, x.ID, 2)
	wav := []byte("RIFF\x24\x00\x00\x00WAVEfmt the words that were said")
	first, second := evs[0].Call, evs[len(evs)-1].Call
	if err := s.AddClip(ctx, x.ID, first, wav); err != nil {
		t.Fatal(err)
	}
	cut := s.now()
	if err := s.AddClip(ctx, x.ID, second, wav); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		call uint64
		wav  []byte
		want error
	}{{first, wav, ErrExists}, {first + 1, wav, ErrNotFound}, {999, wav, ErrNotFound}, {second, []byte("OggS"), ErrInvalid},
		{second, append(wav, make([]byte, maxClip)...), ErrInvalid}} {
		if err := s.AddClip(ctx, x.ID, c.call, c.wav); !errors.Is(err, c.want) {
			t.Errorf("clip of call %d: %v, want %v", c.call, err, c.want)
		}
	}
	if got, err := s.Clip(ctx, x.ID, first); err != nil || string(got) != string(wav) {
		t.Errorf("%q %v", got, err)
	}
	if n, err := s.DeleteClips(ctx, "", cut); n != 1 || err != nil {
		t.Errorf("deleted %d %v, want the one clip from before", n, err)
	}
	if got, _ := s.Clips(ctx, x.ID); len(got) != 1 || got[0] != second {
		t.Errorf("left: %v", got)
	}
	if n, err := s.DeleteClips(ctx, x.ID, time.Time{}, first, second); n != 0 || err != nil {
		t.Errorf("deleted %d of those to keep, %v", n, err)
	}
	if n, err := s.DeleteClips(ctx, x.ID, time.Time{}, first); n != 1 || err != nil {
		t.Errorf("deleted %d %v", n, err)
	}
	if _, err := s.Clip(ctx, x.ID, second); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	s.Close()
	if !s.inFile() {
		return
	}
	// A deleted voice is gone from the disk, not only from the list.
	f, err := os.Open(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for r := bufio.NewReader(f); ; {
		line, err := r.ReadString('d')
		if strings.Contains(line, "the words that were said") {
			t.Fatal("the deleted sound is still in the file")
		}
		if err != nil {
			break
		}
	}
}

func TestLastExams(t *testing.T) {
	s := openT(t, t.TempDir())
	x, empty := newExam(t, s), newExam(t, s)
	play(t, s, x.ID, 2)
	is := func(patient, exam string, began int64) {
		t.Helper()
		ds, err := s.DueOf(ctx, patient)
		var got practice.Due
		for _, d := range ds[patient] {
			got = d
		}
		if err != nil || got.Exam != exam || got.Began != began {
			t.Errorf("%+v %v, want %s begun at %d", got, err, exam, began)
		}
	}
	is(x.Patient, x.ID, 1) // an exam begins with its first event, an empty one with its record
	is(empty.Patient, empty.ID, empty.Created.UnixMilli())
	is("nobody", "", 0)
	// The one begun last of several, whatever the clock said.
	for _, at := range []int64{50, 90, 70} {
		y, err := s.NewExam(ctx, Exam{Patient: x.Patient})
		if err != nil {
			t.Fatal(err)
		}
		evs, err := chart.Start(chart.FDI, "", nil, nil, chart.Meta{Time: at})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Log(y.ID).Append(ctx, evs...); err != nil {
			t.Fatal(err)
		}
		x.ID = y.ID
	}
	is(x.Patient, x.ID, 70)
}

// Room is made by the exams that need their sound least; the sound of remarks stays.
func TestMakeRoom(t *testing.T) {
	s := openT(t, t.TempDir())
	wav := append([]byte("RIFF\x24\x00\x00\x00WAVEfmt "), make([]byte, 84)...)
	var exams []Exam
	for i := range 4 {
		x := newExam(t, s)
		evs := play(t, s, x.ID, 1)
		call := evs[len(evs)-1].Call
		next := evs[len(evs)-1].Seq + 1
		more := []chart.Event{{Seq: next, Call: next, Time: 9, Kind: chart.KindCall, Source: chart.Voice, Did: chart.VerbRemark},
			{Seq: next + 1, Call: next, Time: 9, Kind: chart.KindRemark, Tooth: 16, Text: "sound clip"}}
		if i < 2 { // the second one is signed before the first
			more = append(more, chart.Event{Seq: next + 2, Call: next, Time: int64(20 - i), Kind: chart.KindSign, Who: "Ada Quill"})
		}
		if err := s.Log(x.ID).Append(ctx, more...); err != nil {
			t.Fatal(err)
		}
		for _, c := range []uint64{call, next} {
			if err := s.AddClip(ctx, x.ID, c, wav); err != nil {
				t.Fatal(err)
			}
		}
		exams = append(exams, x)
	}
	if n, err := s.ClipBytes(ctx, ""); n != 800 || err != nil {
		t.Fatalf("%d bytes in all, want 800: %v", n, err)
	}
	left := func() (out string) {
		for _, x := range exams {
			n, err := s.ClipBytes(ctx, x.ID)
			if err != nil {
				t.Fatal(err)
			}
			out += fmt.Sprint(n/100, " ")
		}
		return out
	}
	for _, step := range []struct {
		need   int64
		before time.Time
		freed  int64
		left   string
	}{
		{1, exams[2].Created.Add(1), 100, "2 1 2 2 "}, {200, exams[2].Created.Add(time.Millisecond), 200, "1 1 1 2 "}, {100, exams[2].Created.Add(time.Millisecond), 0, "1 1 1 2 "},
	} {
		freed, err := s.MakeRoom(ctx, step.need, step.before)
		if err != nil || freed != step.freed || left() != step.left {
			t.Errorf("need %d: freed %d, left %s, want %d, %s (%v)", step.need, freed, left(), step.freed, step.left, err)
		}
	}
}

// manyPatients fills a store with n patients.
func manyPatients(b *testing.B, dir string, n int) {
	b.Helper()
	s, err := Open(ctx, dir, clock(), at(dir)...)
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	for i := range n {
		if _, err := s.AddPatient(ctx, Patient{Name: fmt.Sprintf("Patient Number %d", i), Born: "1971-03-28", Number: fmt.Sprintf("A-%d", i)}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkPatients measures a search among the patients of a large practice.
func BenchmarkPatients(b *testing.B) {
	dir := b.TempDir()
	manyPatients(b, dir, 5000)
	s := openT(b, dir)
	for b.Loop() {
		if ps, err := s.Patients(ctx, "4321"); err != nil || len(ps) != 1 {
			b.Fatal(len(ps), err)
		}
	}
}

// BenchmarkOpen measures opening and closing a store with 50 exams of full mouths; BenchmarkVerify checking it.
func BenchmarkOpen(b *testing.B) {
	dir := b.TempDir()
	manyExams(b, dir)
	for b.Loop() {
		s, err := Open(ctx, dir, time.Now)
		if err != nil {
			b.Fatal(err)
		}
		s.Close()
	}
}

func BenchmarkVerify(b *testing.B) {
	dir := b.TempDir()
	manyExams(b, dir)
	s := openT(b, dir)
	for b.Loop() {
		if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil {
			b.Fatal(rep, err)
		}
	}
}

func manyExams(b *testing.B, dir string) {
	b.Helper()
	s := openT(b, dir)
	for range 50 {
		play(b, s, newExam(b, s).ID, 56)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	if fi, err := os.Stat(s.Path()); err == nil {
		b.ReportMetric(float64(fi.Size())/50, "bytes/exam")
		b.Logf("%d bytes", fi.Size())
	}
}
