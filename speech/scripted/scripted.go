// Package scripted is a recognizer for tests: it hears what a script says, at the times it says,
// whatever the sound. It keeps the contract of speech.Recognizer, the net included: words that
// the net does not allow are rejected.
package scripted

import (
	"math"
	"slices"
	"strings"

	"leadsman/speech"
)

// Utterance is something that will be heard.
type Utterance struct {
	StartMS, EndMS int64 // in the stream; the words share this time equally
	// AtMS is when the final comes; 0 means 250 ms after EndMS.
	AtMS int64
	Text string // words that are heard
	// Rivals are other readings, in order; each gets half the posterior of the one before.
	Rivals     []string
	Confidence float64 // of every word and, before rivals take their part, of the reading; 0 means 1
	Filler     float64
	Rejected   bool // reject the utterance although it fits the net
	Near       bool // and only just
	Signal     speech.Signal
	Levels     []float64 // of the words, dB below full scale; nil: as Signal has it
	Strange    float64
	Begins     bool // tell that speech goes on as soon as an engine can, by a partial without words
}

// beginsMS is how long after its beginning an engine notices speech.
const beginsMS = 250

// Engine hears the same script in each of its recognizers, and again after each Flush.
type Engine struct {
	script []Utterance
	// Unknown holds words that have no pronunciation.
	Unknown []string
}

var _ speech.Engine = (*Engine)(nil)

// New returns an engine that hears the utterances, which must be in order of time.
func New(script ...Utterance) *Engine {
	script = slices.Clone(script)
	for i := range script {
		u := &script[i]
		if u.AtMS == 0 {
			u.AtMS = u.EndMS + 250
		}
		if u.Confidence == 0 {
			u.Confidence = 1
		}
	}
	return &Engine{script: script}
}

// Say adds an utterance behind all others, while the script is played. It belongs to the goroutine of the only recognizer.
func (e *Engine) Say(u Utterance) { e.script = append(e.script, New(u).script...) }

// Name implements speech.Engine.
func (e *Engine) Name() string { return "scripted" }

// Lacks implements speech.Engine.
func (e *Engine) Lacks(words []string) []string {
	var missing []string
	for _, w := range words {
		if slices.Contains(e.Unknown, w) && !slices.Contains(missing, w) {
			missing = append(missing, w)
		}
	}
	return missing
}

// Close implements speech.Engine.
func (e *Engine) Close() error { return nil }

// NewRecognizer implements speech.Engine.
func (e *Engine) NewRecognizer() (speech.Recognizer, error) {
	return &recognizer{e: e}, nil
}

type recognizer struct {
	e       *Engine
	net     speech.Net
	samples int64 // taken in
	next    int   // utterance
	said    int   // words of it that partials have told
	begun   bool  // and that it has begun
}

func (r *recognizer) SetNet(net speech.Net) error {
	var words []string
	for s := range net.States() {
		net.Arcs(s, func(w string, _ int, _ float64) { words = append(words, w) })
	}
	if missing := r.e.Lacks(words); len(missing) > 0 {
		return &speech.VocabularyError{Missing: missing}
	}
	r.net = net
	return nil
}

func (r *recognizer) Close() error { return nil }

func (r *recognizer) Accept(pcm []int16) ([]speech.Hypothesis, error) {
	r.samples += int64(len(pcm))
	return r.play(nil), nil
}

func (r *recognizer) Flush() ([]speech.Hypothesis, error) {
	var finals []speech.Hypothesis
	last := r.samples * 1000 / speech.Rate
	for r.next < len(r.e.script) && r.e.script[r.next].StartMS < last {
		r.samples = max(r.samples, r.e.script[r.next].AtMS*speech.Rate/1000)
		for _, h := range r.play(nil) {
			if h.Final {
				finals = append(finals, h)
			}
		}
	}
	*r = recognizer{e: r.e, net: r.net}
	return finals, nil
}

