package speech

import (
	"math"
	"math/rand/v2"
	"testing"
)

// feed gives the meter noise of a level (dB below full scale) for a number of steps and returns how
// many of them were loud.
func feed(m *Meter, rng *rand.Rand, dB float64, offset int16, steps int) (loud int) {
	for range steps {
		pcm := make([]int16, MeterStep)
		for i := range pcm {
			v := rng.NormFloat64() * math.Pow(10, dB/20) * 32768
			pcm[i] = int16(min(32767, max(-32768, v+float64(offset))))
		}
		if m.Step(pcm) {
			loud++
		}
	}
	return loud
}

func TestMeter(t *testing.T) {
	for _, offset := range []int16{0, 3000} {
		rng := rand.New(rand.NewPCG(1, 2))
		var m Meter
		feed(&m, rng, -60, offset, 200)
		if n := feed(&m, rng, -60, offset, 100); n > 3 {
			t.Errorf("offset %d: %d of 100 steps of the background are loud", offset, n)
		}
		if b := m.Background(); math.Abs(b+60) > 3 {
			t.Errorf("offset %d: background at %.1f dB, want -60", offset, b)
		}
		from := m.Steps()
		if n := feed(&m, rng, -30, offset, 40); n < 38 {
			t.Errorf("offset %d: %d of 40 steps of speech are loud", offset, n)
		}
		s := m.Signal(from, m.Steps())
		if math.Abs(s.LevelDB+30) > 1 || math.Abs(s.NoiseDB+60) > 3 || s.Clipped != 0 {
			t.Errorf("offset %d: %+v, want speech at -30 and noise at -60 dB", offset, s)
		}
		feed(&m, rng, -60, offset, 30)
		if q := m.Quiet(); q < 26 || q > 30 {
			t.Errorf("offset %d: quiet for %d steps, want nearly 30", offset, q)
		}
	}
}

// A louder room is background after two seconds.
func TestMeterFollows(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var m Meter
	feed(&m, rng, -70, 0, 300)
	if n := feed(&m, rng, -40, 0, 50); n < 45 {
		t.Errorf("%d of 50 steps are loud at once", n)
	}
	feed(&m, rng, -40, 0, 250)
	if n := feed(&m, rng, -40, 0, 100); n > 3 {
		t.Errorf("%d of 100 steps are loud when the room is known", n)
	}
}

func TestMeterSilence(t *testing.T) {
	var m Meter
	for range 300 {
		if m.Step(make([]int16, MeterStep)) {
			t.Fatal("silence is loud")
		}
	}
	if b := m.Background(); b != -100 {
		t.Errorf("background of silence at %v dB", b)
	}
}

// The margin decides what stands out; samples come without the offset, and a step's power is theirs.
func TestMeterMarginAndSamples(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	strict, easy := Meter{Margin: 12}, Meter{Margin: 3}
	for _, m := range []*Meter{&strict, &easy} {
		feed(m, rng, -60, 3000, 200)
	}
	if a, b := feed(&strict, rng, -52, 3000, 50), feed(&easy, rng, -52, 3000, 50); a > 5 || b < 45 {
		t.Errorf("%d and %d of 50 steps at 8 dB above the background are loud, want few and nearly all", a, b)
	}
	mean, square := 0.0, 0.0
	for _, v := range easy.Samples() {
		mean += float64(v) / MeterStep
		square += float64(v) * float64(v) / MeterStep
	}
	if math.Abs(mean) > 0.001 || math.Abs(square-easy.Power(easy.Steps()-1)) > 1e-9 || easy.Power(easy.Steps()) != 0 {
		t.Errorf("samples of mean %v and power %v, told %v", mean, square, easy.Power(easy.Steps()-1))
	}
}

func TestMeterClipping(t *testing.T) {
	var m Meter
	pcm := make([]int16, MeterStep)
	for i := range pcm[:16] {
		pcm[i] = math.MaxInt16 - int16(i%2)*68
	}
	for range 5000 {
		m.Step(pcm)
		m.Forget(m.Steps() - 500)
	}
	if s := m.Signal(m.Steps()-100, m.Steps()); s.Clipped != 0.05 {
		t.Errorf("share of clipped samples %v, want 0.05", s.Clipped)
	}
	if len(m.power) > 2000 {
		t.Errorf("%d steps kept", len(m.power))
	}
}

// A sine's level is 3 dB under its peak (its mean square is half the square of its peak); silence around it does not count.
func TestLoudest(t *testing.T) {
	pcm := make([]int16, 3*Rate)
	for i := Rate; i < Rate+Rate/5; i++ {
		pcm[i] = int16(3276.8 * math.Sin(2*math.Pi*200*float64(i)/Rate))
	}
	if got := Loudest(pcm); math.Abs(got+23) > 0.1 {
		t.Errorf("%.2f dB, want -23", got)
	}
	if got := Loudest(nil); got > -90 {
		t.Errorf("nothing has %.2f dB", got)
	}
}
