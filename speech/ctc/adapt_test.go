package ctc

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// smallTake is a random take of two words over four phones, one of them with two pronunciations.
func smallTake(rng *rand.Rand, width, frames int) (*take, [][][]uint8) {
	hidden := make([]float32, width*frames)
	for i := range hidden {
		hidden[i] = float32(rng.NormFloat64())
	}
	ways := [][][]uint8{{{1, 2}, {3}}, {{2, 2}}}
	return newTake(hidden, frames, []int32{0, 1}, ways), ways
}

func smallHead(rng *rand.Rand, symbols, width int) *head {
	h := &head{symbols, width, make([]float32, symbols*width), make([]float32, symbols)}
	for i := range h.w {
		h.w[i] = float32(rng.NormFloat64()) / 2
	}
	for i := range h.b {
		h.b[i] = float32(rng.NormFloat64()) / 2
	}
	return h
}

// The probability of the words is the sum over all strings of symbols that become one of their pronunciations when repeated symbols
// are merged and then blanks removed (Graves et al. 2006, section 3.1). Here every string is tried.
func TestCostByDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	const symbols, width, frames = 4, 3, 7
	for range 5 {
		tk, ways := smallTake(rng, width, frames)
		h := smallHead(rng, symbols, width)
		logp := make([]float32, frames*symbols)
		h.logp(logp, tk.hidden)
		var said [][]uint8
		for _, a := range ways[0] {
			for _, b := range ways[1] {
				said = append(said, slices.Concat(a, b))
			}
		}
		want := 0.0
		str := make([]int, frames)
		for {
			var merged []uint8
			p := 0.0
			for f, s := range str {
				p += float64(logp[f*symbols+s])
				if s != 0 && (f == 0 || str[f-1] != s) {
					merged = append(merged, uint8(s))
				}
			}
			if slices.ContainsFunc(said, func(w []uint8) bool { return slices.Equal(w, merged) }) {
				want += math.Exp(p)
			}
			i := 0
			for ; i < frames && str[i] == symbols-1; i++ {
				str[i] = 0
			}
			if i == frames {
				break
			}
			str[i]++
		}
		var f fitter
		f.score(h, tk)
		got, ok := f.occupancy(tk, symbols)
		if !ok || math.Abs(got+math.Log(want)) > 1e-5 {
			t.Errorf("cost %.6f (%t), by definition %.6f", got, ok, -math.Log(want))
		}
	}
}

// The gradient is the slope of the cost.
func TestGradient(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	const symbols, width, frames = 5, 4, 12
	tk, _ := smallTake(rng, width, frames)
	h := smallHead(rng, symbols, width)
	var f fitter
	dw, db := make([]float32, len(h.w)), make([]float32, len(h.b))
	if _, ok := f.gradient(dw, db, h, tk); !ok {
		t.Fatal("the words do not fit")
	}
	slope := func(v *float32) float64 {
		const d = 1e-2
		was := *v
		cost := func(at float32) float64 {
			*v = at
			f.score(h, tk)
			c, _ := f.occupancy(tk, symbols)
			*v = was
			return c
		}
		return (cost(was+d) - cost(was-d)) / (2 * d)
	}
	for i := range h.w {
		if want := slope(&h.w[i]); math.Abs(want-float64(dw[i])) > 2e-3*(1+math.Abs(want)) {
			t.Errorf("weight %d: gradient %.5f, slope %.5f", i, dw[i], want)
		}
	}
	for i := range h.b {
		if want := slope(&h.b[i]); math.Abs(want-float64(db[i])) > 2e-3*(1+math.Abs(want)) {
			t.Errorf("offset %d: gradient %.5f, slope %.5f", i, db[i], want)
		}
	}
}

// Fitting lowers the cost of what is learned, is pulled back, is the same each time, can be stopped, and lives with a take whose words are
// longer than its sound.
func TestFit(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	h := smallHead(rng, 5, 8)
	var takes []*take
	for range 12 {
		tk, _ := smallTake(rng, 8, 15)
		takes = append(takes, tk)
	}
	cost := func(h *head) (sum float64) {
		var f fitter
		for _, tk := range takes {
			sum += f.cost(h, tk)
		}
		return sum
	}
	far := func(a *head) (sum float64) {
		for i := range h.w {
			sum += math.Pow(float64(a.w[i]-h.w[i]), 2)
		}
		return sum
	}
	o := defaultFitting
	once, err := o.fit(context.Background(), h, takes)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := o.fit(context.Background(), h, takes)
	if !slices.Equal(once.w, again.w) || !slices.Equal(once.b, again.b) {
		t.Error("the same takes give another head")
	}
	o.pull = 10
	pulled, _ := o.fit(context.Background(), h, takes)
	if before, after := cost(h), cost(once); after >= before {
		t.Errorf("cost %.3f before, %.3f after", before, after)
	}
	if far(once) == 0 || far(pulled) >= far(once) {
		t.Errorf("distance from the general head: %g, pulled harder %g", far(once), far(pulled))
	}
	short, _ := smallTake(rng, 8, 2)
	if c := new(fitter).cost(h, short); !math.IsInf(c, 1) {
		t.Errorf("three phones in two frames cost %g", c)
	}
	with, err := defaultFitting.fit(context.Background(), h, append(takes, short))
	if err != nil || math.IsNaN(float64(with.w[0])) {
		t.Errorf("with a take that does not fit: %v, %v", with.w[0], err)
	}
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, err := defaultFitting.fit(ctx, h, takes); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}

// Words are counted by the least number of changes (Levenshtein 1966); the example kitten-sitting is the usual one for letters.
func TestDistance(t *testing.T) {
	split := func(s string) []string {
		var out []string
		for _, r := range s {
			out = append(out, string(r))
		}
		return out
	}
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"ab", "", 2}, {"", "abc", 3}, {"kitten", "sitting", 3}, {"same", "same", 0}} {
		if got := distance(split(c.a), split(c.b)); got != c.want {
			t.Errorf("%q to %q: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}
