package ctc

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
)

// output is what a network makes of a recording: the log-probabilities and what goes into its last layer, frame after frame.
type output struct{ logp, hidden []float32 }

// take is a recording of known words as a fit needs it.
type take struct {
	of     []output // of each network
	frames int
	path   aligner // the words in their order: its states and preds
	final  int32   // where a path may end, besides in path.lasts
	phones int     // of the shortest pronunciations: the weight of the take
}

func newTake(of []output, frames int, words []int32, ways [][][]uint8) *take {
	t := &take{of: of, frames: frames}
	t.final = t.path.build(words, ways)
	for _, w := range words {
		n := math.MaxInt
		for _, way := range ways[w] {
			n = min(n, len(way))
		}
		t.phones += n
	}
	return t
}

// fitter holds the working memory of a fit.
type fitter struct {
	logp, other []float32 // of a take
	share       []float64 // probability of each symbol in each frame, given the words
	alpha, beta []float64
}

// occupancy works out the probability of the words of a take, all their alignments and pronunciations added up as CTC defines it
// (Graves et al. 2006, "Connectionist temporal classification", section 4.1), under the log-probabilities in f.logp. f.share
// gets the share of each symbol in each frame. It returns the negative log-probability; ok is false if the words do not fit.
func (f *fitter) occupancy(t *take, symbols int) (cost float64, ok bool) {
	n := len(t.path.states)
	f.share = grow(f.share, t.frames*symbols)
	clear(f.share)
	cost, ok = f.forward(t, symbols)
	if !ok {
		return 0, false
	}
	f.beta = grow(f.beta, 2*n)
	beta := f.beta[:n]
	clear(beta)
	beta[t.final] = 1
	for _, l := range t.path.lasts {
		beta[l] = 1
	}
	total := 0.0
	for i, v := range f.alpha[t.frames*n : (t.frames+1)*n] {
		total += v * beta[i]
	}
	if total < 1e-290 {
		return 0, false
	}
	f.backward(t, symbols)
	return cost - math.Log(total), true
}

// forward fills f.alpha with the share of each state behind each frame, given the sound so far, and returns what the frames cost.
func (f *fitter) forward(t *take, symbols int) (cost float64, ok bool) {
	states, preds := t.path.states, t.path.preds
	n := len(states)
	f.alpha = grow(f.alpha, (t.frames+1)*n)
	at := f.alpha[:n]
	clear(at)
	at[0] = 1
	for frame := 0; frame < t.frames; frame++ {
		row := f.logp[frame*symbols : (frame+1)*symbols]
		next := f.alpha[(frame+1)*n : (frame+2)*n]
		sum := 0.0
		for i := range states {
			s := &states[i]
			v := at[i]
			for _, p := range preds[s.pred:s.end] {
				v += at[p]
			}
			v *= math.Exp(float64(row[s.phone]))
			next[i] = v
			sum += v
		}
		if sum < 1e-290 { // scaled anew in each frame: only words longer than the sound come to this
			return 0, false
		}
		cost -= math.Log(sum)
		for i := range next {
			next[i] /= sum
		}
		at = next
	}
	return cost, true
}

// backward adds up f.share, from the last frame to the first. The first half of f.beta says where a path may end.
func (f *fitter) backward(t *take, symbols int) {
	states, preds := t.path.states, t.path.preds
	n := len(states)
	beta, before := f.beta[:n], f.beta[n:2*n]
	for frame := t.frames - 1; frame >= 0; frame-- {
		row := f.logp[frame*symbols : (frame+1)*symbols]
		share := f.share[frame*symbols : (frame+1)*symbols]
		at := f.alpha[(frame+1)*n : (frame+2)*n]
		sum := 0.0
		for i, v := range at {
			sum += v * beta[i]
		}
		clear(before)
		scale := 0.0
		for i := range states {
			if beta[i] == 0 {
				continue
			}
			s := &states[i]
			share[s.phone] += at[i] * beta[i] / sum
			v := beta[i] * math.Exp(float64(row[s.phone]))
			before[i] += v
			for _, p := range preds[s.pred:s.end] {
				before[p] += v
			}
			scale = max(scale, v)
		}
		for i := range before {
			before[i] /= scale
		}
		beta, before = before, beta
	}
}

func grow(s []float64, n int) []float64 {
	if cap(s) < n {
		return make([]float64, n)
	}
	return s[:n]
}

// cost is the negative log-probability of the words of a take as all networks together hear a voice, for each of their phones.
func (f *fitter) cost(v voice, t *take) float64 {
	symbols := f.score(v, t)
	c, ok := f.occupancy(t, symbols)
	if !ok {
		return math.Inf(1)
	}
	return c / float64(t.phones)
}

