package ctc

import (
	"errors"
	"math"
	"slices"
	"time"

	"leadsman/speech"
)

// Times inside a recognizer: a step is 10 ms (160 samples, one frame of the front end), a frame of
// the network's output 20 ms.
const (
	stepSamples = melHop
	stepMS      = 10
	frameMS     = 20

	maxWindow   = 600 // steps given to the network at once, padding included
	freezeAbove = 400 // steps: beyond this the older half of the window is settled
	freezeKeep  = 200 // steps that stay open to later context
	contextFull = 50  // steps of sound before a call that the network sees with it
	idleWindow  = 70  // steps looked at between calls
	tailPad     = 10  // steps of silence put behind the sound
	shortest    = 120 // steps given at once: silence fills up what is less, for the network was trained on whole calls

	lead       = 2 * stepSamples // before the first step that is kept: a frame is centred on the begin of its step
	callMargin = 10              // frames between the begin of a call and its first sound
	settled    = 12              // steps of silence after which the network has seen all of a sound
	soon       = 10              // steps after which a sound that follows a pause within a call is looked at
	idleEvery  = 24              // steps of sound between two looks between calls
	pause      = 39              // steps after which a sound is a new one
	loudMargin = 4               // dB above the background: what gets in is judged by the network
	afterCall  = 7               // frames between the last sound of a call and the begin of the next one

	// A word, however short, sounds for longer than a click or a knock. Sounds that lie as far below the calls as nobody's voice falls who only
	// turns away must be as long before they are looked at; what is louder may be the tip of a word in noise. TestQuietAfterLoud has who is quieter.
	faintLevel = 0.001 // power against the loudest step of the calls: -30 dB
	wordSteps  = 7     // in which the level, a mean of three steps, stands out
	faintFor   = 2000  // steps without a call after which this counts no longer, for the voice or its microphone may be another one
)

// recognizer implements speech.Recognizer. It works in fixed steps of 10 ms, so results do not
// depend on the sizes of the frames that come in.
type recognizer struct {
	e     *Engine
	g     *graph
	s     *search
	al    *aligner
	mel   *melFrontEnd
	queue speech.Queue

	// The stream so far.
	steps   int64     // processed
	from    int64     // the first of them whose sound is kept
	sound   []float32 // it, full scale 1, and lead samples before it
	mels    []float32 // frames of the front end from step melFrom on: none is made of silence that nothing listens to
	melFrom int64
	meter   speech.Meter
	in      []float32 // network input
	out     []float32 // and output
	hidden  []float32 // what goes into the last layer, of the window that the network saw last; empty: nobody wants it
	hidden2 []float32 // the same of the second network; empty: there is no voice
	voice   voice     // whom it listens to; nil: anybody
	odd     oddness   // of the calls of this stream
	far     []float64 // how far each frame of a call lies from what the network knows
	lp      []float32 // log-probabilities from frame lpFrom on
	lpFrom  int64
	encAt   int64 // step at which the network's window begins, even
	encTo   int64 // and up to which lp goes
	guessed bool  // the end of lp is silence that the network was not asked about
	asked   bool  // out is what the second network made of the window
	frozen  int64 // frames before this keep their log-probabilities

	seenAt  int64     // frame at which the window that the network saw last began
	seen    int       // its steps, padding included
	twice   []float32 // log-probabilities of a call by both networks
	loudest float32   // peak of the front end in the last window
	spoken  float32   // and in the calls so far, the latest counting most
	power   float64   // of the loudest step of the calls so far, the latest counting most
	heardAt int64     // step at which the last call ended

	// The call going on.
	active   bool
	consumed int64   // frames before this belong to former calls
	callFrom int64   // first frame of the call
	nextLook int64   // step
	top      float64 // power of its loudest step
	limit    float64 // level up to which a step is silent
	clear    bool    // it lies far below the call: the end of its sound cannot be missed
	still    int64   // steps of silence up to now; between calls, of what does not stand out
	louds    int64   // between calls: steps of sound since the last look
	loud     float64 // and the power of the loudest of them
	words    []int32
	lastBest []int32 // reading of the look before
	spans    []span
}

