//go:build cgo

package ctc

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"leadsman/speech"
)

func floats(vs ...float32) (out []byte) {
	for _, v := range vs {
		out = binary.LittleEndian.AppendUint32(out, math.Float32bits(v))
	}
	return out
}

// Mahalanobis 1936, Proc Natl Inst Sci India 2:49: (x-m)' S^-1 (x-m), here for S = [[4 2] [2 5]], whose inverse is [[5 -2] [-2 4]]/16 and whose
// Cholesky factor is [[2 0] [1 2]].
func TestDistanceByDefinition(t *testing.T) {
	k, err := readKnown(floats(0, 9, 9, 1, 1, 2, 2, 1, 2), 2, 2)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range [][2]float64{{1, 2}, {3, 2}, {1, 5}, {-2, 7.5}} {
		a, b := x[0]-1, x[1]-2
		want := (5*a*a - 4*a*b + 4*b*b) / 16 / 2 // for each of two values
		if got := k.distance(1, []float32{float32(x[0]), float32(x[1])}, make([]float32, 2)); math.Abs(got-want) > 1e-5 {
			t.Errorf("%v: %f, want %f", x, got, want)
		}
	}
	if got := k.distance(0, []float32{1, 2}, make([]float32, 2)); got >= 0 {
		t.Errorf("of a symbol that is not known: %f", got)
	}
	for name, data := range map[string][]byte{
		"cut short": floats(0, 9, 9, 1, 1, 2, 2, 1), "no spread": floats(0, 9, 9, 1, 1, 2, 2, 1, 0), "senseless": floats(0, 9, 9, 1, 1, 1e30, 2, 1, 2),
	} {
		if _, err := readKnown(data, 2, 2); err == nil {
			t.Errorf("%s: is read", name)
		}
	}
}

// After raking, the readings with a word have what they are to have, as far as others can take the rest; each group keeps its proportions and
// nothing is more than all.
func TestRake(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 3))
	with := func(r speech.Reading) bool { return r.Free } // any mark will do
	for range 2000 {
		rs := make([]speech.Reading, 1+rng.IntN(5))
		total := 0.0
		for i := range rs {
			rs[i].Posterior = math.Exp(-float64(i) - 9*rng.Float64())
			rs[i].Free = i == 0 || rng.Float64() < 0.5
			total += rs[i].Posterior
		}
		for i := range rs {
			rs[i].Posterior /= total
		}
		was := append([]speech.Reading(nil), rs...)
		want := 0.3 + 0.699*rng.Float64()
		rake(rs, want, with)
		have, sum, others := 0.0, 0.0, 0.0
		for i, r := range rs {
			sum += r.Posterior
			if with(r) {
				have += r.Posterior
			} else if others = max(others, r.Posterior); r.Posterior > was[i].Posterior*1.000001 && r.Posterior > mostRival*rs[0].Posterior*1.000001 {
				t.Fatalf("a rival rose to %f beside %f", r.Posterior, rs[0].Posterior)
			}
		}
		if math.Abs(have-want) > 1e-9 || sum > 1+1e-9 {
			t.Fatalf("%f of %f wanted, %f in all", have, want, sum)
		}
	}
}

// The real recordings of a man with a French accent (Free Spoken Digit Dataset, nicolas) lie farther from what the model knows than an American voice
// that it has not heard either; before enough calls nothing is said.
func TestStrangeVoice(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	strange := func(name string) float64 {
		pcm := load(t, name).PCM
		finals := hear(t, e, callNet(), pcm[:min(len(pcm), 40*speech.Rate)])
		if len(finals) < leastCalls || finals[0].Strange != 0 {
			t.Fatalf("%s: %d calls, the first says %f", name, len(finals), finals[0].Strange)
		}
		return finals[len(finals)-1].Strange
	}
	joe, nicolas := strange("fullmouth-joe"), strange("arch-nicolas")
	t.Logf("joe %.2f, nicolas %.2f of the limit", joe, nicolas)
	if joe >= 0.9 || nicolas < joe+0.1 {
		t.Errorf("joe %.2f, nicolas %.2f of the limit", joe, nicolas)
	}
}

// What is unlike anything known is believed less, and asked about rather than refused.
func TestBelieved(t *testing.T) {
	for _, c := range []struct{ confidence, share, want float64 }{
		{0.999, 0.95, 0.999}, {0.95, 0.999, 0.95}, {0.30, 0.999, askedBelief}, {0.30, 0.6, 0.6}, {0.7, 0.6, 0.6}, {0.5, 0.95, askedBelief},
	} {
		if got := believed(c.confidence, c.share); got != c.want {
			t.Errorf("confidence %.3f, share %.3f: %.3f, want %.3f", c.confidence, c.share, got, c.want)
		}
	}
}
