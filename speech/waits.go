package speech

import (
	"cmp"
	"time"
)

// Waits say when a call counts as ended. Zero values stand for the defaults given. Engines have them
// among their options.
type Waits struct {
	// How long the silence after the last sound lasts before that.
	WaitFull     time.Duration // nothing more is expected; 130 ms
	WaitComplete time.Duration // reading may stand alone; 260 ms
	WaitOpen     time.Duration // more words could change its meaning; 380 ms
	WaitPrefix   time.Duration // unfinished, or nothing fits; 700 ms
	Longest      time.Duration // a call is cut after this; 12 s
}

// WithDefaults fills in the defaults.
func (w Waits) WithDefaults() Waits {
	w.WaitFull = cmp.Or(w.WaitFull, 130*time.Millisecond)
	w.WaitComplete = cmp.Or(w.WaitComplete, 260*time.Millisecond)
	w.WaitOpen = cmp.Or(w.WaitOpen, 380*time.Millisecond)
	w.WaitPrefix = cmp.Or(w.WaitPrefix, 700*time.Millisecond)
	w.Longest = cmp.Or(w.Longest, 12*time.Second)
	return w
}

// After is the wait after words with an ending.
func (w Waits) After(e Ending) time.Duration {
	switch e {
	case Full:
		return w.WaitFull
	case Complete:
		return w.WaitComplete
	case Open:
		return w.WaitOpen
	}
	return w.WaitPrefix
}

// A Queue gives sound to a recognizer in steps of MeterStep samples, so that what it hears does not
// depend on the sizes of the frames that come in.
type Queue struct{ pcm []int16 }

// Accept adds sound and takes steps until one gives a final or an error; the rest waits.
func (q *Queue) Accept(pcm []int16, step func(pcm []int16) (*Hypothesis, error)) (hyps []Hypothesis, err error) {
	q.pcm = append(q.pcm, pcm...)
	at := 0
	for at+MeterStep <= len(q.pcm) && err == nil && !(len(hyps) > 0 && hyps[len(hyps)-1].Final) {
		var h *Hypothesis
		h, err = step(q.pcm[at : at+MeterStep])
		at += MeterStep
		if h != nil {
			hyps = append(hyps, *h)
		}
	}
	q.pcm = append(q.pcm[:0], q.pcm[at:]...)
	return hyps, err
}

// Flush puts silence behind the sound in which all calls end, takes all steps and gives the finals.
func (q *Queue) Flush(w Waits, step func(pcm []int16) (*Hypothesis, error)) (finals []Hypothesis, err error) {
	more := make([]int16, int((w.WaitPrefix+400*time.Millisecond).Seconds()*Rate))
	for err == nil && len(q.pcm)+len(more) >= MeterStep {
		var hyps []Hypothesis
		hyps, err = q.Accept(more, step)
		more = nil
		if n := len(hyps); n > 0 && hyps[n-1].Final {
			finals = append(finals, hyps[n-1])
		}
	}
	q.pcm = q.pcm[:0]
	return finals, err
}
