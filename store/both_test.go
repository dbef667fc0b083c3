package store

import (
	"fmt"
	"hash/fnv"
	"strings"
	"testing"

	"leadsman/chart"
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
	server := postgres.Start(t)
	before := at
	defer func() { at = before }()
	at = func(dir string) []Option {
		h := fnv.New64()
		h.Write([]byte(dir))
		return []Option{WithDatabase(server.Schema(fmt.Sprintf("at_%x", h.Sum64())))}
	}
	for _, p := range portable {
		t.Run(p.name, p.run)
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