// play goes through the script up to the first final or the end of the samples.
func (r *recognizer) play(hyps []speech.Hypothesis) []speech.Hypothesis {
	for r.next < len(r.e.script) {
		u := &r.e.script[r.next]
		if u.Begins && !r.begun && u.StartMS+beginsMS < u.AtMS {
			if (u.StartMS+beginsMS)*speech.Rate/1000 > r.samples {
				break
			}
			r.begun = true
			hyps = append(hyps, r.hypothesis(u, u.StartMS+beginsMS))
			continue
		}
		words := strings.Fields(u.Text)
		due := u.AtMS
		if r.said+1 < len(words) { // after each word but the last, a partial
			due = u.StartMS + (u.EndMS-u.StartMS)*int64(r.said+1)/int64(len(words))
		}
		if due*speech.Rate/1000 > r.samples {
			break
		}
		if r.said+1 < len(words) {
			r.said++
			if r.net != nil {
				if rd, ok := r.reading(u, strings.Join(words[:r.said], " "), u.Confidence, len(words)); ok {
					h := r.hypothesis(u, due)
					h.Readings = []speech.Reading{rd}
					h.EndMS = rd.Words[len(rd.Words)-1].EndMS
					hyps = append(hyps, h)
				}
			}
			continue
		}
		r.next++
		r.said, r.begun = 0, false
		if r.net == nil {
			continue
		}
		h := r.hypothesis(u, u.AtMS)
		h.Final, h.Consumed = true, u.EndMS
		share := u.Confidence
		if len(u.Rivals) > 0 {
			share *= 0.5
		}
		for _, text := range append([]string{u.Text}, u.Rivals...) {
			if rd, ok := r.reading(u, text, share, len(strings.Fields(text))); ok && rd.Ending != speech.NoEnding {
				h.Readings = append(h.Readings, rd)
				share /= 2
			}
		}
		h.Rejected = u.Rejected || len(h.Readings) == 0
		h.Near = h.Rejected && u.Near
		return append(hyps, h)
	}
	return hyps
}

func (r *recognizer) hypothesis(u *Utterance, at int64) speech.Hypothesis {
	return speech.Hypothesis{StartMS: u.StartMS, EndMS: u.EndMS, AtMS: at, Filler: u.Filler, Signal: u.Signal, Strange: u.Strange}
}

func (u *Utterance) level(word int) float64 {
	if word < len(u.Levels) {
		return u.Levels[word]
	}
	return u.Signal.LevelDB
}

// reading follows the words through the net; ok is false if it has no way for them. parts is the
// number of words among which the time of the utterance is shared.
func (r *recognizer) reading(u *Utterance, text string, share float64, parts int) (rd speech.Reading, ok bool) {
	at := map[int]float64{0: 0} // state -> best prior
	for i, w := range strings.Fields(text) {
		for s := range at {
			rd.Free = rd.Free || speech.Free(r.net, s)
		}
		if rd.Free {
			break
		}
		to := map[int]float64{}
		for s, p := range at {
			r.net.Arcs(s, func(word string, next int, prior float64) {
				if word != w {
					return
				}
				if old, ok := to[next]; !ok || p+prior > old {
					to[next] = p + prior
				}
			})
		}
		at = to
		rd.Words = append(rd.Words, speech.Word{
			Text:       w,
			StartMS:    u.StartMS + (u.EndMS-u.StartMS)*int64(i)/int64(parts),
			EndMS:      u.StartMS + (u.EndMS-u.StartMS)*int64(i+1)/int64(parts),
			Confidence: u.Confidence,
			LevelDB:    u.level(i),
		})
	}
	rd.LogScore = math.Inf(-1)
	for s, p := range at {
		if e, prior := r.net.Ending(s); e != speech.NoEnding && p+prior > rd.LogScore {
			rd.Ending, rd.LogScore = e, p+prior
		}
	}
	rd.Posterior = share
	return rd, len(at) > 0 && len(rd.Words) > 0
}
