package ctc

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"leadsman/speech"
)

// known is what the network's states are like for speech that it was trained on: for each phone their mean, and how they spread around it, the
// same for all phones. What lies far from that is a voice, or a sound, of which the network has seen nothing like, however sure it is.
type known struct {
	width int
	mean  [][]float32 // by symbol; nil: the training had too few of it
	chol  []float32   // lower triangle of the covariance's Cholesky factor, row by row
}

// readKnown reads for each symbol a mark (1, or 0 for one without states) and its mean, then the triangle: float32, little endian.
func readKnown(data []byte, symbols, width int) (*known, error) {
	n := symbols*(1+width) + width*(width+1)/2
	if len(data) != 4*n {
		return nil, fmt.Errorf("%d bytes, not the %d of %d symbols and %d values", len(data), 4*n, symbols, width)
	}
	all := make([]float32, n)
	for i := range all {
		all[i] = math.Float32frombits(binary.LittleEndian.Uint32(data[4*i:]))
		if !(math.Abs(float64(all[i])) < maxWeight) {
			return nil, fmt.Errorf("value %d is %v, which is none of a network's states", i, all[i])
		}
	}
	k := &known{width: width, mean: make([][]float32, symbols), chol: all[symbols*(1+width):]}
	for s := range k.mean {
		row := all[s*(1+width) : (s+1)*(1+width)]
		if row[0] != 0 {
			k.mean[s] = row[1:]
		}
	}
	for i := range width {
		if k.chol[i*(i+1)/2+i] <= 0 {
			return nil, fmt.Errorf("the spread of value %d is %v", i, k.chol[i*(i+1)/2+i])
		}
	}
	return k, nil
}

// distance is the squared Mahalanobis distance of a state from the mean of a symbol, for each of its values; tmp has room for them. It is negative
// where nothing is known of the symbol.
func (k *known) distance(symbol int, x []float32, tmp []float32) float64 {
	mean := k.mean[symbol]
	if mean == nil {
		return -1
	}
	sum := 0.0
	for i := range k.width {
		row := k.chol[i*(i+1)/2 : (i+1)*(i+2)/2]
		tmp[i] = (x[i] - mean[i] - dot(row[:i], tmp[:i])) / row[i]
		sum += float64(tmp[i]) * float64(tmp[i])
	}
	return sum / float64(k.width)
}

const (
	// usualFar is the distance of words of voices that took part in the training: what is taken where none is known.
	usualFar   = 0.45
	stillUsual = 0.47
	leastFar   = 0.2
)

// distances appends how far each frame of the call lies from what the network knows, -1 for silence and for frames that the window seen last lacks.
func (r *recognizer) distances(dst []float64, lp []float32) []float64 {
	sym := r.e.net.symbols
	if r.e.known == nil {
		return dst
	}
	width := r.e.known.width
	tmp := make([]float32, width)
	for f := 0; f < len(lp)/sym; f++ {
		row := lp[f*sym : (f+1)*sym]
		best := 0
		for k, v := range row {
			if v > row[best] {
				best = k
			}
		}
		d := -1.0
		if at := int(r.callFrom + int64(f) - r.seenAt); best > 0 && at >= 0 && at < r.seen/2 {
			d = r.e.known.distance(best, r.hidden[at*width:(at+1)*width], tmp)
		}
		dst = append(dst, d)
	}
	return dst
}

// meanFar is the mean distance of the frames that have one.
func meanFar(far []float64) (mean float64, ok bool) {
	n := 0
	for _, d := range far {
		if d >= 0 {
			mean += d
			n++
		}
	}
	if n == 0 {
		return usualFar, false
	}
	return mean / float64(n), true
}

// oddness is how far the calls of one voice lie from what the network knows.
type oddness struct {
	calls int
	far   float64 // mean of the logarithms against usualFar, of about the last twenty calls
}

// leastCalls is how many calls tell a voice; before, it counts as usual as if so many more had been heard.
const (
	leastCalls = 12
	asUsual    = 3
)

func (o *oddness) hear(far []float64) {
	if mean, ok := meanFar(far); ok {
		o.far += (math.Log(max(mean, leastFar)/usualFar) - o.far) * max(1/float64(o.calls+asUsual), 0.05)
		o.calls++
	}
}

// beyond is how far a voice lies beyond those that are still usual, 0 for these.
func (o *oddness) beyond() float64 { return max(0, o.far-math.Log(stillUsual/usualFar)) }

// strange is the distance as a share of the limit, 0 while too few calls were heard.
func (o *oddness) strange(limit float64) float64 {
	if o.calls < leastCalls || limit <= 0 {
		return 0
	}
	return usualFar * math.Exp(o.far) / limit
}

