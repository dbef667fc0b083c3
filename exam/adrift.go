package exam

import (
	"cmp"
	"context"
	"slices"

	"leadsman/chart"
	"leadsman/exam/hear"
)

// A number that was lost or heard twice can leave the examiner at one place and the exam at another. He finds out later: the exam names a
// place that is not his, a row ends too soon or not at all. Then what was called in between stands at the wrong places, and nobody knows from
// where on. So whoever goes to a place near the one where the exam stood is asked for the place before, and for those before that, until they
// agree with what stands there; until then they are in doubt.

// driftPlaces is how far an examiner goes, in places, who finds himself elsewhere: back to the begin of a breath of three, from up to three off.
// Engineering choice.
const driftPlaces = 6

// mostAnnounced is how often somebody names the place where the exam stands who does not do so as a habit. Engineering choice.
const mostAnnounced = 3

// mostOff is how far off numbers are looked for, in places. Engineering choice.
const mostOff = 3

// Odds for a drift. Declared: of those who go to a place near the one where the exam stands, one in eleven does so because he was elsewhere; where a
// drift is known, it may begin at any place. Below the last nobody looks for one any longer.
const (
	leapOdds  = 0.10
	knownOdds = 1.0
	leastOdds = 0.02
)

// placeOff is the reason to doubt numbers that may stand at a neighbouring place.
const placeOff = "may stand a place off"

// drift is what is known of it.
type drift struct {
	at   chart.Place            // the numbers of this place tell next
	to   chart.Place            // where the examiner went
	last chart.Place            // the last place that may be off ahead of that
	was  chart.Chart            // when it came up
	open map[chart.SiteRef]bool // doubts of an earlier one, which nobody answered
	by   int                    // places that numbers stand further along the path than they were called; 0: not known yet
	odds float64                // for a drift at this place against none, by the places that are where they should be
	odd  int                    // places that do not tell
	sure bool                   // that there is a drift
	far  bool                   // he came from afar: only his numbers can tell
}

// finding is what the numbers of a place tell.
type finding int

const (
	inPlace finding = iota
	off             // they stand at another place
	untold          // neither here nor there
)

// mayDrift looks for what a call tells about whether the examiner is, and was, where the exam is. What it puts in doubt, or settles, comes with
// the call.
func (e *Exam) mayDrift(v hear.Verdict, m chart.Meta, do *chart.Command, doubt *suspicion) {
	c := v.Result.Command
	n, plain := lone(v)
	switch first := c.Acts[0].Verb; {
	case plain && e.state.AtEnd():
		doubt.off(e.pastEnd())
	case plain:
		e.called(v.Fit, c.Acts[0].Numbers[:n], do, doubt)
	case c.Verb() == chart.VerbComplete:
		doubt.off(e.openEnds())
	case first == chart.VerbGo, first == chart.VerbAspect:
		doubt.off(e.leaps(c, m, do))
		for _, a := range c.Acts {
			if a.Verb == chart.VerbSoundings && e.stream.drift != nil && !e.checks() {
				e.weigh(a.Numbers, do, doubt)
			}
		}
	}
}

// leaps looks at a call that goes to another place: near where the exam stood, the examiner may have been elsewhere all the time. It gives what is
// in doubt then; what is no longer so comes with the call.
func (e *Exam) leaps(c chart.Command, m chart.Meta, do *chart.Command) []chart.Reading {
	s := &e.stream
	evs, err := e.state.Do(c, m)
	i := slices.IndexFunc(evs, func(ev chart.Event) bool { return ev.Kind == chart.KindMove && ev.Jump })
	if err != nil || i < 0 || s.stand == (chart.Place{}) || c.Verb() == chart.VerbCorrection { // which comes back from where it goes
		return nil
	}
	to, from := chart.Place{Tooth: evs[i].Tooth, Aspect: evs[i].Aspect}, s.stand
	if n, near := e.steps(s.brokeOff, to); near {
		from = s.brokeOff
		if n == 0 {
			s.brokeOff = chart.Place{}
			if s.drift != nil && s.drift.by == 0 && !e.checks() { // he is back where the exam was, and nothing speaks against it
				do.Acts = append(do.Acts, e.endDrift(func(chart.Place) bool { return true })...)
			}
			s.drift = nil
			return nil
		}
	}
	if s.brokeOff == (chart.Place{}) {
		s.brokeOff = from
	}
	n, near := e.steps(from, to)
	known := e.recorded(to)
	announces := near && n == 0
	if announces {
		s.announced++
	}
	switch {
	// Who says where the exam stands anyway agrees with it; but for one who just heard it name a place, and does not do so again and again: he wants
	// it elsewhere than it was.
	case !near && !known, announces && (!s.placeTold || s.announced > mostAnnounced):
		s.together = to
	case !near && e.checks():
	case !near:
		e.drifts(drift{at: to, odds: leapOdds, far: true})
	default:
		odds := leapOdds
		if s.placeTold || e.rhythm.InRows() { // he hears where the exam is, and is elsewhere; a row that lost a place is noticed at its end
			odds = knownOdds
		}
		e.drifts(drift{at: to, to: to, last: from, odds: odds})
		ahead := to
		if n < 0 {
			ahead = from
		}
		out := e.sinceTogether(ahead)
		if !known {
			e.checkBefore(to)
		}
		return out
	}
	return nil
}

