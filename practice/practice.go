package practice

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/speech"
)

// Config is what a Practice needs from outside.
type Config struct {
	Records Records
	Nodes   Nodes         // nil: no other process has these records
	Engine  speech.Engine // nil: keyboard only
	// Elsewhere says that the engine's recognizers are at other computers, which see to it themselves that they are not asked too much.
	Elsewhere bool
	Words     *Words        // the practice's own words and paths; may be nil
	Post      Post          // nil: hooks are not told
	Look      time.Duration // how often the outbox is looked into; 0: two seconds
	Now       func() time.Time
	Log       *slog.Logger
	// Heard is told of each piece of sound that was heard: how long it is, and how long hearing it took; may be nil.
	Heard func(sound, took time.Duration)
	// Written is told of each call that was written to the log of an exam, or could not be; may be nil.
	Written func(evs []chart.Event, took time.Duration, err error)
}

// Practice runs exams and keeps what belongs to them. All methods may be called from any goroutine; Close it when done.
type Practice struct {
	Clips  *Clips
	Voices *Voices
	People *People

	records Records
	nodes   Nodes
	engine  speech.Engine
	turns   *speech.Turns
	written func([]chart.Event, time.Duration, error)
	words   *Words
	post    Post
	look    time.Duration
	now     func() time.Time
	log     *slog.Logger

	mu       sync.Mutex
	running  map[string]*running
	trials   map[*exam.Exam]bool // kept nowhere; the engine must outlive them
	folds    folds
	looks    looks
	programs programs
	wg       sync.WaitGroup
	quit     chan struct{}
}

// New opens a practice.
func New(c Config) *Practice {
	p := assemble(c)
	go p.Clips.run()
	p.wg.Go(p.keepResting)
	if p.post != nil {
		p.wg.Go(p.postman)
	}
	if c.Nodes != nil {
		p.wg.Go(p.follow)
	}
	return p
}

// assemble is a practice in which nothing works by itself yet.
func assemble(c Config) *Practice {
	hear := speech.NewTurns(time.Now, c.Elsewhere) // of the processor's time, not of the practice's
	hear.Heard = c.Heard
	voices := newVoices(c.Records, c.Engine, hear, c.Now, c.Log)
	return &Practice{turns: hear, written: c.Written, records: c.Records, nodes: c.Nodes, engine: c.Engine, words: c.Words, post: c.Post, look: cmp.Or(c.Look, lookEvery), now: c.Now, log: c.Log, running: map[string]*running{}, trials: map[*exam.Exam]bool{},
		Clips: newClips(c.Records, voices.release, c.Now, c.Log), Voices: voices, People: newPeople(c.Records, c.Now, c.Log), quit: make(chan struct{})}
}

// Close ends the running exams; their logs are safe already.
func (p *Practice) Close() {
	p.Voices.Close()
	p.mu.Lock()
	trials := p.trials
	if trials != nil { // once
		close(p.quit)
	}
	for id, r := range p.running {
		p.end(id, r)
	}
	p.trials = nil
	p.mu.Unlock()
	for e := range trials {
		e.Close()
	}
	p.wg.Wait()
	p.Clips.close()
}

// logOf is the log of an exam, of which Written is told.
func (p *Practice) logOf(exam string) Log {
	l := p.records.Log(exam)
	if p.written == nil {
		return l
	}
	return watchedLog{l, p.written}
}

type watchedLog struct {
	Log
	written func([]chart.Event, time.Duration, error)
}

func (l watchedLog) AppendHeard(ctx context.Context, h chart.Heard, evs ...chart.Event) error {
	began := time.Now()
	err := l.Log.AppendHeard(ctx, h, evs...)
	if len(evs) > 0 {
		l.written(evs, time.Since(began), err)
	}
	return err
}

// Load is how much the recognizers have to do.
func (p *Practice) Load() speech.Load { return p.turns.Load() }

// Drain has no further microphone be taken; those that are on go on.
func (p *Practice) Drain() { p.turns.Drain() }

