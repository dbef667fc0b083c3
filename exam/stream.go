package exam

import (
	"leadsman/chart"
	"leadsman/exam/hear"
)

// stream is all that counts in the time of one stream of sound: it begins anew with each. Times are in ms of the stream, 0 is never.
type stream struct {
	nowMS     int64  // of the last tick
	waiting   waits  // the beginning of a call, or what may be one
	amend     phrase // words of the last call that more words could change
	strayed   phrase // numbers that were taken for talk
	remarkMS  int64  // until then the next speech is a remark; 0: it is none
	calledMS  int64  // the last call ended
	soundedMS int64  // the last soundings ended
	placing   placing
	filled    placing     // the place that was filled last
	run       run         // what was called in one go
	named     chart.Place // the place that an answer named last
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
	from  int64   // where they begin
	whole *whole  // what they are if nothing follows; nil: nothing
	p     float64 // how sure they were heard
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
	answeredMS int64 // its last piece was answered
	toldMS     int64 // that it is not full
	saidMS     int64 // and in words
	failed     int   // how often it came short, or was not understood
	oneByOne   bool
	repaired   bool // something of it was taken back: it is read back when it is full
}

// run is soundings that were called in one go: none of their calls began after the answer to the one before could be heard.
type run struct {
	from       chart.Place // where it began
	calls      []uint64
	sites      []chart.SiteRef
	answeredMS int64
}

// utterance is a call that was just logged, and where it stands in the sound of the microphone.
type utterance struct {
	call           uint64
	startMS, endMS int64
}

// at gives the placing of a place; another place begins anew.
func (s *stream) at(p chart.Place) *placing {
	if s.placing.place != p {
		s.placing = placing{place: p}
	}
	return &s.placing
}

// beginStream starts the time of another stream. What is asked is asked again in it.
func (e *Exam) beginStream() {
	e.stream = stream{}
	if q := e.question; q != nil {
		e.question = nil
		e.later(q)
		e.tell(Change{Head: e.head(), Partial: &Partial{}})
	}
}

// undecidedFrom is where the oldest sound begins whose meaning is not durable; ok is false if there is none.
func (e *Exam) undecidedFrom() (ms int64, ok bool) {
	return e.stream.waiting.from, e.stream.waiting.words != nil
}
