package exam

import (
	"context"
	"strings"

	"leadsman/chart"
	"leadsman/exam/hear"
	"leadsman/grammar"
	"leadsman/speech"
)

// stream is all that counts in the time of one stream of sound: it begins anew with each. Times are in ms of the stream, 0 is never.
type stream struct {
	decided
	nowMS     int64  // of the last tick
	waiting   waits  // the beginning of a call, or what may be one
	amend     phrase // words of the last call that more words could change
	strayed   phrase // numbers that were taken for talk
	remarkMS  int64  // until then the next speech is a remark; 0: it is none
	spokeMS   int64  // the tool ended its last words
	calledMS  int64  // the last call ended
	missedMS  int64  // speech ended that was not understood
	soundedMS int64  // the last soundings ended
	voidMS    int64  // what began before is of a breath that was not understood, and that is being said again
	voided    bool   // something of what is void was heard and taken off
	placing   placing
	filled    placing     // the place that was filled last
	run       run         // what was called in one go
	named     chart.Place // the place that an answer named last
	asked     *Question   // the last question for all of a place, as long as no numbers came
	passed    passed
	stand     chart.Place // where the last soundings left the exam
	brokeOff  chart.Place // where it stood when the examiner went far away
	inVain    int         // numbers refused at a tooth that is not there
	placeTold bool        // the last answer named a place, and no correction from afar did so before
	announced int         // how often he went to where the exam stood
	together  chart.Place // a place where the examiner and the exam were together for certain
	drift     *drift      // what was called may stand at other places; nil: nothing speaks for that
	uttered   []utterance
}

// phrase is words that count until a time.
type phrase struct {
	words []string
	until int64
}

// waits is words that wait for more: the beginning of a call, or a call that more words may make another one.
type waits struct {
	phrase
	consumed int64   // where their sound ends
	from     int64   // where they begin
	whole    *whole  // what they are if nothing follows; nil: nothing
	p        float64 // how sure they were heard
}

// whole is a call with what is needed to enter it later.
type whole struct {
	verdict hear.Verdict
	meta    chart.Meta
}

// placing is how far the place under the cursor has come by voice.
type placing struct {
	place      chart.Place
	parts      []hear.Part
	afterMS    int64 // the pause between the numbers before and the first part
	answeredMS int64 // its last piece was answered
	toldMS     int64 // that it is not full
	saidMS     int64 // and in words
	missedMS   int64 // its numbers were answered as not understood
	failed     int   // how often it came short, or was not understood
	oneByOne   bool
	askedAgain bool // all of it, though it was full: what was called once more was not understood, or came short
	repaired   bool // something of it was taken back: it is read back when it is full
}

// run is soundings that were called in one go: none of their calls began after the answer to the one before could be heard.
type run struct {
	from       chart.Place // where it began
	calls      []uint64
	sites      []chart.SiteRef
	numbers    []chart.MM // as they were called
	answeredMS int64
	cutMS      int64 // that something of it was not understood was told; 0: it was not
}

// add takes the soundings of a call in that was answered at a time.
func (r *run) add(evs []chart.Event, atMS int64) {
	for _, ev := range evs {
		if ev.Kind == chart.KindSet && ev.Sounding {
			r.sites, r.numbers = append(r.sites, ev.At()), append(r.numbers, chart.Half(*ev.Value))
		}
	}
	if r.calls == nil {
		r.from = r.sites[0].Place()
	}
	r.calls, r.answeredMS = append(r.calls, evs[0].Call), atMS
}

// cutRun notes that numbers were not understood, or came short, that went on with what was called in one go.
func (s *stream) cutRun(startMS, toldMS int64) {
	if len(s.run.sites) > 0 && startMS < s.run.answeredMS+hear.ReactMS {
		s.run.cutMS = toldMS
	}
}

// passed is a question for all of a place behind which numbers were not taken for the answer.
type passed struct {
	question *Question
	call     uint64 // that brought them
}

// utterance is a call that was just logged, and where it stands in the sound of the microphone.
type utterance struct {
	call           uint64
	startMS, endMS int64
}

// at gives the placing of a place, to be changed; another place begins anew.
func (s *stream) at(p chart.Place) *placing {
	if s.placing.place != p {
		s.placing = placing{place: p}
	}
	return &s.placing
}

// here is how far the place under the cursor has come.
func (e *Exam) here() placing {
	if p := e.stream.placing; p.place == e.state.Place {
		return p
	}
	return placing{}
}

// listen begins with a stream and gives the time in it from which on sound is to be heard: 0, or where the log says that a
// stream was decided before the service ended. What is asked is asked again in it.
func (e *Exam) listen(id string) (atMS int64, err error) {
	samples, known, err := e.cfg.Log.HeardUpTo(context.Background(), id)
	if err != nil {
		return 0, err
	}
	atMS = samples * 1000 / speech.Rate
	e.stream = stream{decided: decided{id: id, upTo: atMS, durable: atMS}, nowMS: atMS}
	if q := e.question; q != nil {
		e.question = nil
		e.later(q)
		e.tell(Change{Head: e.head(), Partial: &Partial{}})
	}
	if known {
		e.resume(atMS)
	}
	return atMS, nil
}

// resume takes up what the next calls depend on from the log: that numbers are being called, what more words may amend, that a remark
// comes, and the doubts to ask about.
func (e *Exam) resume(atMS int64) {
	if e.due == nil {
		e.dueAgain()
	}
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
	e.stream.calledMS = call.EndMS
	if call.Refused != "" {
		return
	}
	kept := false
	for _, ev := range evs {
		kept = kept || ev.Kind == chart.KindRemark
		if ev.Sounding {
			e.stream.soundedMS = call.EndMS
		}
	}
	if call.Did == chart.VerbRemark && !kept {
		e.stream.remarkMS = call.EndMS + remarkMS
	}
	if r, err := grammar.Parse(e.canSay(), strings.Fields(call.Words)); err == nil && r.Ending == grammar.Open {
		e.stream.amend = phrase{r.Words, call.EndMS + amendMS}
	}
}

// undecidedFrom is where the oldest sound begins whose meaning is not durable; ok is false if there is none.
func (e *Exam) undecidedFrom() (ms int64, ok bool) {
	return e.stream.waiting.from, e.stream.waiting.words != nil
}