// Go runs what feeds an exam from inside; Close waits for it.
func (p *Practice) Go(f func()) { p.wg.Go(f) }

// began is when an exam began by its log.
func (p *Practice) began(ctx context.Context, x Exam) int64 {
	for e, err := range p.records.Log(x.ID).All(ctx) {
		if err == nil {
			return e.Time
		}
		break
	}
	return x.Created.UnixMilli()
}

// SavePerson adds (ID "") or changes somebody who works here. The voice profile of one who leaves is erased: nobody needs it.
func (p *Practice) SavePerson(ctx context.Context, x Person) (Person, error) {
	x, err := p.People.save(ctx, x)
	if err == nil && x.Retired {
		err = p.Voices.EraseVoice(ctx, x.ID)
	}
	if err != nil {
		return x, err
	}
	return p.Voices.info(ctx, x)
}

// Patients finds those whose name, number or date of birth contain every word of search, all for ""; sorted by name. The list begins behind
// the patient whose id is after, and ends after limit patients; more says that others follow.
func (p *Practice) Patients(ctx context.Context, search, after string, limit int) (ps []Patient, more bool, err error) {
	ps, more, err = p.records.PatientPage(ctx, search, after, limit)
	ids := make([]string, len(ps))
	for i := range ps {
		ids[i] = ps[i].ID
	}
	if err != nil {
		return nil, false, err
	}
	due, err := p.records.DueOf(ctx, ids...)
	for i := range ps {
		ps[i].last(due[ps[i].ID])
	}
	return ps, more, err
}

// last fills in what follows from a patient's newest exam.
func (p *Patient) last(ds []Due) {
	if len(ds) > 0 {
		p.LastExam = ds[0].Began
		p.Next = slices.DeleteFunc(ds, func(d Due) bool { return d.Day == "" })
	}
}

func (p *Practice) Patient(ctx context.Context, id string) (Patient, error) {
	pt, err := p.records.Patient(ctx, id)
	if err != nil {
		return pt, err
	}
	due, err := p.records.DueOf(ctx, id)
	pt.last(due[id])
	return pt, err
}

// SavePatient adds (ID "") or changes a patient and returns the record as kept.
func (p *Practice) SavePatient(ctx context.Context, pt Patient) (kept Patient, err error) {
	if pt.ID == "" {
		kept, err = p.records.AddPatient(ctx, pt)
	} else {
		kept, err = p.records.UpdatePatient(ctx, pt)
	}
	if err != nil {
		return kept, err
	}
	return p.Patient(ctx, kept.ID)
}

func (p *Practice) visit(ctx context.Context, x Exam) (Visit, error) {
	v := Visit{ID: x.ID, Patient: x.Patient, Kind: x.Kind, Earlier: x.Earlier, Began: x.Created.UnixMilli(), SignedBy: x.SignedBy, Title: x.Title, Waits: x.Waits, Void: x.Void, Order: x.Order}
	if _, ok, err := p.earlier(ctx, x); err != nil {
		return v, err
	} else if !ok {
		v.Earlier = ""
	}
	pt, err := p.records.Patient(ctx, x.Patient)
	if err != nil {
		return v, err
	}
	v.PatientName = pt.Name
	st, err := p.fold(ctx, x)
	if err != nil {
		v.Began = p.began(ctx, x)
		return v, err
	}
	if log := st.Log(); len(log) > 0 {
		v.Began = log[0].Time
	}
	v.Numbering, v.Path, v.Amended = st.Chart.Numbering, st.Path.Name, len(st.Amendments)
	for r := range st.Walked() {
		v.Sites++
		if st.Chart.Site(r).Depth.Known() {
			v.Recorded++
		}
	}
	return v, nil
}

