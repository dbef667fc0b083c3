package exam

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"leadsman/chart"
	"leadsman/exam/hear"
	"leadsman/grammar"
	"leadsman/speech"
)

// Times in ms: engineering choices.
const (
	pendingMS  = 4000 // how long the beginning of a call waits for its rest
	amendMS    = 1500 // how long more words may change the last call
	saidMS     = 600  // silence after the tone that a place is not full, before it is said in words
	oneByOneMS = 3500 // silence after a number of a place that is called one by one, before the place is left
	talkMS     = 150  // speech that is shorter is none
	mostHeldMS = 1000 // what may be all of a call is held no longer
	sameMS     = 1500 // pause before the same numbers once more, behind which they may be the same place again
	slackMS    = 300  // speech that began in time may be noticed so much later
)

// mostFailed is how often what is called of a place may fail before it is left open, when its numbers are called one by one. Engineering choice.
const mostFailed = 6

// notNumbers is how often words that may be a call are none at all if they are not the call that they were taken for. Declared.
const notNumbers = 0.1

// goesOnShare is how often a correction of one number goes on: it may be all. Declared.
const goesOnShare = 0.5

// Reasons of doubts.
const (
	unclear = "not heard clearly" // the ear; others come from what is plausible
	tooFew  = "a number of this place was not heard"
)

// context is what hear needs to know.
func (e *Exam) context(startMS int64) hear.Context {
	s := &e.stream
	var gap int64
	if w := s.waiting.whole; w != nil {
		gap = startMS - w.meta.EndMS
	}
	if s.waiting.words != nil {
		startMS = s.waiting.from
	}
	c := hear.Context{State: e.state, Rhythm: &e.rhythm, Attempt: hear.AttemptOf(e.state), SoundedMS: s.soundedMS, CalledMS: s.calledMS, Question: e.question != nil, TurnMS: max(s.calledMS, s.spokeMS, s.missedMS), GapMS: gap}
	at := e.here()
	c.AnsweredMS, c.ToldMS, c.OneByOne = at.answeredMS, at.toldMS, at.oneByOne
	c.WithinMS, c.MissedMS = hear.LongestPause(at.parts), at.missedMS
	if f := s.filled; f.place == c.Attempt.Place && f.toldMS > 0 {
		c.FilledMS, c.FilledToldMS = f.answeredMS, f.toldMS
		c.Tries = f.failed
		c.AskedAgain = f.askedAgain && startMS >= f.toldMS+hear.ToldMS && startMS < max(f.answeredMS, s.spokeMS+hear.FlowMS)
	}
	// A question that nobody can have heard, as with a recording, is no reason to take the place for called once more.
	if q := e.question; q != nil && q.call == 0 && q.place == c.Attempt.Place && !c.Attempt.Here && (q.value || s.spokeMS > 0) {
		c.Asked, c.AskedMS, c.AskedOut = q.refs, q.from, e.waitsFor(q) || e.heardOut(q, startMS)
		c.Tries = max(c.Tries, q.missed)
	}
	if s.waiting.words != nil {
		c.PendingMS = s.waiting.from
	}
	if q := e.question; q != nil && (len(q.refs) == 1 || e.partly(q, startMS)) {
		c.AskedFor = len(q.refs)
	}
	if s.run.cutMS > 0 && s.run.from != e.state.Place {
		c.Called, c.CalledFrom, c.CutMS = s.run.numbers, s.run.from, s.run.cutMS
	}
	if c.Attempt.Here {
		for _, r := range s.run.sites {
			if r.Place() != e.state.Place {
				c.Run = append(c.Run, r)
			}
		}
	}
	c.Strayed = s.strayed.words
	return c
}

// heard acts on a final hypothesis; loud says that it is about as loud as the calls are. It runs in the owner.
func (e *Exam) heard(ctx context.Context, h speech.Hypothesis, loud bool) error {
	s := &e.stream
	if e.remarks(h) {
		return e.keepRemark(ctx, h)
	}
	if e.refused(&h) {
		return nil
	}
	e.question.speaksInto(h, s.spokeMS)
	if err := e.goneOn(ctx, h); err != nil {
		return err
	}
	v := e.decide(h, loud)
	if e.beforeAnew(v, h) {
		return e.spokenInto(ctx, v, h)
	}
	if s.runsOn(v, h) {
		return nil
	}
	joined := v.Result.Pending && e.joins(v, h)
	if w := s.waiting.whole; w != nil && !joined && v.Do != hear.Ignore && v.Do != hear.Misfit {
		// What was held was all of a call; this is another one, which is not decided by that.
		over := s.earlier(s.waiting.consumed)
		err := e.release(ctx)
		if over(); err != nil {
			return err
		}
		if e.refused(&h) { // this is the rest of it
			return nil
		}
		v = e.decide(h, loud)
	}
	s.strays(v, h.EndMS)
	if v.Do == hear.Enter && v.Err == nil {
		remarkOf(&v.Result.Command, h)
	}
	meta := e.speaker.said(chart.Meta{Time: e.cfg.Now(), Source: chart.Voice, Words: strings.Join(v.Result.Words, " "), Confidence: round(v.Confidence), StartMS: h.StartMS, EndMS: h.EndMS})
	if v.Result.Pending && s.waiting.words != nil {
		meta.StartMS = s.waiting.from
	}
	switch v.Do {
	case hear.Ignore:
		e.tell(Change{Partial: &Partial{}})
		return nil
	case hear.Misfit:
		return e.misfit(ctx, h)
	case hear.Wait, hear.Hold:
		e.hold(v, meta, h)
		return nil
	}
	if e.mayAnswer(v, meta.StartMS) {
		e.hold(v, meta, h)
		return nil
	}
	s.waiting = waits{}
	return e.enter(ctx, v, meta, h.AtMS)
}

