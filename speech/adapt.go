package speech

import (
	"context"
	"errors"
)

// Adapter is an Engine that can learn a voice from recordings of known words. What it learns is a voice
// profile: bytes that only an engine with the same model can read. A profile is personal data: whoever keeps
// one must be able to hand it out and to erase it.
type Adapter interface {
	Engine
	// Check says whether a recording fits the words that were to be read.
	Check(Take) (Fit, error)
	// Enrol learns a voice. Whether that helps is measured on takes held back from it; where it does not, the
	// Enrolment says why and has no profile. *TakesError means that the recordings cannot be used at all. It learns on top of
	// the profile onto and has to do better than that; nil is the general model.
	Enrol(ctx context.Context, onto []byte, takes []Take) (Enrolment, error)
	// NewRecognizerFor is NewRecognizer with the voice of a profile. It fails with ErrOtherModel or ErrProfile.
	NewRecognizerFor(profile []byte) (Recognizer, error)
}

// Take is a recording of somebody who reads known words, 16 kHz mono, with about a quarter second of silence around them.
type Take struct {
	Words []string
	PCM   []int16
}

// Fit is how a take fits its words.
type Fit struct {
	OK    bool    `json:"ok"`
	Heard string  `json:"heard"` // what the general model hears in it
	Cost  float64 `json:"cost"`  // negative log-probability of the words, for each of their phones
	Why   string  `json:"why"`   // what is wrong and what to do; "" if nothing is
}

// Enrolment is what came of learning a voice. Words are counted over takes that took no part in the learning they were heard with.
type Enrolment struct {
	Profile     []byte  `json:"-" cbor:"profile"` // nil: what was used before stays in use
	Onto        bool    `json:"onto"`             // learned on top of a former profile: before is with that
	Why         string  `json:"why"`              // why there is no profile; "" if there is one
	Takes       int     `json:"takes"`            // that were learned from
	Left        int     `json:"left"`             // that did not fit their words and were left out
	Words       int     `json:"words"`            // held back and heard, each once
	WrongBefore int     `json:"wrong_before"`     // of them misheard before
	WrongAfter  int     `json:"wrong_after"`      // and by the adapted one
	SureBefore  int     `json:"sure_before"`      // takes that were heard right and surely before
	SureAfter   int     `json:"sure_after"`
	CostBefore  float64 `json:"cost_before"` // negative log-probability of the right words, for each phone
	CostAfter   float64 `json:"cost_after"`
	FalseBefore int     `json:"false_before"` // held-back takes that passed as other words when their own were not to be expected
	FalseAfter  int     `json:"false_after"`
	Seconds     float64 `json:"seconds"` // of computing
}

var (
	// ErrOtherModel means that a profile was made with another acoustic model.
	ErrOtherModel = errors.New("this voice profile was made for another version of the speech model: enrol again")
	// ErrProfile means that a profile cannot be read.
	ErrProfile = errors.New("this is no voice profile, or it is damaged: enrol again, or import the file that was exported")
)

// TakesError says why recordings cannot be learned from, and what to do.
type TakesError struct{ Text string }

func (e *TakesError) Error() string { return e.Text }
