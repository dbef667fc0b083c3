package store

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/practice"
)

// Every change is one entry, in the order of the changes and with the person; what is read is entered when it is told.
func TestJournalSaysWhoDidWhat(t *testing.T) {
	s := openT(t, t.TempDir())
	ada := practice.By(ctx, "ada")
	p, err := s.AddPatient(ada, Patient{Name: "Mira Holt"})
	if err != nil {
		t.Fatal(err)
	}
	p.Number = "A-17"
	if p, err = s.UpdatePatient(practice.By(ctx, "ben"), p); err != nil {
		t.Fatal(err)
	}
	if err := s.Note(ada, "patient.read", p.ID, "the chart"); err != nil {
		t.Fatal(err)
	}
	x, err := s.NewExam(ada, Exam{Patient: p.ID})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Log(x.ID).Append(ada, chart.Event{Seq: 1, Call: 1, Kind: chart.KindCall}, chart.Event{Seq: 2, Call: 1, Kind: chart.KindSign, Who: "Ada Quill", Time: 5}); err != nil {
		t.Fatal(err)
	}
	if err := s.SetSettings(ctx, "", map[string]string{"practice": "Quill Dental"}); err != nil {
		t.Fatal(err)
	}
	// What fails leaves no trace.
	if _, err := s.AddPatient(ada, Patient{ID: p.ID, Name: "Somebody else"}); !errors.Is(err, ErrExists) {
		t.Fatal(err)
	}
	got, err := s.Journal(ctx, practice.JournalQuery{})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"7  settings.changed settings//practice of ", "6 ada exam.signed exams/" + x.ID + " of " + p.ID, "5 ada exam.begun exams/" + x.ID + " of " + p.ID,
		"4 ada patient.read / of " + p.ID + " the chart", "3 ben patient.changed patients/" + p.ID + " of " + p.ID, "2 ada patient.added patients/" + p.ID + " of " + p.ID, "1  store.opened / of "}
	for i, e := range got {
		line := strings.Join([]string{string('0' + rune(e.N)), e.Who, e.What, e.Table + "/" + e.Key, "of", e.Patient}, " ")
		if e.Detail != "" && e.N > 1 {
			line += " " + e.Detail
		}
		if i >= len(want) || line != want[i] {
			t.Errorf("entry %q, want %q", line, want[min(i, len(want)-1)])
		}
	}
	for name, c := range map[string]struct {
		q practice.JournalQuery
		n int
	}{"a patient's": {practice.JournalQuery{Patient: p.ID}, 5}, "a person's": {practice.JournalQuery{Who: "ben"}, 1}, "looks": {practice.JournalQuery{What: "patient.read"}, 1},
		"words": {practice.JournalQuery{Text: "THE CHART"}, 1}, "before": {practice.JournalQuery{Before: 3}, 2}, "two": {practice.JournalQuery{Limit: 2}, 2},
		"since": {practice.JournalQuery{From: got[1].Time}, 2}, "until": {practice.JournalQuery{To: got[1].Time}, 5}, "nobody's": {practice.JournalQuery{Patient: "x"}, 0}} {
		if es, err := s.Journal(ctx, c.q); err != nil || len(es) != c.n {
			t.Errorf("%s: %d entries, %v; want %d", name, len(es), err, c.n)
		}
	}
	for _, q := range []string{"DELETE FROM journal", "UPDATE journal SET who = 'eve'", "UPDATE journal SET detail = x'00'", "INSERT INTO journal VALUES (99, 1, '', 'x', '', '', '', NULL, NULL, NULL, x'')"} {
		if _, err := s.w.Exec(q); err == nil {
			t.Errorf("accepted: %s", q)
		}
	}
	if raw, err := os.ReadFile(s.Path() + "-wal"); s.inFile() && (err != nil || strings.Contains(string(raw), "the chart")) {
		t.Errorf("the detail of an entry stands in the file in clear (%v)", err)
	}
}

// The order comes from the numbers; where the clock was set back the entry says so.
func TestJournalWithClockSetBack(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	s, err := Open(ctx, t.TempDir(), func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, back := range []time.Duration{0, time.Hour, 0} {
		now = now.Add(-back)
		if err := s.Note(ctx, "look", "", ""); err != nil {
			t.Fatal(err)
		}
	}
	es, err := s.Journal(ctx, practice.JournalQuery{What: "look"})
	if err != nil || len(es) != 3 || es[0].Back || !es[1].Back || es[2].Back || es[0].N != es[1].N+1 {
		t.Errorf("%+v, %v", es, err)
	}
}

func TestKeyFile(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	s := openT(t, dir)
	x := newExam(t, s)
	s.Close()
	key := KeyFile(dir)
	fi, err := os.Stat(key)
	if err != nil || fi.Mode().Perm() != 0o600 || filepath.Dir(key) == dir {
		t.Fatalf("%s: %v, %v", key, fi, err)
	}
	good, _ := os.ReadFile(key)
	other := openT(t, filepath.Join(t.TempDir(), "other"))
	foreign, _ := os.ReadFile(KeyFile(filepath.Dir(other.Path())))
	for name, c := range map[string]struct {
		content []byte
		want    string
	}{"gone": {nil, "is gone"}, "another": {foreign, "these data were kept with key"}, "garbled": {[]byte(keyMark + "AAAA"), "garbled"}, "empty": {[]byte{}, "no key in it"}} {
		if os.Remove(key); c.content != nil {
			os.WriteFile(key, c.content, 0o600)
		}
		for how, open := range map[string]func() (*Store, error){"open": func() (*Store, error) { return Open(ctx, dir, clock(), at(dir)...) }, "read": func() (*Store, error) { return OpenReadOnly(ctx, dir, at(dir)...) }} {
			s, err := open()
			var se *Error
			if !errors.Is(err, ErrKey) || !strings.Contains(err.Error(), c.want) || !errors.As(err, &se) || se.Hint == "" {
				t.Errorf("%s, %s: %v, want %q", name, how, err, c.want)
			}
			if err == nil {
				s.Close()
			}
		}
	}
	// The key may lie elsewhere; rights that are too wide are tightened.
	moved := filepath.Join(t.TempDir(), "elsewhere")
	os.Remove(key)
	os.WriteFile(moved, good, 0o644)
	s, err = Open(ctx, dir, clock(), WithKey(moved))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.Exam(ctx, x.ID); err != nil {
		t.Error(err)
	}
	if fi, _ := os.Stat(moved); fi.Mode().Perm() != 0o600 {
		t.Errorf("the key file can be read by others: %v", fi.Mode())
	}
}
