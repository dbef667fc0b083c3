package ctc

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"leadsman/speech"
)

var _ speech.Adapter = (*Engine)(nil)

// A profile is a file: the mark, the SHA-256 of the networks it belongs to, how many they are, symbols and reach, the width of each (uint32), the
// changes as voice.bytes has them, and the SHA-256 of all that. Numbers are little endian. Files with the former mark hold another kind of change.
const (
	profileMark = "leadsman voice 2\n"
	formerMark  = "leadsman voice 1\n"
)

// shape is what the head of a profile says of the networks.
func (e *Engine) shape() (out []byte) {
	ws := e.widths()
	for _, n := range append([]int{len(ws), e.symbols(), reach}, ws...) {
		out = binary.LittleEndian.AppendUint32(out, uint32(n))
	}
	return out
}

func (e *Engine) profile(v voice) []byte {
	out := slices.Concat([]byte(profileMark), e.model[:], e.shape(), v.bytes())
	sum := sha256.Sum256(out)
	return append(out, sum[:]...)
}

// readProfile is the inverse of profile.
func (e *Engine) readProfile(data []byte) (voice, error) {
	const top = len(profileMark) + sha256.Size
	if len(data) < top+sha256.Size || !slices.Contains([]string{profileMark, formerMark}, string(data[:len(profileMark)])) {
		return nil, speech.ErrProfile
	}
	body, end := data[:len(data)-sha256.Size], data[len(data)-sha256.Size:]
	if sum := sha256.Sum256(body); !slices.Equal(sum[:], end) {
		return nil, speech.ErrProfile
	}
	if string(data[:len(profileMark)]) == formerMark || !slices.Equal(body[len(profileMark):top], e.model[:]) {
		return nil, speech.ErrOtherModel
	}
	changes, ok := bytes.CutPrefix(body[top:], e.shape())
	if !ok || !e.learns() {
		return nil, speech.ErrProfile
	}
	v, err := readVoice(changes, e.symbols(), e.widths())
	if err != nil {
		return nil, fmt.Errorf("%w (%v)", speech.ErrProfile, err)
	}
	return v, nil
}

func (e *Engine) symbols() int { return e.net.symbols }

// widths are how many values go into the last layer of each network.
func (e *Engine) widths() (out []int) {
	for _, n := range e.networks() {
		out = append(out, n.width)
	}
	return out
}

// learns reports whether the networks give out what a voice is learned from.
func (e *Engine) learns() bool { return !slices.Contains(e.widths(), 0) }

// NewRecognizerFor implements speech.Adapter.
func (e *Engine) NewRecognizerFor(profile []byte) (speech.Recognizer, error) {
	v, err := e.readProfile(profile)
	if err != nil {
		return nil, err
	}
	rec, err := e.NewRecognizer()
	if err != nil {
		return nil, err
	}
	r := rec.(*recognizer)
	r.voice, r.hidden = v, make([]float32, maxWindow/2*e.net.width)
	if e.second != nil {
		r.hidden2 = make([]float32, maxWindow/2*e.second.width)
	}
	return r, nil
}

var errNoHidden = errors.New("this model does not give out what voices are learned from: install the model that came with the program")

// Limits of a take. The words that were read are known, so they need not be heard well: they have to fit the sound better than words drawn by lot do,
// and not wholly badly. Fitted on strange voices, the words of other lines, sentences, noise and silence: docs/experiments.md.
const (
	takeCost  = 8    // negative log-probability for each phone under the general model: above this the words are not in the sound
	takeBeats = 0.95 // of texts of as many other words have to fit worse
	takeLots  = 40   // texts that are drawn
	leastFit  = 0.6  // of all takes must fit their words
	leastTake = 12   // takes
	folds     = 4    // each take is held back once
)

// sound is a take as the network sees it.
type sound struct {
	speech.Take
	frames int
	of     []output // of each network
	fit    speech.Fit
	takes  []*take // the sound itself, and the same with noise added
}

