package speech

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// remarks is a net with one state behind which anything may be said; plain has none.
type remarks struct{ Net }

func (remarks) Free(s int) bool { return s == 2 }

type plain struct{ Net }

func TestFreeStates(t *testing.T) {
	if !Free(remarks{}, 2) || Free(remarks{}, 1) || Free(plain{}, 2) {
		t.Error("speech of any content may follow where the net says so, and nowhere else")
	}
}

func TestTextOfAReading(t *testing.T) {
	if got := (Reading{Words: []Word{{Text: "three"}, {Text: "two"}, {Text: "four"}}}).Text(); got != "three two four" {
		t.Errorf("%q", got)
	}
	if got := (Reading{}).Text(); got != "" {
		t.Errorf("%q", got)
	}
}

// What is wrong names what is to be done.
func TestErrorsSayWhatIsWrong(t *testing.T) {
	if err := error(&VocabularyError{[]string{"gum", "pus"}}); !strings.Contains(err.Error(), "gum, pus") || !strings.Contains(err.Error(), "lexicon") {
		t.Error(err)
	}
	if err := error(&TakesError{"only 3 of 40 fit"}); err.Error() != "only 3 of 40 fit" {
		t.Error(err)
	}
}

// A sine of amplitude a has a level of 20 log10(a/sqrt 2) dB below full scale (definition of the root mean square).
func TestLoudnessOfWords(t *testing.T) {
	var m Meter
	pcm := make([]int16, Rate)
	for i := range pcm {
		amplitude := 3.0
		if i >= Rate/2 {
			amplitude = 3276.8 // a tenth of full scale
		}
		pcm[i] = int16(math.Round(amplitude * math.Sin(2*math.Pi*440*float64(i)/Rate)))
	}
	for i := 0; i+MeterStep <= len(pcm); i += MeterStep {
		m.Step(pcm[i : i+MeterStep])
	}
	rs := []Reading{{Words: []Word{{Text: "three", StartMS: 600, EndMS: 900}}}}
	m.Words(rs)
	if got, want := rs[0].Words[0].LevelDB, 20*math.Log10(0.1/math.Sqrt2); math.Abs(got-want) > 0.5 {
		t.Errorf("%.2f dB, want %.2f", got, want)
	}
}

// counting hears one call in each piece of sound.
type counting struct {
	deaf
	accepted, flushed, closed int
}

func (c *counting) Accept([]int16) ([]Hypothesis, error) {
	c.accepted++
	return []Hypothesis{{StartMS: 7}}, nil
}
func (c *counting) Flush() ([]Hypothesis, error) { c.flushed++; return nil, errors.New("broken") }
func (c *counting) Close() error                 { c.closed++; return nil }

// A recognizer that takes turns hears what it would hear alone, and its microphone counts until it is closed.
func TestTakingTurns(t *testing.T) {
	now := time.Unix(0, 0)
	turns := NewTurns(func() time.Time { return now }, true)
	var heard []time.Duration
	turns.Heard = func(sound, _ time.Duration) { heard = append(heard, sound) }
	var inner counting
	rec := turns.Take(&inner)
	if hs, err := rec.Accept(make([]int16, Rate/2)); err != nil || len(hs) != 1 || hs[0].StartMS != 7 {
		t.Errorf("%v, %v", hs, err)
	}
	if _, err := rec.Flush(); err == nil || err.Error() != "broken" {
		t.Errorf("the fault of the recognizer became %v", err)
	}
	if !slices.Equal(heard, []time.Duration{500 * time.Millisecond, 0}) || inner.accepted != 1 || inner.flushed != 1 {
		t.Errorf("sound of %v, %+v", heard, inner)
	}
	if turns.mics != 1 {
		t.Errorf("%d microphones are on", turns.mics)
	}
	for range 2 {
		if err := rec.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if turns.mics != 0 {
		t.Errorf("%d microphones are on, of one that was closed twice", turns.mics)
	}
	if turns.Full() != nil {
		t.Error("there is no room for one more")
	}
	turns.Drain()
	if turns.Full() == nil {
		t.Error("a microphone is taken by a service that is being drained")
	}
}
