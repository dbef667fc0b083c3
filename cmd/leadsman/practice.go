package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strconv"
	"sync"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/report"
	"leadsman/speech"
	"leadsman/store"
	"leadsman/web"
)

// practice hands the store and the running exams to the pages.
type practice struct {
	store  *store.Store
	engine speech.Engine // nil: keyboard only
	now    func() time.Time
	log    *slog.Logger

	mu      sync.Mutex
	running map[string]*exam.Exam
	clips   *clipKeeper
	voices  *voices
	own     *house              // the practice's own words and paths
	wg      sync.WaitGroup      // of goroutines that play into an exam
	trials  map[*exam.Exam]bool // kept nowhere; the engine must outlive them
}

func newPractice(s *store.Store, engine speech.Engine, now func() time.Time, log *slog.Logger) *practice {
	p := &practice{store: s, engine: engine, now: now, log: log, running: map[string]*exam.Exam{}, trials: map[*exam.Exam]bool{}, clips: newClipKeeper(s, now, log), voices: newVoices(s, engine, now, log)}
	go p.clips.run()
	return p
}

// Close ends the running exams; their logs are safe already.
func (p *practice) Close() {
	p.voices.Close()
	p.mu.Lock()
	for id, e := range p.running {
		e.Close()
		delete(p.running, id)
	}
	trials := p.trials
	p.trials = nil
	p.mu.Unlock()
	for e := range trials {
		e.Close()
	}
	p.wg.Wait()
	p.clips.close()
}

// open finds a running exam or takes it up from its log.
func (p *practice) open(ctx context.Context, id string) (*exam.Exam, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if e := p.running[id]; e != nil {
		return e, nil
	}
	x, err := p.store.Exam(ctx, id)
	if err != nil {
		return nil, known(err)
	}
	cfg := exam.Config{ID: id, Log: p.store.Log(id), Engine: p.engine, Now: func() int64 { return p.now().UnixMilli() },
		Terms: p.own.words(), Paths: p.own.paths(),
		KeepClip:   func(call uint64, pcm []int16) { p.clips.add(clip{id, call, pcm}) },
		Signed:     func() { p.clips.signed(id) },
		Recognizer: p.recognizer, Examiner: p.voices.name, Rhythm: p.voices.rhythm, KeepRhythm: p.voices.keepRhythm}
	if x.Earlier != "" {
		st, err := p.fold(ctx, x.Earlier)
		if err != nil {
			return nil, fmt.Errorf("earlier exam: %w", err)
		}
		cfg.Earlier = &st.Chart
	}
	e, err := exam.Open(ctx, cfg)
	if err != nil {
		return nil, err
	}
	p.running[id] = e
	return e, nil
}

// recognizer hears with the voice profile of an examiner.
func (p *practice) recognizer(examiner string) (speech.Recognizer, string, error) {
	rec, _, note, err := p.voices.recognizer(examiner)
	return rec, note, err
}

