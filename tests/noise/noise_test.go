package noise

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// spectrum is the mean power at each multiple of 10 Hz from 0 to 8 kHz.
func spectrum(x []float64) []float64 {
	const frame = Rate / 10
	power := make([]float64, frame/2+1)
	var sine [frame]float64
	for i := range sine {
		sine[i] = math.Sin(2 * math.Pi * float64(i) / frame)
	}
	frames := 0
	for at := 0; at+frame <= len(x); at += frame {
		var windowed [frame]float64
		for i := range windowed {
			windowed[i] = x[at+i] * (1 - sine[(i+frame/4)%frame]) / 2
		}
		for k := range power {
			var re, im float64
			for i, v := range windowed {
				re += v * sine[(i*k+frame/4)%frame]
				im += v * sine[i*k%frame]
			}
			power[k] += re*re + im*im
		}
		frames++
	}
	return scale(power, 1/float64(frames))
}

// band is the power from lo to hi hertz.
func band(power []float64, lo, hi float64) float64 {
	sum := 0.0
	for _, p := range power[int(lo/10):int(hi/10)] {
		sum += p
	}
	return sum
}

func floats(pcm []int16) []float64 {
	x := make([]float64, len(pcm))
	for i, s := range pcm {
		x[i] = float64(s) / math.MaxInt16
	}
	return x
}

func draw(seed uint64, seconds float64) maker {
	return maker{rand.New(rand.NewPCG(seed, 1)), int(seconds * Rate)}
}

func decibels(ratio float64) float64 { return 10 * math.Log10(ratio) }

func TestMake(t *testing.T) {
	for _, kind := range Kinds {
		a, err := Make(kind, 1, 2)
		if err != nil {
			t.Fatal(err)
		}
		again, _ := Make(kind, 1, 2)
		other, _ := Make(kind, 2, 2)
		if len(a) != 2*Rate || !slices.Equal(a, again) || slices.Equal(a, other) {
			t.Errorf("%s: %d samples; the same from the same seed: %t, from another: %t", kind, len(a), slices.Equal(a, again), slices.Equal(a, other))
		}
		sum := 0.0
		for _, v := range floats(a) {
			sum += v * v / float64(len(a))
		}
		if off := decibels(sum / Level / Level); math.Abs(off) > 1 {
			t.Errorf("%s: %.1f dB off its level", kind, off)
		}
	}
	if _, err := Make("drum", 1, 2); err == nil {
		t.Error("an unknown kind gave no error")
	}
	if _, err := Make("motor", 1, 0); err == nil {
		t.Error("no length gave no error")
	}
}

// A tone stands at its harmonics, each weaker by the tilt, and nowhere else; none is above 7.8 kHz.
func TestTone(t *testing.T) {
	m := draw(3, 1)
	power := spectrum(m.tone(m.each(func(int) float64 { return 1500 }), 12, 0.5))
	for k := 1; k <= 5; k++ {
		if got, want := decibels(power[150*k]/power[150]), float64(k-1)*decibels(0.25); math.Abs(got-want) > 0.1 {
			t.Errorf("harmonic %d at %.1f dB, want %.1f", k, got, want)
		}
		if between := decibels(power[150*k-75] / power[150]); between > -60 {
			t.Errorf("%.1f dB between harmonics %d and %d", between, k-1, k)
		}
	}
	if high := decibels(band(power, 7800, 8000) / power[150]); high > -60 {
		t.Errorf("%.1f dB above 7.8 kHz", high)
	}
}

// Shaped noise has the gain that was asked for.
func TestShaped(t *testing.T) {
	gain := func(f float64) float64 { return min(1, f/400) * min(1, math.Pow(2000/f, 1.5)) }
	power := spectrum(draw(4, 8).shaped(gain))
	reference := band(power, 1000, 1500)
	for _, at := range []float64{100, 200, 500, 3000, 4000, 6000} {
		want := 0.0
		for f := at; f < at+100; f += 10 {
			want += gain(f) * gain(f) / 10
		}
		if got := decibels(band(power, at, at+100) / reference * 5); math.Abs(got-decibels(want)) > 1 {
			t.Errorf("at %.0f Hz %.1f dB, want %.1f", at, got, decibels(want))
		}
	}
}

