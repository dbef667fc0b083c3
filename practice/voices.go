package practice

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/speech"
	"leadsman/voice"
)

// VoiceInfo says what is known of a voice profile.
type VoiceInfo struct {
	Made   int64  `json:"made"`             // Unix milliseconds
	Report any    `json:"report,omitempty"` // what the enrolment came to: speech.Enrolment
	Remedy string `json:"remedy,omitempty"` // why it is not used and what to do; "" if it is
}

// Voice is the voice profile of an examiner: personal data, kept until it is erased or replaced.
type Voice struct {
	Examiner string
	Created  time.Time
	Engine   string // name of the engine and model that made it
	Report   string // what the enrolment came to, JSON
	Profile  []byte
}

// Why a microphone is not taken: see there.
var (
	ErrBusy     = speech.ErrBusy
	ErrStopping = speech.ErrStopping
	ErrUnheard  = speech.ErrUnheard
)

// Voices keeps examiners and their voice profiles, and has them practise.
type Voices struct {
	records Records
	engine  speech.Engine // nil: keyboard only
	turns   *speech.Turns
	now     func() time.Time
	log     *slog.Logger

	mu       sync.Mutex
	sessions map[string]*practising
	begun    uint64
	closed   bool
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

func newVoices(s Records, engine speech.Engine, turns *speech.Turns, now func() time.Time, log *slog.Logger) *Voices {
	return &Voices{records: s, engine: engine, turns: turns, now: now, log: log, sessions: map[string]*practising{}, rhythms: map[string]bool{}}
}

// Close ends all sessions.
func (v *Voices) Close() {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.closed = true
	for id := range v.sessions {
		v.end(id)
	}
}

// end closes a session. The caller holds mu.
func (v *Voices) end(id string) {
	if p := v.sessions[id]; p != nil {
		delete(v.sessions, id)
		if err := p.Close(); err != nil {
			v.log.Error("practice session closed with a fault", "err", err)
		}
	}
}

func (v *Voices) adapter() (speech.Adapter, error) {
	if v.engine == nil {
		return nil, exam.ErrNoEngine
	}
	a, ok := v.engine.(speech.Adapter)
	if !ok {
		return nil, ErrNoAdapter
	}
	return a, nil
}

// recognizer makes a recognizer for an examiner, "" for anybody: with the voice profile, if there is one that fits the model; else note says
// why not. It takes turns with the others, and fails with speech.ErrBusy where they have enough to hear, with
// speech.ErrStopping after Drain.
func (v *Voices) recognizer(examiner string) (rec speech.Recognizer, profile bool, note string, err error) {
	if v.engine == nil {
		return nil, false, "", exam.ErrNoEngine
	}
	if err := v.turns.Full(); err != nil {
		return nil, false, "", err
	}
	rec, profile, note, err = v.recognizerAlone(examiner)
	if err == nil {
		rec = v.turns.Take(rec)
	}
	return rec, profile, note, err
}

func (v *Voices) recognizerAlone(examiner string) (rec speech.Recognizer, profile bool, note string, err error) {
	if examiner == "" {
		rec, err = v.engine.NewRecognizer()
		return rec, false, "", err
	}
	kept, err := v.records.Voice(context.Background(), examiner)
	switch {
	case errors.Is(err, ErrNotFound):
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
	rec, err = v.engine.NewRecognizer()
	return rec, false, note, err
}

// caller is who speaks with a voice; nobody if no examiner has the id.
func (v *Voices) caller(examiner string) exam.Caller {
	e, err := v.examiner(context.Background(), examiner)
	if err != nil {
		if !errors.Is(err, ErrNotFound) {
			v.log.Error("the examiner's name cannot be read", "err", err)
		}
		return exam.Caller{}
	}
	return e.Caller()
}

// info fills in what is known of an examiner's voice.
func (v *Voices) info(ctx context.Context, e Person) (Person, error) {
	kept, err := v.records.Voice(ctx, e.ID)
	if errors.Is(err, ErrNotFound) {
		return e, nil
	}
	if err != nil {
		return e, err
	}
	e.Voice = &VoiceInfo{Made: kept.Created.UnixMilli()}
	if kept.Report != "" {
		e.Voice.Report = json.RawMessage(kept.Report)
	}
	if err := v.fits(kept.Profile); err != nil {
		e.Voice.Remedy = err.Error()
	}
	return e, nil
}

// fits says whether a profile can be used with the engine.
func (v *Voices) fits(profile []byte) error {
	a, err := v.adapter()
	if err != nil {
		return err
	}
	if e, ok := a.(interface{ Fits(profile []byte) error }); ok { // recognizers elsewhere are not to be had for this alone
		return e.Fits(profile)
	}
	rec, err := a.NewRecognizerFor(profile)
	if err != nil {
		return err
	}
	return rec.Close()
}

// Examiners lists the people who examine, and who did.
func (v *Voices) Examiners(ctx context.Context) ([]Person, error) {
	es, err := v.records.People(ctx)
	es = slices.DeleteFunc(es, func(e Person) bool { return !e.Is(Clinician, Student, Supervisor) })
	if err != nil {
		return nil, err
	}
	for i, e := range es {
		if es[i], err = v.info(ctx, e); err != nil {
			return nil, err
		}
	}
	return es, nil
}

func (v *Voices) examiner(ctx context.Context, id string) (Person, error) {
	es, err := v.records.People(ctx)
	if err != nil {
		return Person{}, err
	}
	for _, e := range es {
		if e.ID == id {
			return e, nil
		}
	}
	return Person{}, ErrNotFound
}

// Voice is the profile as a file.
func (v *Voices) Voice(ctx context.Context, examiner string) ([]byte, error) {
	kept, err := v.records.Voice(ctx, examiner)
	return kept.Profile, err
}

// SaveVoice keeps a profile that was exported, here or elsewhere.
func (v *Voices) SaveVoice(ctx context.Context, examiner string, profile []byte) error {
	if err := v.fits(profile); err != nil {
		if errors.Is(err, speech.ErrOtherModel) || errors.Is(err, speech.ErrProfile) {
			return &chart.Refusal{Text: err.Error()}
		}
		return err
	}
	_, err := v.records.PutVoice(ctx, Voice{Examiner: examiner, Engine: v.engine.Name(), Profile: profile})
	if err == nil {
		err = v.records.SetSettings(ctx, examiner, map[string]string{keyTaught: ""})
	}
	return err
}

// EraseVoice wipes a profile, the rhythm and the sound that was kept to learn from, and takes the leave back. A session of the examiner ends: it may
// hold recordings.
func (v *Voices) EraseVoice(ctx context.Context, examiner string) error {
	v.mu.Lock()
	v.endOf(examiner)
	delete(v.rhythms, examiner)
	err := v.records.SetSettings(ctx, examiner, map[string]string{keyRhythm: "", keyTaught: "", keyLeave: ""})
	v.mu.Unlock()
	if err == nil {
		err = v.tidy(ctx)
	}
	if err != nil {
		return err
	}
	return v.records.EraseVoice(ctx, examiner) // overwrites what the store's log still has of both
}

// endOf ends the sessions of an examiner ("" is anybody, who does not end those of others), and those that were forgotten. The caller holds mu.
func (v *Voices) endOf(examiner string) {
	for id, p := range v.sessions {
		if examiner != "" && p.View().Examiner == examiner || v.now().Sub(p.used) > forgottenAfter {
			v.end(id)
		}
	}
}

func (v *Voices) Practise(ctx context.Context, examiner string, kind voice.Kind) (*voice.Session, error) {
	if examiner != "" || kind != voice.Drill { // anybody may drill
		if _, err := v.examiner(ctx, examiner); err != nil {
			return nil, err
		}
	}
	a, err := v.adapter()
	if err != nil {
		return nil, err
	}
	kv, err := v.records.Settings(ctx, "")
	if err != nil {
		return nil, err
	}
	cfg := voice.Config{Examiner: examiner, Kind: kind, Numbering: chart.Numbering(kv[keyNumbering]), Engine: a,
		Recognizer: func() (speech.Recognizer, bool, string, error) { return v.recognizer(examiner) }, Seed: uint64(v.now().UnixNano()),
		Keep: func(e speech.Enrolment) error { return KeepVoice(v.records, examiner, a.Name(), e) }}
	if kind == voice.Teach {
		if err := v.teach(ctx, a, examiner, &cfg); err != nil {
			return nil, err
		}
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.closed {
		return nil, exam.ErrClosed
	}
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

// learned is what came of learning a voice, as it is kept.
type learned struct {
	speech.Enrolment
	Corrected int `json:"corrected,omitempty"` // calls of exams that were learned from
	Confirmed int `json:"confirmed,omitempty"`
}

// KeepVoice stores what an enrolment came to.
func KeepVoice(s Records, examiner, engine string, e speech.Enrolment) error {
	return keepVoice(s, examiner, engine, learned{Enrolment: e}, "") // it has learned nothing from exams
}

func keepVoice(s Records, examiner, engine string, l learned, taught string) error {
	report, err := json.Marshal(l)
	if err != nil {
		return err
	}
	_, err = s.PutVoice(context.Background(), Voice{Examiner: examiner, Engine: engine, Report: string(report), Profile: l.Profile})
	if err == nil {
		err = s.SetSettings(context.Background(), examiner, map[string]string{keyTaught: taught})
	}
	return err
}

func (v *Voices) Session(id string) (*voice.Session, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	p := v.sessions[id]
	if p == nil {
		return nil, ErrNotFound
	}
	p.used = v.now()
	return p.Session, nil
}

func (v *Voices) EndSession(id string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.end(id)
}