// strays keeps numbers that were taken for talk a moment ago.
func (s *stream) strays(v hear.Verdict, endMS int64) {
	if v.Stray {
		s.strayed = phrase{v.Result.Words, endMS + hear.BlueMS}
	} else if v.Do != hear.Ignore {
		s.strayed = phrase{}
	}
}

// refused takes the rest of a breath that was not understood off what was heard, and reports whether nothing is left.
func (e *Exam) refused(h *speech.Hypothesis) bool {
	if !e.stream.void(h, e.state.Path.Walked(e.state.Place)) {
		return false
	}
	e.tell(Change{Partial: &Partial{}})
	return true
}

// beforeAnew reports whether numbers began before the examiner could hear that their place begins anew, one by one: they are not its first. All of
// the place is the place.
func (e *Exam) beforeAnew(v hear.Verdict, h speech.Hypothesis) bool {
	p := e.here()
	if !p.oneByOne || len(p.parts) > 0 || h.StartMS >= p.saidMS+hear.ReactMS {
		return false
	}
	n, plain := lone(v)
	return plain && n != e.state.Path.Walked(e.state.Place)
}

// goneOn gives numbers up that fit nowhere and wait for more of a row, if what follows is a breath of its own with as many as a place has: who calls
// place by place, and cannot have heard yet that they were too many, is at the next one.
func (e *Exam) goneOn(ctx context.Context, h speech.Hypothesis) error {
	w := e.stream.waiting
	if w.whole == nil || w.whole.verdict.Fit != hear.Over || len(h.Readings) == 0 || h.StartMS < w.whole.meta.EndMS+hear.SameBreathMS || e.rhythm.InRows() {
		return nil
	}
	next, ok := e.state.Then()
	if !ok || !likeNumbers(h.Readings[0].Text()) || len(h.Readings[0].Words) != e.state.Path.Walked(next) {
		return nil
	}
	e.stream.waiting = waits{}
	place, begun := e.state.Place, hear.AttemptOf(e.state).Here
	if err := e.tooMany(ctx, w.whole.verdict, w.whole.meta); err != nil || e.state.Place != place {
		return err
	}
	if !begun {
		e.stream.at(place).missedMS = e.stream.nowMS
	}
	return nil
}

// spokenInto answers numbers of who cannot have heard yet that they are to be called one by one.
func (e *Exam) spokenInto(ctx context.Context, v hear.Verdict, h speech.Hypothesis) error {
	at := e.stream.at(e.state.Place)
	if at.failed++; at.failed >= mostFailed {
		return e.leave(ctx)
	}
	e.tell(Change{Answer: &Answer{Words: strings.Join(v.Result.Words, " "), Text: placeLabel(e.state, e.state.Place) + ": not entered", Tone: ToneShort, EndMS: h.EndMS, AtMS: h.AtMS}, Partial: &Partial{}})
	e.sayHow("one by one, please")
	return nil
}

// runsOn reports whether numbers are more of a run that fits nowhere, which waits for its end. If they are that run said again, before it could
// be asked for, nothing waits any more.
func (s *stream) runsOn(v hear.Verdict, h speech.Hypothesis) bool {
	w := &s.waiting
	if w.whole == nil || w.whole.verdict.Fit != hear.Over || v.Result.Pending || h.StartMS > w.until {
		return false
	}
	if _, plain := lone(v); !plain || v.Do == hear.Ignore || v.Do == hear.Misfit {
		return false
	}
	if v.Fit == hear.Over || h.StartMS < w.whole.meta.EndMS+hear.SameBreathMS {
		w.until = h.EndMS + mostHeldMS
		w.whole.meta.EndMS = h.EndMS
		return true
	}
	s.waiting = waits{}
	return false
}

// joins reports whether words belong to those that wait for more.
func (e *Exam) joins(v hear.Verdict, h speech.Hypothesis) bool {
	w := e.stream.waiting.whole
	switch {
	case w == nil || w.verdict.Fit == hear.Over:
		return true
	case w.verdict.Fit == hear.Onward:
		return h.StartMS < w.meta.EndMS+hear.SameBreathMS
	}
	return v.Fit != hear.Row && v.Fit != hear.Over || e.mayBeAgain(v)
}

// mayBeAgain reports whether numbers may be the first ones of the place under the cursor, called once more because it is not full.
func (e *Exam) mayBeAgain(v hear.Verdict) bool {
	n, plain := lone(v)
	a := hear.AttemptOf(e.state)
	return plain && a.Here && e.here().toldMS > 0 && n < e.state.Open()+len(a.Sites)
}

