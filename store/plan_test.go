package store

import (
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/practice"
)

// A plan is kept before and after the signature; the last one that was not taken back is in force.
func TestDue(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	x, other := newExam(t, s), newExam(t, s)
	play(t, s, other.ID, 1)
	st, err := chart.Fold(play(t, s, x.ID, 1))
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC).UnixMilli()
	do := func(a chart.Act) {
		t.Helper()
		evs, err := st.Do(chartfile.Read(chart.Command{Acts: []chart.Act{a}}), chart.Meta{Time: at, Source: chart.Keyboard, Who: "Ada Quill"})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Log(x.ID).Append(ctx, evs...); err != nil {
			t.Fatal(err)
		}
		if err := st.Apply(evs...); err != nil {
			t.Fatal(err)
		}
	}
	recall := func(day string) chart.Act {
		return chart.Act{Verb: chart.VerbPlan, Text: `{"recall":"` + day + `"}`}
	}
	inForce := func(want string) {
		t.Helper()
		ds, next, err := s.DuePage(ctx, practice.DueQuery{Limit: 10})
		if err != nil || next != "" || len(ds) != 2 {
			t.Fatalf("%+v, %q, %v", ds, next, err)
		}
		for _, d := range ds {
			if d.Exam == other.ID && d.Day != "" {
				t.Fatal("an exam without a plan has one")
			}
			if d.Exam == x.ID && (d.Day != want || want != "" && (d.Who != "Ada Quill" || d.What != "recall")) {
				t.Fatalf("in force %+v, want %q", d, want)
			}
		}
	}
	inForce("")
	do(recall("2027-02-01"))
	do(recall("2027-03-01"))
	inForce("2027-03-01")
	do(chart.Act{Verb: chart.VerbDisregard})
	inForce("2027-02-01")
	do(chart.Act{Verb: chart.VerbDisregard})
	inForce("")
	do(chart.Act{Verb: chart.VerbSign})
	do(recall("2027-05-01"))
	inForce("2027-05-01")
	s.Close()
	s = openT(t, dir)
	inForce("2027-05-01")

	if !s.inFile() {
		return
	}
	// The list is read by its index and not sorted.
	var how string
	rows, err := s.r.Query("EXPLAIN QUERY PLAN SELECT " + dueCols + " FROM due WHERE (" + dueOrder + ") > (0, '2027-01-01', 5, 'p', 'recall') ORDER BY " + dueOrder + " LIMIT 10")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var line string
		if err := rows.Scan(new(int), new(int), new(int), &line); err != nil {
			t.Fatal(err)
		}
		how += line
	}
	if !strings.Contains(how, "due_by_day") || strings.Contains(how, "TEMP B-TREE") {
		t.Errorf("the list is read by: %s", how)
	}
}

// Files that each earlier version of the program wrote open with everything in them, are vouched for from then on, and take a plan
// after the signature. So do backups of then.
func TestFilesOfEarlierVersions(t *testing.T) {
	for v := 1; v < len(schema); v++ {
		t.Run(fmt.Sprint(v), func(t *testing.T) {
			dir, copied := t.TempDir(), filepath.Join(t.TempDir(), "copy")
			ofVersion(t, v, filepath.Join(dir, fileName))
			ofVersion(t, v, copied)
			s := openT(t, dir)
			earlierVersion(t, s, v)
			restored := t.TempDir()
			if rep, err := Restore(ctx, copied, restored, false, false); err != nil || rep.Exams != 2 {
				t.Fatalf("a backup of then: %+v, %v", rep, err)
			}
			earlierVersion(t, openT(t, restored), v)
		})
	}
}

// ofVersion unpacks what a program of a version wrote.
func ofVersion(t *testing.T, v int, path string) {
	t.Helper()
	f, err := os.Open(fmt.Sprintf("testdata/version-%d.db.gz", v))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err == nil {
		err = os.WriteFile(path, b, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	// From version 5 on a file has a key and a witness.
	for ext, to := range map[string]string{"key": KeyFile(filepath.Dir(path)), "head": filepath.Join(filepath.Dir(path), witnessName)} {
		b, err := os.ReadFile(fmt.Sprintf("testdata/version-%d.%s", v, ext))
		if err == nil {
			err = os.WriteFile(to, b, 0o600)
		}
		if err != nil && v >= withJournal {
			t.Fatal(err)
		}
	}
}

func earlierVersion(t *testing.T, s *Store, v int) {
	t.Helper()
	if p, err := s.Patient(ctx, "p"); err != nil || p.Name != "Mira Holt" || p.Version != 3 || p.Note != "afraid of needles\nmira@example.org" || p.Born != "1971-03-28" {
		t.Errorf("patient %+v, %v", p, err)
	}
	if ps, err := s.Patients(ctx, "holt a-17"); err != nil || len(ps) != 1 {
		t.Errorf("search: %v, %v", ps, err)
	}
	// Who is due follows from what was decided then: in the files from version 7 on there is a plan.
	want := practice.Due{Patient: "p", Exam: "open", Began: 1}
	if v >= 7 {
		want.What, want.Day, want.Months, want.Who, want.Decided, want.Call = "recall", "2027-04-01", 3, "Ada Quill", 9, 24
	}
	if ds, _, err := s.DuePage(ctx, practice.DueQuery{Patient: "p", Limit: 9}); err != nil || len(ds) != 1 || !ds[0].Same(want) {
		t.Errorf("due %+v, %v, want %+v", ds, err, want)
	}
	if evs, err := collect(s, "open"); err != nil || len(evs) < 10 {
		t.Errorf("%d events, %v", len(evs), err)
	}
	if calls, err := s.Clips(ctx, "open"); err != nil || len(calls) != 1 {
		t.Errorf("clips %v, %v", calls, err)
	} else if wav, err := s.Clip(ctx, "open", calls[0]); err != nil || string(wav) != "RIFF....WAVE sound of a call" {
		t.Errorf("clip %q, %v", wav, err)
	}
	x, err := s.Exam(ctx, "signed")
	if err != nil || x.SignedBy != "Ada Quill" {
		t.Errorf("%+v, %v", x, err)
	}
	evs, err := collect(s, x.ID)
	if err != nil {
		t.Fatal(err)
	}
	st, err := chart.Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	if evs, err = st.Do(chartfile.Read(chart.Command{Acts: []chart.Act{{Verb: chart.VerbPlan, Text: `{"recall_months":3}`}}}), chart.Meta{Time: 9, Who: "Ada Quill"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Log(x.ID).Append(ctx, evs...); err != nil {
		t.Errorf("a plan after the signature: %v", err)
	}
	st.Apply(evs...)
	if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil {
		t.Errorf("%+v, %v", rep, err)
	}
	// Nothing else may follow the signature, by whatever way it comes.
	for _, kind := range []string{"set", "tooth", "undo", "sign", "patient"} {
		_, err := s.w.Exec("INSERT INTO events (exam, seq, call, time, source, kind, body) VALUES (?, ?, 1, 1, '', ?, x'00')", x.ID, len(st.Log())+1, kind)
		if err == nil || !strings.Contains(err.Error(), "signed") {
			t.Errorf("%s after the signature: %v", kind, err)
		}
	}
}
