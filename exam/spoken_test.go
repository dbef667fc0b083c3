package exam

import (
	"slices"
	"strings"
	"sync"
	"testing"

	"leadsman/chart"
	"leadsman/exam/hear"
	"leadsman/speech/scripted"
)

// "remark" and free speech, in one breath or after a pause, is kept beside the place with its sound, and answered.
func TestRemark(t *testing.T) {
	late := say(14000, "the patient finds cold air unpleasant") // no words of a call
	for name, c := range map[string]struct {
		script     []scripted.Utterance
		from, to   int64 // of the sound
		text, rest string
	}{
		"one breath":                      {[]scripted.Utterance{say(1000, "three two four"), say(3000, "remark the patient finds cold air unpleasant")}, 3000, 5100, "sound clip", "- - -"},
		"one breath, with words of calls": {[]scripted.Utterance{say(1000, "three two four"), say(3000, "remark bleeding three two four")}, 3000, 4500, "sound clip", "- - -"},
		"after a pause":                   {[]scripted.Utterance{say(1000, "three two four"), say(3000, "remark"), say(5000, "the patient finds")}, 5000, 5900, "sound clip", "- - -"},
		"after a pause, understood":       {[]scripted.Utterance{say(1000, "three two four"), say(3000, "remark"), say(5000, "three two")}, 5000, 5600, "three two", "- - -"},
		"and calls after it":              {[]scripted.Utterance{say(1000, "three two four"), say(3000, "remark cold air"), say(5000, "five four five")}, 3000, 3900, "sound clip", "5 4 5"},
		"none comes":                      {[]scripted.Utterance{say(1000, "three two four"), say(3000, "remark"), late}, 0, 0, "", "- - -"},
		"none comes, a call much later":   {[]scripted.Utterance{say(1000, "three two four"), say(3000, "remark"), say(14000, "five four five")}, 0, 0, "", "5 4 5"},
		"chatter":                         {[]scripted.Utterance{say(1000, "three two four"), say(3000, "a remarkable thing"), say(5000, "the remark was unkind")}, 0, 0, "", "- - -"},
	} {
		t.Run(name, func(t *testing.T) {
			e, log := open(t, chart.FDI, c.script...)
			clips := map[uint64]int64{} // milliseconds of sound
			e.cfg.KeepClip = func(call uint64, pcm []int16) { clips[call] = int64(len(pcm)) * 1000 / 16000 }
			sub := e.Subscribe(state(t, log).Seq())
			play(t, e, 17000)
			sub.Close()
			s := state(t, log)
			if row(s, 17, chart.Buccal) != "3 2 4" || row(s, 16, chart.Buccal) != c.rest {
				t.Errorf("depths %s, then %s, want %s", row(s, 17, chart.Buccal), row(s, 16, chart.Buccal), c.rest)
			}
			if c.text == "" {
				if len(s.Remarks) != 0 {
					t.Errorf("%+v", s.Remarks)
				}
				return
			}
			if len(s.Remarks) != 1 || s.Remarks[0].Text != c.text || s.Remarks[0].Place != (chart.Place{Tooth: 17}) {
				t.Fatalf("%+v", s.Remarks)
			}
			if ms := clips[s.Remarks[0].Call]; ms < c.to-c.from || ms > c.to-c.from+600 {
				t.Errorf("%d ms of sound of %d", ms, c.to-c.from)
			}
			answered := false
			for ch := range sub.C {
				answered = answered || ch.Answer != nil && ch.Answer.Call == s.Remarks[0].Call && ch.Answer.Tone == ToneAccepted && ch.Answer.Text == "remark: "+c.text
			}
			if !answered {
				t.Error("no answer")
			}
		})
	}
}

// A remark that was begun in one stream of sound takes nothing of another one.
func TestRemarkIsOfItsStream(t *testing.T) {
	e, log := open(t, chart.FDI, say(1000, "three two four"), say(9000, "remark"))
	play(t, e, 10500)
	m, err := e.OpenMic("another", true)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Write(0, make([]int16, 3*16000)); err != nil {
		t.Fatal(err)
	}
	s := state(t, log)
	if len(s.Remarks) != 0 || row(s, 16, chart.Buccal) != "3 2 4" {
		t.Errorf("remarks %+v, the second call gave %s", s.Remarks, row(s, 16, chart.Buccal))
	}
}

