package exam

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"leadsman/chart"
	"leadsman/exam/hear"
	"leadsman/speech"
)

// Times in ms: engineering choices.
const (
	askForMS    = 6000 // how long a question stays open
	answerForMS = 4000 // and after its last word
	answerMS    = 400  // nobody answers a question sooner after it began
	askQuietMS  = 5000 // silence after which doubts of other places are asked about in the middle of a row
	mostAsked   = 2    // as often a doubt is asked about; after that it waits in the list of doubts
)

// due is something to ask about: doubts of a place, or the place itself if a number of it was not heard.
type due struct {
	place chart.Place
	refs  []chart.SiteRef
	hole  bool
	check bool // it tells whether the exam is adrift
	asked int
}

// hole is a place that has to be called again.
func (e *Exam) hole(p chart.Place) *due {
	d := &due{place: p, hole: true}
	at := e.state.Path.At(p)
	for i, site := range at.Sites {
		if !at.Off[i] {
			d.refs = append(d.refs, chart.SiteRef{Tooth: p.Tooth, Site: site})
		}
	}
	return d
}

// dueFor notes what to ask about the doubts of a call: those of a place together.
func (e *Exam) dueFor(evs []chart.Event) {
	var of map[chart.Place]int
	for _, ev := range evs {
		if ev.Kind != chart.KindDoubt || ev.Text == tooFew || ev.Text == placeOff {
			continue
		}
		ref := ev.At()
		p := ref.Place()
		i, known := of[p]
		if !known {
			if of == nil {
				of = map[chart.Place]int{}
			}
			i = slices.IndexFunc(e.due, func(d due) bool { return d.place == p && !d.hole && d.asked == 0 })
			if i < 0 || strings.HasSuffix(ev.Text, measureAgain) { // a second reading is asked for by itself
				i = len(e.due)
				e.due = append(e.due, due{place: p})
			}
			if !strings.HasSuffix(ev.Text, measureAgain) {
				of[p] = i
			}
		}
		if !slices.Contains(e.due[i].refs, ref) {
			e.due[i].refs = append(e.due[i].refs, ref)
		}
	}
}

// dueAgain makes all open doubts due, but for what may stand a place off: that is too much to be called again, and waits in Review.
func (e *Exam) dueAgain() {
	for _, d := range e.state.OpenDoubts() {
		if d.Reason == placeOff {
			continue
		}
		p := d.Place()
		i := slices.IndexFunc(e.due, func(x due) bool { return x.place == p })
		switch {
		case d.Reason == tooFew && i < 0:
			e.due = append(e.due, *e.hole(p))
		case i < 0:
			e.due = append(e.due, due{place: p, refs: []chart.SiteRef{d.SiteRef}})
		case !e.due[i].hole:
			e.due[i].refs = append(e.due[i].refs, d.SiteRef)
		}
	}
}

// ask puts a question.
func (e *Exam) ask(q *Question) {
	e.asked++
	q.ID, q.from = e.asked, e.stream.nowMS+answerMS
	if q.refs != nil || q.call != 0 || q.asks != nil {
		q.until = e.stream.nowMS + askForMS
	}
	e.question = q
	if q.hole {
		e.stream.asked = q
	}
	e.tell(Change{Head: e.head()})
}

// meant puts a question again behind which numbers were taken for the next place, when the examiner takes them back: they were the answer.
func (e *Exam) meant(evs []chart.Event) {
	p := e.stream.passed
	undoes := p.question != nil && slices.ContainsFunc(evs, func(ev chart.Event) bool { return ev.Kind == chart.KindUndo && ev.Undo == p.call })
	if !undoes || !e.open(due{refs: p.question.refs, hole: true, check: p.question.check}) {
		return
	}
	q := *p.question
	e.stream.passed = passed{}
	e.due = slices.DeleteFunc(e.due, func(d due) bool { return d.place == q.place && d.hole })
	if e.question != nil {
		e.later(e.question)
	}
	e.expect(&q)
}

// expect puts a question whose answer may come before it is spoken.
func (e *Exam) expect(q *Question) {
	e.ask(q)
	q.toldMS, q.into = e.stream.nowMS, false
	q.from = q.toldMS + hear.ToldMS
}

