package practice_test

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/scripted"
	"leadsman/voice"
)

// What an examiner corrected in exams is offered to his voice profile while its sound is there, learned from on his word, on top of the
// profile in use, kept only if it helps, and not offered again once it was learned.
func TestTeach(t *testing.T) {
	ctx := context.Background()
	st, patient := stored(t)
	script := []scripted.Utterance{{StartMS: 1000, EndMS: 1900, Text: "three two five"}, {StartMS: 3000, EndMS: 4500, Text: "correction three two four"},
		{StartMS: 6000, EndMS: 6900, Text: "five four six"}}
	l := &learner{Engine: scripted.New(script...), version: "v1"}
	now := time.Now()
	p := practice.New(practice.Config{Records: st, Engine: l, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	v := p.Voices
	person := func(name string) string {
		t.Helper()
		e, err := st.PutPerson(ctx, clinician(name))
		if err != nil {
			t.Fatal(err)
		}
		return e.ID
	}
	ann, cy := person("Ann Tidewell"), person("Cy Sallow")
	offered := func(examiner string, want int) {
		t.Helper()
		if l, err := v.Learning(ctx, examiner); err != nil || l.Takes != want {
			t.Errorf("%d takes are offered, want %d, %v", l.Takes, want, err)
		}
	}
	examine := func(voice string) string {
		t.Helper()
		now = now.Add(time.Hour)
		id, _, m := begun(t, p, patient, voice)
		for range 80 { // as a microphone sends it: clips are cut out while the sound is there
			if _, err := m.Write(m.Next(), make([]int16, speech.Rate/10)); err != nil {
				t.Fatal(err)
			}
		}
		if err := m.Close(); err != nil {
			t.Fatal(err)
		}
		for range 1000 { // clips are kept behind the exam's back
			if c, err := p.Clips.Clips(ctx, id); err != nil || len(c.Calls) == 3 {
				return id
			}
			time.Sleep(time.Millisecond)
		}
		t.Fatal("no clips")
		return ""
	}
	teach := func() voice.View {
		t.Helper()
		s, err := v.Practise(ctx, ann, voice.Teach)
		if err != nil {
			t.Fatal(err)
		}
		for s.View().State == voice.Learning {
			time.Sleep(time.Millisecond)
		}
		if err := s.Open("chair"); !errors.Is(err, voice.ErrDone) {
			t.Errorf("a microphone at a session in which nothing is read: %v", err)
		}
		got := s.View()
		if _, err := v.Session(got.ID); err != nil {
			t.Error(err)
		}
		return got
	}
	learned := func() string {
		var out []string
		for _, k := range l.takes {
			out = append(out, strings.Join(k.Words, " "))
			if ms := len(k.PCM) * 1000 / speech.Rate; ms < 300*len(k.Words) || ms > 500*len(k.Words)+700 {
				t.Errorf("%v has %d ms of sound", k.Words, ms)
			}
		}
		slices.Sort(out)
		return strings.Join(out, ", ")
	}

	offered(ann, 0)
	if _, err := v.Learning(ctx, "nobody"); !errors.Is(err, practice.ErrNotFound) {
		t.Errorf("takes of nobody: %v", err)
	}
	examine(ann)
	examine("")
	offered(ann, 2)
	offered(cy, 0)

	// The sound of the call that was misheard is learned from with the words that are right, and so is the correction.
	got := teach()
	if want := "correction three two four, three two four"; got.State != voice.Done || got.Result.WrongAfter != 1 || learned() != want || l.onto != nil {
		t.Fatalf("%+v, learned %s onto %q", got, learned(), l.onto)
	}
	if kept, err := v.Voice(ctx, ann); err != nil || string(kept) != "v1 learned" {
		t.Errorf("kept %q, %v", kept, err)
	}
	offered(ann, 0)

	// The next time it is learned on top of that. A take that does not fit its words is left out; what does not help is not kept, and
	// offered once more.
	second := examine(ann)
	offered(ann, 2)
	l.why, l.misfit = "it misheard more", "three two four"
	got = teach()
	if got.State != voice.Done || got.Result.Why != l.why || got.Result.Left != 1 || learned() != "correction three two four" || string(l.onto) != "v1 learned" {
		t.Errorf("%+v, learned %s onto %q", got, learned(), l.onto)
	}
	if kept, err := st.Voice(ctx, ann); err != nil || strings.Contains(kept.Report, "misheard more") {
		t.Errorf("kept %+v, %v", kept, err)
	}
	offered(ann, 2)

	// A profile that was learned from none of them: all are offered again. One of another model is not built on.
	if err := v.SaveVoice(ctx, ann, []byte("v1 imported")); err != nil {
		t.Fatal(err)
	}
	offered(ann, 4)
	l.version, l.why, l.misfit = "v2", "", ""
	if teach(); l.onto != nil || len(l.takes) != 4 {
		t.Errorf("%d takes onto %q", len(l.takes), l.onto)
	}
	offered(ann, 0)
	if err := v.EraseVoice(ctx, ann); err != nil {
		t.Fatal(err)
	}
	offered(ann, 4)

	// Without its sound nothing is offered; neither is what one of two people of the same name may have said.
	if _, err := st.DeleteClips(ctx, second, time.Time{}); err != nil {
		t.Fatal(err)
	}
	offered(ann, 2)
	person("Ann Tidewell")
	offered(ann, 0)
}

// With leave a signed exam keeps the sound of the calls that teach, and of no others, until it was learned from or leave is taken back; it teaches by
// itself once there is enough.
func TestLeave(t *testing.T) {
	ctx := context.Background()
	st, patient := stored(t)
	var script []scripted.Utterance
	for i := range 14 { // tooth after tooth; the last call is no number
		script = append(script, scripted.Utterance{StartMS: int64(1000 + 2000*i), EndMS: int64(1900 + 2000*i), Text: "three two four"})
	}
	script[1].Text = "three two five"
	script[2].Text = "correction three two four"
	script = append(script, scripted.Utterance{StartMS: 29000, EndMS: 29400, Text: "where"})
	l := &learner{Engine: scripted.New(script...), version: "v1"}
	now := time.Now()
	p := practice.New(practice.Config{Records: st, Engine: l, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	v := p.Voices
	ann, err := st.PutPerson(ctx, clinician("Ann Tidewell"))
	if err != nil {
		t.Fatal(err)
	}
	until := func(what string, ok func() bool) {
		t.Helper()
		for range 2000 {
			if ok() {
				return
			}
			time.Sleep(2 * time.Millisecond)
		}
		t.Fatal("never: " + what)
	}
	calls := func(id string) int {
		c, err := p.Clips.Clips(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		return len(c.Calls)
	}
	// examined is a signed exam, in which so many calls have sound when it is signed, and later.
	examined := func(later int) string {
		t.Helper()
		now = now.Add(time.Hour)
		id, _, m := begun(t, p, patient, ann.ID)
		for range 320 {
			if _, err := m.Write(m.Next(), make([]int16, speech.Rate/10)); err != nil {
				t.Fatal(err)
			}
		}
		if err := m.Close(); err != nil {
			t.Fatal(err)
		}
		until("the clips are kept", func() bool { return calls(id) >= 14 })
		sign(t, p, id)
		until("signing lets go of sound", func() bool { return calls(id) == later })
		return id
	}
	learning := func(takes, confirmed int, leave bool) {
		t.Helper()
		if got, err := v.Learning(ctx, ann.ID); err != nil || got != (practice.Learning{Takes: takes, Confirmed: confirmed, Leave: leave}) {
			t.Errorf("%+v, %v; want %d takes, %d confirmed, leave %t", got, err, takes, confirmed, leave)
		}
	}

	examined(0)
	learning(0, 0, false)
	if err := v.SetLeave(ctx, "nobody", true); !errors.Is(err, practice.ErrNotFound) {
		t.Errorf("leave of nobody: %v", err)
	}
	if err := v.SetLeave(ctx, ann.ID, true); err != nil {
		t.Fatal(err)
	}
	first := examined(14)
	learning(14, 12, true)
	if l.takes != nil {
		t.Errorf("%d takes were learned from: too few to begin with", len(l.takes))
	}
	if err := v.SetLeave(ctx, ann.ID, false); err != nil || calls(first) != 0 {
		t.Errorf("leave taken back: %d calls with sound, %v", calls(first), err)
	}

	// Two exams are enough: the voice is learned, the sound has served.
	if err := v.SetLeave(ctx, ann.ID, true); err != nil {
		t.Fatal(err)
	}
	first = examined(14)
	examined(0)
	until("the profile is kept", func() bool { got, err := v.Voice(ctx, ann.ID); return err == nil && string(got) == "v1 learned" })
	until("the sound is gone", func() bool { return calls(first) == 0 })
	learning(0, 0, true)
	kept, err := st.Voice(ctx, ann.ID)
	if err != nil || !strings.Contains(kept.Report, `"corrected":4`) || !strings.Contains(kept.Report, `"confirmed":24`) {
		t.Errorf("%s, %v", kept.Report, err)
	}

	// Erasing the voice takes the sound and the leave with it.
	third := examined(14)
	if err := v.EraseVoice(ctx, ann.ID); err != nil || calls(third) != 0 {
		t.Errorf("erased: %d calls with sound, %v", calls(third), err)
	}
	learning(0, 0, false)
}
