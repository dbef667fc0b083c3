package exam

import (
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// spokenWhile plays a script while the page says texts: from, to (0: until it is stopped) and text.
type said struct {
	from, to int64
	text     string
}

func wordsHeard(t *testing.T, script []scripted.Utterance, prompts ...said) string {
	t.Helper()
	e, log := open(t, chart.FDI, script...)
	m, err := e.OpenMic("test", false)
	if err != nil {
		t.Fatal(err)
	}
	at := func(ms int64) int64 { return ms * speech.Rate / 1000 }
	for ms := int64(0); ms < script[len(script)-1].EndMS+2000; ms += 20 {
		for _, p := range prompts {
			if ms == p.from {
				m.Speaks(at(p.from), p.text)
			}
			if ms == p.to {
				m.Spoke(at(p.from), at(p.to))
			}
		}
		if _, err := m.Write(m.Next(), make([]int16, at(20))); err != nil {
			t.Fatal(err)
		}
	}
	var out []string
	for _, c := range state(t, log).Calls {
		if c.Source == chart.Voice {
			out = append(out, c.Words)
		}
	}
	return strings.Join(out, "|")
}

func TestOwnWordsAreNotHeard(t *testing.T) {
	loud := func(at int64, text string, db float64) scripted.Utterance {
		u := say(at, text)
		u.Signal = speech.Signal{LevelDB: db, NoiseDB: -70}
		return u
	}
	rejected := loud(3000, "two", -20)
	rejected.Rejected = true
	misheard := loud(3000, "three fifteen one three two four", -22)
	misheard.Levels = []float64{-41, -42, -40, -21, -22, -21}
	unsure := loud(3000, "five", -20)
	unsure.Rivals = []string{"nine"}
	for _, c := range []struct {
		name    string
		script  []scripted.Utterance
		prompts []said
		want    string
	}{
		{"its own numbers", []scripted.Utterance{say(1000, "three two four"), say(3000, "three two four")}, []said{{2400, 4400, "3. 2. 4"}}, "three two four"},
		{"while it still speaks", []scripted.Utterance{say(3000, "three two four")}, []said{{2400, 0, "3. 2. 4"}}, ""},
		{"a piece of them", []scripted.Utterance{say(3000, "two four")}, []said{{2400, 4400, "3. 2. 4"}}, ""},
		{"the same words at another time", []scripted.Utterance{say(6000, "three two four")}, []said{{2400, 4400, "3. 2. 4"}}, "three two four"},
		{"other numbers", []scripted.Utterance{say(3000, "five five six")}, []said{{2400, 0, "3. 2. 4"}}, "five five six"},
		{"a control word", []scripted.Utterance{say(1000, "three two four"), say(3000, "disregard"), say(5000, "correction five")}, []said{{2400, 0, "3. 2. 4"}}, "three two four|disregard|correction five"},
		{"an answer", []scripted.Utterance{say(1000, "three two ten"), say(4500, "affirm")}, []said{{3000, 5000, "10?"}}, "three two ten|affirm"},
		{"its own question", []scripted.Utterance{say(1000, "missing fourteen"), say(3000, "missing fourteen")}, []said{{2800, 4400, "missing 14?"}}, "missing fourteen"},
		{"longer words that begin like a call", []scripted.Utterance{say(1000, "three"), say(3000, "disregard")}, []said{{2800, 4000, "disregarded"}}, "three"},
		{"refusals have words of calls", []scripted.Utterance{say(1000, "three"), say(3500, "missing")}, []said{{2800, 6000, "tooth 16 is missing: say present first"}}, "three"},
		{"a second reading is its own", []scripted.Utterance{unsure}, []said{{2400, 0, "9?"}}, ""},
		{"noise of its own", []scripted.Utterance{loud(1000, "three", -20), rejected}, []said{{2400, 0, "3"}}, "three"},
		{"own words and a call in one, where it never came back", []scripted.Utterance{say(3000, "two four five")}, []said{{2400, 0, "3. 2. 4"}}, "two four five"},
		{"own words and a call in one, where it did", []scripted.Utterance{say(3000, "three two four"), say(6000, "three two four"), say(9000, "two four five")},
			[]said{{2400, 4400, "3. 2. 4"}, {5400, 7400, "3. 2. 4"}, {8400, 0, "3. 2. 4"}}, ""},
		{"too early for its second word", []scripted.Utterance{say(2420, "three")}, []said{{2400, 0, "2. 3"}}, "three"},
		// The levels tell: 20 dB under the calls it is the loudspeaker, as loud as they it is the examiner.
		{"levels that are known", []scripted.Utterance{loud(1000, "three two four", -20), loud(3000, "three two four", -27), loud(6000, "two two two", -20),
			loud(8000, "five five five", -28), loud(8000, "two two two", -20)},
			[]said{{2400, 4400, "3. 2. 4"}, {7400, 10000, "2. 2. 2"}}, "three two four|two two two|two two two"},
		{"words as loud as the calls, while it says some of them", []scripted.Utterance{loud(1000, "three two four", -20), loud(3000, "three two four", -35), loud(6200, "two two three", -20)},
			[]said{{2400, 4400, "3. 2. 4"}, {6000, 6900, "2 mid buccal: 2?"}}, "three two four|two two three"},
		{"words of its own in another order", []scripted.Utterance{loud(1000, "three two four", -20), say(6200, "four four three")},
			[]said{{6000, 6900, "4 mid buccal: 3?"}}, "three two four|four four three"},
		{"its last word heard as a hesitation, and a call", []scripted.Utterance{loud(1000, "three two four", -20), loud(3200, "fourteen uh two two two", -25)},
			[]said{{3000, 3900, "14 buccal"}}, "three two four|two two two"},
		{"the end of one text, the next one, and a call", []scripted.Utterance{loud(1000, "three two four", -20), loud(3000, "four eight uh two two two", -25)},
			[]said{{2400, 3300, "3. 1. 4"}, {3300, 4000, "8 buccal"}}, "three two four|two two two"},
		{"the end of one text, the next one with a word heard for a number, and a call", []scripted.Utterance{loud(1000, "four one three", -20), misheard},
			[]said{{2000, 3200, "4. 1. 3"}, {3260, 4000, "15 lingual"}}, "four one three|three two four"},
		{"with a headset its voice never comes back", []scripted.Utterance{loud(1000, "three", -20), loud(10_000, "two two two", -20)},
			[]said{{2000, 3000, "3"}, {4000, 5000, "3"}, {6000, 7000, "3"}, {8000, 9000, "3"}, {9500, 12_000, "2. 2. 2"}}, "three|two two two"},
	} {
		if got := wordsHeard(t, c.script, c.prompts...); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// skips is a recognizer that notes what it is to skip.
type skips struct {
	speech.Recognizer
	before []int64
}

func (s *skips) Skip(before int64) { s.before = append(s.before, before) }

// What the tool said is skipped where nothing nearly as loud as the calls sounded meanwhile: that may be a call into it.
func TestOwnWordsAreSkipped(t *testing.T) {
	for _, c := range []struct {
		peak  int16   // of the sound while it speaks
		calls float64 // dB; 0: not known
		want  int
	}{{100, -20, 1}, {3000, -20, 0}, {100, 0, 0}} {
		x := newExaminer(t, &Memory{})
		rec := &skips{Recognizer: x.m.rec}
		x.m.rec, x.m.own.calls = rec, c.calls
		x.waits(1000)
		from := x.m.Next()
		x.m.Speaks(from, "14 buccal")
		pcm := make([]int16, speech.Rate)
		for i := range pcm {
			pcm[i] = c.peak * int16(i/40%2*2-1)
		}
		if _, err := x.m.Write(from, pcm); err != nil {
			t.Fatal(err)
		}
		x.ms += 1000
		to := x.m.Next()
		x.m.Spoke(from, to)
		if len(rec.before) != c.want || c.want == 1 && rec.before[0] != to {
			t.Errorf("sound of %d while the tool spoke, calls at %.0f dB: skipped %v", c.peak, c.calls, rec.before)
		}
		x.e.Close()
	}
}