// askDue asks about a doubt: at once about the place called last, about others when their row has ended, or it is quiet for long.
func (e *Exam) askDue(quietMS int64) {
	attempt := hear.AttemptOf(e.state)
	e.due = slices.DeleteFunc(e.due, func(d due) bool { return !e.open(d) || d.asked >= mostAsked })
	for i, d := range e.due {
		just := attempt.Known() && d.place == attempt.Place && !attempt.Here && d.asked == 0 && !e.aside
		over := e.state.AtEnd() || e.state.Complete || rowOf(d.place) != rowOf(e.state.Place)
		if attempt.Here && !e.state.Complete || !just && !over && quietMS < askQuietMS {
			continue
		}
		if d.check && e.closing.on && e.closingQuestion(stepSites) != nil {
			continue // what is to become of the open places is asked first
		}
		e.due = slices.Delete(e.due, i, i+1)
		if !just && !d.hole && len(d.refs) > 1 {
			// Of a place that lies back the whole is asked for: who hears several numbers of it says all of it.
			h := e.hole(d.place)
			h.asked, h.check = d.asked, d.check
			d = *h
		}
		q := &Question{place: d.place, Tooth: d.place.Tooth.String(), asked: d.asked + 1, hole: d.hole, check: d.check, elsewhere: !just}
		if d.hole {
			label := placeLabel(e.state, d.place)
			q.refs, q.value = d.refs, true
			q.Speak = "again, " + label + ", please"
			q.Text = label + ": again, please"
			e.ask(q)
			return
		}
		e.wordDoubts(q, d)
		e.ask(q)
		return
	}
}

// wordDoubts puts a question about doubtful values of a place into words: with their sites, but where they are all of the place called last.
func (e *Exam) wordDoubts(q *Question, d due) {
	label, of := placeLabel(e.state, d.place), e.state.Path.Walked(d.place)
	var said, sites []string
	for _, ref := range d.refs {
		if doubt, open := e.state.Doubts[ref]; open {
			q.refs = append(q.refs, ref)
			said = append(said, speakMM(e.state.Chart.Number(ref, doubt.Field)))
			sites = append(sites, ref.Site.Where().String())
		}
	}
	q.Site = q.refs[0].Site.String()
	what := strings.Join(said, ". ") + "?"
	switch where := sites[0]; {
	case len(q.refs) == 1 && !q.elsewhere:
		q.Speak = where + ": " + what
	case len(q.refs) == 1:
		q.Speak = fmt.Sprintf("%s %s %s: %s", d.place.Tooth.Label(e.state.Chart.Numbering), where, d.place.Aspect, what)
	case !q.elsewhere && len(q.refs) == of:
		q.Speak = what
	case !q.elsewhere: // two of three numbers could be any two of a place that was just called
		q.Speak = strings.Join(sites, " and ") + ": " + what
	default:
		q.Speak = label + ": " + what
	}
	q.Text = label + ": " + strings.Join(said, " ") + "?"
	if len(q.refs) < of {
		q.Text = label + " " + strings.Join(sites, " and ") + ": " + strings.Join(said, " ") + "?"
	}
	if len(q.refs) == 1 {
		q.Text = fmt.Sprintf("%s %s: %s?", d.place.Tooth.Label(e.state.Chart.Numbering), q.refs[0].Site, said[0])
		if was, again := e.again(q.refs[0]); again {
			q.Speak = fmt.Sprintf("%s %s %s was %s, is %s: again, please", d.place.Tooth.Label(e.state.Chart.Numbering), q.refs[0].Site.Where(), d.place.Aspect, speakMM(was), said[0])
			q.Text = fmt.Sprintf("%s %s was %s, is %s: again, please", d.place.Tooth.Label(e.state.Chart.Numbering), q.refs[0].Site, was, e.state.Chart.Site(q.refs[0]).Depth)
		}
	}
}

// again reports whether a second reading of a site is asked for, and what it was at the exam before.
func (e *Exam) again(r chart.SiteRef) (was chart.MM, ok bool) {
	if e.cfg.Earlier == nil || !strings.HasSuffix(e.state.Doubts[r].Reason, measureAgain) {
		return was, false
	}
	return e.cfg.Earlier.Site(r).Depth, true
}

// open reports whether there is still something to ask.
func (e *Exam) open(d due) bool {
	return d.check || slices.ContainsFunc(d.refs, func(r chart.SiteRef) bool {
		_, is := e.state.Doubts[r]
		return is || d.hole && !e.state.Chart.Number(r, e.state.Pass).Known()
	})
}

// later puts a question that was not answered back among what is to be asked.
func (e *Exam) later(q *Question) {
	if q.asks != nil {
		e.closing.asked[q.asks.step]++
		return
	}
	if q.call == 0 && len(q.refs) > 0 {
		e.due = append(e.due, due{place: q.place, refs: q.refs, hole: q.hole, check: q.check, asked: q.asked})
	}
}

