package speech

import (
	"errors"
	"runtime"
	"testing"
	"time"
)

// deaf hears nothing.
type deaf struct{}

func (deaf) SetNet(Net) error                     { return nil }
func (deaf) Accept([]int16) ([]Hypothesis, error) { return nil, nil }
func (deaf) Flush() ([]Hypothesis, error)         { return nil, nil }
func (deaf) Close() error                         { return nil }

// Many microphones that come at once are refused before they have the others wait; once it is known what those that are on take, more come.
func TestMicrophonesAtOnce(t *testing.T) {
	now := time.Unix(0, 0)
	turns := NewTurns(func() time.Time { return now }, false)
	var mics []Recognizer
	burst := func() (n int) {
		for ; turns.Full() == nil; n++ {
			if mics = append(mics, turns.Take(deaf{})); n > 10_000 {
				t.Fatal("all are taken")
			}
		}
		if err := turns.Full(); !errors.Is(err, ErrBusy) {
			t.Fatal(err)
		}
		return n
	}
	first := burst()
	if want := most / newcomer * float64(runtime.GOMAXPROCS(0)); float64(first) < want-1 || float64(first) > want+2 {
		t.Errorf("%d microphones were taken at once, want about %.0f", first, want)
	}
	// For ten seconds each takes a hundredth of a processor.
	for range 100 {
		for range mics {
			turns.heard(100*time.Millisecond, time.Millisecond, time.Millisecond)
		}
		now = now.Add(100 * time.Millisecond)
	}
	if second := burst(); second < first/2 {
		t.Errorf("%d more were taken, with a third of the processors in use", second)
	}
}
