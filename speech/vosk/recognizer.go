package vosk

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"leadsman/speech"
)

const (
	stepMS     = 10 // a step is speech.MeterStep samples
	blockSteps = 10 // steps that Vosk gets at a time, always the same so that results are, too
	before     = 30 // steps of sound before the first loud one that belong to a call
	after      = 5  // steps after the last word that do, where a call was cut in the middle of sound
	// In noise that never falls silent the words alone tell the end. A word may be known from its
	// first sounds on: so long it may still last.
	longWord = 40 // steps
)

// recognizer implements speech.Recognizer. It works in fixed steps of 10 ms, so results do not
// depend on the sizes of the frames that come in.
type recognizer struct {
	e      *Engine
	g      *graph
	queue  speech.Queue
	meter  speech.Meter
	dither *rand.Rand

	sound    []int16 // the latest, from step soundAt on
	soundAt  int64
	consumed int64 // steps before this belong to former calls

	// The call going on.
	d        decoder // nil between calls
	from     int64   // its first step
	given    int64   // steps before this were given to d
	nextLook int64
	heard    []heardWord // Vosk's words so far; they end when they became known
	said     []string    // the words of the last partial
	news     int64       // step at which the words so far changed last
	// What was heard when silence began to be long enough; sound makes it void.
	ended *speech.Hypothesis
}

// NewRecognizer implements speech.Engine. The Recognizer hears nothing until its first SetNet.
func (e *Engine) NewRecognizer() (speech.Recognizer, error) {
	r := &recognizer{e: e}
	r.reset()
	return r, nil
}

func (r *recognizer) reset() {
	r.stop()
	*r = recognizer{e: r.e, g: r.g, queue: r.queue, sound: r.sound[:0], dither: rand.New(rand.NewPCG(1, 1))}
}

// stop gives up what is being decoded.
func (r *recognizer) stop() {
	if r.d != nil {
		r.d.free()
		r.d = nil
	}
	r.ended, r.heard, r.said = nil, nil, nil
}

// SetNet implements speech.Recognizer.
func (r *recognizer) SetNet(net speech.Net) error {
	if r.e == nil {
		return errClosed
	}
	g, err := r.e.graphs.get(r.e, net)
	if err != nil {
		return err
	}
	if g == r.g {
		return nil
	}
	r.g = g
	if r.d != nil { // the sound so far is heard again under the new net
		r.stop()
		return r.start()
	}
	return nil
}

// Close implements speech.Recognizer.
func (r *recognizer) Close() error {
	r.stop()
	r.e = nil
	return nil
}

var errClosed = errors.New("recognizer is closed")

// Accept implements speech.Recognizer.
func (r *recognizer) Accept(pcm []int16) ([]speech.Hypothesis, error) {
	if r.e == nil {
		return nil, errClosed
	}
	return r.queue.Accept(pcm, r.step)
}

// Flush implements speech.Recognizer.
func (r *recognizer) Flush() ([]speech.Hypothesis, error) {
	if r.e == nil {
		return nil, errClosed
	}
	finals, err := r.queue.Flush(r.e.opt.Waits, r.step)
	r.reset()
	return finals, err
}

func stepsOf(d time.Duration) int64 { return int64(d / (stepMS * time.Millisecond)) }

// step processes 10 ms of sound.
func (r *recognizer) step(pcm []int16) (*speech.Hypothesis, error) {
	loud := r.meter.Step(pcm)
	// Digital silence is foreign to the model. Kaldi would add noise of its own, another each time.
	for _, s := range pcm {
		r.sound = append(r.sound, int16(min(math.MaxInt16, max(math.MinInt16, math.Round(float64(s)+r.dither.NormFloat64())))))
	}
	now := r.meter.Steps()
	r.trim(now)
	switch {
	case r.g == nil:
		r.consumed = now
		return nil, nil
	case r.d == nil:
		if !loud {
			return nil, nil
		}
		r.from = max(r.consumed, now-before, 0)
		return nil, r.start()
	}
	if loud && r.ended != nil { // speech goes on: what was ended has to be heard again
		r.stop()
		if err := r.start(); err != nil {
			return nil, err
		}
	}
	if r.ended == nil {
		r.give(now)
	}
	if now-r.from >= stepsOf(r.e.opt.Longest) {
		return r.end(now, true)
	}
	return r.look(now)
}

