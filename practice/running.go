package practice

import (
	"context"
	"fmt"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/speech"
)

// restAfter is how long an exam runs that nobody looks at or speaks to. Its log has all of it: it is taken up again when asked for.
const restAfter = 10 * time.Minute

// running is an exam that runs, and when it was last asked for.
type running struct {
	*exam.Exam
	used time.Time
}

// Open finds a running exam or takes it up from its log. It is to be asked for anew each time: one that nobody uses is put to rest.
func (p *Practice) Open(ctx context.Context, id string) (*exam.Exam, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if r := p.running[id]; r != nil {
		r.used = p.now()
		return r.Exam, nil
	}
	if p.trials == nil {
		return nil, exam.ErrClosed
	}
	x, err := p.records.Exam(ctx, id)
	if err != nil {
		return nil, err
	}
	cfg := exam.Config{ID: id, Log: p.logOf(id), Engine: p.engine, Now: p.millis,
		Terms: p.words.Terms(), Paths: p.words.Paths(),
		KeepClip:   func(call uint64, pcm []int16) { p.Clips.add(clip{id, call, pcm}) },
		Signed:     func() { p.Clips.signed(id) },
		Recognizer: p.recognizer, Examiner: p.Voices.caller, Rhythm: p.Voices.rhythm, KeepRhythm: p.Voices.keepRhythm}
	if p.nodes != nil {
		cfg.Own = func(ctx context.Context) (bool, error) { return p.nodes.Own(ctx, id) }
		cfg.Leave = func() { p.leave(id) }
	}
	if before, ok, err := p.earlier(ctx, x); err != nil {
		return nil, fmt.Errorf("earlier exam: %w", err)
	} else if ok {
		st, err := p.fold(ctx, before)
		if err != nil {
			return nil, fmt.Errorf("earlier exam: %w", err)
		}
		cfg.Earlier = &st.Chart
	}
	e, err := exam.Open(ctx, cfg)
	if err != nil {
		return nil, err
	}
	p.running[id] = &running{e, p.now()}
	return e, nil
}

// keepResting puts exams to rest until Close.
func (p *Practice) keepResting() {
	every := time.NewTicker(time.Minute)
	defer every.Stop()
	for {
		select {
		case <-every.C:
			p.rest()
			p.People.sweep(context.Background())
			if err := p.records.ForgetNotices(context.Background(), p.now().Add(-forgetAfter)); err != nil {
				p.log.Error("letters that were sent are not forgotten", "err", err)
			}
		case <-p.quit:
			return
		}
	}
}

// rest ends the exams that nobody has used for a while.
func (p *Practice) rest() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for id, r := range p.running {
		if p.now().Sub(r.used) >= restAfter && r.Quiet() {
			p.end(id, r)
		}
	}
}

// end ends an exam that runs here. The caller holds mu.
func (p *Practice) end(id string, r *running) {
	r.Close()
	delete(p.running, id)
	if p.nodes != nil {
		p.leave(id)
	}
}

// leave gives an exam to whichever node asks for it next.
func (p *Practice) leave(id string) {
	if err := p.nodes.Leave(context.Background(), id); err != nil {
		p.log.Warn("another node gets an exam of this one later", "exam", id, "err", err)
	}
}

func (p *Practice) millis() int64 { return p.now().UnixMilli() }

// recognizer hears with the voice profile of an examiner.
func (p *Practice) recognizer(examiner string) (speech.Recognizer, string, error) {
	rec, _, note, err := p.Voices.recognizer(examiner)
	return rec, note, err
}

// Trial begins an exam as the practice's new ones are, which is kept nowhere.
func (p *Practice) Trial(ctx context.Context) (*exam.Exam, error) {
	s, err := p.Settings(ctx)
	if err != nil {
		return nil, err
	}
	log := &exam.Memory{}
	if err := exam.Start(ctx, log, s.Numbering, s.Path, nil, nil, p.millis(), ""); err != nil {
		return nil, err
	}
	e, err := exam.Open(ctx, exam.Config{ID: "trial", Log: log, Engine: p.engine, Now: p.millis, Recognizer: p.recognizer, Rhythm: p.Voices.rhythm, Terms: p.words.Terms(), Paths: p.words.Paths()})
	if err != nil {
		return nil, err
	}
	p.mu.Lock()
	open := p.trials != nil
	if open {
		p.trials[e] = true
		p.wg.Go(func() {
			<-e.Done()
			p.mu.Lock()
			defer p.mu.Unlock()
			delete(p.trials, e)
		})
	}
	p.mu.Unlock()
	if !open {
		e.Close()
		return nil, exam.ErrClosed
	}
	return e, nil
}

// State is the fold of an exam's log as it stands: an exam that runs has written there all that it shows. It must not be changed.
func (p *Practice) State(ctx context.Context, id string) (*chart.State, error) {
	x, err := p.records.Exam(ctx, id)
	if err != nil {
		return nil, err
	}
	return p.fold(ctx, x)
}

// fold is the state of an exam that need not run.
func (p *Practice) fold(ctx context.Context, x Exam) (*chart.State, error) {
	if st := p.folds.of(x); st != nil {
		return st, nil
	}
	st, err := Fold(ctx, p.records, x.ID)
	if err == nil && st.Seq() == x.Events { // else it went on meanwhile
		p.folds.keep(x, st)
	}
	return st, err
}

// Fold reads the log of an exam.
func Fold(ctx context.Context, s interface{ Log(exam string) Log }, id string) (*chart.State, error) {
	st := chart.NewState()
	for e, err := range s.Log(id).All(ctx) {
		if err != nil {
			return nil, err
		}
		if err := st.Apply(e); err != nil {
			return nil, err
		}
	}
	return st, nil
}