func (e *Engine) sound(t speech.Take) (*sound, error) {
	if !e.learns() {
		return nil, errNoHidden
	}
	if missing := e.lex.lacks(t.Words); len(missing) > 0 {
		return nil, &speech.VocabularyError{Missing: missing}
	}
	s := &sound{Take: t}
	switch seconds := float64(len(t.PCM)) / speech.Rate; {
	case len(t.Words) == 0:
		return nil, &speech.TakesError{Text: "a recording without words cannot be learned from: give the words that are read in it"}
	case seconds < 0.3:
		s.fit.Why = "there is hardly any sound: read it again"
	case seconds > longestTake:
		s.fit.Why = fmt.Sprintf("%.0f seconds are too long for one line: read it again in one breath", seconds)
	}
	if s.fit.Why != "" {
		s.fit.Cost = noReadingFiller
		return s, nil
	}
	var err error
	s.frames, s.of, err = e.listen(t.PCM)
	return s, err
}

// longestTake is what fits into one window of the network, in seconds.
const longestTake = float64(maxWindow-tailPad) * stepMS / 1000

// Check implements speech.Adapter.
func (e *Engine) Check(t speech.Take) (speech.Fit, error) {
	s, err := e.sound(t)
	if err != nil {
		return speech.Fit{}, err
	}
	r := newReader(e, vocabulary{words: e.scriptWords(t.Words)})
	r.check(s)
	return s.fit, nil
}

// scriptWords are what a take is heard as: the words given and the numbers, which every script is full of.
func (e *Engine) scriptWords(words []string) []string {
	all := append(slices.Clone(words), numberWords...)
	slices.Sort(all)
	return slices.Compact(all)
}

var numberWords = strings.Fields("zero one two three four five six seven eight nine ten eleven twelve")

// vocabulary is a net of any words in any order.
type vocabulary struct{ words []string }

func (v vocabulary) Key() string { return "any of " + strings.Join(v.words, " ") }
func (v vocabulary) States() int { return 2 }
func (v vocabulary) Ending(state int) (speech.Ending, float64) {
	return []speech.Ending{speech.NoEnding, speech.Complete}[state], 0
}
func (v vocabulary) Arcs(_ int, yield func(word string, to int, logPrior float64)) {
	prior := -math.Log(float64(len(v.words)))
	for _, w := range v.words {
		yield(w, 1, prior)
	}
}

// reader hears takes with any voice, as words of a vocabulary.
type reader struct {
	e     *Engine
	words []string
	g     *graph
	s     *search
	al    aligner
	f     fitter
}

func newReader(e *Engine, v vocabulary) *reader {
	g, err := compile(v, e.lex)
	if err != nil {
		panic(err) // the words were looked up before
	}
	return &reader{e: e, words: v.words, g: g, s: newSearch(e.opt.Beam, e.opt.MaxTokens)}
}

// opinion is what is heard in frames of log-probabilities: the words, what they cost for each phone, as Hypothesis.Filler does, how many sounds they
// are, and their share of the posterior.
type opinion struct {
	words  []string
	filler float64
	sounds int
	share  float64
}

func (r *reader) hear(lp []float32) opinion {
	sym := r.e.symbols()
	r.s.start(r.g)
	for i := 0; i < len(lp); i += sym {
		r.s.step(lp[i : i+sym])
	}
	ends, _ := r.s.outcomes()
	if len(ends) == 0 {
		return opinion{filler: noReadingFiller}
	}
	ids := r.s.wordsOf(nil, ends[0].hist)
	_, cost, sounds, _, ok := r.al.align(nil, ids, r.g.ways, lp, sym, ends[0].free)
	o := opinion{filler: noReadingFiller}
	for _, id := range ids {
		o.words = append(o.words, r.g.words[id])
	}
	total := 0.0
	for _, other := range ends {
		total += math.Exp((other.score - ends[0].score) / r.e.cal.Temperature)
	}
	o.share = 1 / total
	if ok && sounds > 0 {
		o.filler, o.sounds = cost/float64(sounds), sounds
	}
	return o
}