// confirm asks whether a call that is hard to notice or to undo was meant: a list of teeth, an
// implant, the end of the exam. It is done at once; negative takes it back.
func (e *Exam) confirm(c chart.Command, call uint64, endMS int64) *Question {
	a := c.Acts[len(c.Acts)-1]
	var text string
	switch {
	case a.Verb == chart.VerbComplete:
		text = "exam complete?"
	case a.Verb == chart.VerbPresence && (len(a.Teeth) > 1 || a.Presence == chart.Implant):
		text = a.Presence.String()
		for _, t := range a.Teeth {
			text += " " + t.Label(e.state.Chart.Numbering)
		}
		text += "?"
	case a.Verb == chart.VerbTherapy: // read back, with the place as it was written
		if d, ok := e.state.Plan(); ok && len(d.Done) > 0 {
			text = "therapy " + d.Done[len(d.Done)-1].String() + "?"
		}
	default:
		return nil
	}
	e.asked++
	return &Question{ID: e.asked, Speak: text, Text: text + " affirm or negative", until: endMS + askForMS, call: call}
}

// mayAnswer reports whether numbers may be the answer to a question, or a piece of it, so that the end of the breath has to be waited for.
func (e *Exam) mayAnswer(v hear.Verdict, startMS int64) bool {
	q := e.question
	n, plain := lone(v)
	if !plain {
		return false
	}
	if e.repairing(n, startMS) > 0 || e.mended(n, startMS) || e.badlyAnswered(v, startMS) {
		return true
	}
	if q == nil || len(q.refs) == 0 || startMS < q.from {
		return false
	}
	// Numbers called one by one are soundings, unless a value was asked for; other lone numbers may be the answer.
	of := len(q.refs)
	return (n < of || n == of && (of == 1 || e.partly(q, startMS))) && e.mayBeOne(q, startMS)
}

// partly reports whether a call began after a question about several sites of a place was heard, but not about all: they were named, and as many numbers are
// the answer.
func (e *Exam) partly(q *Question, startMS int64) bool {
	return len(q.refs) > 1 && len(q.refs) < e.state.Path.Walked(q.place) && !q.elsewhere && e.heardOut(q, startMS)
}

// lone counts the numbers of a call that is nothing but numbers along the path.
func lone(v hear.Verdict) (n int, plain bool) {
	acts := v.Result.Command.Acts
	if v.Err != nil || len(acts) != 1 || acts[0].Verb != chart.VerbSoundings {
		return 0, false
	}
	return len(acts[0].Numbers), true
}

// mended reports whether the place spoken last was filled a moment ago after the examiner had been told that it was not: he may be calling it
// once more all the same.
func (e *Exam) mended(n int, startMS int64) bool {
	attempt, f := hear.AttemptOf(e.state), &e.stream.filled
	return !attempt.Here && n < len(attempt.Sites) && f.place == attempt.Place && f.toldMS > 0 && startMS < max(f.answeredMS, e.stream.spokeMS)+hear.FlowMS
}

// repairing reports whether fewer numbers than the place spoken last has may be a piece of that place, called once more because that was
// asked for: how many it has, or 0.
func (e *Exam) repairing(n int, startMS int64) (of int) {
	attempt := hear.AttemptOf(e.state)
	of = len(attempt.Sites)
	if attempt.Here || n >= of {
		return 0
	}
	f, q := &e.stream.filled, e.question
	window := f.place == attempt.Place && f.toldMS > 0 && f.failed < hear.MostTries && startMS >= f.toldMS+hear.ToldMS && startMS < f.answeredMS+hear.ReactMS
	asked := q != nil && len(q.refs) > 0 && q.place == attempt.Place && e.heardOut(q, startMS)
	// As many numbers as sites are asked about are the answer, another number of them is all of the place or a piece of it. Of who calls one by
	// one a lone number says nothing unless all was asked about.
	if window || asked && (of > 1 && len(q.refs) == of || n != len(q.refs) && !e.rhythm.Singly()) {
		return of
	}
	return 0
}

// badlyAnswered reports whether numbers are an answer to "again, 14 buccal, please" of which some were lost or heard twice. Who calls them one by
// one goes on instead, as far as anybody can tell.
func (e *Exam) badlyAnswered(v hear.Verdict, startMS int64) bool {
	q := e.question
	n, plain := lone(v)
	if q == nil || !q.hole || !plain || e.rhythm.Singly() || !e.heardOut(q, startMS) {
		return false
	}
	return n < len(q.refs) || v.Fit == hear.Over
}

