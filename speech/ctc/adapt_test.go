package ctc

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// smallTake is a random take of two words over a few phones, one of them with two pronunciations, as two networks with so wide states hear it.
func smallTake(rng *rand.Rand, symbols, frames int, widths ...int) (*take, [][][]uint8) {
	var of []output
	for _, width := range widths {
		o := output{make([]float32, symbols*frames), make([]float32, width*frames)}
		for i := range o.logp {
			o.logp[i] = float32(rng.NormFloat64())
		}
		for f := range frames {
			logSoftmax(o.logp[f*symbols : (f+1)*symbols])
		}
		for i := range o.hidden {
			o.hidden[i] = float32(rng.NormFloat64())
		}
		of = append(of, o)
	}
	ways := [][][]uint8{{{1, 2}, {3}}, {{2, 2}}}
	return newTake(of, frames, []int32{0, 1}, ways), ways
}

func smallVoice(rng *rand.Rand, symbols int, widths ...int) (v voice) {
	for _, width := range widths {
		c := newChange(symbols, width)
		all := c.all()
		for i := range all {
			all[i] = float32(rng.NormFloat64()) / 3
		}
		c.set(all)
		v = append(v, c)
	}
	return v
}

// A change adds w x + b to the logits, x being the states of a frame and of those beside it; here by the definition of log-softmax, symbol by symbol. The
// networks together are the mean of their logarithms.
func TestChangeByDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	const symbols, frames = 4, 6
	tk, _ := smallTake(rng, symbols, frames, 3, 5)
	v := smallVoice(rng, symbols, 3, 5)
	want := make([][]float64, frames)
	for f := range want {
		want[f] = make([]float64, symbols)
		for k, o := range tk.of {
			logits, sum := make([]float64, symbols), 0.0
			for s := range logits {
				logits[s] = float64(o.logp[f*symbols+s]) + float64(v[k].b[s])
				for d := -reach; d <= reach; d++ {
					for i := 0; f+d >= 0 && f+d < frames && i < v[k].width; i++ {
						logits[s] += float64(v[k].w[s*v[k].span()+(d+reach)*v[k].width+i]) * float64(o.hidden[(f+d)*v[k].width+i])
					}
				}
				sum += math.Exp(logits[s])
			}
			for s, l := range logits {
				want[f][s] += (l - math.Log(sum)) / 2
			}
		}
		sum := 0.0
		for _, l := range want[f] {
			sum += math.Exp(l)
		}
		for s := range want[f] {
			want[f][s] -= math.Log(sum)
		}
	}
	var ft fitter
	ft.score(v, tk)
	for i, got := range ft.logp {
		if math.Abs(float64(got)-want[i/symbols][i%symbols]) > 1e-4 {
			t.Fatalf("value %d: %f, want %f", i, got, want[i/symbols][i%symbols])
		}
	}
	if got := v.towards(v, 0.5).bytes(); !slices.Equal(got, v.bytes()) {
		t.Error("half of the way to itself is elsewhere")
	}
	if half := voice(nil).towards(v, 0.5); half[1].w[7] != v[1].w[7]/2 {
		t.Errorf("half of the way from nothing: %f of %f", half[1].w[7], v[1].w[7])
	}
}

// The probability of the words is the sum over all strings of symbols that become one of their pronunciations when repeated symbols
// are merged and then blanks removed (Graves et al. 2006, section 3.1). Here every string is tried.
func TestCostByDefinition(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	const symbols, frames = 4, 7
	for range 5 {
		tk, ways := smallTake(rng, symbols, frames, 3)
		logp := tk.of[0].logp
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
		f.score(nil, tk)
		got, ok := f.occupancy(tk, symbols)
		if !ok || math.Abs(got+math.Log(want)) > 1e-5 {
			t.Errorf("cost %.6f (%t), by definition %.6f", got, ok, -math.Log(want))
		}
	}
}

// The gradient is the slope of the cost.
func TestGradient(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	const symbols, frames = 5, 12
	tk, _ := smallTake(rng, symbols, frames, 3, 4)
	v := smallVoice(rng, symbols, 3, 4)
	for k, c := range v {
		var f fitter
		dw, db := make([]float32, len(c.w)), make([]float32, len(c.b))
		if _, ok := f.gradient(dw, db, v, tk, k); !ok {
			t.Fatal("the words do not fit")
		}
		slope := func(x *float32) float64 {
			const d = 1e-2
			was := *x
			cost := func(at float32) float64 {
				*x = at
				f.logp = f.one(f.logp, v, tk, k)
				c, _ := f.occupancy(tk, symbols)
				*x = was
				return c
			}
			return (cost(was+d) - cost(was-d)) / (2 * d)
		}
		for i := range c.w {
			if want := slope(&c.w[i]); math.Abs(want-float64(dw[i])) > 2e-3*(1+math.Abs(want)) {
				t.Errorf("network %d, weight %d: gradient %.5f, slope %.5f", k, i, dw[i], want)
			}
		}
		for i := range c.b {
			if want := slope(&c.b[i]); math.Abs(want-float64(db[i])) > 2e-3*(1+math.Abs(want)) {
				t.Errorf("network %d, offset %d: gradient %.5f, slope %.5f", k, i, db[i], want)
			}
		}
	}
}

// Fitting lowers the cost of what is learned, is pulled back, is the same each time, can be stopped, and lives with a take whose words are
// longer than its sound.
func TestFit(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	h := smallVoice(rng, 5, 8, 6)
	var takes []*take
	for range 12 {
		tk, _ := smallTake(rng, 5, 15, 8, 6)
		takes = append(takes, tk)
	}
	cost := func(v voice) (sum float64) {
		var f fitter
		for _, tk := range takes {
			sum += f.cost(v, tk)
		}
		return sum
	}
	far := func(a voice) (sum float64) {
		for i := range h[0].w {
			sum += math.Pow(float64(a[0].w[i]-h[0].w[i]), 2)
		}
		return sum
	}
	o := defaultFitting
	once, err := o.fit(context.Background(), h, takes)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := o.fit(context.Background(), h, takes)
	if !slices.Equal(once.bytes(), again.bytes()) {
		t.Error("the same takes give another voice")
	}
	o.pull = 10
	pulled, _ := o.fit(context.Background(), h, takes)
	if before, after := cost(h), cost(once); after >= before {
		t.Errorf("cost %.3f before, %.3f after", before, after)
	}
	if far(once) == 0 || far(pulled) >= far(once) {
		t.Errorf("distance from the start: %g, pulled harder %g", far(once), far(pulled))
	}
	short, _ := smallTake(rng, 5, 2, 8, 6)
	if c := new(fitter).cost(h, short); !math.IsInf(c, 1) {
		t.Errorf("three phones in two frames cost %g", c)
	}
	with, err := defaultFitting.fit(context.Background(), h, append(takes, short))
	if err != nil || math.IsNaN(float64(with[1].w[0])) {
		t.Errorf("with a take that does not fit: %v, %v", with[1].w[0], err)
	}
	if fresh, err := o.fit(context.Background(), nil, takes); err != nil || len(fresh) != 2 || cost(fresh) >= cost(nil) {
		t.Errorf("from nothing: %d networks, %v", len(fresh), err)
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
