package exam

import (
	"context"
	"slices"

	"leadsman/chart"
	"leadsman/speech"
)

// No sound is entered twice, and none that meant something is lost, when the service ends at any moment. The rule: the log
// keeps, in the transaction of the events, a position in the sound. It is the begin of the oldest sound whose meaning is
// not durable. A microphone that comes back after the end goes on there: what lies before is never heard again, what lies
// behind is heard again.

// Heard is how far the sound of a microphone is decided.
type Heard = chart.Heard

// decided is how far the sound of the microphone that is on is decided, as far as the log is concerned. It belongs to the exam's owner. Times
// are in ms of the stream.
type decided struct {
	id      string
	upTo    int64   // all calls that ended before it were acted upon
	ends    []int64 // where these calls ended, from the durable position on
	within  int64   // not 0: an earlier call is being settled, and only sound before this is decided by it
	durable int64   // what the log has
}

const (
	// leadMS of the pause before speech that has to be heard again are heard with it.
	leadMS = 2000
	// silentMS is longer than any call: in sound older than that, in which no call was heard, there was none.
	silentMS = 20_000
	// stepMS is how far the position moves in silence before it is written.
	stepMS = 5000
)

// heardNow is how far the sound is decided once the events that are about to be written are durable. Without news it names no stream.
func (e *Exam) heardNow() Heard {
	s := &e.stream.decided
	at := s.upTo
	if s.within > 0 {
		at = min(at, s.within)
	}
	if from, ok := e.undecidedFrom(); ok && from < at {
		// Speech begins a little before it is recognized: the place to go on from is where the call before it ended.
		at = from - leadMS
		for _, end := range s.ends {
			if end <= from {
				at = max(at, end)
			}
		}
	}
	if at <= s.durable {
		return Heard{}
	}
	return Heard{Stream: s.id, Samples: at * speech.Rate / 1000}
}

// keep makes events durable, and with them how far the sound is decided.
func (e *Exam) keep(ctx context.Context, evs ...chart.Event) error {
	h := e.heardNow()
	if h.Stream == "" && len(evs) == 0 {
		return nil
	}
	if e.behind.Load() {
		return ErrBehind
	}
	if err := e.cfg.Log.AppendHeard(ctx, h, evs...); err != nil {
		if unsure(err) {
			e.behind.Store(true)
		}
		return err
	}
	if h.Stream != "" {
		s := &e.stream.decided
		s.durable = h.Samples * 1000 / speech.Rate
		s.ends = slices.DeleteFunc(s.ends, func(end int64) bool { return end < s.durable })
	}
	return nil
}

// acting says that a call is about to be acted upon, to whose end the sound is decided then.
func (s *decided) acting(consumed int64) {
	if consumed > s.upTo {
		s.upTo = consumed
		s.ends = append(s.ends, consumed)
	}
}

// silent says that nothing was heard up to a time.
func (s *decided) silent(nowMS int64) {
	if at := nowMS - silentMS; at >= s.upTo+stepMS {
		s.upTo = at
	}
}

// earlier settles something that was heard before the call that is acted upon, which is not decided by that: the function that it
// returns ends it.
func (s *decided) earlier(consumed int64) (end func()) {
	s.within = consumed
	return func() { s.within = 0 }
}