// refuse makes what still belongs to a breath void: it ended at a time, and the examiner was told at another that all of it is to be said again.
func (s *stream) refuse(endMS, toldMS int64) {
	s.voidMS, s.voided = max(endMS+hear.SameBreathMS, toldMS+hear.ToldMS), false
}

// void takes the rest of a breath that was not understood off what was heard, and reports whether nothing is left: whoever hears that it was
// not understood says all of it again. What follows without a pause is the rest too, unless it is as much as a place has, of numbers: the ear
// may have missed the pause, or he goes on as fast as that.
func (s *stream) void(h *speech.Hypothesis, place int) bool {
	if h.StartMS >= s.voidMS || len(h.Readings) == 0 {
		return false
	}
	for i := range h.Readings {
		r := &h.Readings[i]
		if len(r.Words) == place && !s.voided {
			continue // a breath of its own: the next place
		}
		n := 0
		for n < len(r.Words) && r.Words[n].StartMS < s.voidMS {
			n++
		}
		if len(r.Words)-n != place {
			for n > 0 && n < len(r.Words) && r.Words[n].StartMS < r.Words[n-1].EndMS+hear.SameBreathMS {
				n++
			}
		}
		r.Words = r.Words[n:]
	}
	h.Readings = slices.DeleteFunc(h.Readings, func(r speech.Reading) bool { return len(r.Words) == 0 })
	if len(h.Readings) == 0 {
		s.voidMS, s.voided = max(s.voidMS, h.EndMS+hear.SameBreathMS), true
		return true
	}
	h.StartMS = h.Readings[0].Words[0].StartMS
	return false
}

func (e *Exam) decide(h speech.Hypothesis, loud bool) hear.Verdict {
	loud = loud && h.EndMS-h.StartMS >= talkMS
	w := &e.stream.waiting
	v := hear.Decide(h, hear.Meanings(h, e.grammarState(h.StartMS), w.p), loud, e.context(h.StartMS))
	if v.Result.Pending && w.whole != nil {
		for i, unsure := range w.whole.verdict.Unsure[:min(len(w.whole.verdict.Unsure), len(v.Unsure))] {
			v.Unsure[i] = v.Unsure[i] || unsure
		}
	}
	return v
}

// hold keeps words that more may follow. Numbers that may be all of a call are entered at the end of the breath.
func (e *Exam) hold(v hear.Verdict, m chart.Meta, h speech.Hypothesis) {
	w := waits{phrase: phrase{v.Result.Words, h.EndMS + pendingMS}, from: m.StartMS, consumed: h.Consumed, p: v.Confidence}
	if v.Result.Ending > grammar.Prefix {
		w.p = 1 - (1-v.Confidence)*notNumbers
		if acts := v.Result.Command.Acts; v.Result.Command.Verb() == chart.VerbCorrection && len(acts[len(acts)-1].Numbers) == 1 {
			w.p = goesOnShare
		}
		wait := min(e.rhythm.BreathMS(), mostHeldMS)
		switch {
		case v.Fit == hear.Onward:
			wait = hear.SameBreathMS
		case v.Result.Command.Verb() == chart.VerbCorrection:
			wait = mostHeldMS // of several numbers, it would begin the next place otherwise
		}
		w.whole, w.until = &whole{v, m}, h.EndMS+wait
	}
	e.stream.waiting = w
	e.tell(Change{Partial: &Partial{Words: strings.Join(v.Result.Words, " ") + " …"}})
}

// release enters what was held: nothing followed it.
func (e *Exam) release(ctx context.Context) error {
	w := e.stream.waiting
	e.stream.waiting = waits{}
	if w.whole == nil {
		e.tell(Change{Partial: &Partial{}})
		return nil
	}
	v, m := w.whole.verdict, w.whole.meta
	if done, err := e.answered(ctx, v, m); done {
		return err
	}
	if n, _ := lone(v); e.badlyAnswered(v, m.StartMS) {
		text := fmt.Sprintf("%s: %d of %d", placeLabel(e.state, e.question.place), n, len(e.question.refs))
		e.stream.refuse(m.EndMS, e.stream.nowMS)
		e.askOnceMore(Answer{Words: m.Words, Text: text + ", not entered: again, please", Tone: ToneShort, EndMS: m.EndMS})
		return nil
	}
	if v.Fit == hear.Over && e.state.Open() > 0 {
		return e.tooMany(ctx, v, m)
	}
	if n, of, odd := e.oddCorrection(v); odd {
		return e.correctAgain(n, of, m)
	}
	if n, plain := lone(v); plain {
		if of := e.repairing(n, m.StartMS); of > 0 {
			return e.correctAgain(n, of, m)
		}
	}
	if at := e.here(); v.Fit == hear.Piece && at.toldMS > 0 && !at.oneByOne {
		// What should have been the place, or its rest, is neither.
		e.stream.soundedMS = m.EndMS
		return e.short(ctx)
	}
	return e.enter(ctx, v, m, max(m.EndMS, e.stream.nowMS)) // the answer comes only now
}

