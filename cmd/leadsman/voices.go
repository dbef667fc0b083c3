package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/speech"
	"leadsman/store"
	"leadsman/voice"
	"leadsman/web"
)

// voices hands examiners, their voice profiles and practice sessions to the pages.
type voices struct {
	store  *store.Store
	engine speech.Engine // nil: keyboard only
	now    func() time.Time
	log    *slog.Logger

	mu       sync.Mutex
	sessions map[string]*practising
	begun    uint64
	// Examiners whose rhythm an exam got since it was last erased: only theirs is kept, so that a microphone that is on with an erased
	// voice does not bring it back.
	rhythms map[string]bool
}

// practising is a session and when it was last asked for.
type practising struct {
	*voice.Session
	used time.Time
}

// forgottenAfter is how long a session is kept that nobody looks at any more.
const forgottenAfter = 20 * time.Minute

func newVoices(s *store.Store, engine speech.Engine, now func() time.Time, log *slog.Logger) *voices {
	return &voices{store: s, engine: engine, now: now, log: log, sessions: map[string]*practising{}, rhythms: map[string]bool{}}
}

// Close ends all sessions.
func (v *voices) Close() {
	v.mu.Lock()
	defer v.mu.Unlock()
	for id := range v.sessions {
		v.end(id)
	}
}

// end closes a session. The caller holds mu.
func (v *voices) end(id string) {
	if p := v.sessions[id]; p != nil {
		delete(v.sessions, id)
		if err := p.Close(); err != nil {
			v.log.Error("practice session closed with a fault", "err", err)
		}
	}
}

func (v *voices) adapter() (speech.Adapter, error) {
	if v.engine == nil {
		return nil, exam.ErrNoEngine
	}
	a, ok := v.engine.(speech.Adapter)
	if !ok {
		return nil, web.ErrNoAdapter
	}
	return a, nil
}

// recognizer makes a recognizer for an examiner: with the voice profile, if there is one that fits the model; else note says why not.
func (v *voices) recognizer(examiner string) (rec speech.Recognizer, profile bool, note string, err error) {
	kept, err := v.store.Voice(context.Background(), examiner)
	switch {
	case errors.Is(err, store.ErrNotFound):
	case err != nil:
		v.log.Error("voice profile cannot be read", "err", err)
		note = "The voice profile cannot be read: the exam is heard without it."
	default:
		a, aerr := v.adapter()
		if aerr == nil {
			rec, aerr = a.NewRecognizerFor(kept.Profile)
		}
		if aerr == nil {
			return rec, true, "", nil
		}
		note = "Heard without the voice profile: " + aerr.Error()
	}
	if v.engine == nil {
		return nil, false, "", exam.ErrNoEngine
	}
	rec, err = v.engine.NewRecognizer()
	return rec, false, note, err
}

// name is that of an examiner, or "" if nobody has the id.
func (v *voices) name(examiner string) string {
	e, err := v.examiner(context.Background(), examiner)
	if err != nil && !errors.Is(err, web.ErrNotFound) {
		v.log.Error("the examiner's name cannot be read", "err", err)
	}
	return e.Name
}

func (v *voices) info(ctx context.Context, e store.Examiner) (web.Examiner, error) {
	out := web.Examiner{ID: e.ID, Name: e.Name, Retired: e.Retired}
	kept, err := v.store.Voice(ctx, e.ID)
	if errors.Is(err, store.ErrNotFound) {
		return out, nil
	}
	if err != nil {
		return out, err
	}
	out.Voice = &web.VoiceInfo{Made: kept.Created.UnixMilli()}
	if kept.Report != "" {
		out.Voice.Report = json.RawMessage(kept.Report)
	}
	if err := v.fits(kept.Profile); err != nil {
		out.Voice.Remedy = err.Error()
	}
	return out, nil
}

// fits says whether a profile can be used with the engine.
func (v *voices) fits(profile []byte) error {
	a, err := v.adapter()
	if err != nil {
		return err
	}
	rec, err := a.NewRecognizerFor(profile)
	if err != nil {
		return err
	}
	return rec.Close()
}

