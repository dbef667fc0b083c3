package exam

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/diagnosis"
	"leadsman/exam/hear"
)

// suspicion says which readings of a call deserve a doubt.
type suspicion struct {
	// of gives a reason to doubt a reading, or "". The chart is the one after the call.
	of func(c *chart.Chart, r chart.Reading, v chart.MM) (reason, rival string)
	// also are earlier soundings that the call puts in doubt as well.
	also []suspect
}

// suspect is a sounding in doubt, and why.
type suspect struct {
	chart.Reading
	why string
}

// incomplete puts in doubt what was called of a place that stays short.
func (d *suspicion) incomplete(a hear.Attempt) {
	for _, r := range a.Sites {
		d.also = append(d.also, suspect{chart.Reading{SiteRef: r, Field: a.Field}, tooFew})
	}
}

// off puts soundings in doubt that may stand a place off.
func (d *suspicion) off(rs []chart.Reading) {
	for _, r := range rs {
		d.also = append(d.also, suspect{r, placeOff})
	}
}

// refused is what is left of it if the call is refused: that the examiner may be elsewhere.
func (d *suspicion) refused() *suspicion {
	if d == nil {
		return nil
	}
	return &suspicion{also: slices.DeleteFunc(slices.Clone(d.also), func(s suspect) bool { return s.why != placeOff })}
}

// perform does a command: events, log, fold, answer, subscribers. It runs in the owner.
func (e *Exam) perform(ctx context.Context, c chart.Command, m chart.Meta, doubt *suspicion) (Answer, error) {
	m.Time = e.cfg.Now()
	c, cause := e.withPaths(c)
	evs := []chart.Event(nil)
	if cause != nil {
		evs = e.state.Refused(c.Verb(), cause, m)
	} else {
		evs, cause = e.state.Do(chartfile.Read(c), m)
	}
	if cause != nil {
		doubt = doubt.refused()
	}
	evs = e.addDoubts(evs, m, doubt)
	return e.settle(ctx, c, m, evs, cause)
}

// settle makes the events of a call durable, folds them and tells everybody. cause is why the call
// was refused, if it was.
func (e *Exam) settle(ctx context.Context, c chart.Command, m chart.Meta, evs []chart.Event, cause error) (Answer, error) {
	if err := e.keep(ctx, evs...); err != nil {
		a := Answer{Words: m.Words, Text: "not entered: " + err.Error(), Tone: ToneRefused, Must: true, Speak: "not saved"}
		if m.Source == chart.Voice && unsure(err) {
			a.Text, a.Speak = "not entered yet: "+err.Error()+": it is heard again as soon as that is over", "please wait"
		}
		e.tell(Change{Answer: &a, Partial: &Partial{}})
		return a, err
	}
	before, place, ended := e.state.Chart, e.state.Place, e.state.Ended()
	beforeDoubts := e.doubtSites()
	from, path := e.state.Seq(), e.state.Path.Ref
	if err := e.state.Apply(evs...); err != nil {
		// Do applied the same events to a copy: only a fault of the program leads here.
		return Answer{}, fmt.Errorf("apply call %d: %w", evs[0].Call, err)
	}
	if m.Source == chart.Voice && e.cfg.KeepClip != nil {
		e.stream.uttered = append(e.stream.uttered, utterance{evs[0].Call, m.StartMS, m.EndMS})
	}
	silent := m.Source == chart.Tool && e.saying == "" // nobody called it
	a := e.answer(c, m, evs, cause, place, ended)
	e.questionAfter(c, m, cause, evs[0].Call)
	told := &a
	if silent {
		told = nil
	}
	e.publish(from, &before, beforeDoubts, path, evs, told)
	if v := c.Verb(); cause == nil && (v == chart.VerbSign || v == chart.VerbCosign) && !e.state.Waits() && e.cfg.Signed != nil {
		e.cfg.Signed()
	}
	return a, cause
}

// questionAfter is what is still asked after a call.
func (e *Exam) questionAfter(c chart.Command, m chart.Meta, cause error, call uint64) {
	q := e.question
	asks := c.Verb() == chart.VerbHelp || c.Verb() == chart.VerbWhere || c.Verb() == chart.VerbSayAgain // has not answered yet
	switch {
	case q == nil:
	case m.Source != chart.Voice && q.call == 0:
		// Somebody at a screen goes on meanwhile. What that settled is asked no more.
		if q.asks != nil {
			if now := e.closingQuestion(q.asks.step); now == nil || now.Speak != q.Speak {
				e.question = nil
			}
			return
		}
		if len(q.refs) == 0 || e.open(due{refs: q.refs}) {
			return
		}
		e.question = nil
	case asks:
		longer := *q
		longer.until = max(q.until, m.EndMS+askForMS)
		e.question = &longer
		return
	default:
		e.question = nil
		e.later(q)
	}
	if cause == nil && m.Source == chart.Voice {
		e.closing.follow(c.Verb())
		e.question = e.confirm(c, call, m.EndMS)
	}
}

