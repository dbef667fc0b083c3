//go:build cgo

package ctc

import (
	"math"
	"testing"
)

// The head beside the model is its last layer: applied to what goes into that layer it gives the model's
// own log-probabilities, but for the rounding of an int8 layer.
func TestHeadIsTheModelsLastLayer(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	if e.head == nil {
		t.Fatal("the model has no head: voice profiles cannot work")
	}
	r := load(t, "page-joe")
	_, logp, hidden, err := e.listen(r.PCM[:5*16000])
	if err != nil {
		t.Fatal(err)
	}
	got := make([]float32, len(logp))
	e.head.logp(got, hidden)
	worst, sum := 0.0, 0.0
	for i := range got {
		// What has no probability does not matter; neither do differences there.
		p, q := math.Exp(float64(logp[i])), math.Exp(float64(got[i]))
		worst = max(worst, math.Abs(p-q))
		sum += math.Abs(p - q)
	}
	frames := float64(len(hidden) / e.net.width)
	t.Logf("probabilities differ by at most %.3f, by %.4f in a mean frame", worst, sum/frames)
	if sum/frames > 0.02 {
		t.Errorf("the head gives other probabilities than the model: %.3f in a mean frame", sum/frames)
	}
}
