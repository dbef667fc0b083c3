package ctc

import (
	"encoding/binary"
	"fmt"
	"math"
)

// A head is the last layer of a model: log-probabilities = log-softmax(w h + b) of what the layers below
// give, h. It is small and stands on its own, so that it can be fitted to a voice in seconds.
type head struct {
	symbols, width int
	w              []float32 // symbols x width, row by row
	b              []float32 // symbols
}

// readHead reads a head: w, then b, float32, little endian.
func readHead(data []byte, symbols, width int) (*head, error) {
	if want := 4 * symbols * (width + 1); len(data) != want {
		return nil, fmt.Errorf("%d bytes, not the %d of %d symbols by %d inputs and %d offsets", len(data), want, symbols, width, symbols)
	}
	all := make([]float32, symbols*(width+1))
	for i := range all {
		all[i] = math.Float32frombits(binary.LittleEndian.Uint32(data[4*i:]))
		if !(math.Abs(float64(all[i])) < maxWeight) {
			return nil, fmt.Errorf("value %d is %v, which no trained layer holds", i, all[i])
		}
	}
	return &head{symbols, width, all[: symbols*width : symbols*width], all[symbols*width:]}, nil
}

// maxWeight is more than any weight of a sensible head.
const maxWeight = 1e4

// bytes is what readHead reads.
func (h *head) bytes() []byte {
	out := make([]byte, 0, 4*(len(h.w)+len(h.b)))
	for _, part := range [][]float32{h.w, h.b} {
		for _, v := range part {
			out = binary.LittleEndian.AppendUint32(out, math.Float32bits(v))
		}
	}
	return out
}

func (h *head) clone() *head {
	return &head{h.symbols, h.width, append([]float32(nil), h.w...), append([]float32(nil), h.b...)}
}

// towards is a head part of the way from h to another one.
func (h *head) towards(other *head, part float32) *head {
	out := h.clone()
	for i, v := range other.w {
		out.w[i] += part * (v - out.w[i])
	}
	for i, v := range other.b {
		out.b[i] += part * (v - out.b[i])
	}
	return out
}

// logp writes the log-probabilities of all frames of hidden to out, symbols a frame.
func (h *head) logp(out, hidden []float32) {
	for f := 0; (f+1)*h.width <= len(hidden); f++ {
		row := out[f*h.symbols : (f+1)*h.symbols]
		x := hidden[f*h.width : (f+1)*h.width]
		for s := range row {
			row[s] = h.b[s] + dot(h.w[s*h.width:(s+1)*h.width], x)
		}
		logSoftmax(row)
	}
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
