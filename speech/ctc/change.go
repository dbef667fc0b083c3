package ctc

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
)

// A change is what a voice adds to the logits of a network before they become log-probabilities: w x + b, x being what goes into its last layer in a
// frame and in those reach before and behind it. It needs nothing of the network but its outputs, and is small enough to be learned from minutes of speech.
type change struct {
	symbols, width int
	w              []float32 // symbols x span
	b              []float32 // symbols
}

// reach is how many frames on either side a change sees: 20 ms. Without them a fifth of the errors that it mends come back.
const reach = 1

func newChange(symbols, width int) *change {
	c := &change{symbols: symbols, width: width}
	c.set(make([]float32, symbols*(c.span()+1)))
	return c
}

// span is how many values of a network's states a change looks at.
func (c *change) span() int { return (2*reach + 1) * c.width }

// set makes all values of a change those of one list.
func (c *change) set(all []float32) {
	n := c.symbols * c.span()
	c.w, c.b = all[:n:n], all[n:]
}

func (c *change) all() []float32 { return slices.Concat(c.w, c.b) }

// near is what a change looks at in a frame, and where that begins in its rows: at the ends there are fewer frames.
func (c *change) near(hidden []float32, frame int) (x []float32, from int) {
	first, end := max(0, frame-reach), min(len(hidden)/c.width, frame+reach+1)
	return hidden[first*c.width : end*c.width], (first - frame + reach) * c.width
}

// silent is the log-probability of blank above which a frame stays as it is, whoever speaks: two of three are, and nothing is heard in silence.
const silent = -0.001

// apply makes a network's log-probabilities, symbols a frame, those of the voice.
func (c *change) apply(logp, hidden []float32) {
	span := c.span()
	for f := 0; (f+1)*c.symbols <= len(logp); f++ {
		row := logp[f*c.symbols : (f+1)*c.symbols]
		if row[0] > silent {
			continue
		}
		x, from := c.near(hidden, f)
		for s := range row {
			row[s] += c.b[s] + dot(c.w[s*span+from:s*span+from+len(x)], x)
		}
		logSoftmax(row)
	}
}

// A voice is a change for each network; nil changes nothing.
type voice []*change

// bytes is all values of a voice as readVoice reads them.
func (v voice) bytes() (out []byte) {
	for _, c := range v {
		for _, x := range c.all() {
			out = binary.LittleEndian.AppendUint32(out, math.Float32bits(x))
		}
	}
	return out
}

// readVoice reads the changes of networks with so many symbols and states so wide: for each w, then b, float32, little endian.
func readVoice(data []byte, symbols int, widths []int) (v voice, err error) {
	for _, width := range widths {
		c := newChange(symbols, width)
		all := make([]float32, symbols*(c.span()+1))
		if len(data) < 4*len(all) {
			return nil, fmt.Errorf("%d bytes are too few for %d symbols by %d values and %d offsets", len(data), symbols, c.span(), symbols)
		}
		for i := range all {
			all[i] = math.Float32frombits(binary.LittleEndian.Uint32(data[4*i:]))
			if !(math.Abs(float64(all[i])) < maxWeight) {
				return nil, fmt.Errorf("value %d is %v, which nothing that was learned holds", i, all[i])
			}
		}
		c.set(all)
		v, data = append(v, c), data[4*len(all):]
	}
	if len(data) > 0 {
		return nil, fmt.Errorf("%d bytes too many", len(data))
	}
	return v, nil
}

// maxWeight is more than any weight of a sensible layer.
const maxWeight = 1e4

// towards is a voice part of the way from v to another one.
func (v voice) towards(other voice, part float32) (out voice) {
	for k, o := range other {
		c := newChange(o.symbols, o.width)
		all, to := make([]float32, len(o.w)+len(o.b)), o.all()
		if v != nil {
			copy(all, v[k].all())
		}
		for i := range all {
			all[i] += part * (to[i] - all[i])
		}
		c.set(all)
		out = append(out, c)
	}
	return out
}

// dot is the scalar product of vectors of the same length. Four sums run side by side, so that the
// processor need not wait for each addition.
func dot(a, x []float32) float32 {
	x = x[:len(a)]
	var s0, s1, s2, s3 float32
	i := 0
	for ; i+4 <= len(a); i += 4 {
		p, q := a[i:i+4:i+4], x[i:i+4:i+4]
		s0 += p[0] * q[0]
		s1 += p[1] * q[1]
		s2 += p[2] * q[2]
		s3 += p[3] * q[3]
	}
	for ; i < len(a); i++ {
		s0 += a[i] * x[i]
	}
	return s0 + s1 + s2 + s3
}

func logSoftmax(row []float32) {
	top := row[0]
	for _, v := range row {
		top = max(top, v)
	}
	sum := 0.0
	for _, v := range row {
		sum += math.Exp(float64(v - top))
	}
	off := top + float32(math.Log(sum))
	for i := range row {
		row[i] -= off
	}
}