// oddCorrection reports whether a correction has neither one number nor as many as its place has sites: one was lost.
func (e *Exam) oddCorrection(v hear.Verdict) (n, of int, odd bool) {
	acts := v.Result.Command.Acts
	a := acts[len(acts)-1]
	if a.Verb != chart.VerbCorrection || len(acts) > 1 || len(a.Where) > 0 || a.Whole {
		return 0, 0, false
	}
	n, of = len(a.Numbers), e.state.Path.Walked(hear.AttemptOf(e.state).Place)
	return n, of, n != 1 && n != of && of > 0
}

// correctAgain asks for all numbers of the place that is being corrected: what comes next is that.
func (e *Exam) correctAgain(n, of int, m chart.Meta) error {
	attempt := hear.AttemptOf(e.state)
	if !attempt.Known() {
		attempt.Place = e.state.Place // nothing stands there yet
	}
	text := fmt.Sprintf("%d of %d", n, of)
	e.stream.refuse(m.EndMS, e.stream.nowMS)
	failed := 1
	if e.stream.filled.place == attempt.Place {
		failed += e.stream.filled.failed
	}
	e.stream.filled = placing{place: attempt.Place, toldMS: e.stream.nowMS, answeredMS: e.stream.nowMS + pendingMS, failed: failed, askedAgain: true}
	if attempt.Here {
		at := e.stream.at(attempt.Place)
		at.toldMS, at.saidMS = e.stream.nowMS, e.stream.nowMS
	}
	a := Answer{Words: m.Words, Text: placeLabel(e.state, attempt.Place) + ": correction of " + text + ", not entered: again, please", Speak: text, Must: true,
		Where: placeLabel(e.state, attempt.Place), Tone: ToneShort, EndMS: m.EndMS}
	e.tell(Change{Answer: &a, Partial: &Partial{}})
	return nil
}

// enter performs a call.
func (e *Exam) enter(ctx context.Context, v hear.Verdict, m chart.Meta, atMS int64) error {
	s := &e.stream
	do := v.Result.Command
	if v.Result.Amends {
		do.Acts = append([]chart.Act{{Verb: chart.VerbDisregard}}, do.Acts...)
	}
	if v.Err != nil {
		s.calledMS = m.EndMS
		_, err := e.settle(ctx, do, m, e.state.Refused(do.Verb(), v.Err, m), v.Err)
		return expected(err)
	}
	s.amend = phrase{}
	if v.Result.Ending == grammar.Open {
		s.amend = phrase{v.Result.Words, m.EndMS + amendMS}
	}
	if done, err := e.answered(ctx, v, m); done {
		return err
	}
	attempt := hear.AttemptOf(e.state)
	do = e.takesBack(do, attempt)
	was := e.here()
	doubt := e.suspect(v)
	e.mayDrift(v, m, &do, doubt)
	var left *due
	switch v.Fit {
	case hear.Again, hear.Reply:
		if n, plain := lone(v); plain && e.echoesPlace(attempt, do.Acts[0].Numbers[:n], m.StartMS) {
			return e.askEchoed(m)
		}
		do = e.anew(do, attempt)
	case hear.Rerun:
		do.Acts = append([]chart.Act{{Verb: chart.VerbDisregard, Calls: e.stream.run.calls},
			{Verb: chart.VerbGo, Tooth: e.stream.run.from.Tooth, Aspect: e.stream.run.from.Aspect, HasAspect: true}}, do.Acts...)
	case hear.Onward:
		do.Acts = append([]chart.Act{{Verb: chart.VerbNext}}, do.Acts...)
		if attempt.Here {
			doubt.incomplete(attempt)
		}
		left = e.hole(e.state.Place)
	default:
		if attempt.Here && was.toldMS > 0 && accepts(do) {
			// A skip, a flag or a margin after "two of three" leaves the rest of the place open.
			return e.accept(ctx, do, m, attempt, doubt)
		}
	}
	e.sayPlace(v, m)
	a, err := e.perform(ctx, do, m, doubt)
	if err != nil {
		s.calledMS = m.EndMS
		return errors.Join(expected(err), e.nowhere(ctx, v))
	}
	if left != nil {
		e.due = append(e.due, *left)
	}
	e.after(a, v, m, atMS, was)
	return nil
}

// echoesPlace reports whether numbers are all of a place that was asked about, as they stand there.
func (e *Exam) echoesPlace(attempt hear.Attempt, numbers []chart.MM, startMS int64) bool {
	q := e.question
	return q != nil && len(q.refs) > 0 && q.place == attempt.Place && e.heardOut(q, startMS) && e.echoes(q, attempt.Sites, numbers)
}

// takesBack makes "disregard" take back all of a place that came in pieces: it was called as one. Who calls number by number means the last one.
func (e *Exam) takesBack(do chart.Command, attempt hear.Attempt) chart.Command {
	n := len(attempt.Calls)
	last, ok := e.state.LastCall(chart.Voice)
	if len(do.Acts) != 1 || do.Verb() != chart.VerbDisregard || n < 2 || attempt.Mixed || e.singly(attempt) || !ok || last.Seq != attempt.Calls[n-1] {
		return do
	}
	for _, c := range e.state.Calls {
		if slices.Contains(attempt.Calls, c.Seq) && c.Did != chart.VerbSoundings {
			return do
		}
	}
	return e.anew(chart.Command{}, attempt)
}