// askOnceMore puts an open question again, or leaves it to the list of doubts.
func (e *Exam) askOnceMore(a Answer) {
	q := *e.question
	e.question = nil
	e.tell(Change{Answer: &a, Partial: &Partial{}})
	short := a.Tone == ToneShort // it was answered, but not well, and the tone says that it is wanted again
	if short {
		q.missed++
	} else {
		q.asked++
	}
	if q.asked > mostAsked || q.missed >= hear.MostTries {
		e.tell(Change{Head: e.head()})
		return
	}
	if short {
		e.expect(&q)
		return
	}
	e.ask(&q)
}

// heardOut reports whether a question was spoken to its end before a call began: who goes on does not wait for that.
func (e *Exam) heardOut(q *Question, startMS int64) bool {
	if q.toldMS > 0 && startMS >= q.toldMS+hear.ToldMS {
		return true
	}
	return !q.into && e.stream.spokeMS >= q.from && e.stream.spokeMS <= startMS
}

// speaksInto notes that somebody spoke while a question was being asked.
func (q *Question) speaksInto(h speech.Hypothesis, spokeMS int64) {
	if q != nil && h.StartMS < spokeMS && h.EndMS > q.from {
		q.into = true
	}
}

// waitsFor reports whether numbers that were asked for are waited for, whether the question was heard out or not: those of a whole place are
// not, for they look like the next one.
func (e *Exam) waitsFor(q *Question) bool { return q.value && !q.hole }

// mayBeOne reports whether a lone number may be the answer to a question: of who calls one by one only if he was asked for it.
func (e *Exam) mayBeOne(q *Question, startMS int64) bool {
	return q.value || !e.rhythm.Singly() || e.heardOut(q, startMS)
}

// answers reports whether numbers answer a question about as many sites, or just go on along the path. Who answers says what stands
// there again, but for what was wrong.
func (e *Exam) answers(q *Question, numbers []chart.MM, startMS int64) bool {
	switch {
	case len(numbers) != len(q.refs) || startMS < q.from:
		return false
	case len(numbers) == 1:
		return e.mayBeOne(q, startMS)
	case e.waitsFor(q):
		return true
	case e.partly(q, startMS):
	case !q.value || !e.heardOut(q, startMS):
		return false
	}
	is, _ := e.asStands(q, numbers)
	return is
}

// asStands tells whether numbers are likelier the answer to a question than what comes next, and whether they are so like those that stand there
// that they speak for it themselves.
func (e *Exam) asStands(q *Question, numbers []chart.MM) (answer, alike bool) {
	var stands []chart.MM
	var doubtful []bool
	for _, r := range q.refs {
		if v := e.state.Chart.Number(r, e.state.Pass); v.Known() {
			_, is := e.state.Doubts[r]
			stands, doubtful = append(stands, v), append(doubtful, is || q.hole) // of a place that is asked for none is sure
		}
	}
	return hear.Answers(stands, doubtful, numbers)
}

// answered handles calls that answer a question.
func (e *Exam) answered(ctx context.Context, v hear.Verdict, m chart.Meta) (done bool, err error) {
	if v.Err != nil {
		return false, nil
	}
	done, _, err = e.replyTo(ctx, v.Result.Command, m, v)
	return done, expected(err)
}

// replyTo performs a call as the answer to the open question. done means that nothing is left to perform.
func (e *Exam) replyTo(ctx context.Context, c chart.Command, m chart.Meta, v hear.Verdict) (done bool, a Answer, err error) {
	q := e.question
	if q == nil || len(c.Acts) != 1 || q.call == 0 && len(q.refs) == 0 && q.asks == nil {
		return false, a, nil
	}
	act := c.Acts[0]
	if q.asks != nil {
		return e.replyClosing(ctx, q, act, m)
	}
	perform := func(c chart.Command, doubt *suspicion) (bool, Answer, error) {
		e.question, e.stream.asked = nil, nil
		if e.aside = q.elsewhere; (q.elsewhere || q.hole) && act.Verb != chart.VerbAffirm {
			e.readBack = q.place
		}
		e.stream.calledMS = max(e.stream.calledMS, m.EndMS)
		if q.place == e.stream.filled.place {
			e.stream.filled = placing{} // it was answered
		}
		a, err := e.perform(ctx, c, m, doubt)
		return true, a, err
	}
	if q.call != 0 {
		switch act.Verb {
		case chart.VerbAffirm:
			return perform(c, nil)
		case chart.VerbNegative:
			back := numberText(q.call)
			return perform(chart.Command{Acts: []chart.Act{{Verb: chart.VerbDisregard, Was: &back}}}, nil)
		}
		return false, a, nil
	}
	plain := m.Source == chart.Voice && act.Verb == chart.VerbSoundings
	corrects := act.Verb == chart.VerbCorrection && !q.elsewhere && len(act.Where) == 0 && !act.Whole && len(act.Numbers) == len(q.refs) && m.StartMS >= q.from
	switch {
	case act.Verb == chart.VerbAffirm && !q.value:
		var do chart.Command
		for _, ref := range q.refs {
			if _, open := e.state.Doubts[ref]; open {
				do.Acts = append(do.Acts, chart.Act{Verb: chart.VerbSettle, Ref: &ref})
			}
		}
		if len(do.Acts) == 0 {
			do = c // settled at a screen meanwhile
		}
		return perform(do, nil)
	case act.Verb == chart.VerbNegative && !q.hole:
		e.askValue(*q)
		return true, Answer{Did: act.Verb, Words: m.Words, Text: "asked", Tone: ToneAccepted}, nil
	case corrects, plain && e.answers(q, act.Numbers, m.StartMS):
		e.stream.soundedMS = m.EndMS
		if m.Source == chart.Voice && e.echoes(q, q.refs, act.Numbers) {
			return true, a, e.askEchoed(m)
		}
		e.readNumbers = m.Source == chart.Voice
		return perform(e.checked(q, act.Numbers, e.unsureAnswer(q, v)))
	}
	return false, a, nil
}