// NewRecognizer implements speech.Engine. The Recognizer hears nothing until its first SetNet.
func (e *Engine) NewRecognizer() (speech.Recognizer, error) {
	r := &recognizer{
		e: e, s: newSearch(e.opt.Beam, e.opt.MaxTokens), al: &aligner{}, mel: newMelFrontEnd(),
		in: make([]float32, melBands*maxWindow), out: make([]float32, maxWindow/2*e.net.symbols),
	}
	if e.known != nil {
		r.hidden = make([]float32, maxWindow/2*e.net.width)
	}
	r.reset()
	return r, nil
}

func (r *recognizer) reset() {
	*r = recognizer{
		e: r.e, g: r.g, s: r.s, al: r.al, mel: r.mel, in: r.in, out: r.out, hidden: r.hidden, hidden2: r.hidden2, voice: r.voice, far: r.far,
		queue: r.queue, sound: append(r.sound[:0], make([]float32, lead)...), mels: r.mels[:0], lp: r.lp[:0], twice: r.twice[:0],
		words: r.words[:0], lastBest: r.lastBest[:0], spans: r.spans[:0],
		meter: speech.Meter{Margin: loudMargin}, spoken: melLogZero,
	}
}

// SetNet implements speech.Recognizer.
func (r *recognizer) SetNet(net speech.Net) error {
	g, err := r.e.graphs.get(net, r.e.lex)
	if err != nil {
		return err
	}
	r.g = g
	r.lastBest = r.lastBest[:0]
	return nil
}