// What is spoken carries the name of the examiner whose voice the microphone was opened for.
func TestWhoSpoke(t *testing.T) {
	e, log := open(t, chart.FDI, say(1000, "three two four"), say(3000, "remark cold air"), say(5000, "tooth one eight"), say(7000, "remark"), say(8000, "hot air"))
	e.cfg.Examiner = func(voice string) Caller { return map[string]Caller{"a1": {Person: "a1", Who: "Ada Quill"}}[voice] }
	for _, c := range []struct{ owner, voice, want, person string }{{"a", "a1", "Ada Quill", "a1"}, {"b", "", "", ""}, {"c", "unknown", "", ""}} {
		from := len(log.Events)
		m, err := e.OpenMicFor(c.owner, c.voice, true)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := m.Write(0, make([]int16, 10*16000)); err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, ev := range log.Events[from:] {
			if ev.Person != c.person {
				t.Errorf("voice %q: %s by %q, want %q", c.voice, ev.Kind, ev.Person, c.person)
			}
			if ev.Kind != chart.KindCall && ev.Kind != chart.KindRemark {
				continue
			}
			if n++; ev.Who != c.want {
				t.Errorf("voice %q: %s %q by %q, want %q", c.voice, ev.Kind, ev.Words, ev.Who, c.want)
			}
		}
		if n != 7 { // five calls, one of them refused, and two remarks
			t.Errorf("voice %q: %d calls and remarks", c.voice, n)
		}
	}
	v, err := e.View(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if i := slices.IndexFunc(v.Calls, func(c CallView) bool { return c.Source == chart.Voice }); i < 0 || v.Calls[i].Who != "Ada Quill" || v.Remarks[0].Who != "Ada Quill" {
		t.Errorf("the pages are told %+v, remark %+v", v.Calls, v.Remarks)
	}
}

// How an examiner calls numbers goes with the voice from microphone to microphone, however one ends; of anybody's voice nothing is kept.
func TestRhythmOfVoice(t *testing.T) {
	var script []scripted.Utterance
	for i := range int64(6) {
		script = append(script, say(1000+900*i, []string{"three", "two", "four"}[i%3])) // two places, number by number
	}
	for name, end := range map[string]func(*Exam, *Mic) error{
		"switched off": func(_ *Exam, m *Mic) error { return m.Close() },
		"taken over":   func(e *Exam, _ *Mic) error { _, err := e.OpenMicFor("another", "b", true); return err },
		"left, then another": func(e *Exam, m *Mic) error {
			m.Detach()
			_, err := e.OpenMicFor("another", "", false)
			return err
		},
		"another voice at the same microphone": func(e *Exam, _ *Mic) error { _, err := e.OpenMicFor("mine", "b", false); return err },
		"recognizer failed": func(e *Exam, m *Mic) error {
			m.broken.Store(true)
			_, err := e.OpenMicFor("mine", "a", false)
			return err
		},
		"exam closed": func(e *Exam, _ *Mic) error { return e.Close() },
	} {
		for _, voice := range []string{"a", ""} {
			t.Run(name+", voice "+voice, func(t *testing.T) {
				kept := map[string]hear.Rhythm{"a": {Whole: 3}, "b": {Row: 5}}
				e, _ := open(t, chart.FDI, script...)
				e.cfg.Rhythm = func(voice string) hear.Rhythm { return kept[voice] }
				e.cfg.KeepRhythm = func(voice string, r hear.Rhythm) { kept[voice] = r }
				m, err := e.OpenMicFor("mine", voice, false)
				if err != nil {
					t.Fatal(err)
				}
				if r, _ := e.Rhythm(); r != kept[voice] {
					t.Errorf("begins with %+v", r)
				}
				if _, err := m.Write(0, make([]int16, 14*16000)); err != nil {
					t.Fatal(err)
				}
				if err := end(e, m); err != nil {
					t.Fatal(err)
				}
				if len(kept) != 2 || kept["b"] != (hear.Rhythm{Row: 5}) {
					t.Errorf("kept %+v", kept)
				}
				if a := kept["a"]; voice == "a" && (a.Single < 1.5 || a.Whole < 2 || a.Whole > 2.9) || voice == "" && a != (hear.Rhythm{Whole: 3}) {
					t.Errorf("kept %+v", a)
				}
			})
		}
	}
}

// Any number of goroutines may close an exam at once; each returns when it has ended.
func TestCloseAtOnce(t *testing.T) {
	for range 200 {
		e, _ := open(t, chart.FDI)
		if _, err := e.OpenMic("a", false); err != nil {
			t.Fatal(err)
		}
		begin := make(chan struct{})
		var all sync.WaitGroup
		for range 8 {
			all.Go(func() {
				<-begin
				if err := e.Close(); err != nil {
					t.Error(err)
				}
				select {
				case <-e.done:
				default:
					t.Error("Close returned before the exam had ended")
				}
			})
		}
		close(begin)
		all.Wait()
	}
}

// Therapy that was done is said in one breath or with a pause before "by", is read back as a question, and is taken back by "negative";
// the numbers that follow stand where they belong. Without a name, or as a mumble, nothing is recorded.
func TestTherapyByVoice(t *testing.T) {
	mumbled := say(30_000, "therapy all teeth by hand")
	mumbled.Confidence = 0.35
	e, log := open(t, chart.FDI, say(1000, "therapy upper right quadrant by ultrasonic"), say(5000, "affirm"), say(8000, "three two four"),
		say(12_000, "therapy sixteen mesial"), say(14_200, "by hand"), say(17_000, "negative"), say(20_000, "therapy"), say(21_500, "four three three"),
		say(25_000, "therapy tooth sixteen"), mumbled)
	e.cfg.Examiner = func(string) Caller { return Caller{Person: "a1", Who: "Ada Quill"} }
	m, err := e.OpenMicFor("a", "a1", true)
	if err != nil {
		t.Fatal(err)
	}
	sub := e.Subscribe(state(t, log).Seq())
	for m.Next() < 36*16000 {
		if _, err := m.Write(m.Next(), make([]int16, 480)); err != nil {
			t.Fatal(err)
		}
	}
	s := state(t, log)
	d, _ := s.Plan()
	if len(d.Done) != 1 || d.Done[0].String() != "subgingival, upper right quadrant, by ultrasonic" || d.Done[0].Who != "Ada Quill" {
		t.Errorf("%+v", d)
	}
	if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal); got != "3 2 4, 4 3 3" {
		t.Error(got)
	}
	want := "therapy subgingival, upper right quadrant, by ultrasonic?; therapy subgingival, tooth 16 mesial, by hand?"
	if got := strings.Join(asked(sub), "; "); got != want {
		t.Errorf("asked %q", got)
	}
	nobody, log := open(t, chart.FDI, say(1000, "therapy all teeth by hand"))
	play(t, nobody, 4000)
	s = state(t, log)
	if d, ok := s.Plan(); ok || !strings.Contains(s.Calls[len(s.Calls)-1].Refused, "who sits here") {
		t.Errorf("without a name: %+v, %+v", d, s.Calls)
	}
}