// score leaves the log-probabilities of a take in f.logp: the mean of the networks, as a recognizer takes it.
func (f *fitter) score(v voice, t *take) (symbols int) {
	for k := range t.of {
		f.other = f.one(f.other, v, t, k)
		if k == 0 {
			f.logp = append(f.logp[:0], f.other...)
			continue
		}
		for i := range f.logp {
			f.logp[i] += f.other[i]
		}
	}
	symbols = len(f.logp) / t.frames
	if n := float32(len(t.of)); n > 1 {
		for i := 0; i < len(f.logp); i += symbols {
			row := f.logp[i : i+symbols]
			for s := range row {
				row[s] /= n
			}
			logSoftmax(row)
		}
	}
	return symbols
}

// one is the log-probabilities of a take by one network, with a voice; dst has room for them.
func (f *fitter) one(dst []float32, v voice, t *take, k int) []float32 {
	dst = append(dst[:0], t.of[k].logp...)
	if v != nil {
		v[k].apply(dst, t.of[k].hidden)
	}
	return dst
}

// gradient adds the derivative of the cost of a take under one network's change to dw and db, and returns the cost.
func (f *fitter) gradient(dw, db []float32, v voice, t *take, k int) (cost float64, ok bool) {
	c := v[k]
	f.logp = f.one(f.logp, v, t, k)
	if cost, ok = f.occupancy(t, c.symbols); !ok {
		return 0, false
	}
	span := c.span()
	for frame := 0; frame < t.frames; frame++ {
		if t.of[k].logp[frame*c.symbols] > silent {
			continue
		}
		x, from := c.near(t.of[k].hidden, frame)
		for s := 0; s < c.symbols; s++ {
			i := frame*c.symbols + s
			// The derivative of the cost by the input of the softmax.
			d := float32(math.Exp(float64(f.logp[i])) - f.share[i])
			if d < negligible && d > -negligible {
				continue
			}
			db[s] += d
			addTo(dw[s*span+from:s*span+from+len(x)], d, x)
		}
	}
	return cost, true
}

// negligible derivatives are left out: in most frames all but two or three symbols are out of the question.
const negligible = 1e-4

func addTo(dst []float32, d float32, x []float32) {
	x = x[:len(dst)]
	for i := range dst {
		dst[i] += d * x[i]
	}
}

// fitting says how a voice is learned. The values were chosen on voices of other languages that no network heard: docs/experiments.md.
type fitting struct {
	rounds   int     // over all takes
	batch    int     // takes to a step
	step     float64 // of the first round; it falls to 0 evenly
	momentum float64
	pull     float64 // towards the start: weight of the squared distance, for each phone of the takes
}

var defaultFitting = fitting{rounds: 8, batch: 8, step: 0.04, momentum: 0.9, pull: 0.03}

// fit returns a voice that has learned the takes: gradient steps on their cost for each network, pulled back to the voice that it
// begins with, nil for none. The same takes give the same voice. It ends early, with the error of ctx, when that ends.
func (o fitting) fit(ctx context.Context, base voice, takes []*take) (voice, error) {
	v := base.towards(base, 1) // a copy
	if base == nil {
		n := takes[0].frames
		for _, out := range takes[0].of {
			v = append(v, newChange(len(out.logp)/n, len(out.hidden)/n))
		}
	}
	for k := range v {
		if err := o.fitOne(ctx, v, k, takes); err != nil {
			return nil, err
		}
	}
	return v, nil
}

// fitOne learns the change of one network.
func (o fitting) fitOne(ctx context.Context, v voice, k int, takes []*take) error {
	theta := v[k].all()
	start := slices.Clone(theta)
	v[k].set(theta)
	n := len(v[k].w)
	speed, grad := make([]float32, len(theta)), make([]float32, len(theta))
	rng := rand.New(rand.NewPCG(1, 2))
	order := make([]int, len(takes))
	for i := range order {
		order[i] = i
	}
	var f fitter
	steps := o.rounds * ((len(takes) + o.batch - 1) / o.batch)
	for round, done := 0, 0; round < o.rounds; round++ {
		rng.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
		for at := 0; at < len(order); at += o.batch {
			if err := ctx.Err(); err != nil {
				return err
			}
			clear(grad)
			of := 0
			for _, i := range order[at:min(at+o.batch, len(order))] {
				if _, ok := f.gradient(grad[:n], grad[n:], v, takes[i], k); ok {
					of += takes[i].phones
				}
			}
			if of == 0 {
				continue
			}
			step := float32(o.step * (1 - float64(done)/float64(steps)))
			scale, pull, keep := 1/float32(of), float32(o.pull), float32(o.momentum)
			for i := range theta {
				speed[i] = keep*speed[i] - step*(scale*grad[i]+pull*(theta[i]-start[i]))
				theta[i] += speed[i]
			}
			done++
		}
	}
	return nil
}
