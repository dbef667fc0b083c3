package ctc

import (
	"math"
	"slices"
)

const (
	melBands   = 80
	melHop     = 160 // samples between frames: 10 ms
	melLogZero = -10 // log10 of the smallest power that is told apart
)

// melFrontEnd turns samples into frames of log10 mel power, one every 10 ms: 25 ms periodic Hann
// window centred on the frame's time, power spectrum, 80 triangular filters on Slaney's mel scale
// with unit area, log10 not below 1e-10. It is the front end of the Whisper models (Radford et al.
// 2022, "Robust Speech Recognition via Large-Scale Weak Supervision", section 2.2); the last two
// steps, floor and scale, depend on the stretch at hand and are done by scaleMel.
type melFrontEnd struct {
	fft    *realFFT
	hann   [fftSize]float32
	buf    [fftSize]float32
	power  [fftSize/2 + 1]float32
	first  [melBands]int // first bin of the filter
	weight [melBands][]float32
}

func newMelFrontEnd() *melFrontEnd {
	m := &melFrontEnd{fft: newRealFFT()}
	for i := range m.hann {
		m.hann[i] = float32(0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/fftSize))
	}
	// Slaney's Auditory Toolbox scale: linear to 1 kHz, logarithmic above.
	const spacing, corner = 200.0 / 3, 1000.0
	step := math.Log(6.4) / 27
	toHz := func(mel float64) float64 {
		if mel < corner/spacing {
			return mel * spacing
		}
		return corner * math.Exp(step*(mel-corner/spacing))
	}
	top := corner/spacing + math.Log(8000/corner)/step
	edge := make([]float64, melBands+2)
	for i := range edge {
		edge[i] = toHz(top * float64(i) / (melBands + 1))
	}
	for b := range m.weight {
		lo, mid, hi := edge[b], edge[b+1], edge[b+2]
		m.first[b] = -1
		for k := 0; k <= fftSize/2; k++ {
			hz := float64(k) * 16000 / fftSize
			w := min((hz-lo)/(mid-lo), (hi-hz)/(hi-mid)) * 2 / (hi - lo)
			if w <= 0 {
				continue
			}
			if m.first[b] < 0 {
				m.first[b] = k
			}
			m.weight[b] = append(m.weight[b], float32(w))
		}
		if m.first[b] < 0 {
			m.first[b] = 0
		}
	}
	return m
}

// frame writes the log10 mel powers of fftSize samples, full scale 1, to out (melBands
// values).
func (m *melFrontEnd) frame(out, samples []float32) {
	for i, s := range samples[:fftSize] {
		m.buf[i] = s * m.hann[i]
	}
	m.fft.power(m.power[:], m.buf[:])
	for b, ws := range m.weight {
		var sum float32
		for i, w := range ws {
			sum += w * m.power[m.first[b]+i]
		}
		if sum < 1e-10 {
			out[b] = melLogZero
		} else {
			out[b] = float32(math.Log10(float64(sum)))
		}
	}
}

// frames appends the frames of the steps from one up to another of sound, full scale 1, that begins lead samples before step 0. Each is centred on the
// begin of its step, so that the sound of the step and the one before it has to be there.
func (m *melFrontEnd) frames(dst, sound []float32, from, to int) []float32 {
	dst = slices.Grow(dst, (to-from)*melBands)
	for i := from; i < to; i++ {
		dst = dst[:len(dst)+melBands]
		m.frame(dst[len(dst)-melBands:], sound[lead+i*stepSamples-fftSize/2:])
	}
	return dst
}

// peak returns the greatest value of the frames, not below melLogZero.
func peak(frames []float32) float32 {
	top := float32(melLogZero)
	for _, v := range frames {
		top = max(top, v)
	}
	return top
}

// scaleMel writes frames of log10 mel power (frame after frame) to dst band after band, as the
// network takes them: amplified by gain (log10 of power), with Whisper's floor of 8 decades under
// the maximum, and its scale. before and behind them lie so many frames of silence. dst has
// melBands*(before+len(frames)/melBands+behind) values.
func scaleMel(dst, frames []float32, gain float32, before, behind int) {
	n := len(frames) / melBands
	floor := peak(frames) - 8
	silence := (max(melLogZero, floor) + gain + 4) / 4
	total := before + n + behind
	for b := 0; b < melBands; b++ {
		row := dst[b*total : (b+1)*total]
		for t := range row[:before] {
			row[t] = silence
		}
		for t := 0; t < n; t++ {
			row[before+t] = (max(frames[t*melBands+b], floor) + gain + 4) / 4
		}
		for t := before + n; t < total; t++ {
			row[t] = silence
		}
	}
}
