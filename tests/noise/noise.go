// Package noise makes the noise of a treatment room for tests, from physics: suction, scaler, turbine, motor,
// spray, compressor, and the tool's own loudspeaker as the microphone hears it. The recipes are those of
// models/training/noise.py, which the acoustic model was trained on; generator and seeds differ, so that no test
// sees noise of the training. No open recording of these instruments was found: the parameters are common
// engineering knowledge of the machines, without a published source.
//
// All sound is 16 kHz, mono, 16 bit, and depends on kind, seed and length alone.
package noise

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
)

// Rate is the sample rate of everything here, in hertz.
const Rate = 16000

// Level is the root mean square of what Make returns, full scale 1.
const Level = 0.1

// Kinds lists what Make knows.
var Kinds = []string{"suction", "scaler", "turbine", "motor", "spray", "compressor"}

// Make returns seconds of noise of one of the Kinds.
func Make(kind string, seed uint64, seconds float64) ([]int16, error) {
	m := maker{rand.New(rand.NewPCG(seed, 0x6e6f697365)), int(seconds * Rate)}
	if m.n < Rate/10 {
		return nil, fmt.Errorf("noise %q: %v s is too short, at least 0.1 s", kind, seconds)
	}
	var x []float64
	switch kind {
	case "suction":
		x = m.suction()
	case "scaler":
		x = m.scaler()
	case "turbine":
		x = m.turbine()
	case "motor":
		x = m.motor()
	case "spray":
		x = m.spray()
	case "compressor":
		x = m.compressor()
	default:
		return nil, fmt.Errorf("noise %q: there are %s", kind, strings.Join(Kinds, ", "))
	}
	return pcm(x, Level), nil
}

// A maker draws the parameters of one noise of n samples.
type maker struct {
	rng *rand.Rand
	n   int
}

func (m maker) between(lo, hi float64) float64 { return lo + (hi-lo)*m.rng.Float64() }
func (m maker) count(lo, hi int) int           { return lo + m.rng.IntN(hi-lo) } // lo to hi-1

// suction is a turbulent hiss whose energy falls by 3-9 dB per octave above 1-3 kHz, resonances of the tube, a fan
// and gurgle: bursts of bubbles of 1-5 mm, each a decaying sine of rising pitch (Minnaert 1933: 3.26/r Hz, r in metres).
func (m maker) suction() []float64 {
	knee, slope := m.between(1000, 3000), m.between(3, 9)/6.02
	type peak struct{ hz, quality, gain float64 }
	var peaks []peak
	for range m.count(1, 4) {
		peaks = append(peaks, peak{m.between(300, 2500), m.between(2, 8), m.between(0.5, 3)})
	}
	hiss := m.shaped(func(f float64) float64 {
		g := 1.0
		for _, p := range peaks {
			d := p.quality * (f/p.hz - p.hz/f)
			g += p.gain / (1 + d*d)
		}
		return g * min(1, math.Pow(knee/f, slope)) * min(1, f/150)
	})
	slowly := m.slow(1)
	base := m.between(80, 400)
	fan := unit(m.tone(m.each(func(i int) float64 { return base * (1 + 0.01*slowly[i]) }), 5, 0.6))
	gurgle := make([]float64, m.n)
	const ring = Rate / 20
	for range m.poisson(float64(m.n) / Rate * m.between(0.2, 1.2)) {
		start := m.between(0, float64(m.n)/Rate)
		for range m.count(5, 60) {
			at := int((start + 0.25*m.rng.ExpFloat64()) * Rate)
			if at+ring >= m.n {
				continue
			}
			hz, gain, decay := 3.26/m.between(0.001, 0.005), m.between(0.2, 1), m.between(60, 200)
			for i := range ring {
				t := float64(i) / Rate
				gurgle[at+i] += gain * math.Sin(2*math.Pi*hz*(t+2*t*t)) * math.Exp(-decay*t)
			}
		}
	}
	swell := m.slow(m.between(0.3, 3))
	ofFan, ofGurgle := m.between(0, 0.4), m.between(0.2, 2)
	unit(hiss)
	return m.each(func(i int) float64 {
		return hiss[i]*math.Abs(1+0.3*swell[i]) + ofFan*fan[i] + ofGurgle*gurgle[i]
	})
}

