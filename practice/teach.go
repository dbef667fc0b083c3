package practice

import (
	"bytes"
	"context"
	"errors"
	"maps"
	"slices"
	"strconv"
	"time"

	"leadsman/speech"
	"leadsman/voice"
)

// Keys among an examiner's settings.
const (
	keyTaught = "taught" // time of the newest call that his voice profile has learned from
	keyLeave  = "learn"  // not empty: signed exams teach his voice
)

// How much is looked through and learned from: more than a profile gains from, and little enough to be worked out in a minute or two.
const (
	taughtExams = 40
	mostTaught  = 120
	// leastGrown takes are waited for before a signed exam teaches by itself.
	leastGrown = 24
)

// lesson is a call that a voice profile can learn from.
type lesson struct {
	exam string
	voice.Lesson
}

// pupil is an examiner as lessons are chosen for him.
type pupil struct {
	id, name string
	taught   int64
	leave    bool
}

// pupils are the examiners whose names tell their calls in the log: what two of one name share belongs to neither.
func (v *Voices) pupils(ctx context.Context) (map[string]pupil, error) {
	es, err := v.records.People(ctx)
	if err != nil {
		return nil, err
	}
	names := map[string]int{}
	for _, e := range es {
		names[e.Name]++
	}
	out := map[string]pupil{}
	for _, e := range es {
		if e.Name == "" || names[e.Name] > 1 {
			continue
		}
		kv, err := v.records.Settings(ctx, e.ID)
		if err != nil {
			return nil, err
		}
		taught, _ := strconv.ParseInt(kv[keyTaught], 10, 64) // without one nothing was learned
		out[e.Name] = pupil{e.ID, e.Name, taught, kv[keyLeave] != ""}
	}
	return out, nil
}

// teaches reports whether a call can teach a voice: without leave, only what was repaired.
func (p pupil) teaches(l voice.Lesson) bool {
	return l.Who == p.name && l.Time > p.taught && (p.leave || !l.Confirmed)
}

// lessons are what an examiner repaired by voice in exams, and with leave what signed ones confirm, whose sound is kept and which his profile has not
// learned from; newest first.
func (v *Voices) lessons(ctx context.Context, examiner string) ([]lesson, error) {
	ps, err := v.pupils(ctx)
	if err != nil {
		return nil, err
	}
	var who pupil
	for _, p := range ps {
		if p.id == examiner {
			who = p
		}
	}
	if who.id == "" {
		return nil, nil
	}
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
		ls := voice.Lessons(st)
		slices.Reverse(ls)
		for _, l := range ls {
			if who.teaches(l) && slices.Contains(kept, l.Call) {
				out = append(out, lesson{x.ID, l})
			}
		}
	}
	return out[:min(len(out), mostTaught)], nil
}

// Learning is what an examiner's exams can teach his voice.
type Learning struct {
	Takes     int  `json:"takes"`     // calls whose sound is kept
	Confirmed int  `json:"confirmed"` // of them as they were heard, the others corrected
	Leave     bool `json:"leave"`     // given: signed exams teach by themselves
}

func (v *Voices) Learning(ctx context.Context, examiner string) (l Learning, err error) {
	if _, err = v.examiner(ctx, examiner); err != nil {
		return l, err
	}
	ls, err := v.lessons(ctx, examiner)
	if err != nil {
		return l, err
	}
	for _, x := range ls {
		if x.Confirmed {
			l.Confirmed++
		}
	}
	kv, err := v.records.Settings(ctx, examiner)
	l.Takes, l.Leave = len(ls), kv[keyLeave] != ""
	return l, err
}

// SetLeave lets signed exams teach an examiner's voice, or no longer: then what was kept for that goes.
func (v *Voices) SetLeave(ctx context.Context, examiner string, leave bool) error {
	if _, err := v.examiner(ctx, examiner); err != nil {
		return err
	}
	given := ""
	if leave {
		given = "yes"
	}
	if err := v.records.SetSettings(ctx, examiner, map[string]string{keyLeave: given}); err != nil || leave {
		return err
	}
	return v.tidy(ctx)
}

