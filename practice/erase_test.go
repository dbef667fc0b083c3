package practice_test

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"leadsman/exam"
	"leadsman/practice"
	"leadsman/speech/scripted"
)

// A patient is not erased while an exam goes on; one that nobody uses is closed first. Afterwards nothing of it can be read or entered,
// also through what was opened before, and the service's own log names nobody.
func TestEraseWithRunningExam(t *testing.T) {
	ctx := t.Context()
	st, patient := stored(t)
	sp, err := st.Patient(ctx, patient)
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	p := practice.New(practice.Config{Records: st, Engine: scripted.New(), Now: time.Now, Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	id, e, m := begun(t, p, patient, "")
	if _, err := e.Words(ctx, "three two four", exam.Caller{Who: "Ada Quill"}, "1"); err != nil {
		t.Fatal(err)
	}
	why := practice.Erase{Reason: "made by mistake"}
	if _, err := p.ErasePatient(ctx, patient, why); !errors.Is(err, practice.ErrRunning) || !strings.Contains(err.Error(), id) {
		t.Errorf("while the microphone is open: %v", err)
	}
	if v, err := e.View(ctx); err != nil || v.Recorded != 3 {
		t.Errorf("the exam was touched: %d sites, %v", v.Recorded, err)
	}
	m.Detach()
	if _, err := p.State(ctx, id); err != nil { // is kept in memory from here on
		t.Fatal(err)
	}
	if got, err := p.ErasePatient(ctx, patient, why); err != nil || got.Exams != 1 {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := e.Words(ctx, "three two four", exam.Caller{Who: "Ada Quill"}, "2"); err == nil {
		t.Error("an erased exam takes words")
	}
	for what, err := range map[string]error{
		"open":    func() error { _, err := p.Open(ctx, id); return err }(),
		"state":   func() error { _, err := p.State(ctx, id); return err }(),
		"patient": func() error { _, err := p.Patient(ctx, patient); return err }(),
		"again":   func() error { _, err := p.ErasePatient(ctx, patient, why); return err }(),
	} {
		if what != "again" && !errors.Is(err, practice.ErrNotFound) || what == "again" && err == nil {
			t.Errorf("%s: %v", what, err)
		}
	}
	if ps, _, err := p.Patients(ctx, "", "", 10); err != nil || len(ps) != 0 {
		t.Errorf("patients %v, %v", ps, err)
	}
	p.Clips.Add(id, 2, make([]int16, 100)) // sound that came late
	p.Close()
	if clips, err := st.Clips(ctx, id); err != nil || len(clips) != 0 {
		t.Errorf("clips %v, %v", clips, err)
	}
	if log.Len() == 0 {
		t.Error("nothing was logged: this test would find nothing")
	}
	for _, w := range strings.Fields(sp.Name) {
		if strings.Contains(log.String(), w) {
			t.Errorf("the log of the service names %q: %s", w, log.String())
		}
	}
}