// singly reports whether the numbers of a place were called one by one: as this examiner does, or as the log has them while that is not known.
// A pause within a place makes pieces of it that look like that.
func (e *Exam) singly(attempt hear.Attempt) bool {
	if e.rhythm.Known() {
		return e.rhythm.Singly()
	}
	var parts []hear.Part
	for _, c := range attempt.Calls {
		evs := e.state.CallEvents(c)
		p := hear.Part{From: evs[0].StartMS, ToMS: evs[0].EndMS}
		for _, ev := range evs {
			if ev.Sounding {
				p.Numbers++
			}
		}
		if p.Numbers > 0 {
			parts = append(parts, p)
		}
	}
	return hear.Singly(parts)
}

// accepts reports whether a call says that the place may stay as it is.
func accepts(c chart.Command) bool {
	switch c.Verb() {
	case chart.VerbSkip, chart.VerbFlag, chart.VerbMobility, chart.VerbFurcation, chart.VerbKeratin:
		return !slices.ContainsFunc(c.Acts, func(a chart.Act) bool { return a.Verb == chart.VerbSoundings || a.Verb == chart.VerbDisregard })
	}
	return false
}

// accept performs such a call and goes on at the next place.
func (e *Exam) accept(ctx context.Context, do chart.Command, m chart.Meta, attempt hear.Attempt, doubt *suspicion) error {
	if _, ok := e.state.Then(); ok {
		next := chart.Act{Verb: chart.VerbNext}
		if do.Verb() == chart.VerbSkip {
			do = chart.Command{Acts: []chart.Act{next}}
		} else {
			do.Acts = append(slices.Clone(do.Acts), next)
		}
	}
	doubt.incomplete(attempt)
	_, err := e.perform(ctx, do, m, doubt)
	e.stream.calledMS = m.EndMS
	return expected(err)
}

// anew is a command that begins a place once more: what was called of it is taken back.
func (e *Exam) anew(do chart.Command, attempt hear.Attempt) chart.Command {
	calls := attempt.Calls
	if attempt.Mixed {
		calls = calls[1:] // the first one brought numbers of another place too; those of this one are written over
	}
	var acts []chart.Act
	if len(calls) > 0 {
		acts = append(acts, chart.Act{Verb: chart.VerbDisregard, Calls: calls})
	}
	if !e.state.Rest() {
		acts = append(acts, chart.Act{Verb: chart.VerbGo, Tooth: attempt.Place.Tooth, Aspect: attempt.Place.Aspect, HasAspect: true})
	}
	return chart.Command{Acts: append(acts, do.Acts...)}
}

// sayPlace notes when the answer to a call has to name its place: at the first call of a row, after a pause, and where numbers did not
// simply go on.
func (e *Exam) sayPlace(v hear.Verdict, m chart.Meta) {
	s := &e.stream
	verb := v.Result.Command.Verb()
	if verb != chart.VerbSoundings && verb != chart.VerbAll {
		return
	}
	at := e.here()
	begins := len(at.parts) == 0
	pause := m.StartMS - s.calledMS
	switch {
	case v.Fit.Breaks():
	case begins && (at.failed > 0 || at.missedMS > 0): // what of it was not understood may have been more than that
	case begins && (s.named.Tooth == 0 || rowOf(s.named) != rowOf(e.state.Place)):
	case s.calledMS > 0 && pause > hear.AwayMS:
	case begins && !e.state.Rest() && e.recorded(e.state.Place): // numbers stand there: he may be elsewhere
	case begins && pause > sameMS && e.sameAgain(v): // he may not have heard the answer
	case !begins && (at.toldMS > 0 || at.repaired):
	case e.question != nil && e.question.elsewhere: // it went on, and was not taken for the answer
	default:
		return
	}
	e.namePlace = true
}

// recorded reports whether a site of a place has a number.
func (e *Exam) recorded(p chart.Place) bool {
	sites := e.state.Path.Sites(p)
	return slices.ContainsFunc(sites[:], func(s chart.Site) bool {
		return e.state.Chart.Number(chart.SiteRef{Tooth: p.Tooth, Site: s}, e.state.Pass).Known()
	})
}

// sameAgain reports whether a call has the very numbers of the place before.
func (e *Exam) sameAgain(v hear.Verdict) bool {
	a, acts := hear.AttemptOf(e.state), v.Result.Command.Acts
	if n, plain := lone(v); !plain || n != len(a.Sites) {
		return false
	}
	for i, r := range a.Sites {
		if e.state.Chart.Number(r, a.Field) != acts[0].Numbers[i] {
			return false
		}
	}
	return len(a.Sites) > 0
}