func (v *voices) Examiners(ctx context.Context) ([]web.Examiner, error) {
	es, err := v.store.Examiners(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]web.Examiner, len(es))
	for i, e := range es {
		if out[i], err = v.info(ctx, e); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (v *voices) SaveExaminer(ctx context.Context, w web.Examiner) (web.Examiner, error) {
	if w.ID != "" {
		if _, err := v.examiner(ctx, w.ID); err != nil {
			return w, err
		}
	}
	if w.ID != "" && w.Retired {
		// Nobody needs the voice of somebody who has left.
		if err := v.EraseVoice(ctx, w.ID); err != nil {
			return w, err
		}
	}
	e, err := v.store.PutExaminer(ctx, store.Examiner{ID: w.ID, Name: w.Name, Retired: w.Retired})
	if err != nil {
		return w, known(err)
	}
	return v.info(ctx, e)
}

func (v *voices) examiner(ctx context.Context, id string) (store.Examiner, error) {
	es, err := v.store.Examiners(ctx)
	if err != nil {
		return store.Examiner{}, err
	}
	for _, e := range es {
		if e.ID == id {
			return e, nil
		}
	}
	return store.Examiner{}, web.ErrNotFound
}

func (v *voices) Voice(ctx context.Context, examiner string) ([]byte, error) {
	kept, err := v.store.Voice(ctx, examiner)
	return kept.Profile, known(err)
}

// SaveVoice keeps a profile that was exported, here or elsewhere.
func (v *voices) SaveVoice(ctx context.Context, examiner string, profile []byte) error {
	if err := v.fits(profile); err != nil {
		if errors.Is(err, speech.ErrOtherModel) || errors.Is(err, speech.ErrProfile) {
			return &chart.Refusal{Text: err.Error()}
		}
		return err
	}
	_, err := v.store.PutVoice(ctx, store.Voice{Examiner: examiner, Engine: v.engine.Name(), Profile: profile})
	if err == nil {
		err = v.store.SetSettings(ctx, examiner, map[string]string{keyTaught: ""})
	}
	return known(err)
}

// EraseVoice wipes a profile and the rhythm. A session of the examiner ends: it may hold recordings.
func (v *voices) EraseVoice(ctx context.Context, examiner string) error {
	v.mu.Lock()
	v.endOf(examiner)
	delete(v.rhythms, examiner)
	err := v.store.SetSettings(ctx, examiner, map[string]string{keyRhythm: "", keyTaught: ""})
	v.mu.Unlock()
	if err != nil {
		return err
	}
	return known(v.store.EraseVoice(ctx, examiner)) // overwrites what the store's log still has of both
}

// endOf ends the sessions of an examiner, and those that were forgotten. The caller holds mu.
func (v *voices) endOf(examiner string) {
	for id, p := range v.sessions {
		if p.View().Examiner == examiner || v.now().Sub(p.used) > forgottenAfter {
			v.end(id)
		}
	}
}

func (v *voices) Practise(ctx context.Context, examiner string, kind voice.Kind) (*voice.Session, error) {
	if _, err := v.examiner(ctx, examiner); err != nil {
		return nil, err
	}
	a, err := v.adapter()
	if err != nil {
		return nil, err
	}
	kv, err := v.store.Settings(ctx, "")
	if err != nil {
		return nil, err
	}
	cfg := voice.Config{Examiner: examiner, Kind: kind, Numbering: chart.Numbering(kv[keyNumbering]), Engine: a,
		Recognizer: func() (speech.Recognizer, bool, string, error) { return v.recognizer(examiner) }, Seed: uint64(v.now().UnixNano()),
		Keep: func(e speech.Enrolment) error { return keepVoice(v.store, examiner, a.Name(), e) }}
	if kind == voice.Teach {
		if err := v.teach(ctx, a, examiner, &cfg); err != nil {
			return nil, err
		}
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	v.endOf(examiner)
	v.begun++
	cfg.ID = fmt.Sprintf("%d-%d", v.now().UnixMilli(), v.begun)
	p, err := voice.New(cfg)
	if err != nil {
		return nil, err
	}
	v.sessions[cfg.ID] = &practising{p, v.now()}
	return p, nil
}

// keepVoice stores what an enrolment came to.
func keepVoice(s *store.Store, examiner, engine string, e speech.Enrolment) error {
	report, err := json.Marshal(e)
	if err != nil {
		return err
	}
	_, err = s.PutVoice(context.Background(), store.Voice{Examiner: examiner, Engine: engine, Report: string(report), Profile: e.Profile})
	if err == nil {
		// A new profile has learned nothing from exams.
		err = s.SetSettings(context.Background(), examiner, map[string]string{keyTaught: ""})
	}
	return err
}

func (v *voices) Session(id string) (*voice.Session, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	p := v.sessions[id]
	if p == nil {
		return nil, web.ErrNotFound
	}
	p.used = v.now()
	return p.Session, nil
}

func (v *voices) EndSession(id string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.end(id)
}

var _ web.Voices = (*voices)(nil)