// drifts begins to look for a drift.
func (e *Exam) drifts(d drift) {
	d.was, d.open = e.state.Chart, map[chart.SiteRef]bool{}
	for _, o := range e.state.OpenDoubts() {
		d.open[o.SiteRef] = o.Reason == placeOff
	}
	e.stream.drift = &d
}

// before is the place before another one where numbers stand: an examiner who is ahead of the exam leaves a few open.
func (e *Exam) before(p chart.Place) (to chart.Place, ok bool) {
	for range mostOff + 1 {
		if p, ok = e.state.Before(p); !ok || e.recorded(p) {
			return p, ok
		}
	}
	return p, false
}

// checkBefore asks for the place before another one. Until it is called its numbers are in doubt.
func (e *Exam) checkBefore(p chart.Place) []chart.Reading {
	d := e.stream.drift
	to, ok := e.before(p)
	if !ok {
		e.stream.drift = nil
		return nil
	}
	d.at = to
	e.askFirst(to)
	return e.undoubted(to)
}

// askFirst has a place that tells asked for before anything else.
func (e *Exam) askFirst(p chart.Place) {
	e.due = slices.DeleteFunc(e.due, func(x due) bool { return x.place == p })
	c := e.hole(p)
	c.check = true
	e.due = slices.Insert(e.due, 0, *c)
}

// undoubted are the numbers of a place that nobody doubts yet.
func (e *Exam) undoubted(p chart.Place) (out []chart.Reading) {
	for _, r := range e.hole(p).refs {
		if _, open := e.state.Doubts[r]; !open && e.state.Chart.Number(r, e.state.Pass).Known() {
			out = append(out, chart.Reading{SiteRef: r, Field: e.state.Pass})
		}
	}
	return out
}

// steps counts the places from one to another along the path; near is false if they are more than driftPlaces apart.
func (e *Exam) steps(from, to chart.Place) (n int, near bool) {
	if from == (chart.Place{}) {
		return 0, false
	}
	ahead, back := from, from
	for n := range driftPlaces + 1 {
		if ahead == to {
			return n, true
		}
		if back == to {
			return -n, true
		}
		ahead, back = e.stepped(ahead, 1), e.stepped(back, -1)
	}
	return 0, false
}

// stepped is the place n places further along the path; none if the path ends before.
func (e *Exam) stepped(p chart.Place, n int) chart.Place {
	for ; n != 0 && p != (chart.Place{}); n -= cmp.Compare(n, 0) {
		next := e.state.Behind
		if n < 0 {
			next = e.state.Before
		}
		to, ok := next(p)
		if !ok {
			return chart.Place{}
		}
		p = to
	}
	return p
}

// tells says what the numbers of a place tell of a drift, and how far what is called stands further along.
func (e *Exam) tells(d *drift, ns []chart.MM) (finding, int) {
	if e.stands(d, d.at, ns) {
		return inPlace, 0
	}
	for n := range mostOff {
		for _, by := range []int{n + 1, -n - 1} {
			if d.by != 0 && by != d.by {
				continue
			}
			if e.stands(d, e.stepped(d.at, by), ns) {
				return off, by
			}
		}
	}
	if was := e.stood(d, d.at); !d.sure && len(was) == len(ns) && differing(was, ns) <= 1 {
		return inPlace, 0 // one was misheard, or is put right
	}
	return untold, 0
}

// agrees takes in that a place is as it was, which happens by chance so often, and reports whether nobody looks for a drift any longer.
func (d *drift) agrees(chance float64) bool {
	d.odds *= chance
	return d.odds < leastOdds
}

