package speech

import (
	"errors"
	"slices"
	"testing"
	"time"
)

// Steps come whole and in order, a final stops them, and what waits is had by asking again.
func TestQueue(t *testing.T) {
	var q Queue
	var got []int16
	steps := 0
	step := func(pcm []int16) (*Hypothesis, error) {
		if len(pcm) != MeterStep {
			t.Fatalf("a step of %d samples", len(pcm))
		}
		got = append(got, pcm...)
		if steps++; steps%3 == 0 {
			return &Hypothesis{Final: true, AtMS: int64(steps)}, nil
		}
		return &Hypothesis{AtMS: int64(steps)}, nil
	}
	want := make([]int16, 7*MeterStep+5)
	for i := range want {
		want[i] = int16(i)
	}
	accept := func(pcm []int16, at ...int64) {
		t.Helper()
		hyps, err := q.Accept(pcm, step)
		var had []int64
		for _, h := range hyps {
			had = append(had, h.AtMS)
		}
		if err != nil || !slices.Equal(had, at) {
			t.Errorf("steps %v told, %v; want %v", had, err, at)
		}
	}
	accept(want[:MeterStep-1])
	accept(want[MeterStep-1:], 1, 2, 3)
	accept(nil, 4, 5, 6)
	accept(nil, 7)
	accept(nil)
	if !slices.Equal(got, want[:7*MeterStep]) {
		t.Error("the samples come altered")
	}
	// 5 samples wait; 1.1 s of silence make 110 steps of it, of which every third gives a final.
	finals, err := q.Flush(Waits{}.WithDefaults(), step)
	if err != nil || steps != 117 || len(finals) != 37 || !finals[36].Final {
		t.Errorf("flushed to step %d with %d finals, %v; want 117 and 37", steps, len(finals), err)
	}
	accept(make([]int16, MeterStep-1)) // nothing is left of the stream before
}

func TestQueueErrors(t *testing.T) {
	fault := errors.New("fault")
	n := 0
	step := func([]int16) (*Hypothesis, error) {
		if n++; n == 2 {
			return nil, fault
		}
		return &Hypothesis{Final: true}, nil
	}
	var q Queue
	if finals, err := q.Flush(Waits{WaitPrefix: time.Second}, step); err != fault || len(finals) != 1 || n != 2 {
		t.Errorf("%d finals, %v after %d steps; want 1 and the fault after 2", len(finals), err, n)
	}
}

func TestWaits(t *testing.T) {
	w := Waits{WaitOpen: 300 * time.Millisecond}.WithDefaults()
	for e, want := range map[Ending]time.Duration{Complete: w.WaitComplete, Open: 300 * time.Millisecond, Prefix: w.WaitPrefix, NoEnding: w.WaitPrefix} {
		if got := w.After(e); got != want {
			t.Errorf("after ending %d: %v, want %v", e, got, want)
		}
	}
	if !(0 < w.WaitComplete && w.WaitComplete < w.WaitPrefix && w.WaitPrefix < w.Longest) {
		t.Errorf("defaults make no sense: %+v", w)
	}
}