// Close implements speech.Recognizer.
func (r *recognizer) Close() error {
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

// Skip implements speech.Skipper.
func (r *recognizer) Skip(before int64) {
	frame := min(before/stepSamples, r.steps) / 2
	if frame <= r.consumed {
		return
	}
	r.consumed = frame
	if r.active {
		// What sounds already behind it is looked at as soon as the next sound is.
		r.active, r.louds = false, 1
	}
}

// step processes 10 ms of sound.
func (r *recognizer) step(pcm []int16) (*speech.Hypothesis, error) {
	r.steps++
	r.trim()
	quiet := r.meter.Quiet()
	loud := r.meter.Step(pcm)
	r.sound = append(r.sound, r.meter.Samples()...)
	switch {
	case r.g == nil:
		r.consumed = r.steps / 2
		return nil, nil
	case r.active:
		r.still++
		if r.meter.Power(r.steps-1) > r.limit {
			r.still = 0
		}
		// A sound that begins after a pause, and one that has ended, are looked at soon.
		if loud && quiet >= pause {
			r.nextLook = min(r.nextLook, r.steps+soon)
		}
		if r.steps < r.nextLook && !(r.still == settled && r.steps > r.encTo+settled/2) {
			return nil, nil
		}
		return r.look()
	}
	r.still++
	if loud {
		r.still = 0
		r.louds++
		r.loud = max(r.loud, r.meter.Power(r.steps-1))
	}
	if r.louds >= idleEvery || r.louds > 0 && r.still >= settled {
		click := r.louds < wordSteps && r.loud < r.power*faintLevel && r.steps-r.heardAt < faintFor
		r.louds, r.loud = 0, 0
		if click {
			return nil, nil
		}
		r.encAt = max(r.steps-idleWindow, 2*r.consumed-contextFull) &^ 1
		r.lpFrom = max(r.encAt/2, 0)
		r.frozen = r.lpFrom
		if err := r.encode(); err != nil {
			return nil, err
		}
		first, _ := r.sounds(r.consumed)
		if first < 0 {
			return nil, nil
		}
		r.active = true
		r.callFrom = max(r.consumed, first-callMargin, r.lpFrom)
		r.lastBest = r.lastBest[:0]
		return r.judge()
	}
	return nil, nil
}

func (r *recognizer) stepsOf(d time.Duration) int64 { return int64(d / (stepMS * time.Millisecond)) }

// trim forgets what no later call can need.
func (r *recognizer) trim() {
	keep := r.steps - 2*idleWindow
	if r.active {
		keep = min(keep, r.encAt, 2*r.callFrom-contextFull)
	}
	if drop := keep - r.from; drop > 256 {
		r.sound = append(r.sound[:0], r.sound[drop*stepSamples:]...)
		r.from += drop
		r.meter.Forget(keep)
	}
}

// front gives the frames of the front end from one step up to another.
func (r *recognizer) front(from, to int64) []float32 {
	have := int64(len(r.mels) / melBands)
	if from < r.melFrom || from > r.melFrom+have {
		r.mels, r.melFrom, have = r.mels[:0], from, 0
	} else if drop := from - r.melFrom; drop > 0 {
		r.mels = append(r.mels[:0], r.mels[drop*melBands:]...)
		r.melFrom, have = from, have-drop
	}
	if to > from+have {
		r.mels = r.mel.frames(r.mels, r.sound, int(from+have-r.from), int(to-r.from))
	}
	return r.mels[:(to-from)*melBands]
}

// encode runs the network over the window and takes over what is not frozen. Silence behind a sound that the network
// has seen to its end needs no network.
func (r *recognizer) encode() error {
	end := (r.steps - 1) &^ 1 // the frame of the last step is not complete yet
	if r.active && r.still >= r.steps-r.encTo+settled-2 {
		for ; r.encTo < end; r.encTo += 2 {
			r.lp = append(r.lp, r.e.silence...)
		}
		r.guessed = true
		return nil
	}
	r.encTo, r.guessed, r.asked = end, false, false
	n := int(end - r.encAt)
	if n <= 0 {
		return nil
	}
	window := r.front(max(r.encAt, 0), end)
	pad := padding(n)
	if r.still == 0 && (r.clear || !r.active) {
		pad = tailPad // another look will come
	}
	scaleMel(r.in[:melBands*(n+pad)], window, r.gain(window), n-len(window)/melBands, pad)
	if err := r.score(n + pad); err != nil {
		return err
	}
	r.seenAt, r.seen = r.encAt/2, n+pad
	sym := r.e.net.symbols
	r.lp = append(r.lp[:(r.frozen-r.lpFrom)*int64(sym)], r.out[int(r.frozen-r.encAt/2)*sym:n/2*sym]...)
	if n > freezeAbove {
		r.frozen = (end - freezeKeep) / 2
		r.encAt = (end - freezeKeep - contextFull) &^ 1
	}
	return nil
}

// padding is how many steps of silence go behind so many steps of sound.
func padding(n int) int { return max(tailPad, shortest-n) }

// gain is how much the sound of the window has to be amplified to be as loud as what the network
// knows best. What is far weaker than the speech of the calls before stays weak: it is someone else.
func (r *recognizer) gain(window []float32) float32 {
	r.loudest = peak(window)
	ref := r.loudest
	if r.spoken > melLogZero {
		ref = max(ref, r.spoken-1.2)
	}
	return min(max(bestPeak-ref, -1), 3)
}

// bestPeak is the mel peak (log10) to which speech is amplified.
const bestPeak = 1.3

// soundBlank is the log-probability of blank below which a frame counts as sound.
var soundBlank = float32(math.Log(0.7))

// sounds returns the first and the last frame from the given one on in which the network hears
// a phone, or -1.
func (r *recognizer) sounds(from int64) (first, last int64) {
	first, last = -1, -1
	sym := r.e.net.symbols
	for f := max(from, r.lpFrom); int(f-r.lpFrom) < len(r.lp)/sym; f++ {
		row := r.lp[int(f-r.lpFrom)*sym:][:sym]
		if row[0] < soundBlank {
			if first < 0 {
				first = f
			}
			last = f
		}
	}
	return first, last
}

// look listens again to the call going on.
func (r *recognizer) look() (*speech.Hypothesis, error) {
	if err := r.encode(); err != nil {
		return nil, err
	}
	return r.judge()
}

// judge decodes the call and decides whether it has ended.
func (r *recognizer) judge() (*speech.Hypothesis, error) {
	sym := r.e.net.symbols
	end := r.lpFrom + int64(len(r.lp)/sym)
	first, last := r.sounds(r.callFrom)
	if first < 0 {
		r.nextLook = r.steps + r.stepsOf(r.e.opt.PartialEvery)
		if end-r.callFrom > 40 { // what seemed a sound was none
			r.active = false
			r.consumed = max(r.consumed, end-callMargin)
		}
		return nil, nil
	}
	lp := r.lp[int(r.callFrom-r.lpFrom)*sym:]
	r.decode(lp)
	ends, rest := r.s.outcomes()
	ending := speech.NoEnding
	best := r.words[:0]
	if len(ends) > 0 {
		best = r.s.wordsOf(best, ends[0].hist)
		if ends[0].score > rest-unfinishedMargin {
			ending = ends[0].ending
			if ends[0].free {
				ending = speech.Prefix // free speech has pauses
			}
		}
	}
	r.words = best
	same := slices.Equal(best, r.lastBest)
	r.lastBest = append(r.lastBest[:0], best...)

	waitSteps := r.stepsOf(r.e.opt.After(ending))
	quiet := r.quiet(first, last, end)
	r.nextLook = r.steps + r.patience(end-r.callFrom)
	// While the end of the call is waited for there is time for the second network.
	if r.e.second != nil && r.still >= settled && ending != speech.NoEnding {
		if err := r.ask(); err != nil {
			return nil, err
		}
	}
	over := quiet >= waitSteps && (same || quiet >= waitSteps+10) && !(quiet < waitSteps+resumed && r.resumes(last, end))
	if over || end-r.callFrom >= int64(r.e.opt.Longest/(frameMS*time.Millisecond)) {
		return r.finish(lp, ends, first, last, end, quiet)
	}
	if quiet >= waitSteps {
		r.nextLook = r.steps + 4
	} else if due := r.steps + waitSteps - quiet; r.still >= settled || due < r.nextLook && !(r.clear && r.still == 0) {
		r.nextLook = due
	}
	if !same && len(best) > 0 {
		h := r.hypothesis(lp, ends, first, last, 1)
		return &h, nil
	}
	return nil, nil
}

// finish gives what was called in the end, by both networks, or nothing where a rejection would be hasty: lp are the frames of the call up to end, first and
// last those with sound, quiet the steps of silence behind them.
func (r *recognizer) finish(lp []float32, ends []outcome, first, last, end, quiet int64) (*speech.Hypothesis, error) {
	h := r.hypothesis(lp, ends, first, last, r.e.opt.NBest)
	// Seen from a later window, the sounds of the call may lie a little later, and one that was missed, as the burst that
	// ends "eight", may come to light.
	to := min(end, max(last+afterCall, end-quiet*stepMS/frameMS))
	// Nothing is rejected before the network has seen it all, with some silence behind it: there is no answer that would come late.
	hasty := r.guessed || quiet < r.stepsOf(r.e.opt.WaitComplete)
	again := h.Rejected && hasty
	if r.e.second != nil && h.Filler < hopeless && !again {
		both, err := r.secondOpinion(lp, to)
		if err != nil {
			return nil, err
		}
		r.decode(both)
		ends, _ := r.s.outcomes()
		h = r.hypothesis(both, ends, first, last, r.e.opt.NBest)
		again = h.Rejected && hasty
	}
	if again {
		r.still, r.nextLook = 0, r.steps+1
		return nil, nil
	}
	h.Final = true
	if !h.Rejected {
		r.odd.hear(r.far)
		if r.voice == nil {
			h.Strange = r.odd.strange(r.e.cal.StrangeFrom)
		}
		r.spoken = max(r.loudest, (r.spoken*3+r.loudest)/4)
		r.power = max(r.top, (r.power*3+r.top)/4)
		r.heardAt = r.steps
	}
	r.active = false
	r.consumed = to
	h.Consumed = to * frameMS
	return &h, nil
}

// patience is for how many steps a call of so many frames needs no look while its sound goes on. Each look costs as much as the call is long. Where
// the level falls clearly when a sound ends, that is what calls for a look, and those before only show what was heard so far.
func (r *recognizer) patience(frames int64) int64 {
	every := r.stepsOf(r.e.opt.PartialEvery)
	if r.clear {
		return max(2*every, frames/2)
	}
	return max(every, frames/8)
}

// decode searches the net for the call whose log-probabilities are given.
func (r *recognizer) decode(lp []float32) {
	r.s.start(r.g)
	for sym := r.e.net.symbols; len(lp) > 0; lp = lp[sym:] {
		r.s.step(lp[:sym])
	}
}

// hopeless is the filler cost from which on no second opinion is asked for: it would not make a call of it, and talk that
// goes on all the time would cost much.
const hopeless = 6

// ask has the larger network, too slow for every look, listen to the window that the first one saw last.
func (r *recognizer) ask() error {
	if r.asked {
		return nil
	}
	r.e.turns <- struct{}{}
	defer func() { <-r.e.turns }()
	r.asked = true
	return r.voiced(r.e.second, 1, r.hidden2, r.seen)
}

// secondOpinion returns the log-probabilities of the call as both networks together hear it: the mean of their logarithms, so that what
// either holds for impossible stays unlikely. Both tell a phone in the same frame, for one was taught by the other. From the frame to on sounds
// belong to the next call, which the second network may hear begin before the first.
func (r *recognizer) secondOpinion(lp []float32, to int64) ([]float32, error) {
	if err := r.ask(); err != nil {
		return nil, err
	}
	sym := r.e.net.symbols
	r.twice = append(r.twice[:0], lp...)
	for i := max(0, r.seenAt-r.callFrom); i < min(to, r.seenAt+int64(r.seen/2))-r.callFrom; i++ {
		row, other := r.twice[int(i)*sym:][:sym], r.out[int(i+r.callFrom-r.seenAt)*sym:][:sym]
		for k := range row {
			row[k] = (row[k] + other[k]) / 2
		}
		logSoftmax(row)
	}
	return r.twice, nil
}

// quiet is the time in steps since the end of the sound. The network tells a phone near its begin, so
// that a long vowel goes on after the last frame with sound: as long as the level has not fallen. In
// steady noise it never falls; then the frames alone count, after some time for the vowel.
func (r *recognizer) quiet(first, last, end int64) int64 {
	silent := 2 * (end - 1 - last)
	at := func(f int64) int64 { return min(max(2*f, r.from), r.steps) }
	r.top = 0
	for i := at(first); i < at(last+1); i++ {
		r.top = max(r.top, r.meter.Power(i))
	}
	r.limit = max(r.top*tailLevel, math.Pow(10, (r.meter.Background()+tailAbove)/10))
	r.clear = r.limit < r.top*clearLevel
	stop := max(at(last+1), at(end)-silent)
	for i := at(end) - 1; i >= stop; i-- {
		if r.meter.Power(i) > r.limit {
			return max(at(end)-1-i, silent-r.lasts(last))
		}
	}
	return silent
}

// resumes reports whether a sound has just begun after silence behind the last phone, too late for the network to have told what it is: the "teen"
// of "fourteen" comes as late as the next call.
func (r *recognizer) resumes(last, end int64) bool {
	n := int64(0)
	for i := 2*end - 1; i > 2*(last+1) && i < r.steps && r.meter.Power(i) > r.limit; i-- {
		n++
	}
	return n > 0 && n < resumed && 2*end-1-n > 2*(last+1)
}

const (
	resumed    = 12    // steps after which the network has told what a sound is
	clearLevel = 0.01  // power of a silence against the peak of the call that nobody can miss: -20 dB
	tailLevel  = 0.001 // power against the peak of the call: -30 dB
	tailAbove  = 8     // dB above the background
	vowelSteps = 20    // how much longer than its first frame a sound can last
	otherSteps = 10    // the same for one that nobody draws out
)

// lasts is for how many steps the sound of a frame may go on after it.
func (r *recognizer) lasts(frame int64) int64 {
	row := r.lp[int(frame-r.lpFrom)*r.e.net.symbols:][:r.e.net.symbols]
	best := 1
	for i := range row {
		if i > 0 && row[i] > row[best] {
			best = i
		}
	}
	if r.e.drawn[best] {
		return vowelSteps
	}
	return otherSteps
}

// unfinishedMargin is how much better (natural log) than the best reading words that are cut off
// in the middle may be before the call counts as unfinished.
const unfinishedMargin = 3

// hypothesis describes the call: lp are its frames, first and last those with sound.
func (r *recognizer) hypothesis(lp []float32, ends []outcome, first, last int64, nbest int) speech.Hypothesis {
	h := speech.Hypothesis{
		StartMS: first * frameMS,
		EndMS:   (last + 1) * frameMS,
		AtMS:    r.steps * stepMS,
		Filler:  math.Inf(1),
	}
	end := r.callFrom + int64(len(lp)/r.e.net.symbols)
	soundTo := int(end - r.callFrom - r.quiet(first, last, end)*stepMS/frameMS)
	total, sounds := 0.0, 0
	r.far = r.far[:0]
	if nbest > 1 {
		r.far = r.distances(r.far, lp)
	}
	for _, o := range ends {
		total += math.Exp((o.score - ends[0].score) / r.e.cal.Temperature)
	}
	for i, o := range ends[:min(nbest, len(ends))] {
		words := r.s.wordsOf(nil, o.hist)
		spans, cost, n, said, ok := r.al.align(r.spans[:0], words, r.g.ways, lp, r.e.net.symbols, o.free)
		r.spans = spans
		if !ok {
			continue
		}
		// The last word lasts as long as its sound does, if nothing but it is heard at the end.
		if tail := &spans[len(spans)-1]; int64(tail.to) > last-r.callFrom-2 {
			tail.to = max(tail.to, soundTo)
		}
		rd := speech.Reading{Ending: o.ending, Free: said >= freeLeast, LogScore: o.score, Posterior: math.Exp((o.score-ends[0].score)/r.e.cal.Temperature) / total}
		for j, w := range words {
			rd.Words = append(rd.Words, r.word(w, spans[j]))
		}
		if i == 0 {
			sounds = n
			h.Filler = cost / float64(sounds)
			h.StartMS = rd.Words[0].StartMS
			h.EndMS = rd.Words[len(rd.Words)-1].EndMS
			if rd.Free {
				h.EndMS = (last + 1) * frameMS
			}
		}
		h.Readings = append(h.Readings, rd)
	}
	h.Readings = r.believe(h.Readings, lp)
	if limit := r.e.opt.FillerLimit * leniency(sounds); len(h.Readings) == 0 || h.Filler > limit {
		h.Rejected = true
		h.Near = h.Filler <= nearLimit*r.e.opt.FillerLimit
		h.EndMS = max(h.EndMS, (last+1)*frameMS)
	}
	if math.IsInf(h.Filler, 1) {
		h.Filler = noReadingFiller
	}
	h.Signal = r.meter.Signal(2*first, 2*last+2)
	r.meter.Words(h.Readings)
	return h
}

// word is one of a reading, with what it costs in the place of its confidence until all readings are known.
func (r *recognizer) word(w int32, s span) speech.Word {
	return speech.Word{
		Text:       r.g.words[w],
		StartMS:    (r.callFrom + int64(s.from)) * frameMS,
		EndMS:      (r.callFrom + int64(s.to)) * frameMS,
		Confidence: s.cost / float64(s.sounds),
	}
}

// freeLeast is how many sounds are free speech: one or two may be a breath or the tail of the word before.
const freeLeast = 3

// leniency raises the limit for the cost of long calls: noise and foreign words may pass for two or
// three phones in a row by chance, but hardly for ten.
func leniency(sounds int) float64 {
	return 1 + min(1, max(0, float64(sounds-4)/6))
}

// nearLimit is how far beyond the limit for short calls speech may still be a call. Real digits in noise of 10 dB: of 15 rejected pieces that
// cost less than twice the limit and were read as a number with a posterior of 0.5 or more, all were a number, and 12 the one
// that was read. From twice the limit on noise is among them.
const nearLimit = 2

// noReadingFiller is the filler cost when no reading fits at all.
const noReadingFiller = 99
