package practice_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/scripted"
	"leadsman/store"
	"leadsman/voice"
)

// learner is an engine whose profiles begin with its version.
type learner struct {
	*scripted.Engine
	version string
	used    int // recognizers made for a profile

	misfit string        // words that are not in any take
	why    string        // nothing is learned
	onto   []byte        // what the last enrolment was given
	takes  []speech.Take // and from
}

func (l *learner) Check(t speech.Take) (speech.Fit, error) {
	return speech.Fit{OK: strings.Join(t.Words, " ") != l.misfit}, nil
}
func (l *learner) Enrol(_ context.Context, onto []byte, takes []speech.Take) (speech.Enrolment, error) {
	l.onto, l.takes = onto, takes
	if l.why != "" {
		return speech.Enrolment{Why: l.why, Words: 9, WrongBefore: 1, WrongAfter: 2}, nil
	}
	return speech.Enrolment{Profile: []byte(l.version + " learned"), Words: 9, WrongBefore: 3, WrongAfter: 1}, nil
}
func (l *learner) NewRecognizerFor(p []byte) (speech.Recognizer, error) {
	switch {
	case bytes.HasPrefix(p, []byte(l.version)):
		l.used++
		return l.NewRecognizer()
	case bytes.HasPrefix(p, []byte("v")):
		return nil, speech.ErrOtherModel
	}
	return nil, speech.ErrProfile
}