// byChance is how likely numbers are those of a place that they were not called at: as many places of this mouth have the same ones.
func (e *Exam) byChance(d *drift, ns []chart.MM) float64 {
	places, same := 0.0, 0.0
	for p, ok := e.lastPlace(); ok; p, ok = e.state.Before(p) {
		if was := e.stood(d, p); p != d.at && was != nil {
			places++
			if slices.Equal(was, ns) {
				same++
			}
		}
	}
	return (same + 0.5) / (places + 1)
}

// differing counts the numbers that are others.
func differing(a, b []chart.MM) (n int) {
	for i := range a {
		if a[i] != b[i] {
			n++
		}
	}
	return n
}

// stood gives the numbers that stood at a place, in walking order; nil if one was missing.
func (e *Exam) stood(d *drift, p chart.Place) (out []chart.MM) {
	if p == (chart.Place{}) {
		return nil
	}
	for _, r := range e.hole(p).refs {
		was := d.was.Number(r, e.state.Pass)
		if !was.Known() {
			return nil
		}
		out = append(out, was)
	}
	return out
}

// stands reports whether numbers are those that stood at a place.
func (e *Exam) stands(d *drift, p chart.Place, ns []chart.MM) bool {
	was := e.stood(d, p)
	return was != nil && slices.Equal(was, ns)
}

// called looks at numbers that are called after a leap.
func (e *Exam) called(fit hear.Fit, ns []chart.MM, do *chart.Command, doubt *suspicion) {
	d := e.stream.drift
	if d == nil || d.by != 0 || e.checks() {
		return
	}
	if e.state.Place != d.at || fit == hear.Onward {
		doubt.off(e.checkBefore(d.at)) // he went on elsewhere
		return
	}
	if a := hear.AttemptOf(e.state); a.Here && !fit.Breaks() {
		var all []chart.MM
		for _, r := range a.Sites {
			all = append(all, e.state.Chart.Number(r, e.state.Pass))
		}
		ns = append(all, ns...)
	}
	e.weigh(ns, do, doubt)
}

// weigh looks at numbers of the place where the examiner and the exam are together again: if they stand at another place, those before it do so
// too, and are in doubt.
func (e *Exam) weigh(ns []chart.MM, do *chart.Command, doubt *suspicion) {
	d := e.stream.drift
	of := e.state.Path.Walked(d.at)
	if len(ns) < of {
		return // a piece
	}
	if e.stood(d, d.at) != nil {
		e.found(ns[:of], do, doubt)
		return
	}
	// Nothing stood there, and the exam was there: were these numbers called already?
	if e.stands(d, e.stepped(d.at, -1), ns[:of]) {
		doubt.off(e.checkBefore(d.at))
		return
	}
	e.stream.drift = nil
}

// checks reports whether a place is asked for because the exam may be adrift.
func (e *Exam) checks() bool {
	return e.question != nil && e.question.check || slices.ContainsFunc(e.due, func(d due) bool { return d.check })
}

// found draws the consequences of the numbers of the place that tells: what is in doubt from now on, or no longer.
func (e *Exam) found(ns []chart.MM, do *chart.Command, doubt *suspicion) {
	d := e.stream.drift
	switch f, by := e.tells(d, ns); {
	case f == inPlace:
		if d.agrees(e.byChance(d, ns)) {
			e.stream.together = d.at
			e.foundOut(d.at, do)
			return
		}
	case f == off:
		d.odds, d.by = knownOdds, by
		doubt.off(e.sinceTogether(d.at))
	case d.sure:
		doubt.off(e.sinceTogether(d.at))
	case d.by == 0:
		if d.odd++; d.odd > 1 || d.far {
			e.endDrift(nil)
			return
		}
	}
	if _, more := e.before(d.at); !more {
		e.foundOut(d.at, do)
		return
	}
	doubt.off(e.checkBefore(d.at))
}

// foundOut ends a drift, and the doubts that it raised. Those of the place that told are being called; if there was a drift, those where the
// examiner has not been yet stay.
func (e *Exam) foundOut(told chart.Place, do *chart.Command) {
	d := e.stream.drift
	ahead := map[chart.Place]bool{}
	if n, near := e.steps(d.to, d.last); near && n >= 0 && d.by != 0 {
		for p := d.to; !ahead[d.last]; p = e.stepped(p, 1) {
			ahead[p] = true
		}
	}
	do.Acts = append(do.Acts, e.endDrift(func(p chart.Place) bool { return p != told && !ahead[p] })...)
}

