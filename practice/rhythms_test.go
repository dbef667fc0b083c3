package practice_test

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"leadsman/exam"
	rhythms "leadsman/exam/hear"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// The second exam of an examiner who calls number by number begins with that, also after the service was started anew. Erasing the voice
// erases it, for good even where a microphone is on.
func TestRhythmIsKept(t *testing.T) {
	ctx := context.Background()
	st, ben := stored(t)
	var script []scripted.Utterance
	for i := range int64(6) {
		script = append(script, scripted.Utterance{StartMS: 1000 + 900*i, EndMS: 1300 + 900*i, Text: []string{"three", "two", "four"}[i%3]})
	}
	var p *practice.Practice
	start := func() {
		p = practice.New(practice.Config{Records: st, Engine: &learner{Engine: scripted.New(script...), version: "v1"}, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	}
	start()
	defer func() { p.Close() }()
	begin := func(voice string) (*exam.Exam, *exam.Mic, rhythms.Rhythm) {
		t.Helper()
		_, e, m := begun(t, p, ben, voice)
		r, err := e.Rhythm()
		if err != nil {
			t.Fatal(err)
		}
		return e, m, r
	}
	call := func(m *exam.Mic) {
		t.Helper()
		if _, err := m.Write(0, make([]int16, 14*speech.Rate)); err != nil {
			t.Fatal(err)
		}
	}
	ann, err := st.PutPerson(ctx, clinician("Ann Tidewell"))
	if err != nil {
		t.Fatal(err)
	}

	_, m, r := begin(ann.ID)
	if r != (rhythms.Rhythm{}) {
		t.Errorf("the first exam begins with %+v", r)
	}
	call(m)
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	_, m, first := begin(ann.ID)
	if !first.Known() || !first.Singly() {
		t.Errorf("the second exam begins with %+v", first)
	}
	call(m) // and the service ends while the microphone is on
	p.Close()
	start()
	_, _, r = begin(ann.ID)
	if r.Single <= first.Single {
		t.Errorf("the third exam begins with %+v, the second began with %+v", r, first)
	}
	for _, other := range []string{"", "nobody"} {
		_, m, r := begin(other)
		if r != (rhythms.Rhythm{}) {
			t.Errorf("voice %q begins with %+v", other, r)
		}
		call(m)
		if err := m.Close(); err != nil {
			t.Fatal(err)
		}
		if kv, err := st.Settings(ctx, other); err != nil || kv[practice.KeyRhythm] != "" {
			t.Errorf("of voice %q %v is kept, %v", other, kv, err)
		}
	}

	_, m, _ = begin(ann.ID)
	call(m)
	if err := p.Voices.EraseVoice(ctx, ann.ID); err != nil {
		t.Fatal(err)
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	if kv, err := st.Settings(ctx, ann.ID); err != nil || len(kv) != 0 {
		t.Errorf("after erasing %v is kept, %v", kv, err)
	}
	if _, _, r := begin(ann.ID); r != (rhythms.Rhythm{}) {
		t.Errorf("after erasing an exam begins with %+v", r)
	}

	// Neither is that of somebody who has left.
	if _, err := p.SavePerson(ctx, practice.Person{ID: ann.ID, Name: ann.Name, Roles: ann.Roles, Retired: true}); err != nil {
		t.Fatal(err)
	}
	_, m, _ = begin(ann.ID)
	call(m)
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	if kv, err := st.Settings(ctx, ann.ID); err != nil || len(kv) != 0 {
		t.Errorf("of somebody who has left %v is kept, %v", kv, err)
	}
}