// check fills in how a sound fits its words, and its take if it does.
func (r *reader) check(s *sound) {
	if s.fit.Why != "" {
		return
	}
	s.takes = []*take{r.e.take(s)}
	s.fit.Cost = r.f.cost(nil, s.takes[0])
	s.fit.Heard = strings.Join(r.hear(r.f.logp).words, " ")
	first, last := voiced(r.f.logp, r.e.symbols())
	switch {
	case first < 0:
		s.fit.Why = "no speech was heard: check the microphone and read it again"
	case !(s.fit.Cost < takeCost) || s.fit.Heard != strings.Join(s.Words, " ") && r.beaten(s) < takeBeats:
		s.fit.Why = "this does not sound like the words shown: read them again, and nothing else"
	default:
		s.fit.OK = true
		s.trim(first, last, r.e)
		s.takes[0] = r.e.take(s)
	}
	if math.IsInf(s.fit.Cost, 1) {
		s.fit.Cost = noReadingFiller
	}
}

// beaten is the share of texts of as many other words, drawn by lot, that fit a sound worse than its own words do.
func (r *reader) beaten(s *sound) float64 {
	rng := rand.New(rand.NewPCG(uint64(len(s.PCM)), 4))
	own, worse := s.takes[0], 0
	for range takeLots {
		o := &sound{Take: speech.Take{Words: slices.Clone(s.Words)}, frames: s.frames, of: s.of}
		for i, w := range s.Words {
			for o.Words[i] == w {
				o.Words[i] = r.words[rng.IntN(len(r.words))]
			}
		}
		t := r.e.take(o)
		// Of the same weight as its own words, so that the costs can be compared.
		if r.f.cost(nil, t)*float64(t.phones) > s.fit.Cost*float64(own.phones) {
			worse++
		}
	}
	return float64(worse) / takeLots
}

// spoil adds the takes of a sound with noise in it, so that the voice is learned and not the room it was enrolled in.
func (e *Engine) spoil(s *sound, rng *rand.Rand) error {
	var power float64
	for _, v := range s.PCM {
		power += float64(v) * float64(v)
	}
	level := math.Sqrt(power / float64(len(s.PCM)))
	pcm := make([]int16, len(s.PCM))
	for range noisyTakes {
		gain := level * math.Pow(10, -(noiseFrom+noiseRange*rng.Float64())/20)
		hiss := 0.0 // white noise through a low pass, as of suction
		for i, v := range s.PCM {
			hiss = 0.7*hiss + 0.7*rng.NormFloat64()
			pcm[i] = int16(min(max(float64(v)+gain*hiss, math.MinInt16), math.MaxInt16))
		}
		n, of, err := e.listen(pcm)
		if err != nil {
			return err
		}
		t := &sound{Take: s.Take, frames: n, of: of}
		if first, last := voiced(of[0].logp, e.symbols()); first >= 0 {
			t.trim(first, last, e)
			s.takes = append(s.takes, e.take(t))
		}
	}
	return nil
}

const (
	noisyTakes = 2
	noiseFrom  = 10 // dB below the speech
	noiseRange = 10 // dB
)

func (e *Engine) take(s *sound) *take {
	ids := make([]int32, len(s.Words))
	ways := make([][][]uint8, len(s.Words))
	for i, w := range s.Words {
		ids[i], ways[i] = int32(i), e.lex.words[w]
	}
	return newTake(s.of, s.frames, ids, ways)
}

// voiced returns the first and the last frame with sound, or -1.
func voiced(logp []float32, symbols int) (first, last int) {
	first, last = -1, -1
	for i := 0; i < len(logp); i += symbols {
		if logp[i] < soundBlank {
			if first < 0 {
				first = i / symbols
			}
			last = i / symbols
		}
	}
	return first, last
}

// trim cuts the silence off that holds nothing to learn.
func (s *sound) trim(first, last int, e *Engine) {
	const margin = 12 // frames
	first, last = max(0, first-margin), min(s.frames-1, last+margin)
	var of []output
	for k, o := range s.of {
		sym, width := e.symbols(), e.widths()[k]
		of = append(of, output{o.logp[first*sym : (last+1)*sym], o.hidden[first*width : (last+1)*width]})
	}
	s.of, s.frames = of, last+1-first
}

