package practice

import (
	"errors"
	"runtime"
	"sync"
	"time"

	"leadsman/speech"
)

// ErrBusy means that the recognizer has as much to hear as it can follow: no further microphone is taken.
var ErrBusy = errors.New("the recognizer has as much to hear as it can follow: this microphone was not taken, those that are on go on; try again when one of them is switched off")

// ErrStopping means that the service is being stopped: no microphone is taken that was not on.
var ErrStopping = errors.New("the service is being stopped: no further microphone is taken until it is back; what others say goes on being heard")

// Load is how much the recognizer has to do.
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

// loadSpan is the time over which the load is measured.
const loadSpan = 5 * time.Second

// ears has all microphones take turns at the processor: as many are heard at once as there are processors, each a piece of sound at a time, in
// the order in which they come. So many who speak at once make one another wait, and nothing else.
type ears struct {
	now   func() time.Time
	turns chan struct{}
	seen  func(sound, took time.Duration) // told of each piece that was heard; may be nil

	mu      sync.Mutex
	mics    int
	waiting int
	busy    bool
	drained bool      // no microphone is taken any more
	begun   time.Time // of the span that is measured now
	now1    spent     // in it
	before  spent     // in the one before it
}

type spent struct{ sound, took time.Duration }

func newEars(now func() time.Time) *ears {
	return &ears{now: now, turns: make(chan struct{}, runtime.GOMAXPROCS(0))}
}

// load is measured over the last one to two spans.
func (e *ears) load() Load {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.turn()
	l := Load{Microphones: e.mics, Waiting: e.waiting, Busy: e.busy}
	if sound := e.now1.sound + e.before.sound; sound > 0 {
		l.Factor = float64(e.now1.took+e.before.took) / float64(sound)
	}
	switch {
	case l.Factor > busyFrom && e.now1.sound+e.before.sound >= loadSpan/5:
		l.Busy = true
	case l.Factor < busyUntil:
		l.Busy = false
	}
	e.busy = l.Busy
	return l
}

// full says why no further microphone is taken.
func (e *ears) full() error {
	e.mu.Lock()
	drained := e.drained
	e.mu.Unlock()
	switch {
	case drained:
		return ErrStopping
	case e.load().Busy:
		return ErrBusy
	}
	return nil
}

func (e *ears) drain() {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.drained = true
}

// turn begins another span where it is time.
func (e *ears) turn() {
	switch past := e.now().Sub(e.begun); {
	case past >= 2*loadSpan || past < 0:
		e.before, e.now1, e.begun = spent{}, spent{}, e.now()
	case past >= loadSpan:
		e.before, e.now1, e.begun = e.now1, spent{}, e.now()
	}
}

func (e *ears) heard(sound, took time.Duration) {
	if e.seen != nil {
		e.seen(sound, took)
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.turn()
	e.now1.sound += sound
	e.now1.took += took
}

// take has a recognizer take turns.
func (e *ears) take(rec speech.Recognizer) speech.Recognizer {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.mics++
	return &ear{Recognizer: rec, of: e}
}

// ear is a recognizer that takes turns.
type ear struct {
	speech.Recognizer
	of   *ears
	once sync.Once
}

func (r *ear) inTurn(sound time.Duration, hear func() ([]speech.Hypothesis, error)) ([]speech.Hypothesis, error) {
	e := r.of
	began := e.now()
	e.mu.Lock()
	e.waiting++
	e.mu.Unlock()
	e.turns <- struct{}{}
	e.mu.Lock()
	e.waiting--
	e.mu.Unlock()
	defer func() {
		<-e.turns
		e.heard(sound, e.now().Sub(began))
	}()
	return hear()
}

func (r *ear) Accept(pcm []int16) ([]speech.Hypothesis, error) {
	return r.inTurn(time.Duration(len(pcm))*time.Second/speech.Rate, func() ([]speech.Hypothesis, error) { return r.Recognizer.Accept(pcm) })
}

func (r *ear) Flush() ([]speech.Hypothesis, error) { return r.inTurn(0, r.Recognizer.Flush) }

func (r *ear) Close() error {
	r.once.Do(func() {
		r.of.mu.Lock()
		defer r.of.mu.Unlock()
		r.of.mics--
	})
	return r.Recognizer.Close()
}
