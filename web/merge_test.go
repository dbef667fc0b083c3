package web_test

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/practice"
)

// late begins an exam in the record that is being merged, at the last moment.
type late struct {
	practice.Records
	begin func()
}

func (l *late) MergePatient(ctx context.Context, patient, whole, reason, who string) error {
	l.begin()
	return l.Records.MergePatient(ctx, patient, whole, reason, who)
}

// An exam that somebody begins while two records become one goes along with the others.
func TestMergeWhileAnExamBegins(t *testing.T) {
	c := newClinic(t)
	ada := c.people[practice.Clinician]
	records := &late{Records: c.store}
	p := practice.New(practice.Config{Records: records, Now: func() time.Time { return time.UnixMilli(c.now.Load()) }, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	records.begin = func() {
		if _, err := p.Begin(t.Context(), practice.NewVisit{Patient: c.other, Numbering: chart.FDI, Path: "arch", ID: "late"}, ada.Caller()); err != nil {
			t.Error(err)
		}
	}
	if err := p.MergePatients(t.Context(), c.other, c.patient, "one person", ada.Caller()); err != nil {
		t.Fatal(err)
	}
	if x, err := c.store.Exam(t.Context(), "late"); err != nil || x.Patient != c.patient {
		t.Errorf("%+v, %v", x, err)
	}
	if rep, err := c.store.Verify(t.Context()); err != nil || rep.Err() != nil {
		t.Errorf("%+v, %v", rep, err)
	}
}