// heardBy is what a voice makes of sounds whose words it knows.
type heardBy struct {
	wrong  int     // words, as the least number of changes
	sure   int     // sounds heard right with hardly a rival
	cost   float64 // of the right words, all phones together
	passed int     // sounds that passed as other words when their own were not to be expected
}

// judge hears sounds with a voice.
func (r *reader) judge(v voice, sounds []*sound, without []*reader) (j heardBy) {
	for i, s := range sounds {
		j.cost += min(r.f.cost(v, s.takes[0]), noReadingFiller) * float64(s.takes[0].phones)
		o := r.hear(r.f.logp)
		wrong := distance(o.words, s.Words)
		j.wrong += wrong
		if wrong == 0 && o.share >= surely {
			j.sure++
		}
		if w := without[i].hear(r.f.logp); w.filler <= r.e.opt.FillerLimit*leniency(w.sounds) {
			j.passed++
		}
	}
	return j
}

// distance is the least number of words to change, leave out or put in that makes one list the other.
func distance(a, b []string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range a {
		diagonal := row[0]
		row[0] = i + 1
		for j := range b {
			d := diagonal
			if a[i] != b[j] {
				d++
			}
			diagonal = row[j+1]
			row[j+1] = min(d, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// Enrol implements speech.Adapter. Every take is held back once: a voice that was learned from the others hears it beside no voice, or
// that of the profile onto. The profile, learned from all takes, is given only if the voices that had not heard the words did better.
func (e *Engine) Enrol(ctx context.Context, onto []byte, takes []speech.Take) (speech.Enrolment, error) {
	begin := time.Now()
	var base voice
	out := speech.Enrolment{Onto: onto != nil}
	if out.Onto {
		var err error
		if base, err = e.readProfile(onto); err != nil {
			return out, err
		}
	}
	all, good, without, err := e.usable(ctx, takes, &out)
	if err != nil {
		return out, err
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for _, s := range good {
		if err := cmp.Or(ctx.Err(), e.spoil(s, rng)); err != nil {
			return out, err
		}
	}
	learned, err := learnFolds(ctx, base, good)
	if err != nil {
		return out, err
	}
	var held [folds][]*sound
	var heldWithout [folds][]*reader
	phones := 0
	for i, s := range good {
		held[i%folds], heldWithout[i%folds] = append(held[i%folds], s), append(heldWithout[i%folds], without[i])
		out.Words += len(s.Words)
		phones += s.takes[0].phones
	}
	far := howFar(base, learned[:folds], held[:])
	var before, after heardBy
	for k := range folds {
		before.add(all.judge(base, held[k], heldWithout[k]))
		after.add(all.judge(base.towards(learned[k], far), held[k], heldWithout[k]))
	}
	out.WrongBefore, out.WrongAfter, out.FalseBefore, out.FalseAfter = before.wrong, after.wrong, before.passed, after.passed
	out.SureBefore, out.SureAfter = before.sure, after.sure
	out.CostBefore, out.CostAfter = before.cost/float64(phones), after.cost/float64(phones)
	if out.Why = verdict(out); out.Why == "" {
		out.Profile = e.profile(base.towards(learned[folds], far))
	}
	out.Seconds = time.Since(begin).Seconds()
	return out, nil
}

// usable are the sounds of the takes that fit their words, a reader of all words of the takes, and for each sound one of the words that are not its own.
func (e *Engine) usable(ctx context.Context, takes []speech.Take, out *speech.Enrolment) (all *reader, good []*sound, without []*reader, err error) {
	var script []string
	for _, t := range takes {
		script = append(script, t.Words...)
	}
	script = e.scriptWords(script)
	if missing := e.lex.lacks(script); len(missing) > 0 {
		return nil, nil, nil, &speech.VocabularyError{Missing: missing}
	}
	all = newReader(e, vocabulary{script})
	why := ""
	for _, t := range takes {
		s, err := e.sound(t)
		if err = cmp.Or(ctx.Err(), err); err != nil {
			return nil, nil, nil, err
		}
		if all.check(s); !s.fit.OK {
			out.Left++
			why = s.fit.Why
			continue
		}
		good = append(good, s)
		others := slices.DeleteFunc(slices.Clone(script), func(w string) bool { return slices.Contains(t.Words, w) })
		without = append(without, newReader(e, vocabulary{others}))
	}
	out.Takes = len(good)
	switch {
	case len(takes) > 0 && float64(len(good)) < leastFit*float64(len(takes)):
		err = &speech.TakesError{Text: fmt.Sprintf("only %d of %d recordings fit their words (%s): nothing was learned; read the lines as they are shown, one voice, in a quiet room", len(good), len(takes), why)}
	case len(good) < leastTake:
		err = &speech.TakesError{Text: fmt.Sprintf("%d usable recordings are too few to learn a voice from: at least %d are needed", len(good), leastTake)}
	}
	return all, good, without, err
}

// learnFolds learns a voice of all sounds but those of each fold, and at last one of all.
func learnFolds(ctx context.Context, base voice, good []*sound) (learned [folds + 1]voice, err error) {
	var errs [folds + 1]error
	var wg sync.WaitGroup
	limit := make(chan bool, 2) // the exams of other chairs go on meanwhile
	for k := range learned {
		wg.Go(func() {
			limit <- true
			defer func() { <-limit }()
			var takes []*take
			for i, s := range good {
				if i%folds != k { // the last voice, k = folds, learns them all
					takes = append(takes, s.takes...)
				}
			}
			learned[k], errs[k] = defaultFitting.fit(ctx, base, takes)
		})
	}
	wg.Wait()
	return learned, cmp.Or(errs[:]...)
}

// howFar is how much of the way from a voice to those of the folds makes the words held back from them most likely.
func howFar(base voice, learned []voice, held [][]*sound) (far float32) {
	var f fitter
	best := math.Inf(1)
	for _, part := range []float32{0.25, 0.5, 0.75, 1} {
		cost := 0.0
		for k, v := range learned {
			v = base.towards(v, part)
			for _, s := range held[k] {
				for _, t := range s.takes {
					cost += min(f.cost(v, t), noReadingFiller) * float64(t.phones)
				}
			}
		}
		if cost < best {
			best, far = cost, part
		}
	}
	return far
}

func (j *heardBy) add(o heardBy) {
	j.wrong, j.sure, j.cost, j.passed = j.wrong+o.wrong, j.sure+o.sure, j.cost+o.cost, j.passed+o.passed
}

// verdict says why a learned voice is not to be used, or "". That none is needed takes words held back that were heard as well before, as surely.
func verdict(o speech.Enrolment) string {
	before, without := "the general one", "without a profile"
	if o.Onto {
		before, without = "the profile so far", "with the profile so far"
	}
	switch {
	case o.WrongAfter > o.WrongBefore:
		return fmt.Sprintf("the adapted model misheard %d of %d words held back, %s %d", o.WrongAfter, o.Words, before, o.WrongBefore)
	case o.FalseAfter > o.FalseBefore+o.Takes/10:
		return fmt.Sprintf("the adapted model took %d lines for words that were not said, %s %d", o.FalseAfter, before, o.FalseBefore)
	case o.WrongAfter == o.WrongBefore && o.SureAfter <= o.SureBefore && o.CostBefore-o.CostAfter < max(leastGain, leastShare*o.CostBefore):
		return fmt.Sprintf("this voice is understood as well %s (%d of %d words held back were misheard, %d of %d lines heard surely)", without, o.WrongBefore, o.Words, o.SureBefore, o.Takes)
	}
	return ""
}

// How much cheaper, for each phone, the words held back must become for a profile that mishears as many of them: so much, and this share.
const (
	leastGain  = 0.02
	leastShare = 0.1
)