// release deletes the sound of a signed exam that serves nobody any more, and begins to learn from what is left.
func (v *Voices) release(ctx context.Context, exam string) error {
	pupils, err := v.letGo(ctx, exam)
	if err != nil {
		return err
	}
	for _, p := range pupils {
		if ls, err := v.lessons(ctx, p); err != nil || len(ls) < leastGrown || v.busy(p) {
			continue // the next exam will teach
		}
		if _, err := v.Practise(ctx, p, voice.Teach); err != nil {
			v.log.Warn("a signed exam could not teach a voice", "exam", exam, "err", err)
		}
	}
	return nil
}

// letGo deletes the sound of a signed exam but for the calls that can teach examiners who gave leave, and says who they are.
func (v *Voices) letGo(ctx context.Context, exam string) (of []string, err error) {
	kv, err := v.records.Settings(ctx, "")
	if err != nil {
		return nil, err
	}
	ps, err := v.pupils(ctx)
	if err != nil {
		return nil, err
	}
	var keep []uint64
	if slices.ContainsFunc(slices.Collect(maps.Values(ps)), func(p pupil) bool { return p.leave }) {
		st, err := Fold(ctx, v.records, exam)
		if err != nil {
			return nil, err
		}
		for _, l := range voice.Lessons(st) {
			if p := ps[l.Who]; p.leave && p.teaches(l) {
				keep = append(keep, l.Call)
				if !slices.Contains(of, p.id) {
					of = append(of, p.id)
				}
			}
		}
	}
	if kv[keyKeepClips] == "" { // else the practice keeps all of it
		_, err = v.records.DeleteClips(ctx, exam, time.Time{}, keep...)
	}
	return of, err
}

// tidy lets go of the sound of all signed exams.
func (v *Voices) tidy(ctx context.Context) error {
	xs, err := v.records.ExamsWithClips(ctx)
	if err != nil {
		return err
	}
	for _, x := range xs {
		if x.Signed.IsZero() {
			continue
		}
		if _, err := v.letGo(ctx, x.ID); err != nil {
			return err
		}
	}
	return nil
}

// busy reports whether an examiner is practising.
func (v *Voices) busy(examiner string) bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	for _, p := range v.sessions {
		if w := p.View(); w.Examiner == examiner && (w.State == voice.Reading || w.State == voice.Learning) {
			return true
		}
	}
	return false
}

// lessonTakes are what a voice learns from: the sound of calls with their words.
type lessonTakes struct {
	takes                []speech.Take
	newest               int64 // when the newest was called
	corrected, confirmed int
}

// takes reads the sound of lessons. What is gone meanwhile is left out, and so are words that the model does not know.
func (v *Voices) takes(ctx context.Context, a speech.Adapter, ls []lesson) (out lessonTakes, err error) {
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
			return out, err
		}
		out.takes = append(out.takes, speech.Take{Words: l.Words, PCM: pcm})
		out.newest = max(out.newest, l.Time)
		if l.Confirmed {
			out.confirmed++
		} else {
			out.corrected++
		}
	}
	return out, nil
}

// teach fills in what a session learns from exams with.
func (v *Voices) teach(ctx context.Context, a speech.Adapter, examiner string, cfg *voice.Config) error {
	ls, err := v.lessons(ctx, examiner)
	if err != nil {
		return err
	}
	from, err := v.takes(ctx, a, ls)
	if err != nil {
		return err
	}
	cfg.Takes = from.takes
	kept, err := v.records.Voice(ctx, examiner)
	if err != nil && !errors.Is(err, ErrNotFound) {
		return err
	}
	if err == nil && v.fits(kept.Profile) == nil { // one of another model is not in use: there is nothing to build on
		cfg.Profile = kept.Profile
	}
	cfg.Keep = func(e speech.Enrolment) error {
		l := learned{e, from.corrected, from.confirmed}
		if err := keepVoice(v.records, examiner, a.Name(), l, strconv.FormatInt(from.newest, 10)); err != nil {
			return err
		}
		return v.tidy(context.Background()) // what was learned from has served
	}
	return nil
}
