package scripted_test

import (
	"testing"

	"leadsman/speech"
	"leadsman/speech/scripted"
	"leadsman/speech/speechtest"
)

// words is a net that allows any of its words, any number of times.
type words []string

func (w words) Key() string { return w[0] }
func (w words) States() int { return 2 }
func (w words) Ending(s int) (speech.Ending, float64) {
	if s == 1 {
		return speech.Complete, 0
	}
	return speech.NoEnding, 0
}
func (w words) Arcs(_ int, yield func(string, int, float64)) {
	for _, x := range w {
		yield(x, 1, -1)
	}
}

func TestContract(t *testing.T) {
	speechtest.TestRecognizer(t, func(testing.TB) speech.Engine {
		e := scripted.New(
			scripted.Utterance{StartMS: 200, EndMS: 900, Text: "three two four", Rivals: []string{"three two two"}, Confidence: 0.9},
			scripted.Utterance{StartMS: 1500, EndMS: 1800, Text: "bleeding"},
			scripted.Utterance{StartMS: 2100, EndMS: 2300, Text: "four"},
		)
		e.Unknown = []string{speechtest.Unpronounceable}
		return e
	}, speechtest.Sample{
		PCM:   make([]int16, 2500*speech.Rate/1000),
		Net:   words{"two", "three", "four", "bleeding"},
		Want:  []string{"three two four", "bleeding", "four"},
		Other: words{"nothing"},
	})
}

func TestOutsideNetIsRejected(t *testing.T) {
	r, err := scripted.New(scripted.Utterance{StartMS: 0, EndMS: 500, Text: "hello there"}).NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SetNet(words{"two"}); err != nil {
		t.Fatal(err)
	}
	h, err := r.Accept(make([]int16, speech.Rate))
	if err != nil || len(h) != 1 || !h[0].Rejected || len(h[0].Readings) != 0 {
		t.Errorf("%+v, %v; want one rejected final without readings", h, err)
	}
}
