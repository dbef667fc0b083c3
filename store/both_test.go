package store

import (
	"errors"
	"fmt"
	"hash/fnv"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/practice"
	"leadsman/tests/postgres"
)

// at gives the options with which tests open the data of a folder: none, or a schema of the server that TestPostgres runs.
var at = func(dir string) []Option { return nil }

// portable are the tests that hold for both databases.
var portable = []struct {
	name string
	run  func(*testing.T)
}{
	{"Patients", TestPatients}, {"Exams", TestExams}, {"ExaminersAndSettings", TestExaminersAndSettings}, {"Clips", TestClips}, {"LastExams", TestLastExams}, {"DueFollows", TestDueFollows}, {"Pages", TestPages}, {"PatientListFollows", TestPatientListFollows},
	{"MakeRoom", TestMakeRoom}, {"EachPatient", TestEachPatient}, {"RoundTrip", TestRoundTrip}, {"AppendRefuses", TestAppendRefuses}, {"Signed", TestSigned},
	{"ConcurrentExams", TestConcurrentExams}, {"RaceForOneNumber", TestRaceForOneNumber}, {"Due", TestDue}, {"SoundPosition", TestSoundPosition},
	{"JournalSaysWhoDidWhat", TestJournalSaysWhoDidWhat}, {"JournalWithClockSetBack", TestJournalWithClockSetBack}, {"Retention", TestRetention},
	{"Outbox", TestOutbox}, {"EraseMerged", TestEraseMerged}, {"Voices", TestVoices}, {"ReadOnlyBesideWriter", TestReadOnlyBesideWriter},
}

// TestPostgres runs the tests of the store on PostgreSQL.
func TestPostgres(t *testing.T) {
	onPostgres(t)
	for _, p := range portable {
		t.Run(p.name, p.run)
	}
}

// onPostgres has the stores of a test lie in a database, each folder's in a schema of its own.
func onPostgres(t *testing.T) {
	t.Helper()
	server := postgres.Start(t)
	before := at
	t.Cleanup(func() { at = before })
	at = func(dir string) []Option {
		h := fnv.New64()
		h.Write([]byte(dir))
		return []Option{WithDatabase(server.Schema(fmt.Sprintf("at_%x", h.Sum64())))}
	}
}

// What must never be is refused by the database itself, whoever writes, and for that reason.
func TestPostgresRules(t *testing.T) {
	server := postgres.Start(t)
	dir := t.TempDir()
	url := server.Schema("rules")
	s, err := Open(ctx, dir, clock(), WithDatabase(url))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	x := newExam(t, s)
	n := len(play(t, s, x.ID, 2))
	if err := s.Log(x.ID).AppendHeard(ctx, chart.Heard{Stream: "a", Samples: 100}); err != nil {
		t.Fatal(err)
	}
	sign := []chart.Event{{Seq: uint64(n + 1), Call: uint64(n + 1), Kind: chart.KindCall}, {Seq: uint64(n + 2), Call: uint64(n + 1), Kind: chart.KindSign, Who: "Ada Quill", Time: 1772442000000}}
	if err := s.Log(x.ID).Append(ctx, sign...); err != nil {
		t.Fatal(err)
	}
	for q, want := range map[string]string{
		"UPDATE events SET time = 0": "events are never changed",
		"DELETE FROM events":         "events are never deleted",
		"INSERT INTO events VALUES ('%s', 99, 99, 1, 'voice', 'call', '')":                      "events are numbered without gaps",
		fmt.Sprintf("INSERT INTO events VALUES ('%%s', %d, %[1]d, 1, 'voice', 'set', '')", n+3): "the exam is signed",
		"DELETE FROM exams":                     "exams are never deleted",
		"UPDATE exams SET created = 0":          "the origin of an exam is never changed",
		"UPDATE exams SET signed = NULL":        "the exam is signed",
		"UPDATE exams SET patient = 'somebody'": "an exam moves by an event",
		"UPDATE sound SET samples = 1":          "sound that was decided stays decided",
		"DELETE FROM sound":                     "sound that was decided stays decided",
		"UPDATE journal SET who = 'eve'":        "the journal is never changed",
		"DELETE FROM journal":                   "the journal is never deleted",
		"INSERT INTO journal VALUES (99, 1, '', 'x', '', '', '', NULL, NULL, NULL, '')":      "the journal is numbered without gaps",
		"INSERT INTO exams VALUES ('y', 'nobody', 'exam', NULL, '', '', 0, 0, '', NULL, '')": "violates foreign key",
	} {
		if _, err := s.w.Exec(strings.ReplaceAll(q, "%s", x.ID)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", q, err, want)
		}
	}
	if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil {
		t.Error(rep, err)
	}
	// Verify sees rules that are gone, and records changed behind the journal's back.
	for how, c := range map[string]struct{ do, undo, want string }{
		"a rule":      {"ALTER TABLE events DISABLE TRIGGER events_never_go", "ALTER TABLE events ENABLE TRIGGER events_never_go", "tables:"},
		"a function":  {"CREATE OR REPLACE FUNCTION events_never_go() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RETURN OLD; END $$", "", "tables:"},
		"an index":    {"DROP INDEX events_of_due", "CREATE INDEX events_of_due ON events (exam, seq) WHERE kind IN ('plan', 'undo', 'remark')", "tables: missing"},
		"a signature": {"ALTER TABLE exams DISABLE TRIGGER USER; UPDATE exams SET signed_by = 'Dr. Not Me'; ALTER TABLE exams ENABLE TRIGGER USER", "", "was changed behind"},
		"an event":    {"ALTER TABLE events DISABLE TRIGGER USER; UPDATE events SET body = (SELECT body FROM events WHERE seq = 3) WHERE seq = 4; ALTER TABLE events ENABLE TRIGGER USER", "", "damaged at event 4"},
		"an end":      {"ALTER TABLE journal DISABLE TRIGGER USER; DELETE FROM journal WHERE n = (SELECT MAX(n) FROM journal); ALTER TABLE journal ENABLE TRIGGER USER", "", "changes are lost"},
	} {
		if _, err := s.w.Exec(c.do); err != nil {
			t.Fatal(how, err)
		}
		if rep, err := s.Verify(ctx); err != nil || rep.Err() == nil || !strings.Contains(rep.Err().Error(), c.want) {
			t.Errorf("%s: %v %v, want %q", how, rep.Err(), err, c.want)
		}
		if c.undo != "" {
			if _, err := s.w.Exec(c.undo); err != nil {
				t.Fatal(how, err)
			}
		}
	}
}

