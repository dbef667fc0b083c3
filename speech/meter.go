package speech

import (
	"cmp"
	"math"
)

// MeterStep is the number of samples that a Meter takes at a time: 10 ms.
const MeterStep = Rate / 100

const (
	meterMargin = 6   // dB
	meterLeast  = -72 // dB below full scale: nothing under this is loud
	meterBlock  = 100 // steps; the background is the lowest level of the last one to two blocks
	meterStart  = 50  // steps in which the background is not known yet and any sound is loud
	// dcPole puts the corner of the filter against constant offsets at 13 Hz.
	dcPole = 0.995
)

// A Meter follows the level of a stream: what stands out from the background, since when it is
// quiet, how good the sound of a stretch is. A new Meter is at the begin of a stream.
type Meter struct {
	Margin float64 // dB above the background from which on a step is loud; 6

	samples [MeterStep]float32
	steps   int64
	from    int64 // step of power[0]
	power   []float64
	clipped []int32
	quiet   int64 // steps since the last loud one
	low     float64
	older   float64
	dcIn    float32
	dcOut   float32
}

// Step takes the next MeterStep samples and says whether they stand out from the background.
func (m *Meter) Step(pcm []int16) (loud bool) {
	if m.steps == 0 {
		m.Margin = cmp.Or(m.Margin, meterMargin)
		m.low, m.older = math.Inf(1), math.Inf(1)
	}
	var sum float64
	var clipped int32
	for i, s := range pcm[:MeterStep] {
		if s >= 32700 || s <= -32700 {
			clipped++
		}
		// A constant offset, which cheap sound cards add, would pass for a loud low tone.
		x := float32(s) / 32768
		m.dcOut = x - m.dcIn + dcPole*m.dcOut
		m.dcIn = x
		m.samples[i] = m.dcOut
		sum += float64(m.dcOut) * float64(m.dcOut)
	}
	m.power = append(m.power, sum/MeterStep)
	m.clipped = append(m.clipped, clipped)
	m.steps++
	level := decibels(m.mean(m.steps-3, m.steps))
	if m.steps >= 3 {
		m.low = min(m.low, level)
	}
	loud = level > meterLeast && (m.steps <= meterStart || level > m.Background()+m.Margin)
	if m.steps%meterBlock == 0 {
		m.older, m.low = m.low, math.Inf(1)
	}
	m.quiet++
	if loud {
		m.quiet = 0
	}
	return loud
}

// Samples are those of the last step, full scale 1 and without a constant offset. They are valid until the next.
func (m *Meter) Samples() []float32 { return m.samples[:] }

// Power is the mean square of the samples of a step, 0 if that is forgotten or still to come.
func (m *Meter) Power(step int64) float64 {
	if step < m.from || step >= m.steps {
		return 0
	}
	return m.power[step-m.from]
}

// Steps is the number of steps taken.
func (m *Meter) Steps() int64 { return m.steps }

// Quiet is the number of steps since the last loud one.
func (m *Meter) Quiet() int64 { return m.quiet }

// Background is the level of the background in dB below full scale.
func (m *Meter) Background() float64 { return max(-100, min(m.low, m.older, 0)) }

// Signal measures the sound of the steps from to to-1; those forgotten do not count. Pauses and
// weak consonants within them do not lower the level.
func (m *Meter) Signal(from, to int64) Signal {
	from, to = max(from, m.from), min(to, m.steps)
	top := 0.0
	for i := from; i < to; i++ {
		top = max(top, m.power[i-m.from])
	}
	sum, n, clipped := 0.0, 0, 0
	for i := from; i < to; i++ {
		clipped += int(m.clipped[i-m.from])
		if p := m.power[i-m.from]; p > top/32 {
			sum += p
			n++
		}
	}
	return Signal{
		LevelDB: decibels(sum / float64(max(n, 1))),
		NoiseDB: m.Background(),
		Clipped: float64(clipped) / float64(max(to-from, 1)*MeterStep),
	}
}

// Words measures how loud the words of readings are.
func (m *Meter) Words(rs []Reading) {
	for _, r := range rs {
		for i := range r.Words {
			w := &r.Words[i]
			w.LevelDB = m.Signal(w.StartMS*Rate/1000/MeterStep, w.EndMS*Rate/1000/MeterStep).LevelDB
		}
	}
}

// Forget drops what is known of the steps before the given one.
func (m *Meter) Forget(before int64) {
	if drop := min(before, m.steps-3) - m.from; drop > 1024 {
		m.power = append(m.power[:0], m.power[drop:]...)
		m.clipped = append(m.clipped[:0], m.clipped[drop:]...)
		m.from += drop
	}
}

// mean is the mean power of the steps from to to-1, silence before the begin of the stream included.
func (m *Meter) mean(from, to int64) float64 {
	sum := 0.0
	for i := max(from, m.from); i < to; i++ {
		sum += m.power[i-m.from]
	}
	return sum / float64(to-from)
}

func decibels(power float64) float64 { return 10 * math.Log10(max(power, 1e-10)) }

// Loudest is the level of the loudest 50 ms of sound, in dB below full scale.
func Loudest(pcm []int16) float64 {
	const span = 5 * MeterStep
	top := 0.0
	for len(pcm) > 0 {
		part := pcm[:min(span, len(pcm))]
		pcm = pcm[len(part):]
		sum := 0.0
		for _, s := range part {
			sum += float64(s) * float64(s)
		}
		top = max(top, sum/span)
	}
	return decibels(top / (32768 * 32768))
}
