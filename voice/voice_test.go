package voice

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/grammar"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// learner is a scripted engine that learns voices: it keeps what it is given.
type learner struct {
	*scripted.Engine
	fits  func(speech.Take) speech.Fit
	takes []speech.Take
	onto  []byte
	out   speech.Enrolment
	err   error
	wait  chan bool // Enrol waits for it, if there is one
}

func (l *learner) Check(t speech.Take) (speech.Fit, error) {
	if l.fits == nil {
		return speech.Fit{OK: true, Heard: strings.Join(t.Words, " ")}, nil
	}
	return l.fits(t), nil
}

func (l *learner) Enrol(ctx context.Context, onto []byte, takes []speech.Take) (speech.Enrolment, error) {
	if l.wait != nil {
		select {
		case <-l.wait:
		case <-ctx.Done():
			return speech.Enrolment{}, ctx.Err()
		}
	}
	l.takes, l.onto = takes, onto
	return l.out, l.err
}

func (l *learner) NewRecognizerFor([]byte) (speech.Recognizer, error) { return l.NewRecognizer() }

// heard is an engine that hears texts one after the other, a second and a half for each.
func heard(texts ...string) *learner {
	var us []scripted.Utterance
	for i, t := range texts {
		at := int64(500 + 1500*i)
		us = append(us, scripted.Utterance{StartMS: at, EndMS: at + 900, Text: t, Confidence: 0.9})
	}
	return &learner{Engine: scripted.New(us...)}
}