// addDoubts appends a doubt to the events of a call for each reading that deserves one.
func (e *Exam) addDoubts(evs []chart.Event, m chart.Meta, doubt *suspicion) []chart.Event {
	if doubt == nil {
		return evs
	}
	after := e.state.Chart
	for _, ev := range evs {
		if ev.Kind == chart.KindSet && ev.Value != nil && ev.Field == chart.FieldDepth {
			after.Site(ev.At()).Depth = chart.Half(*ev.Value)
		}
	}
	called := evs
	raise := func(r chart.Reading, reason, rival string) {
		evs = append(evs, chart.Event{Seq: evs[len(evs)-1].Seq + 1, Call: evs[0].Call, Time: m.Time, Person: m.Person, Kind: chart.KindDoubt, Tooth: r.Tooth, Site: &r.Site,
			Field: r.Field, Text: reason, Rival: rival})
	}
	for _, r := range doubt.also {
		if e.state.Chart.Number(r.SiteRef, r.Field).Known() {
			raise(r.Reading, r.why, "")
		}
	}
	for _, ev := range called {
		if ev.Kind != chart.KindSet || ev.Value == nil || ev.Field != chart.FieldDepth && ev.Field != chart.FieldRecession {
			continue
		}
		r := chart.Reading{SiteRef: ev.At(), Field: ev.Field}
		if reason, rival := doubt.of(&after, r, chart.Half(*ev.Value)); reason != "" {
			raise(r, reason, rival)
		}
	}
	return evs
}

func (e *Exam) doubtSites() map[chart.SiteRef]string {
	out := map[chart.SiteRef]string{}
	for r, d := range e.state.Doubts {
		out[r] = d.Reason
	}
	return out
}

// Plausibility, in millimetres. Engine's choices but for the first two: readings of 0 and of 10 and
// more, and 4 mm above the last value of the site, are read back. Plausibility raises doubts; it
// never changes a number.
const (
	readBackFrom   = 10
	aboveEarlier   = 4
	besideNeighbor = 6
	againApart     = 2 // two readings of a site by one examiner lie nearer together in 97 % (docs/measurement-error.md)
)

// measureAgain ends the reason of a doubt that a second reading answers: the site is deeper than at the exam before, and a change
// at a single site counts only when it is seen twice.
const measureAgain = ", measure again"

// askedAgain counts the second readings that were asked for in this exam.
func (e *Exam) askedAgain() int {
	n := 0
	for _, ev := range e.state.Log() {
		if ev.Kind == chart.KindDoubt && strings.HasSuffix(ev.Text, measureAgain) {
			n++
		}
	}
	return n
}

// implausible gives a reason to ask about a value, or "".
func (e *Exam) implausible(c *chart.Chart, r chart.Reading, v chart.MM) string {
	if r.Field == chart.FieldRecession {
		if v.Half() < -6 || v.Half() > 16 {
			return "unusual margin"
		}
		return ""
	}
	switch {
	case v.Half() == 0:
		return "depth 0"
	case v.Half() >= 2*readBackFrom:
		return "10 mm or more"
	}
	if e.cfg.Earlier != nil {
		was := e.cfg.Earlier.Site(r.SiteRef).Depth
		if diagnosis.AskAgain(was, v, e.askedAgain(), false, nil) {
			return fmt.Sprintf("was %s at the exam before%s", was, measureAgain)
		}
		if was.Known() && v.Half()-was.Half() >= 2*aboveEarlier {
			return fmt.Sprintf("was %s at the exam before", was)
		}
	}
	// Far deeper than a site beside it on the same aspect: it is the depth that is asked about.
	for _, w := range []chart.Where{chart.Distal, chart.Mid, chart.Mesial} {
		o := chart.SiteRef{Tooth: r.Tooth, Site: chart.SiteAt(r.Site.Aspect(), w)}
		if d := c.Site(o).Depth; o != r.SiteRef && d.Known() && v.Half()-d.Half() >= 2*besideNeighbor {
			return fmt.Sprintf("beside %s", d)
		}
	}
	return ""
}
