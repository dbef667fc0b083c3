package exam

import (
	"context"
	"slices"
	"strings"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
)

// No sound is entered twice, and none that meant something is lost, when the service ends at any moment. The rule: the log
// keeps, in the transaction of the events, a position in the sound. It is the begin of the oldest sound whose meaning is
// not durable. A microphone that comes back after the end goes on there: what lies before is never heard again, what lies
// behind is heard again.

// Heard is how far the sound of a microphone is decided.
type Heard = chart.Heard

// stream is the sound of the microphone that is on, as far as the log is concerned. It belongs to the exam's owner. Times are in
// ms of the stream.
type stream struct {
	id      string
	decided int64   // all calls that ended before it were acted upon
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

// undecidedFrom is the begin of the oldest speech that was heard and still waits for its meaning.
func (e *Exam) undecidedFrom() (ms int64, ok bool) {
	if e.pending.words != nil {
		ms, ok = e.pending.from, true
	}
	if e.held != nil && (!ok || e.held.hyp.StartMS < ms) {
		ms, ok = e.held.hyp.StartMS, true
	}
	return ms, ok
}

// heardNow is how far the sound is decided once the events that are about to be written are durable. Without news it names no stream.
func (e *Exam) heardNow() Heard {
	s := &e.stream
	at := s.decided
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
	if err := e.cfg.Log.AppendHeard(ctx, h, evs...); err != nil {
		return err
	}
	if h.Stream != "" {
		s := &e.stream
		s.durable = h.Samples * 1000 / speech.Rate
		s.ends = slices.DeleteFunc(s.ends, func(end int64) bool { return end < s.durable })
	}
	return nil
}

// acting says that a call is about to be acted upon, to whose end the sound is decided then.
func (s *stream) acting(consumed int64) {
	if consumed > s.decided {
		s.decided = consumed
		s.ends = append(s.ends, consumed)
	}
}

// silent says that nothing was heard up to a time.
func (s *stream) silent(nowMS int64) {
	if at := nowMS - silentMS; at >= s.decided+stepMS {
		s.decided = at
	}
}

// earlier settles something that was heard before the call that is acted upon, which is not decided by that: the function that it
// returns ends it.
func (s *stream) earlier(consumed int64) (end func()) {
	s.within = consumed
	return func() { s.within = 0 }
}

// listen begins with a stream and gives the time in it from which on sound is to be heard: 0, or where the log says that a
// stream was decided before the service ended.
func (e *Exam) listen(id string) (atMS int64, err error) {
	samples, known, err := e.cfg.Log.HeardUpTo(context.Background(), id)
	if err != nil {
		return 0, err
	}
	atMS = samples * 1000 / speech.Rate
	e.stream = stream{id: id, decided: atMS, durable: atMS}
	// Times in the sound before mean nothing here, and what waited is heard again.
	e.pending, e.amend, e.strayed, e.held = phrase{}, phrase{}, phrase{}, nil
	e.streamMS, e.unheardMS, e.soundedMS, e.calledMS, e.breath, e.before, e.remark = atMS, 0, 0, 0, breath{}, breath{}, false
	if q := e.question; q != nil {
		again := *q
		again.from, again.until = atMS, atMS+askForMS
		e.question = &again
	}
	if known {
		e.resume(atMS)
	}
	return atMS, nil
}

// resume takes up what the next calls depend on from the last one that was spoken, if it is of the sound just before: whether
// numbers are being called, what more words may amend, the doubts to ask about, and that a remark comes.
func (e *Exam) resume(atMS int64) {
	var evs []chart.Event
	for i := len(e.state.Calls) - 1; i >= 0 && evs == nil; i-- {
		if c := e.state.Calls[i]; c.Source == chart.Voice {
			evs = e.state.CallEvents(c.Seq)
		}
	}
	if evs == nil || evs[0].EndMS > atMS || evs[0].EndMS < atMS-silentMS {
		return
	}
	call := evs[0]
	soundings, remark := 0, false
	for _, ev := range evs {
		if ev.Sounding {
			soundings++
		}
		remark = remark || ev.Kind == chart.KindRemark
	}
	if remark || call.Refused != "" {
		e.calledMS = call.EndMS
		return
	}
	numbers := chart.Command{Acts: []chart.Act{{Verb: call.Did, Numbers: make([]chart.MM, soundings)}}}
	e.after(Answer{Call: call.Seq}, call.Did, numbers, speech.Hypothesis{EndMS: call.EndMS})
	e.breath = breath{}
	if r, err := grammar.Parse(e.canSay(), strings.Fields(call.Words)); err == nil && r.Ending == grammar.Open {
		e.amend = phrase{words: r.Words, until: call.EndMS + amendMS}
	}
}
