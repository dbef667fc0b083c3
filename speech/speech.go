// Package speech is the contract between sound and the rest of Leadsman: frames of audio go in,
// timed hypotheses come out, and what may be said is swapped at any moment.
//
// An Engine holds a loaded model and serves any number of chairs; each chair has a Recognizer of
// its own. The package imports nothing but the standard library: engines that need cgo live in
// subpackages.
//
//	rec, err := engine.NewRecognizer()
//	rec.SetNet(net)                   // what may be said now
//	for each frame of 16 kHz mono PCM {
//		hyps, err := rec.Accept(frame)  // partials and at most one final
//		...                             // a final is acted upon, then SetNet again
//	}
//	hyps, err = rec.Flush()           // end of the audio
package speech

import (
	"errors"
	"fmt"
	"strings"
)

// Rate is the sample rate, in hertz, of all audio inside Leadsman: mono, signed 16-bit.
const Rate = 16000

// Ending says what a call is worth if it ends in a state of a Net.
type Ending int

const (
	// NoEnding: the words so far mean nothing and nothing can wait for more of them.
	NoEnding Ending = iota
	// Prefix: the words so far are the beginning of a call ("recession"); they are kept and the
	// rest may follow after a pause. The recognizer waits longest before it gives such words out.
	Prefix
	// Open: a complete call whose meaning more words could still change ("bleeding", "bleeding
	// mesial"); the recognizer waits a little longer.
	Open
	// Complete: a complete call; what could follow only adds to it ("three two four").
	Complete
	// Full: a call behind which nothing more is expected, such as as many numbers as a place has sites: the recognizer need not wait
	// to see whether more belongs to it.
	Full
)

// Net is what may be said now: a graph of words. State 0 is its start. Implementations are
// immutable; recognizers may keep compiled forms under Key.
type Net interface {
	// Key identifies the net: equal keys mean equal nets.
	Key() string
	// States returns the number of states, numbered from 0.
	States() int
	// Ending says whether a call may end in the state and with which prior (natural log, <= 0).
	Ending(state int) (e Ending, logPrior float64)
	// Arcs calls yield for each word that may follow in the state, with the state it leads to and
	// its prior (natural log, <= 0).
	Arcs(state int, yield func(word string, to int, logPrior float64))
}

// freeNet is a Net with states behind which speech of any content may follow.
type freeNet interface {
	Net
	Free(state int) bool
}

// Free says whether speech of any content may follow in a state of a net: what comes after "remark". A net that has such states has
// a method Free(state int) bool. A Recognizer that knows of it gives the words up to there as a Reading that is Free; without words of its
// own that speech is no reason to reject them.
func Free(n Net, state int) bool {
	f, ok := n.(freeNet)
	return ok && f.Free(state)
}

// Word is one recognized word with its place in the stream.
type Word struct {
	Text       string  `json:"text"`
	StartMS    int64   `json:"start_ms"` // from the first sample of the stream
	EndMS      int64   `json:"end_ms"`
	Confidence float64 `json:"confidence"`        // 0..1, probability that the word is right
	LevelDB    float64 `json:"-" cbor:"level_db"` // how loud it is, dB below full scale; 0: not measured
}

// Reading is one way to read what was said.
type Reading struct {
	Words     []Word  `json:"words"`
	Ending    Ending  `json:"ending"`
	Free      bool    `json:"free,omitempty"` // speech of any content follows the words: see Free
	LogScore  float64 `json:"log_score"`      // acoustic and prior together, natural log; comparable within one Hypothesis
	Posterior float64 `json:"posterior"`      // 0..1, sums to at most 1 over the readings of a Hypothesis
}

// Text joins the words of the reading with single spaces.
func (r Reading) Text() string {
	var b strings.Builder
	for i, w := range r.Words {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(w.Text)
	}
	return b.String()
}

// Hypothesis is what the recognizer believes about one stretch of sound.
type Hypothesis struct {
	Final   bool  `json:"final"`
	StartMS int64 `json:"start_ms"` // begin of the speech, from the first sample of the stream
	EndMS   int64 `json:"end_ms"`   // end of the last word (of the speech, when rejected)
	AtMS    int64 `json:"at_ms"`    // audio consumed when this was decided: AtMS-EndMS is the waiting time
	// Consumed, of a final: sound before it belongs to this call or to an earlier one and to no later one. A stream that is begun
	// anew there loses nothing and hears nothing twice.
	Consumed int64     `json:"consumed_ms"`
	Readings []Reading `json:"readings"` // best first, all different in words; empty if nothing fits the net
	Filler   float64   `json:"filler"`   // 0 = fits the net perfectly; grows as the sound fits other speech better
	Rejected bool      `json:"rejected"` // Filler is beyond the engine's limit or nothing fits: not a call
	Near     bool      `json:"near"`     // Rejected, but little beyond the limit: a call only where one is expected
	Signal   Signal    `json:"signal"`   // how good the sound was
	// Strange, of a final, says how unlike the voices of the model's training the calls of this stream have sounded so far: from 1 on
	// more is misheard than the recognizer can know, and a voice profile helps. 0: not known yet, a profile is in use, or the engine cannot tell.
	Strange float64 `json:"strange,omitempty"`
}

// Signal describes the sound of a stretch.
type Signal struct {
	LevelDB float64 `json:"level_db"` // speech level, dB below full scale (<= 0)
	NoiseDB float64 `json:"noise_db"` // level of the pauses around it
	Clipped float64 `json:"clipped"`  // share of samples at full scale
}

// Recognizer turns one stream of audio into hypotheses. It belongs to one goroutine; its creator
// closes it. Legal behaviour, checked by speechtest:
//   - Accept returns nil, or hypotheses in order of time: any number of partials, at most one
//     final, and the final last.
//   - after an Accept that returned a final, sound that followed the final's EndMS is not lost; it
//     is decoded under the net that is set next. Where much sound was given at once, some of it may
//     still wait: Accept(nil) goes on with it, and returns nothing when nothing waits.
//   - a final's Consumed lies between its EndMS and its AtMS, and no later call begins before it.
//   - the same samples in frames of any size give the same finals.
//   - Flush ends the stream: finals only; Accept after Flush starts a new stream at time 0.
type Recognizer interface {
	// SetNet changes what may be said, from the sound that is not yet in a final on. It fails with
	// *VocabularyError if the net holds a word without pronunciation; the former net stays.
	SetNet(Net) error
	// Accept takes 16 kHz mono samples, any number of them.
	Accept(pcm []int16) ([]Hypothesis, error)
	Flush() ([]Hypothesis, error)
	Close() error
}

// Skipper is a Recognizer that can be told that sound was nobody's call.
type Skipper interface {
	// Skip says that no call begins before a sample of the stream: what was heard up to it was the tool's own voice. What sounds from there on
	// is heard by itself, without waiting for a pause.
	Skip(before int64)
}

// Engine is a loaded model. NewRecognizer may be called from any goroutine.
type Engine interface {
	NewRecognizer() (Recognizer, error)
	// Name identifies engine and model, for logs and files.
	Name() string
	// Lacks returns those of the words for which the engine has no pronunciation.
	Lacks(words []string) []string
	Close() error
}

// ErrNoModel means that a model file or library is not where it should be; the message of the
// wrapping error says where it was looked for and what to do.
var ErrNoModel = errors.New("speech model not found")

// VocabularyError names the words of a net that an engine cannot recognize.
type VocabularyError struct{ Missing []string }

func (e *VocabularyError) Error() string {
	return fmt.Sprintf("no pronunciation for: %s (add it to the lexicon or the practice file)", strings.Join(e.Missing, ", "))
}