// start begins to decode at r.from and gives what is there already.
func (r *recognizer) start() error {
	d, err := r.e.m.decoder(r.g.phrases, r.e.opt.NBest)
	if err != nil {
		return err
	}
	r.d, r.given, r.news = d, r.from, r.from
	now := r.meter.Steps()
	r.nextLook = now + stepsOf(r.e.opt.PartialEvery)
	r.give(now)
	return nil
}

// give hands whole blocks to the decoder.
func (r *recognizer) give(now int64) {
	for r.given+blockSteps <= now {
		r.d.accept(r.pcm(r.given, r.given+blockSteps))
		r.given += blockSteps
	}
}

// pcm is the sound of the steps from to to-1.
func (r *recognizer) pcm(from, to int64) []int16 {
	return r.sound[(from-r.soundAt)*speech.MeterStep : (to-r.soundAt)*speech.MeterStep]
}

// trim forgets what no later call can need.
func (r *recognizer) trim(now int64) {
	keep := now - 2*before
	if r.d != nil {
		keep = min(keep, r.from)
	}
	if drop := keep - r.soundAt; drop > 1024 {
		r.sound = append(r.sound[:0], r.sound[drop*speech.MeterStep:]...)
		r.soundAt += drop
		r.meter.Forget(keep)
	}
}

// look asks what was heard so far and whether the call has ended.
func (r *recognizer) look(now int64) (*speech.Hypothesis, error) {
	quiet := r.meter.Quiet()
	least := stepsOf(r.e.opt.WaitComplete) // to ask sooner, for a call that is full, would cost more than it gains
	if len(r.heard) > 0 {
		quiet = max(quiet, now-r.news-longWord)
	}
	if quiet >= least {
		if r.ended == nil {
			h, err := r.decide(now)
			if err != nil {
				return nil, err
			}
			r.ended = h
		}
		ending := speech.NoEnding
		if len(r.ended.Readings) > 0 {
			ending = r.ended.Readings[0].Ending
		}
		if quiet < stepsOf(r.e.opt.After(ending)) {
			return nil, nil
		}
		return r.end(now, r.meter.Quiet() < least)
	}
	if now < r.nextLook {
		return nil, nil
	}
	r.nextLook = now + stepsOf(r.e.opt.PartialEvery)
	words, err := r.d.partial()
	if err != nil || !r.hear(words) {
		return nil, err
	}
	called, ending, _, _, ok := r.g.follow(r.heard, false)
	var said []string
	for _, w := range called {
		said = append(said, w.Text)
	}
	if !ok || slices.Equal(said, r.said) {
		return nil, nil
	}
	r.said = said
	h := r.describe(now, []reading{{words: called, ending: ending}}, math.Inf(-1))
	return &h, nil
}

// hear takes over the words so far and tells whether they changed.
func (r *recognizer) hear(words []string) bool {
	same := 0
	for same < len(words) && same < len(r.heard) && words[same] == r.heard[same].text {
		same++
	}
	if same == len(words) && same == len(r.heard) {
		return false
	}
	r.news = r.given
	r.heard = r.heard[:same]
	for _, w := range words[same:] {
		from := int64(0)
		if n := len(r.heard); n > 0 {
			from = r.heard[n-1].to
		}
		r.heard = append(r.heard, heardWord{w, from, (r.given - r.from) * stepMS})
	}
	return len(words) > 0
}

// end commits the call. If it is cut in the middle of sound, the next one begins behind its last word.
func (r *recognizer) end(now int64, cut bool) (*speech.Hypothesis, error) {
	h := r.ended
	if h == nil {
		var err error
		if h, err = r.decide(now); err != nil {
			return nil, err
		}
	}
	h.AtMS = now * stepMS
	r.consumed = now
	if cut && h.EndMS > 0 {
		r.consumed = min(now, max(h.EndMS/stepMS+after, r.from+1))
	}
	h.Consumed = r.consumed * stepMS
	r.stop()
	if len(h.Readings) == 0 && !h.Rejected {
		return nil, nil // no word at all: a noise
	}
	return h, nil
}