// askValue asks for what stands there instead of what was denied; the doubt stays meanwhile.
func (e *Exam) askValue(q Question) {
	q.Speak, q.Text, q.value, q.denied = "say the value", "say the value for "+q.Text, true, true
	e.ask(&q)
}

// echoes reports whether numbers that answer a question about what was not heard clearly are those that stand there. Who finds them right says yes; who says
// numbers has others, which the ear took for the same as before: that it hears them twice proves nothing. Where numbers were asked for, they may be the
// same; and what is doubted for being implausible was heard clearly twice.
func (e *Exam) echoes(q *Question, refs []chart.SiteRef, numbers []chart.MM) bool {
	if q.value && !q.denied || len(refs) != len(numbers) {
		return false
	}
	heardBadly := q.denied
	for i, r := range refs {
		if e.state.Chart.Number(r, fieldOf(e.state, r)) != numbers[i] {
			return false
		}
		heardBadly = heardBadly || e.state.Doubts[r].Reason == unclear
	}
	return heardBadly
}

// askEchoed asks once more; then the doubt stays for Review.
func (e *Exam) askEchoed(m chart.Meta) error {
	e.stream.calledMS = max(e.stream.calledMS, m.EndMS)
	e.askOnceMore(Answer{Words: m.Words, Text: "the same again: yes, or another number", Tone: ToneDoubt, EndMS: m.EndMS})
	return nil
}

// unsureAnswer doubts the numbers of an answer that were not heard clearly, those that stood there too: an ear that takes one number for another does
// so twice. It doubts, too, what is far from a number that nobody doubted, and each other number of a place that is quite unlike the one that
// stands there: the examiner may be at another place.
func (e *Exam) unsureAnswer(q *Question, v hear.Verdict) *suspicion {
	unlike := false
	if acts := v.Result.Command.Acts; q.hole && len(acts) == 1 {
		_, alike := e.asStands(q, acts[0].Numbers)
		unlike = !alike
	}
	i := -1
	return &suspicion{of: func(_ *chart.Chart, r chart.Reading, mm chart.MM) (string, string) {
		was := e.state.Chart.Number(r.SiteRef, r.Field)
		if i++; i < len(v.Unsure) && v.Unsure[i] {
			return unclear, v.Rival
		}
		if _, doubted := e.state.Doubts[r.SiteRef]; !doubted && apart(was, mm) || unlike && was.Known() && was != mm {
			return wasAtThisExam(was), ""
		}
		return "", ""
	}}
}

// fieldOf is what is doubtful at a site; what is being called, if nothing is.
func fieldOf(s *chart.State, r chart.SiteRef) chart.Field {
	return cmp.Or(s.Doubts[r].Field, s.Pass)
}

// values is the command that writes the answer to a question.
func (q *Question) values(s *chart.State, numbers []chart.MM) chart.Command {
	var c chart.Command
	for i, ref := range q.refs {
		field := fieldOf(s, ref)
		c.Acts = append(c.Acts, chart.Act{Verb: chart.VerbSet, Ref: &ref, Field: field, Number: &numbers[i]})
		if first := s.Chart.Site(ref).Depth; strings.HasSuffix(s.Doubts[ref].Reason, measureAgain) {
			c.Acts = append(c.Acts, chart.Act{Verb: chart.VerbSet, Ref: &ref, Field: chart.FieldAgain, Number: &first})
		}
	}
	return c
}
