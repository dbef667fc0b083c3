package exam

import (
	"leadsman/chart"
)

// publish tells every subscriber what a call changed.
func (e *Exam) publish(from uint64, before *chart.Chart, beforeDoubts map[chart.SiteRef]string, path string, evs []chart.Event, a *Answer) {
	ch := Change{Seq: e.state.Seq(), From: from, Head: e.head(), Teeth: map[string]ToothView{}, Answer: a, Partial: &Partial{}}
	changed := map[chart.Tooth]bool{}
	now := e.doubtSites()
	for r, reason := range now {
		if beforeDoubts[r] != reason {
			changed[r.Tooth] = true
		}
	}
	for r := range beforeDoubts {
		if _, ok := now[r]; !ok {
			changed[r.Tooth] = true
		}
	}
	for _, t := range chart.AllTeeth() {
		if changed[t] || *before.Tooth(t) != *e.state.Chart.Tooth(t) {
			ch.Teeth[t.String()] = toothOf(e.state, t)
		}
	}
	if e.state.Path.Ref != path {
		ch.Line = lineOf(e.state)
	}
	altered := map[uint64]bool{evs[0].Call: true}
	for _, ev := range evs {
		altered[ev.Undo] = true
	}
	var calls []chart.CallInfo
	for _, c := range e.state.Calls {
		if altered[c.Seq] {
			calls = append(calls, c)
		}
	}
	ch.Calls = callViews(e.state, calls)
	e.changes = append(e.changes, ch)
	if len(e.changes) > keptChanges {
		e.changes = e.changes[len(e.changes)-keptChanges:]
	}
	e.send(ch)
}

// tell sends something tentative: not numbered, not kept.
func (e *Exam) tell(ch Change) {
	ch.Seq, ch.From = e.state.Seq(), e.state.Seq()
	e.send(ch)
}

func (e *Exam) send(ch Change) {
	for s := range e.subs {
		select {
		case s.c <- ch:
		default:
			e.cut(s) // it lags: it will come back with its last number
		}
	}
}

// Subscription is a listener. C is closed when the exam ends or the listener lags; it then
// subscribes again from its last number.
type Subscription struct {
	C <-chan Change
	c chan Change
	e *Exam
}

// Subscribe listens from a view's Seq on. If the changes since then are no longer kept, the first
// Change has From 0 and no content: the page asks for a whole View.
func (e *Exam) Subscribe(from uint64) *Subscription {
	s := &Subscription{c: make(chan Change, keptChanges+64), e: e}
	s.C = s.c
	err := e.run(func() {
		e.subs[s] = true
		i := len(e.changes)
		for i > 0 && e.changes[i-1].From >= from && e.changes[i-1].Seq > from {
			i--
		}
		switch {
		case from == e.state.Seq():
		case i < len(e.changes) && e.changes[i].From == from:
			for _, ch := range e.changes[i:] {
				s.c <- ch
			}
		default:
			s.c <- Change{Seq: e.state.Seq()}
		}
		if e.micView != nil {
			mv := *e.micView
			s.c <- Change{Seq: e.state.Seq(), From: e.state.Seq(), Mic: &mv}
		}
	})
	if err != nil {
		close(s.c)
	}
	return s
}

// Close ends the subscription; C is closed if it was not yet.
func (s *Subscription) Close() { _ = s.e.run(func() { s.e.cut(s) }) }

func (e *Exam) cut(s *Subscription) {
	if e.subs[s] {
		delete(e.subs, s)
		close(s.c)
	}
}