// endDrift looks for a drift no longer. It gives what settles the doubts at places; none if at is nil.
func (e *Exam) endDrift(at func(chart.Place) bool) (settle []chart.Act) {
	for _, open := range e.state.OpenDoubts() {
		if open.Reason == placeOff && at != nil && at(open.Place()) && !e.stream.drift.open[open.SiteRef] {
			settle = append(settle, chart.Act{Verb: chart.VerbSettle, Ref: &open.SiteRef})
		}
	}
	e.stream.drift = nil
	e.due = slices.DeleteFunc(e.due, func(x due) bool { return x.check })
	return settle
}

// sinceTogether are the numbers before a place, back to where the examiner and the exam were together for certain.
func (e *Exam) sinceTogether(p chart.Place) (out []chart.Reading) {
	for b, ok := e.state.Before(p); ok && b != e.stream.together; b, ok = e.state.Before(b) {
		out = append(out, e.undoubted(b)...)
	}
	return out
}

// checked is the command that writes an answer, with what it tells of a drift, if its place was asked for because of that.
func (e *Exam) checked(q *Question, ns []chart.MM, doubt *suspicion) (chart.Command, *suspicion) {
	do := q.values(e.state, ns)
	if d := e.stream.drift; q.check && d != nil && d.at == q.place {
		e.found(ns, &do, doubt)
	}
	return do, doubt
}

// openEnds looks, at the end of an exam, for rows whose last places were left open: the examiner called them, and the exam had them one place back.
// It gives what is in doubt then.
func (e *Exam) openEnds() []chart.Reading {
	for p, ok := e.lastPlace(); ok; {
		open := 0
		for ; open <= mostOff && !e.recorded(p); open++ {
			b, more := e.state.Before(p)
			if !more || rowOf(b) != rowOf(p) {
				break
			}
			p = b
		}
		if open > 0 && open <= mostOff && e.recorded(p) {
			end := e.stepped(p, 1)
			if !e.checks() {
				e.drifts(drift{odds: knownOdds})
				e.checkBefore(end)
			}
			return e.sinceTogether(end)
		}
		for row := rowOf(p); ok && rowOf(p) == row; {
			p, ok = e.state.Before(p)
		}
	}
	return nil
}

// knowsOpenEnds drops the question about the place before open ones: the examiner said what is to become of these, and knows of them.
func (e *Exam) knowsOpenEnds(ctx context.Context) error {
	d := e.stream.drift
	if d == nil || d.by != 0 {
		return nil
	}
	settle := e.endDrift(func(chart.Place) bool { return true })
	if settle == nil {
		return nil
	}
	_, err := e.perform(ctx, chart.Command{Acts: settle}, chart.Meta{Source: chart.Tool}, nil)
	return expected(err)
}

// nowhere looks at numbers that were refused because nothing is probed where the exam stands: at a tooth that is not there, which nobody calls twice.
func (e *Exam) nowhere(ctx context.Context, v hear.Verdict) error {
	s := &e.stream
	if _, plain := lone(v); !plain || e.state.Open() > 0 || e.state.AtEnd() {
		return nil
	}
	if s.inVain++; s.inVain < 2 || s.stand == (chart.Place{}) {
		return nil
	}
	s.inVain = 0
	e.saying = "back at " + placeLabel(e.state, s.stand)
	back := chart.Act{Verb: chart.VerbGo, Tooth: s.stand.Tooth, Aspect: s.stand.Aspect, HasAspect: true}
	_, err := e.perform(ctx, chart.Command{Acts: []chart.Act{back}}, chart.Meta{Source: chart.Tool}, nil)
	return expected(err)
}

// pastEnd looks at numbers that are called where the path is at its end: the exam is ahead of the examiner. It gives what is in doubt.
func (e *Exam) pastEnd() []chart.Reading {
	p, ok := e.lastPlace()
	if !ok || !e.recorded(p) {
		return nil
	}
	if !e.checks() {
		e.drifts(drift{at: p, odds: knownOdds, sure: true})
		e.askFirst(p)
	}
	return append(e.undoubted(p), e.sinceTogether(p)...)
}

// lastPlace is the last place of the path.
func (e *Exam) lastPlace() (p chart.Place, ok bool) {
	for r := range e.state.Walked() {
		p, ok = r.Place(), true
	}
	return p, ok
}