// after keeps what later calls depend on.
func (e *Exam) after(a Answer, v hear.Verdict, m chart.Meta, atMS int64, was placing) {
	s := &e.stream
	s.calledMS = m.EndMS
	verb := v.Result.Command.Verb()
	if (verb == chart.VerbGo || verb == chart.VerbAspect) && v.Confidence < hear.DoubtBelow {
		s.named = chart.Place{} // what is called there names it once more
	}
	if verb == chart.VerbCorrection {
		s.filled = placing{} // it is put right
	}
	s.remarkMS = 0
	if verb == chart.VerbRemark && v.Result.Command.Acts[len(v.Result.Command.Acts)-1].Text == "" {
		s.remarkMS = m.EndMS + remarkMS
	}
	evs := e.state.CallEvents(a.Call)
	switch verb {
	case chart.VerbSoundings, chart.VerbAll:
		e.sounded(evs, v, m, atMS, was)
		if q := s.asked; q != nil && e.heardOut(q, m.StartMS) {
			s.passed = passed{q, a.Call}
		}
		s.asked = nil
	case chart.VerbDisregard:
		e.meant(evs)
	}
	e.dueFor(evs)
}

// sounded follows how far the place has come.
func (e *Exam) sounded(evs []chart.Event, v hear.Verdict, m chart.Meta, atMS int64, was placing) {
	s := &e.stream
	var after int64
	if s.soundedMS > 0 {
		after = m.StartMS - s.soundedMS
	}
	s.soundedMS, s.stand = m.EndMS, e.state.Place
	s.inVain = 0
	if s.stand == s.brokeOff { // he walked there
		s.brokeOff = chart.Place{}
	}
	var last chart.Place
	n, places := 0, 0
	for _, ev := range evs {
		if ev.Kind == chart.KindSet && ev.Sounding {
			if p := ev.At().Place(); p != last {
				last, n, places = p, 0, places+1
			}
			n++
		}
	}
	if m.StartMS >= s.run.answeredMS+hear.ReactMS || v.Fit.Breaks() && v.Fit != hear.Onward {
		s.run = run{}
	}
	s.run.add(evs, atMS)
	e.aside = false
	part := hear.Part{Numbers: n, From: m.StartMS, ToMS: m.EndMS}
	at := s.at(last)
	told := at.toldMS
	if m.StartMS >= told+hear.ToldMS {
		told = 0 // this was the reaction to that
	}
	switch {
	case v.Fit.Breaks() || was.oneByOne && !at.oneByOne:
		at.parts, at.toldMS, at.saidMS = nil, 0, 0
		at.repaired = v.Fit != hear.Onward
	case at.toldMS > 0 && m.StartMS >= at.toldMS+hear.ToldMS: // a reaction to that, not a piece that was being said
		at.toldMS, at.saidMS, at.repaired = 0, 0, true
	}
	if len(at.parts) == 0 {
		at.afterMS = after
	}
	at.parts = append(at.parts, part)
	at.answeredMS = atMS
	if e.state.Place == last && hear.AttemptOf(e.state).Here {
		return
	}
	if !at.repaired {
		e.rhythm.Learn(at.parts, at.afterMS, places > 1)
	}
	s.filled, s.placing = *at, placing{}
	s.filled.toldMS = told
}

// short tells that the place under the cursor is not full: first by a tone, then in words, and what to do.
func (e *Exam) short(ctx context.Context) error {
	return e.failed(ctx, Answer{Text: placeLabel(e.state, e.state.Place) + ": " + e.ofPlace()}, e.stream.run.answeredMS)
}

// failed tells by a tone that what was called from a time on did not fill the place under the cursor.
func (e *Exam) failed(ctx context.Context, a Answer, startMS int64) error {
	at := e.stream.at(e.state.Place)
	at.failed++
	at.toldMS, at.saidMS = e.stream.nowMS, 0
	e.stream.cutRun(startMS, e.stream.nowMS)
	if at.failed >= 3 {
		return e.leave(ctx)
	}
	a.Tone, a.AtMS = ToneShort, e.stream.nowMS
	e.tell(Change{Answer: &a, Partial: &Partial{}})
	if e.rhythm.Singly() {
		// A lone number behind this could be the one that is missing, or the first one once more: the place begins anew.
		return e.beginAnew(ctx)
	}
	return nil
}

// ofPlace says how much of the place is there: "two of three".
func (e *Exam) ofPlace() string {
	have := 0
	if a := hear.AttemptOf(e.state); a.Here {
		have = len(a.Sites)
	}
	return fmt.Sprintf("%d of %d", have, have+e.state.Open())
}

// sayShort says so in words.
func (e *Exam) sayShort(ctx context.Context) error {
	at := e.stream.at(e.state.Place)
	text := e.ofPlace()
	switch {
	case at.failed >= 2 && !at.oneByOne:
		text = "one by one, please"
		at.oneByOne, at.toldMS = true, 0
		if err := e.beginAnew(ctx); err != nil {
			return err
		}
	case e.rhythm.Singly():
		text = "again, " + placeLabel(e.state, e.state.Place) + ", please"
	}
	e.sayHow(text)
	return nil
}

// sayHow says how far the place under the cursor has come, or how it is to be called.
func (e *Exam) sayHow(text string) {
	e.stream.at(e.state.Place).saidMS = e.stream.nowMS
	e.ask(&Question{Speak: text, Text: placeLabel(e.state, e.state.Place) + ": " + text, place: e.state.Place, Tooth: e.state.Place.Tooth.String()})
}