// trial begins an exam as the practice's new ones are, which is kept nowhere.
func (p *practice) trial(ctx context.Context) (*exam.Exam, error) {
	s, err := p.Settings(ctx)
	if err != nil {
		return nil, err
	}
	now := func() int64 { return p.now().UnixMilli() }
	log := &exam.Memory{}
	if err := exam.Start(ctx, log, s.Numbering, s.Path, nil, nil, now(), ""); err != nil {
		return nil, err
	}
	e, err := exam.Open(ctx, exam.Config{ID: "trial", Log: log, Engine: p.engine, Now: now, Recognizer: p.recognizer, Rhythm: p.voices.rhythm, Terms: p.own.words(), Paths: p.own.paths()})
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

// fold reads the log of an exam that need not run.
func (p *practice) fold(ctx context.Context, id string) (*chart.State, error) {
	return foldLog(ctx, p.store, id)
}

func foldLog(ctx context.Context, s *store.Store, id string) (*chart.State, error) {
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

// known turns the store's errors into those that pages are told.
func known(err error) error {
	switch {
	case errors.Is(err, store.ErrNotFound):
		return web.ErrNotFound
	case errors.Is(err, store.ErrConflict):
		return web.ErrStale
	case errors.Is(err, store.ErrInvalid):
		return &chart.Refusal{Text: err.Error()}
	}
	return err
}

func (p *practice) Exam(ctx context.Context, id string) (web.Exam, error) {
	e, err := p.open(ctx, id)
	if err != nil {
		return nil, err
	}
	return web.Running(e), nil
}

// patientOf is a patient's record as pages get it.
func patientOf(sp store.Patient, lastExam int64) web.Patient {
	return web.Patient{ID: sp.ID, Name: sp.Name, Born: sp.Born, Number: sp.Number, Note: sp.Notes, Version: sp.Version, LastExam: lastExam}
}

func (p *practice) patient(ctx context.Context, sp store.Patient) (web.Patient, error) {
	last, err := p.store.LastExams(ctx)
	return patientOf(sp, last[sp.ID].Began), err
}

// began is when an exam began by its log.
func (p *practice) began(ctx context.Context, x store.Exam) int64 {
	for e, err := range p.store.Log(x.ID).All(ctx) {
		if err == nil {
			return e.Time
		}
		break
	}
	return x.Created.UnixMilli()
}

func (p *practice) Patients(ctx context.Context, search string) ([]web.Patient, error) {
	ps, err := p.store.Patients(ctx, search)
	if err != nil {
		return nil, err
	}
	last, err := p.store.LastExams(ctx)
	out := make([]web.Patient, len(ps))
	for i, sp := range ps {
		out[i] = patientOf(sp, last[sp.ID].Began)
	}
	return out, err
}

func (p *practice) Patient(ctx context.Context, id string) (web.Patient, error) {
	sp, err := p.store.Patient(ctx, id)
	if err != nil {
		return web.Patient{}, known(err)
	}
	return p.patient(ctx, sp)
}

func (p *practice) SavePatient(ctx context.Context, w web.Patient) (web.Patient, error) {
	var sp store.Patient
	var err error
	if w.ID != "" {
		if sp, err = p.store.Patient(ctx, w.ID); err != nil {
			return w, known(err)
		}
	}
	sp.Name, sp.Born, sp.Number, sp.Notes, sp.Version = w.Name, w.Born, w.Number, w.Note, w.Version
	if w.ID == "" {
		sp, err = p.store.AddPatient(ctx, sp)
	} else {
		sp, err = p.store.UpdatePatient(ctx, sp)
	}
	if err != nil {
		return w, known(err)
	}
	return p.patient(ctx, sp)
}

func (p *practice) visit(ctx context.Context, x store.Exam) (web.Visit, error) {
	v := web.Visit{ID: x.ID, Patient: x.Patient, Kind: x.Kind, Earlier: x.Earlier, Began: p.began(ctx, x), SignedBy: x.SignedBy}
	sp, err := p.store.Patient(ctx, x.Patient)
	if err != nil {
		return v, known(err)
	}
	v.PatientName = sp.Name
	st, err := p.fold(ctx, x.ID)
	if err != nil {
		return v, err
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

func (p *practice) Visits(ctx context.Context, patient string) ([]web.Visit, error) {
	xs, err := p.store.Exams(ctx, patient)
	if err != nil {
		return nil, known(err)
	}
	out := []web.Visit{}
	for _, x := range xs {
		v, err := p.visit(ctx, x)
		if err != nil {
			// One damaged log must not hide the other exams; opening it says what is wrong.
			p.log.Error("exam cannot be read", "exam", x.ID, "err", err)
		}
		out = append(out, v)
	}
	slices.SortStableFunc(out, func(a, b web.Visit) int { return cmp.Compare(b.Began, a.Began) })
	return out, nil
}

func (p *practice) Visit(ctx context.Context, id string) (web.Visit, error) {
	x, err := p.store.Exam(ctx, id)
	if err != nil {
		return web.Visit{}, known(err)
	}
	return p.visit(ctx, x)
}

// Begin starts an exam. A re-evaluation takes over which teeth are there from the exam before.
func (p *practice) Begin(ctx context.Context, n web.NewVisit) (web.Visit, error) {
	if n.ID != "" {
		if v, err := p.Visit(ctx, n.ID); err == nil && v.Numbering != "" {
			return v, nil // asked twice
		}
	}
	kind := store.KindExam
	var present map[chart.Tooth]chart.Presence
	var earlier *chart.Chart
	if n.Earlier != "" {
		kind = store.KindReevaluation
		st, err := p.fold(ctx, n.Earlier)
		if err != nil {
			return web.Visit{}, known(err)
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
	path, err := exam.PathRef(n.Path, p.own.paths(), earlier)
	if err != nil {
		return web.Visit{}, err
	}
	x, err := p.store.Exam(ctx, n.ID)
	if n.ID == "" || errors.Is(err, store.ErrNotFound) {
		x, err = p.store.NewExam(ctx, store.Exam{ID: n.ID, Patient: n.Patient, Kind: kind, Earlier: n.Earlier})
	}
	if err != nil {
		return web.Visit{}, known(err)
	}
	if err := exam.Start(ctx, p.store.Log(x.ID), num, path, nil, present, p.now().UnixMilli(), ""); err != nil {
		return web.Visit{}, err
	}
	return p.visit(ctx, x)
}

// State reads the log anew: an exam that runs has written there all that it shows.
func (p *practice) State(ctx context.Context, id string) (*chart.State, error) {
	st, err := p.fold(ctx, id)
	return st, known(err)
}

func (p *practice) Due(ctx context.Context) ([]web.Due, error) {
	decided, err := p.store.Decisions(ctx)
	if err != nil {
		return nil, err
	}
	newest, err := p.store.LastExams(ctx)
	if err != nil {
		return nil, err
	}
	ps, err := p.store.Patients(ctx, "")
	if err != nil {
		return nil, err
	}
	var out []web.Due
	for _, sp := range ps {
		x, seen := newest[sp.ID]
		if !seen {
			continue
		}
		d := web.Due{Patient: sp.ID, Name: sp.Name, Number: sp.Number, Exam: x.Exam, Began: x.Began}
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
	slices.SortStableFunc(out, func(a, b web.Due) int {
		if (a.Day == "") != (b.Day == "") {
			return cmp.Compare(b.Day, a.Day)
		}
		return cmp.Compare(a.Day, b.Day)
	})
	return out, nil
}

// calendar writes days in the form that calendars read.
func calendar(w io.Writer, days []web.Due) error {
	out := make([]report.Appointment, len(days))
	for i, d := range days {
		day, err := time.Parse(time.DateOnly, d.Day)
		if err != nil {
			return err
		}
		out[i] = report.Appointment{Exam: d.Exam, What: d.What, Patient: d.Name, Number: d.Number, Day: day, Months: d.Months, Who: d.Who,
			Decided: time.UnixMilli(d.Decided), Version: int(d.Call)}
	}
	return report.Calendar(w, out)
}

// Keys of the practice's settings in the store.
const (
	keyPractice  = "practice"
	keyNumbering = "numbering"
	keyPath      = "path"
	keySiteWords = "site_words"
	keyKeepClips = "keep_clips" // not empty: sound stays after signing
	keyVersion   = "version"
)

func (p *practice) Settings(ctx context.Context) (web.Settings, error) {
	kv, err := p.store.Settings(ctx, "")
	s := web.Settings{Practice: kv[keyPractice], Numbering: chart.Numbering(kv[keyNumbering]), Path: kv[keyPath], SiteWords: kv[keySiteWords],
		KeepClips: kv[keyKeepClips] != ""}
	if s.Numbering == "" {
		s.Numbering = chart.Universal
	}
	if s.Path == "" {
		s.Path = chart.Paths()[0].Name
	}
	if s.SiteWords == "" {
		s.SiteWords = "buccal-lingual"
	}
	s.Version, _ = strconv.ParseInt(kv[keyVersion], 10, 64)
	return s, err
}

func (p *practice) SaveSettings(ctx context.Context, s web.Settings) (web.Settings, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now, err := p.Settings(ctx)
	if err != nil {
		return s, err
	}
	if now.Version != s.Version {
		return s, web.ErrStale
	}
	s.Version++
	keep := ""
	if s.KeepClips {
		keep = "yes"
	}
	err = p.store.SetSettings(ctx, "", map[string]string{keyPractice: s.Practice, keyNumbering: string(s.Numbering), keyPath: s.Path,
		keySiteWords: s.SiteWords, keyKeepClips: keep, keyVersion: strconv.FormatInt(s.Version, 10)})
	return s, err
}
