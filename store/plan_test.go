package store

import (
	"strings"
	"testing"
	"time"

	"leadsman/chart"
)

// A plan is kept before and after the signature; the last one that was not taken back is in force.
func TestDecisions(t *testing.T) {
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
		evs, err := st.Do(chart.Command{Acts: []chart.Act{a}}, chart.Meta{Time: at, Source: chart.Keyboard, Who: "Ada Quill"})
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
		ds, err := s.Decisions(ctx)
		if d, ok := ds[x.ID]; err != nil || d.Recall != want || ok != (want != "") || want != "" && d.Who != "Ada Quill" {
			t.Fatalf("in force %+v, %v, want %q", ds, err, want)
		}
		if _, ok := ds[other.ID]; ok {
			t.Fatal("an exam without a plan has one")
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

	// The list is read by an index of plans, not through all readings of all exams.
	var how string
	rows, err := s.r.Query("EXPLAIN QUERY PLAN SELECT exam, body FROM events WHERE kind IN ('plan', 'undo') ORDER BY exam, seq")
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
	if !strings.Contains(how, "events_of_plans") || strings.Contains(how, "TEMP B-TREE") {
		t.Errorf("the list of plans is read by: %s", how)
	}
}

// A file of the first version opens with everything in it, and then takes a plan after the signature.
func TestFileOfVersionOne(t *testing.T) {
	dir := t.TempDir()
	s, err := open(ctx, dir, clock(), schema[:1])
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.w.Exec(`INSERT INTO patients (id, name, born, number, contact, notes, due, version, created, changed, search)
		VALUES ('p', 'Mira Holt', '', '', '', '', '2026-09-01', 3, 1, 2, 'mira holt')`); err != nil {
		t.Fatal(err)
	}
	x, err := s.NewExam(ctx, Exam{Patient: "p"})
	if err != nil {
		t.Fatal(err)
	}
	st, err := chart.Fold(play(t, s, x.ID, 2))
	if err != nil {
		t.Fatal(err)
	}
	do := func(a chart.Act) error {
		evs, err := st.Do(chart.Command{Acts: []chart.Act{a}}, chart.Meta{Time: 9, Source: chart.Keyboard, Who: "Ada Quill"})
		if err != nil {
			return err
		}
		if err := s.Log(x.ID).Append(ctx, evs...); err != nil {
			return err
		}
		return st.Apply(evs...)
	}
	if err := do(chart.Act{Verb: chart.VerbSign}); err != nil {
		t.Fatal(err)
	}
	s.Close()
	s = openT(t, dir)
	if p, err := s.Patient(ctx, "p"); err != nil || p.Name != "Mira Holt" || p.Version != 3 {
		t.Errorf("patient %+v, %v", p, err)
	}
	if err := do(chart.Act{Verb: chart.VerbPlan, Text: `{"recall_months":3}`}); err != nil {
		t.Errorf("a plan after the signature: %v", err)
	}
	if evs, err := collect(s, x.ID); err != nil || len(evs) != len(st.Log()) {
		t.Errorf("%d events, %v, want %d", len(evs), err, len(st.Log()))
	}
	// Nothing else may follow the signature, by whatever way it comes.
	for _, kind := range []string{"set", "tooth", "undo", "sign", "patient"} {
		_, err := s.w.Exec("INSERT INTO events (exam, seq, call, time, source, kind, body, hash) VALUES (?, ?, 1, 1, '', ?, x'00', x'00')", x.ID, len(st.Log())+1, kind)
		if err == nil || !strings.Contains(err.Error(), "signed") {
			t.Errorf("%s after the signature: %v", kind, err)
		}
	}
}
