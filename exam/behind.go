package exam

import (
	"context"
	"errors"

	"leadsman/chart"
)

// A log may get events past a running exam: when another node takes it over, and when the store goes away while it writes, so that nobody
// knows whether a call is kept. Until it has read its log again such an exam is behind: it enters nothing.

// ElsewhereError says that an exam runs on another node, which alone may write to its log.
type ElsewhereError struct{ Node string } // its address

func (e *ElsewhereError) Error() string { return "this exam runs on another node: " + e.Node }

// unsure reports whether an error leaves open what stands in the log.
func unsure(err error) bool {
	return errors.Is(err, ErrAway) || errors.Is(err, ErrBehind) || errors.As(err, new(*ElsewhereError))
}

// own makes sure that this exam may be written to from here and lacks nothing of its log. It runs in the owner.
func (e *Exam) own(ctx context.Context) error {
	if e.cfg.Own != nil {
		fresh, err := e.cfg.Own(ctx)
		if err != nil {
			return err
		}
		if fresh {
			e.behind.Store(true)
		}
	}
	if !e.behind.Load() {
		return nil
	}
	return e.catchUp(ctx)
}

// CatchUp takes from the log what others entered, and tells the pages.
func (e *Exam) CatchUp(ctx context.Context) (err error) {
	return errors.Join(e.run(func() { err = e.catchUp(ctx) }), err)
}

func (e *Exam) catchUp(ctx context.Context) error {
	var evs []chart.Event
	for ev, err := range e.cfg.Log.All(ctx) {
		if err != nil {
			return err
		}
		if ev.Seq > e.state.Seq() {
			evs = append(evs, ev)
		}
	}
	if len(evs) > 0 {
		// What is being said was begun before them: whoever hears it begins anew.
		e.streams.Add(1)
		e.question, e.due = nil, nil
	}
	for len(evs) > 0 {
		n := 1
		for n < len(evs) && evs[n].Call == evs[0].Call {
			n++
		}
		before, doubts, from, path := e.state.Chart, e.doubtSites(), e.state.Seq(), e.state.Path.Ref
		if err := e.state.Apply(evs[:n]...); err != nil {
			return err
		}
		e.publish(from, &before, doubts, path, evs[:n], nil)
		evs = evs[n:]
	}
	e.behind.Store(false)
	return nil
}