// Visits lists a patient's exams, the one begun last first.
func (p *Practice) Visits(ctx context.Context, patient string) ([]Visit, error) {
	xs, err := p.records.Exams(ctx, patient)
	if err != nil {
		return nil, err
	}
	out := make([]Visit, len(xs))
	var folding sync.WaitGroup
	turn := make(chan bool, 4) // a log is long: several are read at once
	for i, x := range xs {
		turn <- true
		folding.Go(func() {
			defer func() { <-turn }()
			var err error
			if out[i], err = p.visit(ctx, x); err != nil {
				// One damaged log must not hide the other exams; opening it says what is wrong.
				p.log.Error("exam cannot be read", "exam", x.ID, "err", err)
			}
		})
	}
	folding.Wait()
	latest := int64(0)
	for i := len(out) - 1; i >= 0; i-- {
		out[i].ClockBack = out[i].Began < latest
		latest = max(latest, out[i].Began)
	}
	return out, nil
}

// earlier is the exam that another one re-evaluates; ok is false if there is none, or none that counts of the same patient any more.
func (p *Practice) earlier(ctx context.Context, x Exam) (e Exam, ok bool, err error) {
	if x.Earlier == "" {
		return e, false, nil
	}
	e, err = p.records.Exam(ctx, x.Earlier)
	return e, err == nil && !e.Void && e.Patient == x.Patient, err
}

func (p *Practice) Visit(ctx context.Context, id string) (Visit, error) {
	x, err := p.records.Exam(ctx, id)
	if err != nil {
		return Visit{}, err
	}
	return p.visit(ctx, x)
}

// Begin starts an exam. A re-evaluation takes over which teeth are there from the exam before.
func (p *Practice) Begin(ctx context.Context, n NewVisit, by exam.Caller) (Visit, error) {
	if n.ID != "" {
		if v, err := p.Visit(ctx, n.ID); err == nil && v.Numbering != "" {
			return v, nil // asked twice
		}
	}
	kind := KindExam
	var present map[chart.Tooth]chart.Presence
	var earlier *chart.Chart
	if n.Earlier != "" {
		kind = KindReevaluation
		st, err := p.State(ctx, n.Earlier)
		if err != nil {
			return Visit{}, err
		}
		earlier, present = &st.Chart, map[chart.Tooth]chart.Presence{}
		for _, t := range chart.AllTeeth() {
			if pr := st.Chart.Tooth(t).Presence; pr != chart.Unstated {
				present[t] = pr
			}
		}
	}
	num := n.Numbering
	if num == "" {
		num = chart.Universal
	}
	path, err := exam.PathRef(n.Path, p.words.Paths(), earlier)
	if err != nil {
		return Visit{}, err
	}
	if _, err := p.living(ctx, n.Patient); err != nil {
		return Visit{}, err
	}
	x, err := p.records.Exam(ctx, n.ID)
	if n.ID == "" || errors.Is(err, ErrNotFound) {
		x, err = p.records.NewExam(ctx, Exam{ID: n.ID, Patient: n.Patient, Kind: kind, Earlier: n.Earlier, Examiner: by.Who})
	}
	if err != nil {
		return Visit{}, err
	}
	evs, err := chart.Start(num, path, nil, present, chart.Meta{Time: p.millis(), Person: by.Person, Who: by.Who, Patient: n.Patient})
	if err == nil {
		err = p.records.Log(x.ID).Append(ctx, evs...)
	}
	if err != nil {
		return Visit{}, err
	}
	return p.visit(ctx, x)
}

// Due lists when patients who had an exam are to come again, the earliest first and those for whom nothing was decided last. A patient
// with a re-evaluation and a recall is in it twice. next is where to go on, "" at the end.
func (p *Practice) Due(ctx context.Context, q DueQuery) (ds []Due, next string, err error) {
	return p.records.DuePage(ctx, q)
}

// AllDue is Due to the end.
func (p *Practice) AllDue(ctx context.Context, q DueQuery) (all []Due, err error) {
	q.Limit = 1000
	for {
		var ds []Due
		ds, q.After, err = p.records.DuePage(ctx, q)
		if all = append(all, ds...); err != nil || q.After == "" {
			return all, err
		}
	}
}