// beginAnew takes back what was called of the place under the cursor.
func (e *Exam) beginAnew(ctx context.Context) error {
	attempt := hear.AttemptOf(e.state)
	if !attempt.Here {
		return nil
	}
	at := e.stream.at(e.state.Place)
	at.parts, at.repaired = nil, true
	_, err := e.perform(ctx, e.anew(chart.Command{}, attempt), chart.Meta{Source: chart.Tool}, nil)
	return expected(err)
}

// leave gives the place up: what was called of it stays as a doubt, and the walk goes on.
func (e *Exam) leave(ctx context.Context) error {
	attempt := hear.AttemptOf(e.state)
	place := e.state.Place
	text := placeLabel(e.state, place) + " left open"
	e.stream.placing = placing{}
	if _, ok := e.state.Then(); !ok {
		return nil
	}
	doubt := &suspicion{of: func(*chart.Chart, chart.Reading, chart.MM) (string, string) { return "", "" }}
	if attempt.Here {
		doubt.incomplete(attempt)
	}
	e.saying = text
	_, err := e.perform(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbNext}}}, chart.Meta{Source: chart.Tool}, doubt)
	return expected(err)
}

// misfit answers speech that was meant for the tool and not understood: another tone, and nothing changes. Who is not understood
// again and again at a place is told what to do.
func (e *Exam) misfit(ctx context.Context, h speech.Hypothesis) error {
	words := ""
	if len(h.Readings) > 0 {
		words = h.Readings[0].Text()
	}
	if !e.state.Listening {
		e.tell(Change{Partial: &Partial{}})
		return nil
	}
	first, _, _ := strings.Cut(words, " ")
	if w := e.stream.waiting.words; len(w) > 0 {
		first = w[0]
	}
	e.stream.missedMS = h.EndMS
	if q := e.question; q != nil && h.StartMS >= q.from {
		q.missed++
	}
	byWord := first == "correction" || first == "disregard"
	repair := (byWord || words == "" || likeNumbers(words)) && e.mayRepair(h.StartMS, byWord)
	if repair {
		f := &e.stream.filled
		*f = placing{place: hear.AttemptOf(e.state).Place, toldMS: h.StartMS, answeredMS: h.EndMS + pendingMS, failed: f.failed + 1, askedAgain: true}
	}
	e.stream.waiting = waits{} // all of the breath is said again
	a := Answer{Words: words, Text: "not understood: " + words + "?", Tone: ToneMisfit, EndMS: h.EndMS, AtMS: h.AtMS}
	e.tell(Change{Answer: &a, Partial: &Partial{}})
	if !repair && (words == "" || likeNumbers(words)) {
		e.stream.cutRun(h.StartMS, h.AtMS)
	}
	missed := !repair && e.misses(h)
	if missed {
		e.stream.refuse(h.EndMS, h.AtMS) // but for the next place
	}
	if q := e.question; e.state.Open() == 0 || !likeNumbers(words) || q != nil && q.hole && e.heardOut(q, h.StartMS) {
		return nil // or it was the answer about another place
	}
	if !missed {
		e.stream.refuse(h.EndMS, h.AtMS)
	}
	if repair {
		e.stream.soundedMS = h.EndMS
		return nil
	}
	at := e.stream.at(e.state.Place)
	at.failed++
	at.toldMS, at.saidMS = h.AtMS, h.AtMS // what begins from now on is said again
	e.stream.soundedMS = h.EndMS
	switch {
	case at.oneByOne && at.failed >= mostFailed:
		return e.leave(ctx)
	case !at.oneByOne && at.failed >= 2:
		return e.sayShort(ctx)
	}
	return nil
}

// misses notes that a breath of numbers was not understood of which nothing stands at the place under the cursor: who goes on before he can have
// heard that is at the next place.
func (e *Exam) misses(h speech.Hypothesis) bool {
	at := e.stream.at(e.state.Place)
	is := slices.ContainsFunc(h.Readings, func(r speech.Reading) bool {
		return r.Posterior >= rivalOwn && len(r.Words) > 1 && likeNumbers(r.Text()) // one is rather the end of the place before
	})
	if !is || at.oneByOne || e.rhythm.Singly() || hear.AttemptOf(e.state).Here {
		return false
	}
	at.missedMS = h.AtMS
	e.stream.soundedMS = h.EndMS
	return true
}

// mayRepair reports whether what was not understood may have been about the place spoken last, though that is full: it is put right by its word,
// asked about, or was called once more. Then the next place has not failed, and what comes next may be that place again.
func (e *Exam) mayRepair(startMS int64, byWord bool) bool {
	attempt := hear.AttemptOf(e.state)
	if !attempt.Known() || attempt.Here {
		return false
	}
	q := e.question
	asked := q != nil && len(q.refs) > 0 && q.place == attempt.Place && e.heardOut(q, startMS)
	return byWord || asked || e.mended(0, startMS)
}

// likeNumbers reports whether what was heard badly was read as numbers.
func likeNumbers(words string) bool {
	r, err := grammar.Parse(grammar.State{Numbering: chart.Universal, Listening: true}, strings.Fields(words))
	return err == nil && len(r.Command.Acts) > 0 && r.Command.Acts[0].Verb == chart.VerbSoundings
}