// Each instrument has its energy where its physics puts it, whatever the seed.
func TestSpectra(t *testing.T) {
	for seed := range uint64(3) {
		of := map[string][]float64{}
		for _, kind := range Kinds {
			pcm, err := Make(kind, seed, 2)
			if err != nil {
				t.Fatal(err)
			}
			of[kind] = spectrum(floats(pcm))
		}
		share := func(kind string, lo, hi float64) float64 { return band(of[kind], lo, hi) / band(of[kind], 0, 8000) }
		for _, c := range []struct {
			kind   string
			lo, hi float64
			least  float64
		}{
			{"suction", 80, 4500, 0.6},
			{"scaler", 1500, 8000, 0.8},
			{"turbine", 2000, 8000, 0.7},
			{"motor", 300, 8000, 0.9},
			{"spray", 1200, 8000, 0.8},
			{"compressor", 0, 1000, 0.9},
		} {
			if s := share(c.kind, c.lo, c.hi); s < c.least {
				t.Errorf("%s, seed %d: %.2f of the energy at %.0f-%.0f Hz, want %.2f", c.kind, seed, s, c.lo, c.hi, c.least)
			}
		}
		// A piston's strokes are a comb: the strongest line is a low harmonic, lines stand 20-30 Hz apart.
		low := of["compressor"][1:40]
		top := slices.Max(low)
		lines := 0
		for k := 1; k+1 < len(low); k++ {
			if low[k] > low[k-1] && low[k] > low[k+1] && low[k] > top/100 {
				lines++
			}
		}
		if lines < 7 {
			t.Errorf("compressor, seed %d: %d lines below 400 Hz", seed, lines)
		}
	}
}

// A motor under steady load is a tone at 330-3,300 Hz with harmonics: 20,000-200,000 revolutions a minute.
func TestMotorHarmonics(t *testing.T) {
	for seed := range uint64(3) {
		pcm, err := Make("motor", seed, 2)
		if err != nil {
			t.Fatal(err)
		}
		x := floats(pcm)
		found := 0
		for at := 0; at+Rate/10 <= len(x); at += Rate / 10 {
			power := spectrum(x[at : at+Rate/10])
			for f := 230; f <= 3300 && f*2 < 7800; f += 10 {
				on := min(power[f/10], max(power[2*f/10-1], power[2*f/10], power[2*f/10+1]))
				off := max(power[f/20], power[3*f/20])
				if on > 0.02*slices.Max(power) && on > 10*off {
					found++
					break
				}
			}
		}
		if found < 10 {
			t.Errorf("seed %d: harmonics in %d of 20 stretches", seed, found)
		}
	}
}

// A click arrives after distance over speed of sound, and the echo dies away as Eyring's formula says (Eyring 1930,
// J Acoust Soc Am 1:217, from memory): 60 dB in 0.161 s/m times volume over -surface ln(1 - absorption).
func TestRoom(t *testing.T) {
	for seed := range uint64(3) {
		r := draw(seed, 1).room()
		echo := r.response(Rate / 2)
		far := 0.0
		for i := range r.size {
			far += (r.speaker[i] - r.mic[i]) * (r.speaker[i] - r.mic[i])
		}
		far = math.Sqrt(far)
		first := slices.IndexFunc(echo, func(v float64) bool { return v != 0 })
		if want := int(math.Round(far / 343 * Rate)); first != want || math.Abs(echo[first]-1/max(far, 0.1)) > 1e-9 {
			t.Errorf("seed %d: first arrival at sample %d of %.2f, want %d of %.2f", seed, first, echo[first], want, 1/far)
		}
		left := make([]float64, len(echo)+1) // energy still to come: Schroeder's integral
		for i := len(echo) - 1; i >= 0; i-- {
			left[i] = left[i+1] + echo[i]*echo[i]
		}
		after := func(db float64) float64 {
			return float64(slices.IndexFunc(left, func(v float64) bool { return decibels(v/left[first]) < db })) / Rate
		}
		a, b, c := r.size[0], r.size[1], r.size[2]
		want := 0.161 * a * b * c / (-2 * (a*b + b*c + c*a) * math.Log(r.reflect*r.reflect))
		if got := 3 * (after(-25) - after(-5)); got < 0.6*want || got > 1.6*want {
			t.Errorf("seed %d: 60 dB in %.2f s, Eyring %.2f s", seed, got, want)
		}
	}
}

// A small loudspeaker gives no bass, and the room adds an echo after the voice ends.
func TestLoudspeaker(t *testing.T) {
	m := draw(5, 2)
	voice := make([]int16, m.n)
	for i := range m.n / 2 {
		voice[i] = int16(3000 * m.rng.NormFloat64())
	}
	heard := floats(Loudspeaker(voice, 1))
	if len(heard) <= len(voice) {
		t.Fatalf("%d samples of a voice of %d: no echo", len(heard), len(voice))
	}
	power := spectrum(heard[:m.n/2])
	if bass := decibels(band(power, 50, 150) / band(power, 1000, 1100)); bass > -6 {
		t.Errorf("bass at %.1f dB", bass)
	}
	after := spectrum(heard[m.n/2 : m.n/2+Rate/10])
	if echo := decibels(band(after, 300, 8000) / band(power, 300, 8000)); echo > -3 || echo < -40 {
		t.Errorf("echo at %.1f dB in the tenth of a second after the voice", echo)
	}
}
