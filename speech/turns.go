package speech

import (
	"errors"
	"runtime"
	"sync"
	"time"
)

// ErrBusy means that the recognizers have as much to hear as it can follow: no further microphone is taken.
var ErrBusy = errors.New("the recognizer has as much to hear as it can follow: this microphone was not taken, those that are on go on; try again when one of them is switched off")

// ErrStopping means that the service is being stopped: no microphone is taken that was not on.
var ErrStopping = errors.New("the service is being stopped: no further microphone is taken until it is back; what others say goes on being heard")

// ErrUnheard means that the recognizers are at other computers and none of them answers.
var ErrUnheard = errors.New("no computer that recognizes speech can be reached: this microphone was not taken; typing goes on; who looks after the service finds the cause in its log")

// Load is how much the recognizers have to do.
type Load struct {
	Microphones int     // that have a recognizer
	Waiting     int     // pieces of sound that wait for a turn
	Factor      float64 // how long sound takes to be heard, waiting included, as a share of its own length: from 1 on it lags behind
	Busy        bool    // no further microphone is taken
}

// Shares of its own length that sound may take before no further microphone is taken, and from which on one is taken again. The less of the
// processor is left, the faster this share grows: at one half, a third to a tenth of it is.
const (
	busyFrom  = 0.5
	busyUntil = 0.35
)

// A microphone is expected to take so much of a processor until it was measured: an exam called without a rest takes 0.03 to 0.04 of one of today
// (docs/measurements.md). Many that come at once are taken up to what most processors have together. Declared.
const (
	newcomer = 0.03
	most     = 0.9
)

// loadSpan is the time over which the load is measured.
const loadSpan = 5 * time.Second

// Turns has all microphones take turns at the processor: as many are heard at once as there are processors, each a piece of sound at a time, in
// the order in which they come. So many who speak at once make one another wait, and nothing else.
type Turns struct {
	Heard func(sound, took time.Duration) // told of each piece that was heard; may be nil

	now   func() time.Time
	turns chan struct{} // nil: others see to it that not too many are heard at once

	mu      sync.Mutex
	mics    int
	waiting int
	busy    bool
	drained bool      // no microphone is taken any more
	begun   time.Time // of the span that is measured now
	now1    spent     // in it
	before  spent     // in the one before it
}

// spent is what was heard in a span: so much sound, in so much time, of which so much at the processor; taken are the microphones that came.
type spent struct {
	sound, took, work time.Duration
	taken             int
}

// NewTurns is for recognizers of this process. Where they are elsewhere, elsewhere is who refuses microphones and has them wait.
func NewTurns(now func() time.Time, elsewhere bool) *Turns {
	t := &Turns{now: now}
	if !elsewhere {
		t.turns = make(chan struct{}, runtime.GOMAXPROCS(0))
	}
	return t
}

// Load is measured over the last one to two spans.
func (t *Turns) Load() Load {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.turn()
	l := Load{Microphones: t.mics, Waiting: t.waiting, Busy: t.busy}
	if sound := t.now1.sound + t.before.sound; sound > 0 {
		l.Factor = float64(t.now1.took+t.before.took) / float64(sound)
	}
	switch {
	case t.turns == nil:
	case l.Factor > busyFrom && t.now1.sound+t.before.sound >= loadSpan/5:
		l.Busy = true
	case l.Factor < busyUntil:
		l.Busy = false
	}
	t.busy = l.Busy
	return l
}

// Full says why no further microphone is taken; nil: one is.
func (t *Turns) Full() error {
	t.mu.Lock()
	drained := t.drained
	t.mu.Unlock()
	switch {
	case drained:
		return ErrStopping
	case t.Load().Busy || t.expected() > most:
		return ErrBusy
	}
	return nil
}

// expected is the share of all processors that those who hear now and those who just came are expected to take.
func (t *Turns) expected() float64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.turns == nil {
		return 0
	}
	t.turn()
	span := max(t.now().Sub(t.begun), 0)
	if t.before.sound > 0 {
		span += loadSpan
	}
	share := newcomer * float64(t.now1.taken+t.before.taken)
	if span >= loadSpan/5 {
		share += float64(t.now1.work+t.before.work) / float64(span)
	}
	return share / float64(cap(t.turns))
}

// Drain has no further microphone be taken; those that are on go on.
func (t *Turns) Drain() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.drained = true
}

// turn begins another span where it is time.
func (t *Turns) turn() {
	switch past := t.now().Sub(t.begun); {
	case past >= 2*loadSpan || past < 0:
		t.before, t.now1, t.begun = spent{}, spent{}, t.now()
	case past >= loadSpan:
		t.before, t.now1, t.begun = t.now1, spent{}, t.now()
	}
}

func (t *Turns) heard(sound, took, work time.Duration) {
	if t.Heard != nil {
		t.Heard(sound, took)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.turn()
	t.now1.sound += sound
	t.now1.took += took
	t.now1.work += work
}

// Take has a recognizer take turns.
func (t *Turns) Take(rec Recognizer) Recognizer {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.mics++
	t.turn()
	t.now1.taken++
	return &inTurn{Recognizer: rec, of: t}
}

// inTurn is a recognizer that takes turns.
type inTurn struct {
	Recognizer
	of   *Turns
	once sync.Once
}

func (r *inTurn) wait(sound time.Duration, hear func() ([]Hypothesis, error)) ([]Hypothesis, error) {
	t := r.of
	began := t.now()
	if t.turns != nil {
		t.mu.Lock()
		t.waiting++
		t.mu.Unlock()
		t.turns <- struct{}{}
		t.mu.Lock()
		t.waiting--
		t.mu.Unlock()
		defer func() { <-t.turns }()
	}
	turn := t.now()
	defer func() { t.heard(sound, t.now().Sub(began), t.now().Sub(turn)) }()
	return hear()
}

func (r *inTurn) Accept(pcm []int16) ([]Hypothesis, error) {
	return r.wait(time.Duration(len(pcm))*time.Second/Rate, func() ([]Hypothesis, error) { return r.Recognizer.Accept(pcm) })
}

func (r *inTurn) Flush() ([]Hypothesis, error) { return r.wait(0, r.Recognizer.Flush) }

// Skip implements Skipper.
func (r *inTurn) Skip(before int64) {
	if s, can := r.Recognizer.(Skipper); can {
		s.Skip(before)
	}
}

func (r *inTurn) Close() error {
	r.once.Do(func() {
		r.of.mu.Lock()
		defer r.of.mu.Unlock()
		r.of.mics--
	})
	return r.Recognizer.Close()
}
