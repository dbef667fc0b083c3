package exam

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"

	"leadsman/chart"
	"leadsman/exam/hear"
)

const keptChanges = 256 // changes kept for pages that come back

// Exam is a running exam. One goroutine owns its state; every method may be called from any
// goroutine and returns when the owner has done its part. What a method reports as done is durable.
type Exam struct {
	cfg  Config
	jobs chan func()
	quit chan struct{}
	done chan struct{}
	end  sync.Once // closes quit

	// Owned by the goroutine in loop.
	state    *chart.State
	stream   stream // what counts in the time of the microphone's stream
	rhythm   hear.Rhythm
	voice    string // that is heard, "" anybody's
	speaker  Caller // whose voice it is
	question *Question
	asked    uint64 // counts questions
	// What the answer to the call in hand has to say besides.
	namePlace   bool
	readBack    chart.Place
	readNumbers bool
	aside       bool // the last answer was about another place than the one spoken last
	saying      string
	due         []due // doubts to ask about
	closing     closing
	changes     []Change
	subs        map[*Subscription]bool
	micView     *MicView

	micMu sync.Mutex
	mic   *Mic

	behind  atomic.Bool  // the log may have more: see behind.go
	streams atomic.Int64 // counts how often the log had more
}

// Open takes up an exam where its log ends. The log must begin with a start event: see Start.
func Open(ctx context.Context, cfg Config) (*Exam, error) {
	st := chart.NewState()
	for e, err := range cfg.Log.All(ctx) {
		if err != nil {
			return nil, fmt.Errorf("open exam %s: %w", cfg.ID, err)
		}
		if err := st.Apply(e); err != nil {
			return nil, fmt.Errorf("open exam %s: %w", cfg.ID, err)
		}
	}
	if st.Seq() == 0 {
		return nil, fmt.Errorf("open exam %s: its log is empty", cfg.ID)
	}
	e := &Exam{cfg: cfg, state: st, jobs: make(chan func()), quit: make(chan struct{}), done: make(chan struct{}), subs: map[*Subscription]bool{}}
	go e.loop()
	return e, nil
}

// Start writes the first events of an exam to its empty log.
func Start(ctx context.Context, log Log, n chart.Numbering, path string, at *chart.Place, present map[chart.Tooth]chart.Presence, now int64, who string) error {
	evs, err := chart.Start(n, path, at, present, chart.Meta{Time: now, Who: who})
	if err != nil {
		return err
	}
	return log.Append(ctx, evs...)
}

func (e *Exam) loop() {
	defer close(e.done)
	for {
		select {
		case f := <-e.jobs:
			f()
		case <-e.quit:
			for s := range e.subs {
				e.cut(s)
			}
			return
		}
	}
}

// run has the owner do f and waits for it.
func (e *Exam) run(f func()) error {
	ready := make(chan struct{})
	select {
	case e.jobs <- func() { f(); close(ready) }:
		<-ready
		return nil
	case <-e.quit:
		return ErrClosed
	}
}

// Close ends the exam's goroutine and microphone; the log stays as it is. What was being said is not decided: it is heard again when the
// microphone's owner comes back to the exam.
func (e *Exam) Close() error {
	e.micMu.Lock()
	m := e.mic
	e.micMu.Unlock()
	if m != nil {
		m.abandon()
	}
	e.end.Do(func() { close(e.quit) })
	<-e.done
	return nil
}

// View is the whole exam as pages show it.
func (e *Exam) View(ctx context.Context) (v View, err error) {
	err = e.run(func() {
		v = viewOf(e.cfg.ID, e.state)
		v.Head = *e.head()
	})
	return v, err
}

// Chart is a copy of the chart as it stands, with the open doubts.
func (e *Exam) Chart(ctx context.Context) (c *chart.Chart, doubts []chart.Doubt, err error) {
	err = e.run(func() {
		cc := e.state.Chart
		c = &cc
		for _, d := range e.state.Doubts {
			doubts = append(doubts, d)
		}
	})
	return c, doubts, err
}

// History is everything that was ever entered for a tooth and one of its sites, oldest first.
func (e *Exam) History(ctx context.Context, r chart.SiteRef) (h []chart.Entry, err error) {
	err = e.run(func() { h = e.state.History(r.Tooth, &r.Site) })
	return h, err
}

// Rhythm is how the examiner has called the numbers of this exam.
func (e *Exam) Rhythm() (r hear.Rhythm, err error) {
	err = e.run(func() { r = e.rhythm })
	return r, err
}

// Quiet reports whether nobody follows the exam and no microphone is connected to it: closed and opened again it would be the same.
func (e *Exam) Quiet() (quiet bool) {
	e.micMu.Lock()
	quiet = e.mic == nil || e.mic.away
	e.micMu.Unlock()
	return e.run(func() { quiet = quiet && len(e.subs) == 0 }) == nil && quiet
}
