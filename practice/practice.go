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
	Engine  speech.Engine // nil: keyboard only
	Words   *Words        // the practice's own words and paths; may be nil
	Now     func() time.Time
	Log     *slog.Logger
}

// Practice runs exams and keeps what belongs to them. All methods may be called from any goroutine; Close it when done.
type Practice struct {
	Clips  *Clips
	Voices *Voices
	People *People

	records Records
	engine  speech.Engine
	words   *Words
	now     func() time.Time
	log     *slog.Logger

	mu      sync.Mutex
	running map[string]*running
	trials  map[*exam.Exam]bool // kept nowhere; the engine must outlive them
	folds   folds
	looks   looks
	wg      sync.WaitGroup
	quit    chan struct{}
}

// New opens a practice.
func New(c Config) *Practice {
	p := assemble(c)
	go p.Clips.run()
	p.wg.Go(p.keepResting)
	return p
}

// assemble is a practice in which nothing works by itself yet.
func assemble(c Config) *Practice {
	return &Practice{records: c.Records, engine: c.Engine, words: c.Words, now: c.Now, log: c.Log, running: map[string]*running{}, trials: map[*exam.Exam]bool{},
		Clips: newClips(c.Records, c.Now, c.Log), Voices: newVoices(c.Records, c.Engine, c.Now, c.Log), People: newPeople(c.Records, c.Now, c.Log), quit: make(chan struct{})}
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
		r.Close()
		delete(p.running, id)
	}
	p.trials = nil
	p.mu.Unlock()
	for e := range trials {
		e.Close()
	}
	p.wg.Wait()
	p.Clips.close()
}

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
	x, err := p.People.Save(ctx, x)
	if err == nil && x.Retired {
		err = p.Voices.EraseVoice(ctx, x.ID)
	}
	if err != nil {
		return x, err
	}
	return p.Voices.info(ctx, x)
}

// Patients finds those whose name or number contains search, all for ""; sorted by name.
func (p *Practice) Patients(ctx context.Context, search string) ([]Patient, error) {
	ps, err := p.records.Patients(ctx, search)
	if err != nil {
		return nil, err
	}
	last, err := p.records.LastExams(ctx)
	for i := range ps {
		ps[i].LastExam = last[ps[i].ID].Began
	}
	return ps, err
}

func (p *Practice) Patient(ctx context.Context, id string) (Patient, error) {
	pt, err := p.records.Patient(ctx, id)
	if err != nil {
		return pt, err
	}
	last, err := p.records.LastExams(ctx)
	pt.LastExam = last[pt.ID].Began
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
	v.Numbering, v.Path = st.Chart.Numbering, st.Path.Name
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
	out := []Visit{}
	for _, x := range xs {
		v, err := p.visit(ctx, x)
		if err != nil {
			// One damaged log must not hide the other exams; opening it says what is wrong.
			p.log.Error("exam cannot be read", "exam", x.ID, "err", err)
		}
		out = append(out, v)
	}
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
// with a re-evaluation and a recall is in it twice.
func (p *Practice) Due(ctx context.Context) ([]Due, error) {
	decided, err := p.records.Decisions(ctx)
	if err != nil {
		return nil, err
	}
	newest, err := p.records.LastExams(ctx)
	if err != nil {
		return nil, err
	}
	ps, err := p.records.Patients(ctx, "")
	if err != nil {
		return nil, err
	}
	var out []Due
	for _, sp := range ps {
		x, seen := newest[sp.ID]
		if !seen {
			continue
		}
		d := Due{Patient: sp.ID, Name: sp.Name, Number: sp.Number, Phone: sp.Phone, Exam: x.Exam, Began: x.Began}
		c := decided[d.Exam]
		for _, on := range []struct{ what, day string }{{"re-evaluation", c.Reevaluation}, {"recall", c.Recall}} {
			if on.day != "" {
				e := d
				e.What, e.Day, e.Months, e.Who, e.Decided, e.Call = on.what, on.day, c.RecallMonths, c.Who, c.Time, c.Call
				out = append(out, e)
			}
		}
		if c.Reevaluation == "" && c.Recall == "" {
			out = append(out, d)
		}
	}
	slices.SortStableFunc(out, func(a, b Due) int {
		if (a.Day == "") != (b.Day == "") {
			return cmp.Compare(b.Day, a.Day)
		}
		return cmp.Compare(a.Day, b.Day)
	})
	return out, nil
}
