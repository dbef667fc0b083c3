package practice_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/scripted"
	"leadsman/store"
)

// opened is a practice over a fresh store, with one patient and an engine that hears a script.
func opened(t *testing.T, script ...scripted.Utterance) (p *practice.Practice, patient string) {
	t.Helper()
	st, patient := stored(t)
	p = practice.New(practice.Config{Records: st, Engine: scripted.New(script...), Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	t.Cleanup(p.Close)
	return p, patient
}

// stored is a fresh store with one patient.
func stored(t *testing.T) (st *store.Store, patient string) {
	t.Helper()
	ctx := context.Background()
	st, err := store.Open(ctx, t.TempDir(), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	sp, err := st.AddPatient(ctx, practice.Patient{Name: "Harriet Sallow"})
	if err != nil {
		t.Fatal(err)
	}
	return st, sp.ID
}

func clinician(name string) practice.Person {
	return practice.Person{Name: name, Roles: []practice.Role{practice.Clinician}}
}

// begun is an exam that has begun, with its microphone.
func begun(t *testing.T, p *practice.Practice, patient, voice string) (id string, e *exam.Exam, m *exam.Mic) {
	t.Helper()
	ctx := context.Background()
	v, err := p.Begin(ctx, practice.NewVisit{Patient: patient, Numbering: chart.FDI, Path: "arch"}, exam.Caller{Person: "ada", Who: "Ada Quill"})
	if err != nil {
		t.Fatal(err)
	}
	if e, err = p.Open(ctx, v.ID); err != nil {
		t.Fatal(err)
	}
	if m, err = e.OpenMicFor("chair", voice, false); err != nil {
		t.Fatal(err)
	}
	return v.ID, e, m
}

// hear begins an exam and feeds its microphone for some milliseconds; each sample is the millisecond of
// the stream that it belongs to.
func hear(t *testing.T, p *practice.Practice, patient string, ms int64) string {
	t.Helper()
	id, _, m := begun(t, p, patient, "")
	pcm := make([]int16, ms*speech.Rate/1000)
	for i := range pcm {
		pcm[i] = int16(i * 1000 / speech.Rate)
	}
	for i := 0; i < len(pcm); i += 480 {
		if _, err := m.Write(int64(i), pcm[i:min(i+480, len(pcm))]); err != nil {
			t.Fatal(err)
		}
	}
	return id
}

// settled waits until the keeper has stored what was handed to it before.
func settled(t *testing.T, p *practice.Practice, exam string, clips int) practice.ClipList {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		l, err := p.Clips.Clips(context.Background(), exam)
		if err != nil {
			t.Fatal(err)
		}
		if len(l.Calls) == clips || time.Now().After(end) {
			return l
		}
	}
}

func sign(t *testing.T, p *practice.Practice, id string) {
	t.Helper()
	e, err := p.Open(context.Background(), id)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := e.Do(context.Background(), chart.Command{Acts: []chart.Act{{Verb: chart.VerbSign}}}, exam.Caller{Who: "Ada Quill"}, "sign"); err != nil {
		t.Fatal(err)
	}
}

// Each spoken call has its own sound; signing deletes it, but not what a remark says.
func TestClipsOfAnExam(t *testing.T) {
	ctx := context.Background()
	say := func(at int64, text string) scripted.Utterance {
		return scripted.Utterance{StartMS: at, EndMS: at + 300*int64(len(strings.Fields(text))), Text: text}
	}
	// Ten is asked about; the lone three waits until it is clear that it is no answer, and is one call with the numbers that follow.
	p, patient := opened(t, say(1000, "three two ten"), say(5000, "three"), say(5600, "three two"), say(8000, "remark"), say(9500, "bleeding"))
	id := hear(t, p, patient, 12000)
	l := settled(t, p, id, 4)
	e, err := p.Open(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	v, err := e.View(ctx)
	if err != nil {
		t.Fatal(err)
	}
	var calls []uint64
	for _, c := range v.Calls {
		if c.Source != chart.Voice {
			continue
		}
		calls = append(calls, c.Seq)
		wav, err := p.Clips.Clip(ctx, id, c.Seq)
		if err != nil {
			t.Errorf("call %q: %v", c.Words, err)
			continue
		}
		pcm, _, err := speech.ReadWAV(bytes.NewReader(wav))
		if err != nil {
			t.Fatal(err)
		}
		want := map[string]int64{"three two ten": 1000, "three three two": 5000, "remark": 8000, "": 9500}[c.Words]
		if got := int64(pcm[0]); got < want-260 || got > want {
			t.Errorf("the sound of %q begins at %d ms, the words at %d", c.Words, got, want)
		}
	}
	if len(calls) != 4 || !slices.Equal(l.Calls, calls) || l.Bytes == 0 || l.Note != "" {
		t.Fatalf("clips %+v of calls %v", l, calls)
	}
	if len(v.Doubts) != 1 || v.Doubts[0].Call != calls[0] {
		t.Errorf("the sound of the doubt: %+v", v.Doubts)
	}
	sign(t, p, id)
	l = settled(t, p, id, 1)
	if len(l.Calls) != 1 || len(v.Remarks) != 1 || l.Calls[0] != v.Remarks[0].Call {
		t.Errorf("left after signing: %v, the remark is %+v", l.Calls, v.Remarks)
	}
	if _, err := p.Clips.Clip(ctx, id, calls[0]); !errors.Is(err, practice.ErrNotFound) {
		t.Errorf("a deleted clip: %v", err)
	}
}

func TestClipsAreKeptWhereThePracticeSaysSo(t *testing.T) {
	ctx := context.Background()
	p, patient := opened(t, scripted.Utterance{StartMS: 500, EndMS: 1000, Text: "three two four"})
	s, err := p.Settings(ctx)
	if err != nil || s.KeepClips {
		t.Fatalf("kept unasked: %+v %v", s, err)
	}
	s.KeepClips = true
	if s, err = p.SaveSettings(ctx, s); err != nil || !s.KeepClips {
		t.Fatal(s, err)
	}
	id := hear(t, p, patient, 2000)
	settled(t, p, id, 1)
	sign(t, p, id)
	other := hear(t, p, patient, 2000) // what comes after the signing is stored after it
	settled(t, p, other, 1)
	if l := settled(t, p, id, 1); len(l.Calls) != 1 {
		t.Error("the sound went with the signing although it was to be kept")
	}
}

// Bounds: sound that does not fit is left out and told; the exam goes on.
func TestClipsAreBounded(t *testing.T) {
	ctx := context.Background()
	p, patient := opened(t, scripted.Utterance{StartMS: 500, EndMS: 1000, Text: "three two four"}, scripted.Utterance{StartMS: 2000, EndMS: 2500, Text: "two two two"})
	one := int64(len(speech.WAV(make([]int16, speech.Rate)))) // half a second of words and its margins
	p.Clips.Bound(one+one/2, 3*one)
	// noted waits until something is told about an exam's sound.
	noted := func(exam string, clips int) (l practice.ClipList) {
		for end := time.Now().Add(10 * time.Second); l.Note == "" && time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			l = settled(t, p, exam, clips)
		}
		return l
	}
	first := hear(t, p, patient, 4000)
	l := noted(first, 1)
	if len(l.Calls) != 1 || !strings.Contains(l.Note, "at most") {
		t.Fatalf("%+v", l)
	}
	e, _ := p.Open(ctx, first)
	if v, err := e.View(ctx); err != nil || v.Recorded != 6 {
		t.Errorf("%d sites recorded, want 6: %v", v.Recorded, err)
	}
	// The practice is full: exams that are signed make room, the longest signed first.
	if _, err := p.SaveSettings(ctx, practice.Settings{Numbering: chart.FDI, Path: "arch", SiteWords: "buccal-lingual", KeepClips: true}); err != nil {
		t.Fatal(err)
	}
	second := hear(t, p, patient, 1500)
	settled(t, p, second, 1)
	sign(t, p, second)
	third := hear(t, p, patient, 1500)
	settled(t, p, third, 1)
	fourth := hear(t, p, patient, 1500)
	if l := settled(t, p, fourth, 1); len(l.Calls) != 1 {
		t.Errorf("no room was made: %+v", l)
	}
	if l := settled(t, p, second, 0); len(l.Calls) != 0 {
		t.Error("the signed exam still has its sound")
	}
	// Nobody can make room any more: told, and the exam goes on.
	fifth := hear(t, p, patient, 1500)
	if l := noted(fifth, 0); !strings.Contains(l.Note, "sign exams") || len(settled(t, p, first, 1).Calls) != 1 {
		t.Errorf("%+v", l)
	}
	if bytes, limit, err := p.Clips.ClipUse(ctx); err != nil || bytes > limit || bytes < 2*one {
		t.Errorf("%d of %d bytes: %v", bytes, limit, err)
	}
}

// An exam's owner hands over sound and the signing while the store stands still; nothing waits for it there, and a clean stop
// keeps all that came, in its order.
func TestClipsNeverBlockTheExam(t *testing.T) {
	ctx := context.Background()
	st, patient := stored(t)
	var script []scripted.Utterance
	for i := range int64(100) {
		script = append(script, scripted.Utterance{StartMS: 1000 + 2000*i, EndMS: 1300 + 2000*i, Text: "say again"})
	}
	p := practice.Halted(practice.Config{Records: st, Engine: scripted.New(script...), Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	heard := make(chan []string)
	go func() { // the keeper does not run: the store might as well be locked
		var ids []string
		for range 2 {
			id := hear(t, p, patient, 202_000)
			sign(t, p, id)
			ids = append(ids, id)
		}
		for range 100 {
			p.Clips.Signed(ids[0])
		}
		heard <- ids
	}()
	var ids []string
	select {
	case ids = <-heard:
	case <-time.After(60 * time.Second):
		t.Fatal("the exam waits for the keeper of its sound")
	}
	if _, err := p.SaveSettings(ctx, practice.Settings{Numbering: chart.FDI, Path: "arch", SiteWords: "buccal-lingual", KeepClips: true}); err != nil {
		t.Fatal(err)
	}
	p.Clips.Go()
	p.Close()
	for _, id := range ids {
		if l, err := p.Clips.Clips(ctx, id); err != nil || len(l.Calls) != 100 || l.Note != "" {
			t.Errorf("%d of 100 clips are kept, %q, %v", len(l.Calls), l.Note, err)
		}
	}
	// What comes when all is over is told, not lost without a word, and stops nobody.
	p.Clips.Add(ids[0], 7, make([]int16, 9))
	if l, _ := p.Clips.Clips(ctx, ids[0]); !strings.Contains(l.Note, "ending") {
		t.Errorf("note %q", l.Note)
	}
}

// Sound that waits has a bound; the signing gets through all the same.
func TestClipsThatWaitAreBounded(t *testing.T) {
	k := practice.NewClips(100)
	for i := range uint64(3) {
		k.Add("x", i+1, make([]int16, 25))
	}
	k.Signed("x")
	waiting, over, note := k.Waiting()
	if !slices.Equal(waiting, []int{25, 25, 0}) || over || !strings.Contains(note, "too many") {
		t.Errorf("%d wait, note %q", waiting, note)
	}
}

// Spoken calls carry the name of the examiner whose voice was chosen, in the store and on the pages.
func TestSpokenCallsHaveAnAuthor(t *testing.T) {
	ctx := context.Background()
	st, patient := stored(t)
	p := practice.New(practice.Config{Records: st, Engine: scripted.New(scripted.Utterance{StartMS: 300, EndMS: 900, Text: "three two four"}, scripted.Utterance{StartMS: 2000, EndMS: 3000, Text: "remark cold air"}), Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	t.Cleanup(p.Close)
	ada, err := st.PutPerson(ctx, clinician("Ada Quill"))
	if err != nil {
		t.Fatal(err)
	}
	for voice, want := range map[string]string{ada.ID: "Ada Quill", "": "", "nobody": ""} {
		id, _, m := begun(t, p, patient, voice)
		if _, err := m.Write(0, make([]int16, 4*speech.Rate)); err != nil {
			t.Fatal(err)
		}
		st, err := p.State(ctx, id) // read from the store
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, c := range st.Calls {
			if c.Source == chart.Voice {
				if n++; c.Who != want {
					t.Errorf("voice %q: %q by %q, want %q", voice, c.Words, c.Who, want)
				}
			}
		}
		if n != 2 || len(st.Remarks) != 1 || st.Remarks[0].Who != want {
			t.Errorf("voice %q: %d calls, remarks %+v", voice, n, st.Remarks)
		}
	}
}