func begin(t *testing.T, l *learner, kind Kind) *Session {
	t.Helper()
	s, err := New(Config{ID: "s1", Examiner: "e1", Kind: kind, Numbering: chart.Universal, Engine: l, Seed: 1,
		Recognizer: func() (speech.Recognizer, bool, string, error) {
			r, err := l.NewRecognizer()
			return r, false, "", err
		},
		Keep: func(speech.Enrolment) error { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// play feeds so many milliseconds from a position on; the samples count up so that a cut can be told.
func play(t *testing.T, s *Session, at int64, ms int) int64 {
	t.Helper()
	pcm := make([]int16, ms*speech.Rate/1000)
	for i := range pcm {
		pcm[i] = int16((at + int64(i)) / 160 % 30000)
	}
	for len(pcm) > 0 {
		n := min(512, len(pcm))
		next, err := s.Write(at, pcm[:n])
		if err != nil {
			t.Fatal(err)
		}
		pcm, at = pcm[n:], next
	}
	return at
}

// Every line of the script is a call that the grammar knows in both numberings, and every digit comes seven times or more.
func TestScript(t *testing.T) {
	counts := map[string]int{}
	for _, n := range []chart.Numbering{chart.Universal, chart.FDI} {
		evs, err := chart.Start(n, "", nil, nil, chart.Meta{})
		if err != nil {
			t.Fatal(err)
		}
		st, err := chart.Fold(evs)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range Script() {
			if r, err := grammar.Parse(grammar.StateOf(st), strings.Fields(l)); err != nil || r.Ending == grammar.Prefix {
				t.Errorf("%s: %q is no call: %v", n, l, err)
			}
			for _, w := range strings.Fields(l) {
				counts[w]++
			}
		}
	}
	for _, w := range strings.Fields("zero one two three four five six seven eight nine") {
		if counts[w] < 2*7 {
			t.Errorf("%s comes %d times", w, counts[w]/2)
		}
	}
}

// A drill is calls that can be made where they stand, whatever the invented patient.
func TestDrillsCanBeCalled(t *testing.T) {
	for seed := range uint64(50) {
		texts := drill(rand.New(rand.NewPCG(seed, 3)))
		ls, err := walk(texts, chart.Universal)
		if err != nil {
			t.Fatal(err)
		}
		if len(ls) != drillPlaces*3/2 || ls[0].where != "2 buccal" {
			t.Errorf("%d lines, the first at %s", len(ls), ls[0].where)
		}
	}
}

// A line that fits and is heard as other words is asked for once more. Heard right then, the first reading is forgotten, for it may have been misread;
// misheard again, both are learned from.
func TestMisheardLines(t *testing.T) {
	l := heard("three two four", "three two four", "five three six", "five three six", "two one two")
	n := 0
	l.fits = func(k speech.Take) speech.Fit {
		n++
		return speech.Fit{OK: true, Heard: []string{"three two one", "three two four", "five two six", "nine three six", "two one two"}[n-1], Cost: float64(n)}
	}
	l.out = speech.Enrolment{Profile: []byte("profile")}
	s := begin(t, l, Enrol)
	s.lines = s.lines[:3]
	at := play(t, s, 0, 2000)
	if v := s.View(); v.At != 0 || v.Tries[0].OK || !strings.Contains(v.Tries[0].Why, "once more") {
		t.Fatalf("after a line that was misheard: %+v", v)
	}
	play(t, s, at, 6500)
	for s.View().State == Learning {
		time.Sleep(time.Millisecond)
	}
	var words []string
	for _, k := range l.takes {
		words = append(words, strings.Join(k.Words, " "))
	}
	if want := []string{"three two four", "five three six", "five three six", "two one two"}; !slices.Equal(words, want) || s.View().State != Done {
		t.Errorf("%q were learned from, want %q; %s", words, want, s.View().State)
	}
}

func TestEnrolment(t *testing.T) {
	l := heard("three two four", "five three", "six", "what a day", "two one two", "seven four eight")
	l.fits = func(k speech.Take) speech.Fit {
		if slices.Equal(k.Words, []string{"two", "one", "two"}) && len(l.takes) == 0 {
			return speech.Fit{OK: false, Heard: "two nine two", Why: "read it again"}
		}
		return speech.Fit{OK: true, Heard: strings.Join(k.Words, " "), Cost: float64(len(k.PCM))}
	}
	l.out = speech.Enrolment{Profile: []byte("profile"), Words: 9, WrongBefore: 2, WrongAfter: 1}
	var kept speech.Enrolment
	s := begin(t, l, Enrol)
	s.cfg.Keep = func(e speech.Enrolment) error { kept = e; return nil }
	at := play(t, s, 0, 2000)
	if v := s.View(); v.At != 1 || v.Lines[0].State != "right" || len(v.Tries) != 1 || v.Tries[0].WaitMS != 250 || v.Tries[0].SpokenMS != 900 {
		t.Fatalf("after the first line: %+v", v)
	}
	// The second line with a pause in the middle.
	at = play(t, s, at, 1400)
	if v := s.View(); v.At != 1 || len(v.Tries) != 1 {
		t.Fatalf("in the middle of the second line: at %d, %d tries", v.At, len(v.Tries))
	}
	at = play(t, s, at, 1600)
	if v := s.View(); v.At != 2 || len(v.Tries) != 2 {
		t.Fatalf("after the second line: %+v", v.Tries)
	}
	// Words that do not fit are read again; after the third time the line is left out.
	at = play(t, s, at, 3000)
	if v := s.View(); v.At != 2 || len(v.Tries) != 4 || v.Tries[2].Why != "read it again" || v.Tries[3].OK {
		t.Fatalf("after two readings that do not fit: at %d, %+v", v.At, v.Tries)
	}
	at = play(t, s, at, 1500)
	if v := s.View(); v.At != 3 || v.Lines[2].State != "wrong" {
		t.Fatalf("after three readings that do not fit: at %d, %+v", v.At, v.Tries)
	}
	if err := s.Skip(); err != nil {
		t.Fatal(err)
	}
	if v := s.View(); v.At != 4 || v.Lines[3].State != "skipped" {
		t.Fatalf("skipped: at %d", v.At)
	}
	if err := s.Learn(); err != nil {
		t.Fatal(err)
	}
	s.wg.Wait()
	v := s.View()
	if v.State != Done || v.Result == nil || v.Result.WrongBefore != 2 || v.Result.Profile != nil || string(kept.Profile) != "profile" {
		t.Fatalf("learned: %+v, kept %q", v, kept.Profile)
	}
	if len(l.takes) != 2 || strings.Join(l.takes[1].Words, " ") != "five three six" {
		t.Fatalf("learned from %d takes", len(l.takes))
	}
	// The sound of the second line: from a quarter second before its first word to the decision after its last one.
	if got, want := len(l.takes[1].PCM)*1000/speech.Rate, 250+1500+900+250; got < want-30 || got > want+30 {
		t.Errorf("the second take is %d ms long, want %d", got, want)
	}
	if got, want := int(l.takes[1].PCM[0]), (2000-250)*16/160; got < want-3 || got > want+3 {
		t.Errorf("the second take begins at %d0 ms, want %d0", got, want)
	}
	if s.takes != nil || s.sound != nil {
		t.Error("recordings are still there after learning")
	}
	for _, again := range []func() error{s.Skip, s.Learn} {
		if err := again(); !errors.Is(err, ErrDone) {
			t.Errorf("after the end: %v", err)
		}
	}
	if _, err := s.Write(at, make([]int16, 100)); err != nil {
		t.Errorf("sound after the end: %v", err)
	}
}

// The whole script read through ends by itself; refused recordings and a store that fails are told.
func TestEnrolmentEnds(t *testing.T) {
	for _, c := range []struct {
		name  string
		err   error
		keep  error
		state Stage
		text  string
	}{
		{"learned", nil, nil, Done, ""},
		{"refused", &speech.TakesError{Text: "only 3 of 40 fit"}, nil, Failed, "only 3 of 40 fit"},
		{"not kept", nil, errors.New("disk full"), Failed, "disk full"},
	} {
		l := heard(Script()...)
		l.err, l.out = c.err, speech.Enrolment{Profile: []byte("x")}
		s := begin(t, l, Enrol)
		s.cfg.Keep = func(speech.Enrolment) error { return c.keep }
		play(t, s, 0, 1500*len(script)+1000)
		s.wg.Wait()
		if v := s.View(); v.State != c.state || v.Error != c.text || v.At != len(script) {
			t.Errorf("%s: %s %q at %d", c.name, v.State, v.Error, v.At)
		}
	}
}

// Closing a session stops what it is working out.
func TestCloseStopsLearning(t *testing.T) {
	l := heard("three two four")
	l.wait = make(chan bool)
	s := begin(t, l, Enrol)
	play(t, s, 0, 2000)
	if err := s.Learn(); err != nil {
		t.Fatal(err)
	}
	if v := s.View(); v.State != Learning {
		t.Errorf("state %s", v.State)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Write(0, nil); !errors.Is(err, exam.ErrClosed) {
		t.Errorf("sound for a closed session: %v", err)
	}
	if err := s.Open("other"); !errors.Is(err, exam.ErrClosed) {
		t.Errorf("microphone for a closed session: %v", err)
	}
}

// What was sent before is dropped, a gap and another microphone begin the line anew.
func TestStream(t *testing.T) {
	s := begin(t, heard("three two four"), Enrol)
	if err := s.Open("a"); err != nil {
		t.Fatal(err)
	}
	at := play(t, s, 0, 1000)
	if next, err := s.Write(at-512, make([]int16, 500)); err != nil || next != at {
		t.Errorf("sent again: %d %v, want %d", next, err, at)
	}
	if next, err := s.Write(at+16000, make([]int16, 512)); err != nil || next != at+16512 {
		t.Errorf("after a gap: %d %v", next, err)
	}
	if err := s.Open("b"); err != nil {
		t.Fatal(err)
	}
	play(t, s, 0, 2000)
	if v := s.View(); v.At != 1 || len(v.Tries) != 1 {
		t.Errorf("another microphone: at %d, %d tries", v.At, len(v.Tries))
	}
	if err := s.Open("b"); err != nil {
		t.Fatal(err)
	}
	if next, err := s.Write(0, nil); err != nil || next != 32000 {
		t.Errorf("the same microphone again: %d %v", next, err)
	}
}

// A drill goes on whatever was heard, and counts.
func TestDrill(t *testing.T) {
	texts := drill(rand.New(rand.NewPCG(1, 3)))
	first := strings.Fields(texts[0])
	other := "five"
	if first[1] == other {
		other = "six"
	}
	wrong := strings.Join([]string{first[0], other, first[2]}, " ")
	says := slices.Clone(texts)
	says[0] = wrong
	says[3] = "good morning everybody"
	s := begin(t, heard(says...), Drill)
	play(t, s, 0, 1500*len(says)+1000)
	v := s.View()
	if v.State != Done || v.At != len(texts) {
		t.Fatalf("%s at %d", v.State, v.At)
	}
	f := v.Drill
	if f.Calls != len(texts) || f.Right != len(texts)-2 || f.MedianMS != 250 || v.Lines[0].State != "wrong" || v.Lines[1].State != "right" || v.Tries[3].Heard != "" {
		t.Errorf("figures %+v", f)
	}
	if f.Confused[0].Times < 1 || !slices.Contains(f.Confused, Confusion{first[1], other, 1}) {
		t.Errorf("confused %+v, want %s for %s", f.Confused, other, first[1])
	}
	if f.WordsWrong != 1+len(strings.Fields(texts[3])) {
		t.Errorf("%d words wrong", f.WordsWrong)
	}
}

func TestConfusions(t *testing.T) {
	for _, c := range []struct{ said, heard, want string }{
		{"three two four", "three two four", ""},
		{"three two four", "three eight four", "two>eight"},
		{"three two four", "three four", "two>"},
		{"three four", "three two four", ">two"},
		{"one two three", "nine two eight", "one>nine three>eight"},
		{"two", "", "two>"},
	} {
		var got []string
		for _, x := range confusions(strings.Fields(c.said), strings.Fields(c.heard)) {
			got = append(got, x.Said+">"+x.Heard)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%q heard as %q: %q, want %q", c.said, c.heard, got, c.want)
		}
	}
}

// A recording of the script is cut into its lines; what was read wrong and read again, and what was left out, is no harm.
func TestCut(t *testing.T) {
	l := heard("three two four", "five three six", "two one two", "seven four eight")
	n := 0
	l.fits = func(k speech.Take) speech.Fit {
		// Read in this order: the first line, something else, the third line, the fourth.
		n++
		at := len(k.PCM)
		return speech.Fit{OK: at > 0 && (n == 1 || n > 5 && k.Words[0] == "two" || n > 6 && k.Words[0] == "seven")}
	}
	pcm := make([]int16, 7*speech.Rate)
	takes, left, err := Cut(l, pcm, []string{"three two four", "", "five three six", "Two one two", "seven four eight"})
	if err != nil || len(takes) != 3 || len(left) != 1 || left[0] != "five three six" {
		t.Errorf("%d takes, left %q, %v", len(takes), left, err)
	}
	l.Unknown = []string{"quux"}
	var lacks *speech.VocabularyError
	if _, _, err := Cut(l, pcm, []string{"quux"}); !errors.As(err, &lacks) || !strings.Contains(err.Error(), "line 1") {
		t.Errorf("unknown word: %v", err)
	}
}

// A session that learns from takes of exams reads nothing: it leaves out what does not fit, learns on top of the profile, and says what came of it.
func TestTeach(t *testing.T) {
	takes := []speech.Take{{Words: []string{"three"}}, {Words: []string{"nine"}}, {Words: []string{"four"}}}
	nines := func(k speech.Take) speech.Fit { return speech.Fit{OK: k.Words[0] != "nine"} }
	for name, c := range map[string]struct {
		out   speech.Enrolment
		err   error
		state Stage
		says  string
		kept  int
	}{
		"helps":      {out: speech.Enrolment{Profile: []byte("new"), Takes: 2, Onto: true}, state: Done, kept: 1},
		"helps not":  {out: speech.Enrolment{Why: "no better", Takes: 2, Onto: true}, state: Done, says: "no better"},
		"cannot":     {err: &speech.TakesError{Text: "too few"}, state: Failed, says: "too few"},
		"given over": {state: Failed, says: context.Canceled.Error()},
	} {
		t.Run(name, func(t *testing.T) {
			l := heard()
			l.fits, l.out, l.err = nines, c.out, c.err
			kept := 0
			if name == "given over" {
				l.wait = make(chan bool)
			}
			s, err := New(Config{ID: "s", Examiner: "e", Kind: Teach, Engine: l, Takes: takes, Profile: []byte("old"), Keep: func(speech.Enrolment) error { kept++; return nil }})
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Skip(); !errors.Is(err, ErrDone) {
				t.Errorf("a line to leave out: %v", err)
			}
			for l.wait == nil && s.View().State == Learning {
				time.Sleep(time.Millisecond)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			v := s.View()
			why := v.Error
			if v.Result != nil {
				why = v.Result.Why
			}
			if v.State != c.state || why != c.says || kept != c.kept || len(v.Lines) != 0 {
				t.Errorf("%+v, kept %d", v, kept)
			}
			if v.State == Done && (v.Result.Left != 1 || len(l.takes) != 2 || l.takes[1].Words[0] != "four" || string(l.onto) != "old") {
				t.Errorf("%+v learned from %v onto %q", v.Result, l.takes, l.onto)
			}
		})
	}
}
