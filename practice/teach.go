package practice

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strconv"

	"leadsman/speech"
	"leadsman/voice"
)

// keyTaught is the key, among an examiner's settings, of the time of the newest call that his voice profile has learned from.
const keyTaught = "taught"

// How much is looked through and learned from: more than a profile gains from, and little enough to be worked out in a minute or two.
const (
	taughtExams = 40
	mostTaught  = 120
)

// lesson is a call that a voice profile can learn from.
type lesson struct {
	exam string
	voice.Repair
}

// lessons are what an examiner repaired by voice in exams, whose sound is kept and which his profile has not learned from; newest first.
func (v *Voices) lessons(ctx context.Context, examiner string) ([]lesson, error) {
	es, err := v.records.People(ctx)
	if err != nil {
		return nil, err
	}
	// The log has names: what two share belongs to neither.
	name, same := "", 0
	for _, e := range es {
		if e.ID == examiner {
			name = e.Name
		}
	}
	for _, e := range es {
		if e.Name == name {
			same++
		}
	}
	if name == "" || same > 1 {
		return nil, nil
	}
	kv, err := v.records.Settings(ctx, examiner)
	if err != nil {
		return nil, err
	}
	taught, _ := strconv.ParseInt(kv[keyTaught], 10, 64) // without one nothing was learned
	xs, err := v.records.ExamsWithClips(ctx)
	if err != nil {
		return nil, err
	}
	var out []lesson
	looked := 0
	for _, x := range xs { // newest first
		kept, err := v.records.Clips(ctx, x.ID)
		if err != nil {
			return nil, err
		}
		if len(kept) == 0 {
			continue
		}
		if looked++; looked > taughtExams || len(out) >= mostTaught {
			break
		}
		st, err := Fold(ctx, v.records, x.ID)
		if err != nil {
			v.log.Error("exam cannot be read", "exam", x.ID, "err", err) // the others can
			continue
		}
		rs := voice.Repairs(st)
		slices.Reverse(rs)
		for _, r := range rs {
			if r.Who == name && r.Time > taught && slices.Contains(kept, r.Call) {
				out = append(out, lesson{x.ID, r})
			}
		}
	}
	return out[:min(len(out), mostTaught)], nil
}

func (v *Voices) Lessons(ctx context.Context, examiner string) (int, error) {
	if _, err := v.examiner(ctx, examiner); err != nil {
		return 0, err
	}
	ls, err := v.lessons(ctx, examiner)
	return len(ls), err
}

// takes reads the sound of lessons, and when the newest of them was called. What is gone meanwhile is left out, and so are words that the
// model does not know.
func (v *Voices) takes(ctx context.Context, a speech.Adapter, ls []lesson) (takes []speech.Take, newest int64, err error) {
	for _, l := range ls {
		if len(a.Lacks(l.Words)) > 0 {
			continue
		}
		wav, err := v.records.Clip(ctx, l.exam, l.Call)
		if errors.Is(err, ErrNotFound) {
			continue
		}
		var pcm []int16
		if err == nil {
			pcm, _, err = speech.ReadWAV(bytes.NewReader(wav))
		}
		if err != nil {
			return nil, 0, err
		}
		takes = append(takes, speech.Take{Words: l.Words, PCM: pcm})
		newest = max(newest, l.Time)
	}
	return takes, newest, nil
}

// teach fills in what a session learns from exams with.
func (v *Voices) teach(ctx context.Context, a speech.Adapter, examiner string, cfg *voice.Config) error {
	ls, err := v.lessons(ctx, examiner)
	if err != nil {
		return err
	}
	var newest int64
	if cfg.Takes, newest, err = v.takes(ctx, a, ls); err != nil {
		return err
	}
	kept, err := v.records.Voice(ctx, examiner)
	if err != nil && !errors.Is(err, ErrNotFound) {
		return err
	}
	if err == nil && v.fits(kept.Profile) == nil { // one of another model is not in use: there is nothing to build on
		cfg.Profile = kept.Profile
	}
	keep := cfg.Keep
	cfg.Keep = func(e speech.Enrolment) error {
		if err := keep(e); err != nil {
			return err
		}
		return v.records.SetSettings(context.Background(), examiner, map[string]string{keyTaught: strconv.FormatInt(newest, 10)})
	}
	return nil
}
