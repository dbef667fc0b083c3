package practice

import (
	"context"
	"encoding/json"
	"errors"

	rhythms "leadsman/exam/hear"
)

// keyRhythm is the key of an examiner's rhythm among his settings in the store.
const keyRhythm = "rhythm"

// rhythm is how an examiner called numbers in exams before. An exam goes on without one that cannot be read.
func (v *Voices) rhythm(examiner string) (r rhythms.Rhythm) {
	ctx := context.Background()
	v.mu.Lock()
	defer v.mu.Unlock()
	e, err := v.examiner(ctx, examiner)
	if errors.Is(err, ErrNotFound) || e.Retired {
		return r // a page named a voice that is nobody's
	}
	v.rhythms[examiner] = true
	var kv map[string]string
	if err == nil {
		kv, err = v.records.Settings(ctx, examiner)
	}
	if text := kv[keyRhythm]; text != "" {
		err = json.Unmarshal([]byte(text), &r)
	}
	if err != nil {
		v.log.Error("the examiner's rhythm cannot be read", "err", err)
		return rhythms.Rhythm{}
	}
	return r
}

// keepRhythm keeps it for the next exam.
func (v *Voices) keepRhythm(examiner string, r rhythms.Rhythm) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if !v.rhythms[examiner] {
		return // nobody's, or erased meanwhile
	}
	text, err := json.Marshal(r)
	if err == nil {
		err = v.records.SetSettings(context.Background(), examiner, map[string]string{keyRhythm: string(text)})
	}
	if err != nil {
		v.log.Error("the examiner's rhythm was not kept", "err", err)
	}
}