// A voice profile from reading to erasing, as the service keeps it.
func TestVoices(t *testing.T) {
	ctx := context.Background()
	st, err := store.Open(ctx, t.TempDir(), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	l := &learner{Engine: scripted.New(scripted.Utterance{StartMS: 300, EndMS: 900, Text: "three two four"}), version: "v1"}
	p := practice.New(practice.Config{Records: st, Engine: l, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	v := p.Voices
	ann, err := st.PutPerson(ctx, clinician("Ann Tidewell"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := v.Practise(ctx, "nobody", voice.Drill); !errors.Is(err, practice.ErrNotFound) {
		t.Errorf("a session for nobody: %v", err)
	}
	if _, profile, note, err := v.Recognizer(ann.ID); err != nil || profile || note != "" {
		t.Errorf("without a profile: %t %q %v", profile, note, err)
	}

	// Reading one line is all that this engine needs.
	s, err := v.Practise(ctx, ann.ID, voice.Enrol)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Write(0, make([]int16, 2*speech.Rate)); err != nil {
		t.Fatal(err)
	}
	if err := s.Learn(); err != nil {
		t.Fatal(err)
	}
	for s.View().State == voice.Learning {
		time.Sleep(time.Millisecond)
	}
	if got := s.View(); got.State != voice.Done || got.Result.WrongAfter != 1 {
		t.Fatalf("learned: %+v", got)
	}
	es, err := v.Examiners(ctx)
	if err != nil || len(es) != 1 || es[0].Voice == nil || es[0].Voice.Remedy != "" || !strings.Contains(string(es[0].Voice.Report.(json.RawMessage)), `"wrong_before":3`) {
		t.Fatalf("examiners %+v, %v", es, err)
	}
	if _, profile, note, err := v.Recognizer(ann.ID); err != nil || !profile || note != "" || l.used == 0 {
		t.Errorf("with a profile: %t %q %v", profile, note, err)
	}

	// A drill is heard with it, and ends the session before.
	d, err := v.Practise(ctx, ann.ID, voice.Drill)
	if err != nil || !d.View().Profile {
		t.Fatalf("drill: %v", err)
	}
	if _, err := v.Session(s.View().ID); !errors.Is(err, practice.ErrNotFound) {
		t.Errorf("the session before: %v", err)
	}
	if again, err := v.Session(d.View().ID); err != nil || again != d {
		t.Errorf("the drill again: %v", err)
	}

	// Out and in again; what is no profile, and one of another model, is refused.
	file, err := v.Voice(ctx, ann.ID)
	if err != nil || string(file) != "v1 learned" {
		t.Fatalf("exported %q, %v", file, err)
	}
	var refused *chart.Refusal
	for _, bad := range []string{"", "nonsense", "v0 learned"} {
		if err := v.SaveVoice(ctx, ann.ID, []byte(bad)); !errors.As(err, &refused) || !strings.Contains(refused.Text, "enrol again") {
			t.Errorf("import of %q: %v", bad, err)
		}
	}
	if err := v.SaveVoice(ctx, "nobody", file); !errors.Is(err, practice.ErrNotFound) {
		t.Errorf("import for nobody: %v", err)
	}
	if err := v.SaveVoice(ctx, ann.ID, file); err != nil {
		t.Error(err)
	}

	// A new model: heard without the profile, and said so, here and on Live.
	l.version = "v2"
	rec, profile, note, err := v.Recognizer(ann.ID)
	if err != nil || rec == nil || profile || !strings.Contains(note, "another version of the speech model: enrol again") {
		t.Errorf("after a new model: %t %q %v", profile, note, err)
	}
	if es, err := v.Examiners(ctx); err != nil || !strings.Contains(es[0].Voice.Remedy, "enrol again") {
		t.Errorf("after a new model: %+v, %v", es, err)
	}

	if err := v.EraseVoice(ctx, ann.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := v.Voice(ctx, ann.ID); !errors.Is(err, practice.ErrNotFound) {
		t.Errorf("erased: %v", err)
	}
	if _, err := v.Session(d.View().ID); !errors.Is(err, practice.ErrNotFound) {
		t.Errorf("a session after erasing: %v", err)
	}

	// Who leaves takes the profile along.
	l.version = "v1"
	if err := v.SaveVoice(ctx, ann.ID, file); err != nil {
		t.Fatal(err)
	}
	if gone, err := p.SavePerson(ctx, practice.Person{ID: ann.ID, Name: ann.Name, Roles: ann.Roles, Retired: true}); err != nil || gone.Voice != nil {
		t.Errorf("retired: %+v, %v", gone, err)
	}

	// Without an engine, and with one that cannot learn.
	for engine, want := range map[speech.Engine]error{nil: exam.ErrNoEngine, scripted.New(): practice.ErrNoAdapter} {
		w := practice.NewVoices(st, engine, time.Now)
		if _, err := w.Practise(ctx, ann.ID, voice.Enrol); !errors.Is(err, want) {
			t.Errorf("engine %v: %v, want %v", engine, err, want)
		}
	}
}

// Sessions that nobody looks at any more end with the next one.
func TestForgottenSessions(t *testing.T) {
	ctx := context.Background()
	st, err := store.Open(ctx, t.TempDir(), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	now := time.Now()
	v := practice.NewVoices(st, &learner{Engine: scripted.New(), version: "v1"}, func() time.Time { return now })
	defer v.Close()
	var ids []string
	for _, name := range []string{"Ann", "Ben"} {
		e, err := st.PutPerson(ctx, clinician(name))
		if err != nil {
			t.Fatal(err)
		}
		s, err := v.Practise(ctx, e.ID, voice.Drill)
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, s.View().ID)
		now = now.Add(practice.ForgottenAfter / 2)
	}
	if _, err := v.Session(ids[1]); err != nil {
		t.Error(err)
	}
	now = now.Add(practice.ForgottenAfter/2 + time.Second)
	e, err := st.PutPerson(ctx, clinician("Cy"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := v.Practise(ctx, e.ID, voice.Drill); err != nil {
		t.Fatal(err)
	}
	if _, err := v.Session(ids[0]); !errors.Is(err, practice.ErrNotFound) {
		t.Errorf("forgotten: %v", err)
	}
	if _, err := v.Session(ids[1]); err != nil {
		t.Errorf("looked at: %v", err)
	}
}