// tooMany refuses numbers that end in the middle of a place further on: one of them may have been heard twice, or one was lost.
func (e *Exam) tooMany(ctx context.Context, v hear.Verdict, m chart.Meta) error {
	e.stream.soundedMS = m.EndMS
	n := 0
	for _, a := range v.Result.Command.Acts {
		n += len(a.Numbers)
	}
	return e.failed(ctx, Answer{Words: strings.Join(v.Result.Words, " "), EndMS: m.EndMS,
		Text: fmt.Sprintf("%s: %d numbers, not entered: again, please", placeLabel(e.state, e.state.Place), n)}, m.StartMS)
}

// suspect gives the doubts that a verdict raises.
func (e *Exam) suspect(v hear.Verdict) *suspicion {
	i := 0
	verb := v.Result.Command.Verb()
	over := (verb == chart.VerbSoundings || verb == chart.VerbAll) && (!v.Fit.Breaks() || v.Fit == hear.Onward)
	return &suspicion{of: func(c *chart.Chart, r chart.Reading, mm chart.MM) (string, string) {
		at := min(i, len(v.Unsure)-1)
		i++
		if at >= 0 && v.Unsure[at] || v.Confidence < hear.RefuseBelow {
			return unclear, v.Rival
		}
		// Nobody asked for this site again: the examiner may be elsewhere.
		if was := e.state.Chart.Number(r.SiteRef, r.Field); over && apart(was, mm) {
			return wasAtThisExam(was), ""
		}
		return e.implausible(c, r, mm), ""
	}}
}

// apart reports whether a number is far from one that stands at its site.
func apart(was, is chart.MM) bool {
	return was.Known() && max(was.Half()-is.Half(), is.Half()-was.Half()) >= 2*againApart
}

func wasAtThisExam(was chart.MM) string { return fmt.Sprintf("was %s at this exam", was) }

// canSay is what can be said if nothing waits for more words.
func (e *Exam) canSay() grammar.State {
	st := grammar.StateOf(e.state)
	st.Question, st.Reasons, st.Terms = e.question != nil, e.question != nil && e.question.mayskip(), e.cfg.Terms
	if a := hear.AttemptOf(e.state); a.Here {
		st.Whole = st.Open + len(a.Sites)
	}
	if e.here().oneByOne {
		st.Single, st.Whole = true, 1
	}
	return st
}

// grammarState is what can be said at a stream time.
func (e *Exam) grammarState(atMS int64) grammar.State {
	st := e.canSay()
	if w := e.stream.waiting; w.words != nil && atMS <= w.until {
		st.Pending = w.words
	}
	if a := e.stream.amend; a.words != nil && atMS <= a.until {
		st.Amend = a.words
	}
	return st
}

// tick does what silence asks for. It runs in the owner with the stream time, the time at which speech, the tool's own too, was
// last heard, and whether the examiner's is going on.
func (e *Exam) tick(ctx context.Context, nowMS, heardMS int64, speaking bool) error {
	s := &e.stream
	s.nowMS = nowMS
	if speaking {
		return nil
	}
	if s.waiting.words != nil && nowMS > s.waiting.until+slackMS {
		if err := e.release(ctx); err != nil {
			return err
		}
	}
	if e.question != nil && e.question.until > 0 && nowMS > max(e.question.until, heardMS+answerForMS) && s.waiting.words == nil {
		q := e.question
		e.question = nil
		e.later(q)
		e.tell(Change{Head: e.head()})
	}
	if !e.state.Listening || s.waiting.words != nil {
		return nil
	}
	quiet := nowMS - max(s.soundedMS, heardMS)
	at := e.here()
	switch {
	case s.soundedMS == 0 || at.place.Tooth == 0:
	case at.oneByOne:
		if len(at.parts) > 0 && quiet >= oneByOneMS {
			return e.leave(ctx)
		}
	case at.toldMS == 0 && hear.AttemptOf(e.state).Here && quiet >= e.rhythm.ShortMS(at.parts):
		return e.short(ctx)
	case at.toldMS > 0 && at.saidMS == 0 && nowMS-max(at.toldMS, heardMS) >= saidMS:
		return e.sayShort(ctx)
	}
	if e.question == nil {
		e.askClosing(quiet)
	}
	if e.question == nil {
		e.askDue(quiet)
	}
	return nil
}

// expected drops the errors that are answers: the call was refused, logged and told.
func expected(err error) error {
	var refusal *chart.Refusal
	var ranged *chart.RangeError
	if errors.As(err, &refusal) || errors.As(err, &ranged) || errors.Is(err, chart.ErrSigned) || errors.Is(err, chart.ErrVoid) {
		return nil
	}
	return err
}

func round(f float64) float64 { return math.Round(f*1000) / 1000 }

func placeLabel(s *chart.State, p chart.Place) string {
	return p.Tooth.Label(s.Chart.Numbering) + " " + p.Aspect.String()
}

// numberText is a call's number as the log refers to it.
func numberText(call uint64) string { return strconv.FormatUint(call, 10) }