// scaler is an ultrasonic tip, itself above hearing: narrow bands at 2-7.5 kHz, rough at 5-40 Hz, while it touches,
// and the hiss of its water.
func (m maker) scaler() []float64 {
	x := unit(m.shaped(func(f float64) float64 { return min(1, math.Pow(f/2500, 2)) }))
	scale(x, m.between(0.1, 0.6))
	rough := m.slow(m.between(5, 40))
	for range m.count(1, 4) {
		hz, gain, drift := m.between(2000, 7500), m.between(0.3, 1), m.slow(6)
		band := m.tone(m.each(func(i int) float64 { return hz * (1 + 0.004*drift[i]) }), 1, 1)
		for i := range x {
			x[i] += gain * band[i] * math.Abs(1+0.6*rough[i])
		}
	}
	contact, least := m.slow(m.between(0.5, 2)), m.between(-1.5, 0.3)
	touch := smooth(m.each(func(i int) float64 {
		if contact[i] > least {
			return 1
		}
		return 0
	}), 800)
	return m.each(func(i int) float64 { return x[i] * touch[i] })
}

// turbine is an air handpiece: 300,000-420,000 revolutions a minute, slower by 20-50 % under load, the balls of its
// bearing, and air.
func (m maker) turbine() []float64 {
	drop, press, drift := m.between(0.2, 0.5), m.slow(0.7), m.slow(8)
	base := m.between(5000, 7000)
	hz := m.each(func(i int) float64 {
		return base * (1 - drop*min(1, max(0, press[i]))) * (1 + 0.003*drift[i])
	})
	ratio := m.between(0.3, 0.48)
	side := m.tone(m.each(func(i int) float64 { return ratio * hz[i] }), 2, 0.5)
	ofSide, ofAir := m.between(0.1, 0.6), m.between(0.3, 1.2)
	main, air := m.tone(hz, 1, 1), unit(m.shaped(func(f float64) float64 { return min(1, f/3000) }))
	return m.each(func(i int) float64 { return main[i] + ofSide*side[i] + ofAir*air[i] })
}

// motor is an electric handpiece: 330-3,300 Hz with 6-12 harmonics, changing load, the rattle of its gear.
func (m maker) motor() []float64 {
	drop, press := m.between(0.05, 0.3), m.slow(1)
	base := math.Exp(m.between(math.Log(330), math.Log(3300)))
	x := unit(m.tone(m.each(func(i int) float64 { return base * (1 - drop*min(1, max(0, press[i]))) }), m.count(6, 13), m.between(0.5, 0.85)))
	shake := m.slow(30)
	rattle := m.shaped(func(f float64) float64 { return min(1, f/1000) })
	for i := range rattle {
		rattle[i] *= math.Abs(shake[i])
	}
	unit(rattle)
	gain := m.between(0.2, 1)
	return m.each(func(i int) float64 { return x[i] + gain*rattle[i] })
}

// spray is the air-water syringe: hiss at 2-7 kHz that starts and stops sharply.
func (m maker) spray() []float64 {
	lo, hi := m.between(1500, 2500), m.between(5000, 7500)
	x := m.shaped(func(f float64) float64 { return min(1, f/lo) * min(1, hi/f) })
	on := make([]float64, m.n)
	for at := 0; at < m.n; {
		from := at + int(m.between(0.1, 1)*Rate)
		at = from + int(m.between(0.2, 2)*Rate)
		for i := from; i < min(at, m.n); i++ {
			on[i] = 1
		}
	}
	on = smooth(on, 160)
	return m.each(func(i int) float64 { return x[i] * on[i] })
}

// compressor is a piston of 20-30 strokes a second behind a wall.
func (m maker) compressor() []float64 {
	base, drift := m.between(20, 30), m.slow(1)
	x := unit(m.tone(m.each(func(i int) float64 { return base * (1 + 0.005*drift[i]) }), 25, 0.9))
	rumble := unit(m.shaped(func(f float64) float64 { return min(1, math.Pow(500/f, 2)) }))
	return m.each(func(i int) float64 { return x[i] + 0.5*rumble[i] })
}

