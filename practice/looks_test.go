package practice_test

import (
	"log/slog"
	"testing"
	"time"

	"leadsman/exam"
	"leadsman/practice"
)

// Looks of a person at a patient within ten minutes are one entry; another person, another patient and a later look are further ones.
func TestLooksAreJournalled(t *testing.T) {
	st, patient := stored(t)
	now := time.Now()
	p := practice.New(practice.Config{Records: st, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	v, err := p.Begin(t.Context(), practice.NewVisit{Patient: patient}, exam.Caller{Person: "ada", Who: "Ada Quill"})
	if err != nil {
		t.Fatal(err)
	}
	ada, ben := practice.By(t.Context(), "ada"), practice.By(t.Context(), "ben")
	for i, c := range []struct {
		look func() error
		want int
	}{
		{func() error { return p.Looked(ada, patient) }, 1},
		{func() error { return p.LookedAt(ada, v.ID) }, 1},
		{func() error { return p.LookedAt(ben, v.ID) }, 2},
		{func() error { now = now.Add(11 * time.Minute); return p.Looked(ada, patient) }, 3},
		{func() error { now = now.Add(-time.Hour); return p.Looked(ada, patient) }, 4}, // the clock was set back
	} {
		if err := c.look(); err != nil {
			t.Fatal(err)
		}
		if es, err := p.Journal(t.Context(), practice.JournalQuery{Patient: patient, What: "patient.read"}); err != nil || len(es) != c.want {
			t.Errorf("look %d: %d entries, %v; want %d", i, len(es), err, c.want)
		}
	}
	if err := p.Looked(ada, ""); err != nil {
		t.Error(err)
	}
	if es, err := p.Journal(t.Context(), practice.JournalQuery{What: "patients.listed", Who: "ada"}); err != nil || len(es) != 1 {
		t.Errorf("%+v, %v", es, err)
	}
	if err := p.LookedAt(ada, "none"); err == nil {
		t.Error("a look at an exam that is not there")
	}
}