// What is moved into a database and back is what it was: every row, and with it every hash.
func TestMove(t *testing.T) {
	server := postgres.Start(t)
	url := server.Schema("moved")
	dir := filepath.Join(t.TempDir(), "file")
	aPractice(t, dir)
	s, err := Open(ctx, dir, clock())
	if err != nil {
		t.Fatal(err)
	}
	rows := func(s *Store) (out []string) {
		t.Helper()
		own, err := ownSchema()
		if err != nil {
			t.Fatal(err)
		}
		for _, table := range own.tables {
			of, err := list(ctx, s, "read", func(scan func(...any) error) (string, error) { return "", nil }, "SELECT 1 FROM "+table)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, fmt.Sprintf("%s: %d rows", table, len(of)))
			if slices.ContainsFunc(kept, func(k struct {
				table string
				key   []string
			}) bool {
				return k.table == table
			}) {
				rs, err := s.r.QueryContext(ctx, "SELECT * FROM "+table)
				if err != nil {
					t.Fatal(err)
				}
				var sums []string
				for rs.Next() {
					key, sum, err := s.keys.digest(table, keyColumns(table), rs)
					if err != nil {
						t.Fatal(err)
					}
					sums = append(sums, fmt.Sprintf("%s %s %x", table, key, sum))
				}
				slices.Sort(sums)
				out = append(out, sums...)
			}
		}
		xs, err := s.Exams(ctx, "")
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range xs {
			out = append(out, fmt.Sprintf("exam %s ends with %s, as number %d", x.ID, x.Head, x.Order))
		}
		return out
	}
	want := rows(s)
	anchor, err := s.Anchor(ctx)
	if err != nil {
		t.Fatal(err)
	}
	node := filepath.Join(t.TempDir(), "node")
	if _, err := s.Move(ctx, node, WithDatabase(url)); err != nil {
		t.Fatal(err)
	}
	s.Close()
	if _, err := Open(ctx, filepath.Join(t.TempDir(), "other"), clock(), WithDatabase(url)); !errors.Is(err, ErrKey) {
		t.Errorf("opened without its key: %v", err)
	}
	d, err := Open(ctx, node, clock(), WithDatabase(url))
	if err != nil {
		t.Fatal(err)
	}
	same := func(s *Store, more int) {
		t.Helper()
		got := rows(s)
		for i, w := range want {
			if got[i] != w && !strings.HasPrefix(w, "journal: ") {
				t.Errorf("%s is %s", w, got[i])
			}
		}
		if rep, err := s.Verify(ctx, anchor); err != nil || rep.Err() != nil || rep.Entries != anchor.N+int64(more) {
			t.Error(rep, err)
		}
	}
	same(d, 1)
	// The database goes on where the file ended, with numbers that follow.
	before, err := d.Exams(ctx, "")
	if err != nil {
		t.Fatal(err)
	}
	x, err := d.NewExam(ctx, Exam{Patient: before[0].Patient})
	if err != nil || x.Order <= before[0].Order {
		t.Errorf("number %d after %d: %v", x.Order, before[0].Order, err)
	}
	if _, err := d.ErasePatient(ctx, before[0].Patient, practice.Erase{Reason: "asked for"}); err != nil {
		t.Fatal(err)
	}
	anchor, err = d.Anchor(ctx)
	if err != nil {
		t.Fatal(err)
	}
	want = rows(d)
	// A node that runs is not moved away from.
	n, err := d.Join(ctx, "http://a")
	if err != nil {
		t.Fatal(err)
	}
	back := filepath.Join(t.TempDir(), "back")
	if _, err := d.Move(ctx, back); !errors.Is(err, ErrLocked) {
		t.Errorf("moved while a node runs: %v", err)
	}
	n.Close()
	// A backup of a database restores as a file, while nodes run too.
	file := filepath.Join(t.TempDir(), "copy")
	if rep, err := d.Backup(ctx, file); err != nil || rep.Err() != nil || rep.Entries != anchor.N {
		t.Errorf("backup of a database: %+v %v", rep, err)
	}
	if rep, err := VerifyFile(ctx, file, WithAnchors(anchor)); err != nil || rep.Err() != nil {
		t.Errorf("the backup: %+v %v", rep, err)
	}
	if _, err := d.Move(ctx, back); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Move(ctx, back); !errors.Is(err, ErrExists) {
		t.Errorf("moved over data: %v", err)
	}
	d.Close()
	f, err := Open(ctx, back, clock())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	same(f, 1)
}
