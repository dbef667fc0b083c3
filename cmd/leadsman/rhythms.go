package main

import (
	"context"
	"encoding/json"
	"errors"

	rhythms "leadsman/exam/hear"
	"leadsman/web"
)

// keyRhythm is the key of an examiner's rhythm among his settings in the store.
const keyRhythm = "rhythm"

// rhythm is how an examiner called numbers in exams before. An exam goes on without one that cannot be read.
func (v *voices) rhythm(examiner string) (r rhythms.Rhythm) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.rhythms[examiner] = true
	kv, err := v.store.Settings(context.Background(), examiner)
	if text := kv[keyRhythm]; err == nil && text != "" {
		err = json.Unmarshal([]byte(text), &r)
	}
	if err != nil {
		v.log.Error("the examiner's rhythm cannot be read", "err", err)
		return rhythms.Rhythm{}
	}
	return r
}

// keepRhythm keeps it for the next exam.
func (v *voices) keepRhythm(examiner string, r rhythms.Rhythm) {
	ctx := context.Background()
	v.mu.Lock()
	defer v.mu.Unlock()
	if !v.rhythms[examiner] {
		return // erased meanwhile
	}
	text, err := json.Marshal(r)
	if err == nil {
		_, err = v.examiner(ctx, examiner)
	}
	if errors.Is(err, web.ErrNotFound) {
		return // a page named a voice that is nobody's
	}
	if err == nil {
		err = v.store.SetSettings(ctx, examiner, map[string]string{keyRhythm: string(text)})
	}
	if err != nil {
		v.log.Error("the examiner's rhythm was not kept", "err", err)
	}
}