// believe turns what the words of readings cost into the probability that they are right, and makes the posteriors agree with it: a word that
// may be wrong although all readings have it leaves probability to others.
func (r *recognizer) believe(rs []speech.Reading, lp []float32) []speech.Reading {
	same := func(o speech.Reading, w speech.Word) bool {
		return slices.ContainsFunc(o.Words, func(v speech.Word) bool {
			return v.Text == w.Text && v.StartMS < w.EndMS && w.StartMS < v.EndMS
		})
	}
	var shares, doubts []float64 // of the words of the best reading
	for i := range rs {
		for j := range rs[i].Words {
			w := &rs[i].Words[j]
			share, alike, all := 0.0, 0.0, 0.0 // alike: of all readings of as many words
			for _, o := range rs {
				has := same(o, *w)
				if has {
					share += o.Posterior
				}
				if len(o.Words) == len(rs[i].Words) {
					all += o.Posterior
					if has {
						alike += o.Posterior
					}
				}
			}
			from, to := int(w.StartMS/frameMS-r.callFrom), int(w.EndMS/frameMS-r.callFrom)
			far, _ := meanFar(r.far[min(from, len(r.far)):min(to, len(r.far))])
			if i == 0 {
				shares = append(shares, share)
				doubts = append(doubts, 1-logistic(r.e.cal.Confidence, features(alike/all, w.Confidence, far, r.odd.beyond())))
			}
			w.Confidence = r.e.cal.confidence(share, w.Confidence, far, r.odd.beyond())
		}
	}
	if len(r.far) == 0 || len(rs) == 0 { // partial, or nothing is known
		return rs
	}
	trust := make([]float64, len(rs[0].Words))
	for j, w := range rs[0].Words {
		trust[j] = believed(w.Confidence, shares[j])
		if doubts[j] > 1-surely && r.e.cal.tap == nil {
			rs = r.name(rs, j, doubts[j], lp)
		}
	}
	for range 3 { // each word in its turn, until all agree
		for j, w := range rs[0].Words {
			rake(rs, trust[j], func(o speech.Reading) bool { return same(o, w) })
		}
	}
	slices.SortStableFunc(rs[1:], func(a, b speech.Reading) int { return cmp.Compare(b.Posterior, a.Posterior) })
	return rs
}

// surely is a confidence from which on nobody asks.
const surely = 0.995

// name makes sure that a number of the best reading which may be wrong has a rival: the number that the sound fits next best in its place. Otherwise the
// doubt would belong to readings of another number of words, and what is expected of the call would take it away. How many words there are is no reason to
// doubt what they are: the doubt is that among readings of as many.
func (r *recognizer) name(rs []speech.Reading, j int, doubt float64, lp []float32) []speech.Reading {
	best := rs[0]
	at := slices.Index(numberWords, best.Words[j].Text)
	if at < 0 || best.Free {
		return rs
	}
	var ids []int32
	for _, w := range best.Words {
		ids = append(ids, int32(slices.Index(r.g.words, w.Text)))
	}
	rival, least := "", math.Inf(1)
	for _, word := range numberWords {
		id := int32(slices.Index(r.g.words, word))
		if word == best.Words[j].Text || id < 0 {
			continue
		}
		ids[j] = id
		if !r.g.allows(ids) {
			continue
		}
		if _, cost, _, _, ok := r.al.align(r.spans[:0], ids, r.g.ways, lp, r.e.net.symbols, false); ok && cost < least {
			rival, least = word, cost
		}
	}
	if rival == "" {
		return rs
	}
	p := min(doubt, mostRival) * best.Posterior
	other := best
	other.Words = slices.Clone(best.Words)
	other.Words[j].Text, other.Words[j].Confidence = rival, doubt
	text := other.Text()
	if i := slices.IndexFunc(rs, func(o speech.Reading) bool { return o.Text() == text }); i >= 0 {
		rs[i].Posterior = max(rs[i].Posterior, p)
	} else {
		other.Posterior, other.LogScore = p, best.LogScore+r.e.cal.Temperature*math.Log(p/best.Posterior)
		rs = append(rs, other)
	}
	return rs
}

// allows reports whether words are a call of the net.
func (g *graph) allows(words []int32) bool {
	at := []int32{0}
	for _, w := range words {
		var to []int32
		for _, s := range at {
			st := &g.states[s]
			for _, x := range st.tree.exits {
				if next := g.to[st.arcs+x.arc]; x.word == w && !slices.Contains(to, next) {
					to = append(to, next)
				}
			}
		}
		at = to
	}
	return slices.ContainsFunc(at, func(s int32) bool { return g.states[s].ending != speech.NoEnding })
}

// believed is how much of the posterior the readings with a word of the best one are to have: its confidence, but never so little that a call which is
// the only one to fit is refused; it is asked about.
func believed(confidence, share float64) float64 {
	if confidence > share && share < 0.9 {
		return share
	}
	return max(confidence, min(share, askedBelief))
}

const (
	askedBelief = 0.80
	mostRival   = 0.25 // of the posterior of the best reading: what others gain because it may be wrong
)

// rake gives the readings with something so much of the posterior, and the rest to those without it, as they are to each other; what they cannot take
// belongs to readings that nobody named.
func rake(rs []speech.Reading, want float64, with func(speech.Reading) bool) {
	have, rest, top := 0.0, 0.0, 0.0
	for _, o := range rs {
		if with(o) {
			have += o.Posterior
		} else {
			rest += o.Posterior
			top = max(top, o.Posterior)
		}
	}
	if have == 0 {
		return
	}
	up, down := want/have, 0.0
	if rest > 0 {
		down = (1 - want) / rest
		if down > 1 {
			down = max(1, min(down, mostRival*up*rs[0].Posterior/top))
		}
	}
	for i := range rs {
		if with(rs[i]) {
			rs[i].Posterior *= up
		} else {
			rs[i].Posterior *= down
		}
	}
}