func (m maker) each(f func(i int) float64) []float64 {
	x := make([]float64, m.n)
	for i := range x {
		x[i] = f(i)
	}
	return x
}

// shaped is white noise with a gain over frequency (hertz, at least 1): a linear-phase filter whose response is
// sampled every 15.6 Hz.
func (m maker) shaped(gain func(hz float64) float64) []float64 {
	const taps = Rate / 16 // of one side and of the other
	bands := make([]float64, taps/2+1)
	for k := range bands {
		bands[k] = gain(max(1, float64(k)*Rate/taps))
	}
	filter := make([]float64, taps)
	for i := range filter {
		t := i - taps/2
		v := bands[0] + bands[taps/2]*math.Cos(math.Pi*float64(t))
		for k := 1; k < taps/2; k++ {
			v += 2 * bands[k] * math.Cos(2*math.Pi*float64(k*t%taps)/taps)
		}
		filter[i] = v / taps * (1 + math.Cos(2*math.Pi*float64(t)/taps)) / 2
	}
	white := make([]float64, m.n+taps)
	for i := range white {
		white[i] = m.rng.NormFloat64()
	}
	return m.each(func(i int) float64 {
		sum := 0.0
		for k, w := range white[i : i+taps] {
			sum += w * filter[k]
		}
		return sum
	})
}

// slow is a random curve of mean near 0 and unit deviation that changes about hz times a second.
func (m maker) slow(hz float64) []float64 {
	knots := make([]float64, max(4, int(float64(m.n)/Rate*hz*2)+4))
	for k := range knots {
		knots[k] = m.rng.NormFloat64()
	}
	x := m.each(func(i int) float64 {
		at := float64(i) / float64(m.n) * float64(len(knots)-1)
		k := int(at)
		return knots[k] + (at-float64(k))*(knots[k+1]-knots[k])
	})
	mean, square := 0.0, 0.0
	for _, v := range x {
		mean += v / float64(m.n)
	}
	for _, v := range x {
		square += (v - mean) * (v - mean) / float64(m.n)
	}
	return scale(x, 1/(math.Sqrt(square)+1e-9))
}

// tone is harmonics of a varying frequency (hertz at each sample), each tilt times weaker than the one before, none
// above 7.8 kHz.
func (m maker) tone(hz []float64, harmonics int, tilt float64) []float64 {
	x := make([]float64, len(hz))
	for k := range harmonics {
		phase, gain := m.between(0, 2*math.Pi), math.Pow(tilt, float64(k))
		for i, f := range hz {
			f *= float64(k + 1)
			phase += 2 * math.Pi * f / Rate
			if f < 7800 {
				x[i] += gain * math.Sin(phase)
			}
		}
	}
	return x
}

// poisson draws a count with the given mean.
func (m maker) poisson(mean float64) int {
	n := 0
	for t := m.rng.ExpFloat64(); t < mean; t += m.rng.ExpFloat64() {
		n++
	}
	return n
}

// smooth is the running mean over width samples.
func smooth(x []float64, width int) []float64 {
	out, sum := make([]float64, len(x)), 0.0
	for i := range len(x) + width/2 {
		if i < len(x) {
			sum += x[i]
		}
		if i >= width {
			sum -= x[i-width]
		}
		if i >= width/2 {
			out[i-width/2] = sum / float64(width)
		}
	}
	return out
}

func scale(x []float64, by float64) []float64 {
	for i := range x {
		x[i] *= by
	}
	return x
}

// unit scales to a root mean square of 1.
func unit(x []float64) []float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return scale(x, 1/(math.Sqrt(sum/float64(len(x)))+1e-9))
}

// pcm gives samples of a root mean square (full scale 1); what peaks above full scale is clipped.
func pcm(x []float64, level float64) []int16 {
	out := make([]int16, len(x))
	for i, v := range unit(x) {
		out[i] = int16(math.Round(min(0.99, max(-0.99, v*level)) * math.MaxInt16))
	}
	return out
}