// reading is an alternative that the net takes.
type reading struct {
	words  []speech.Word
	ending speech.Ending
	free   bool // words of free speech follow
	score  float64
}

// decide ends the decoding and reads Vosk's alternatives by the net.
func (r *recognizer) decide(now int64) (*speech.Hypothesis, error) {
	if r.given < now {
		r.d.accept(r.pcm(r.given, now))
		r.given = now
	}
	alts, err := r.d.final()
	if err != nil {
		return nil, err
	}
	h := &speech.Hypothesis{AtMS: now * stepMS}
	var fit []reading
	foreign, last := math.Inf(-1), int64(-1) // best score of words that are no call; end of any word
	for _, a := range alts {
		if len(a.words) == 0 {
			continue
		}
		last = max(last, a.words[len(a.words)-1].to)
		words, ending, prior, free, ok := r.g.follow(a.words, true)
		if !ok {
			foreign = max(foreign, a.score)
			continue
		}
		n := reading{words, ending, free, a.score + prior}
		// Several ways to hear one reading: the best counts.
		if i := slices.IndexFunc(fit, func(o reading) bool { return sameText(o.words, n.words) }); i < 0 {
			fit = append(fit, n)
		} else if n.score > fit[i].score {
			fit[i] = n
		}
	}
	if last < 0 {
		return h, nil
	}
	slices.SortStableFunc(fit, func(a, b reading) int {
		switch {
		case a.score > b.score:
			return -1
		case a.score < b.score:
			return 1
		}
		return 0
	})
	filler := float64(noReadingFiller)
	if len(fit) > 0 {
		filler = max(0, foreign-fit[0].score) / float64(len(fit[0].words))
	}
	*h = r.describe(now, fit, foreign)
	h.Final, h.Filler = true, filler
	if len(fit) == 0 || filler > r.e.opt.FillerLimit {
		h.Rejected = true
		h.EndMS = max(h.EndMS, min(now*stepMS, r.from*stepMS+last))
	}
	if len(fit) == 0 {
		h.StartMS = r.from * stepMS
	} else if fit[0].free {
		h.EndMS = max(h.EndMS, min(now*stepMS, r.from*stepMS+last))
	}
	return h, nil
}

// noReadingFiller is the filler cost when no reading fits at all.
const noReadingFiller = 99

func sameText(a, b []speech.Word) bool {
	return slices.EqualFunc(a, b, func(v, w speech.Word) bool { return v.Text == w.Text })
}

// describe makes a hypothesis of readings, best first. What is no call takes its part of the
// probability by its score; a word is as likely as the readings that have it at its place.
func (r *recognizer) describe(now int64, fit []reading, foreign float64) speech.Hypothesis {
	h := speech.Hypothesis{AtMS: now * stepMS, Signal: r.meter.Signal(r.from, now)}
	if len(fit) == 0 {
		return h
	}
	share := func(score float64) float64 { return math.Exp((score - fit[0].score) / r.e.opt.Temperature) }
	total := share(foreign)
	for _, f := range fit {
		total += share(f.score)
	}
	for _, f := range fit {
		rd := speech.Reading{Ending: f.ending, Free: f.free, LogScore: f.score, Posterior: share(f.score) / total}
		end := r.from * stepMS
		for _, w := range f.words {
			w.StartMS = max(end, r.from*stepMS+w.StartMS)
			w.EndMS = min(now*stepMS, max(w.StartMS, r.from*stepMS+w.EndMS))
			w.StartMS = min(w.StartMS, w.EndMS)
			end = w.EndMS
			rd.Words = append(rd.Words, w)
		}
		h.Readings = append(h.Readings, rd)
	}
	for _, rd := range h.Readings {
		for j := range rd.Words {
			w := &rd.Words[j]
			for _, o := range h.Readings {
				if slices.ContainsFunc(o.Words, func(v speech.Word) bool {
					return v.Text == w.Text && v.StartMS <= w.EndMS && w.StartMS <= v.EndMS
				}) {
					w.Confidence += o.Posterior
				}
			}
			w.Confidence = min(1, w.Confidence)
		}
	}
	best := h.Readings[0].Words
	h.StartMS, h.EndMS = best[0].StartMS, best[len(best)-1].EndMS
	return h
}
