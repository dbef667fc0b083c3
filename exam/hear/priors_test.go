package hear

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"slices"
	"testing"

	"leadsman/chart"
	"leadsman/speech"
)

// edge finds the x between lo and hi, by ratios, at which a finding becomes another one; NaN if it does not.
func edge(lo, hi float64, is func(x float64) string) float64 {
	from := is(lo)
	if from == is(hi) {
		return math.NaN()
	}
	for range 20 {
		if mid := math.Sqrt(lo * hi); is(mid) == from {
			lo = mid
		} else {
			hi = mid
		}
	}
	return math.Sqrt(lo * hi)
}

// odds says how many times likelier by its sound one reading must be than another to be taken.
func (m moment) odds(t *testing.T, one, other string) float64 {
	t.Helper()
	return edge(1e-5, 1e5, func(x float64) string {
		return fmt.Sprint(m.decide(t, fmt.Sprintf("%.12f %s | %.12f %s", x/(1+x), one, 1/(1+x), other)).Result.Words)
	})
}

// upTo says up to which x the same is done with what is heard as at first.
func (m moment) upTo(t *testing.T, lo, hi float64, heard string, set func(*Context, *speech.Hypothesis, float64)) float64 {
	t.Helper()
	return edge(lo, hi, func(x float64) string {
		at := m
		at.more = func(c *Context, h *speech.Hypothesis) { set(c, h, x) }
		return inWords(at.decide(t, heard))
	})
}

// sure says from which share of the sound on something else is done with the first of two readings, or of more that share the rest.
func (m moment) sure(t *testing.T, text string, is func(Verdict) string, others ...string) float64 {
	t.Helper()
	return edge(0.001, 0.9999, func(p float64) string {
		heard := fmt.Sprintf("%.12f %s", p, text)
		for _, o := range others {
			heard += fmt.Sprintf(" | %.12f %s", (1-p)/float64(len(others)), o)
		}
		return is(m.decide(t, heard))
	})
}

// allUnlike is how many numbers of a place that was asked for may all be unlike those that stand there.
func allUnlike() float64 {
	for n := 1; ; n++ {
		if is, _ := Answers(slices.Repeat([]chart.MM{chart.Half(6)}, n), slices.Repeat([]bool{true}, n), slices.Repeat([]chart.MM{chart.Half(4)}, n)); !is {
			return float64(n - 1)
		}
	}
}

// TestPriors pins each constant of priors.go by a case at its edge: how much likelier by its sound a reading must be than another one, how sure,
// how late. Whoever moves a constant by a third moves the edge of a case, and has to say here where it lies now.
func TestPriors(t *testing.T) {
	amid := []string{"three two"}
	full := []string{"three two four"}
	begun := moment{calls: amid, heardMS: 100} // who speaks now could not hear that a piece was taken
	aware := moment{calls: amid}               // he could
	told := moment{calls: amid, told: 700}     // and was told that the place is not full
	asked := func(whole, out bool) moment {    // about 17 mesial, or all of 17
		return moment{calls: full, more: func(c *Context, _ *speech.Hypothesis) {
			c.Question, c.Asked, c.AskedMS, c.AskedOut, c.TurnMS = true, c.Attempt.Sites[2:], now-2000, out, now-500
			if whole {
				c.Asked = c.Attempt.Sites
			}
			if len(c.Asked) == 1 {
				c.AskedFor = 1
			}
		}}
	}
	filled := func(ago int64) moment { // 17 was filled after the examiner was told that it is not full
		return moment{calls: []string{"three two", "four"}, more: func(c *Context, _ *speech.Hypothesis) { c.FilledMS, c.FilledToldMS = now-ago, now-1500 }}
	}
	run := moment{calls: []string{"three two four", "one one"}, heardMS: 250, more: func(c *Context, _ *speech.Hypothesis) {
		c.Run = []chart.SiteRef{{Tooth: 17, Site: chart.DB}, {Tooth: 17, Site: chart.B}, {Tooth: 17, Site: chart.MB}}
	}}
	cut := moment{calls: full, more: func(c *Context, _ *speech.Hypothesis) {
		c.Called, c.CalledFrom, c.CutMS, c.Rhythm = c.values(c.Attempt.Sites), c.Attempt.Place, now-500, &Rhythm{Row: 30}
	}}
	alike := moment{calls: amid, heardMS: 100, more: func(c *Context, h *speech.Hypothesis) { c.SoundedMS, c.WithinMS = h.StartMS-300, 300 }}
	var pinned []string
	doing := func(v Verdict) string { return v.Do.String() }
	numbers := func(v Verdict) string {
		w := v.Result.Words
		return fmt.Sprint(v.Do == Enter && (w[0] == "two" || w[2] == "four"))
	}
	three := func(v Verdict) string { return fmt.Sprint(v.Do == Enter && v.Result.Words[0] == "three") }
	near := moment{calls: full, more: func(_ *Context, h *speech.Hypothesis) { h.Rejected, h.Near = true, true }}
	for _, c := range []struct {
		pins []string
		what string
		want float64
		got  float64
	}{
		// How numbers come.
		{[]string{"priorWhole", "priorPieces"}, "two numbers against all three", 10, moment{}.odds(t, "three two", "three two four")},
		{[]string{"priorSingle"}, "a lone number against all three, of who was heard once to call so", 3 / 0.6, moment{rhythm: Rhythm{Single: 0.3}}.odds(t, "three", "three two four")},
		{[]string{"priorRow"}, "two places against one", 3 / 0.2, moment{}.odds(t, "three two four one one one", "three two four")},
		{[]string{"shareRun", "priorRow"}, "a number too many against all three", 3 / 0.2 / 0.3, moment{}.odds(t, "three two two four", "three two four")},
		{[]string{"sharePiece"}, "a second piece of a place against all the rest of it", 1 / 0.5, moment{calls: []string{"three"}, heardMS: 100}.odds(t, "two", "two four")},
		{[]string{"shareGoesOn", "shareRun"}, "begun as soon as the pieces before: the rest and a piece of the next place against the rest", 1 / (0.9 * 0.3), alike.odds(t, "five five five", "four")},
		{[]string{"shareOver"}, "told: a number too many against the rest", 25, told.odds(t, "four five", "four")},
		{[]string{"shareMany"}, "two numbers against one, of who calls one by one", 1 / (0.2 * 0.3 / 12.3), moment{rhythm: Rhythm{Single: 12}}.odds(t, "three two", "three")},

		// While a place is not full.
		{[]string{"onwardMissed"}, "none of its numbers was understood, begun too soon to know: two numbers against the next place", 0.8 / 0.1,
			moment{more: func(c *Context, h *speech.Hypothesis) { c.MissedMS = h.StartMS }}.odds(t, "three two", "three two four")},
		{[]string{"onwardUnaware"}, "begun too soon to know: the next place against the rest", 0.65 / (0.30 * 0.94), begun.odds(t, "five five five", "four")},
		{[]string{"againUnaware"}, "begun too soon to know: two places once more against the rest", 0.65 / (0.05 * math.Pow(0.9/0.51, 5)), run.odds(t, "three two four one one two", "two")},
		{[]string{"againAware"}, "the place once more against the rest", 0.42 / (0.5 * math.Pow(0.9/0.51, 2)), aware.odds(t, "three two four", "four")},
		{[]string{"onwardAware"}, "the next place against the rest", 0.42 / (0.08 * 0.94), aware.odds(t, "five five five", "four")},
		{[]string{"againTold", "restTold"}, "told: the place once more against the rest", 0.25 / (0.7 * math.Pow(0.9/0.51, 2)), told.odds(t, "three two four", "four")},
		{[]string{"restTold", "onwardTold"}, "told: the next two places against the rest", 0.25 / (0.02 * 0.94), told.odds(t, "five five five five five five", "four")},
		{[]string{"shareRerun", "agreeSame"}, "of who calls rows the end of one was not understood: its first place once more against the next place", 3 / 30.2 / (0.15 * 27), cut.odds(t, "three two four", "five five five")},
		{[]string{"againFilled"}, "it is full now: the same once more is the next place, of who calls less than so many places number by number", 3/(0.02/0.98*27) - 0.3,
			filled(1000).upTo(t, 0.1, 1000, "1 three two four", func(c *Context, _ *speech.Hypothesis, x float64) {
				c.Rhythm, c.FilledMS, c.FilledToldMS = &Rhythm{Single: x}, now-1000, now-1500
			})},
		{[]string{"againTold", "agreeSame", "agreeChance"}, "the same before that could be known", 1 / (0.7 / 0.3 * 27), filled(100).odds(t, "three two four", "five five five")},

		// Answers.
		{[]string{"againAsked", "agreeAsked"}, "mesial is being asked about: the place with another number there against the next place", 1 / (0.3 / 0.7 * 9 * (0.4 / 0.7)), asked(false, false).odds(t, "three two five", "five five five")},
		{[]string{"agreeAsked"}, "and with the same number there", 1 / (0.3 / 0.7 * 9 * 2), asked(false, false).odds(t, "three two four", "five five five")},
		{[]string{"shareAnswered"}, "a number is asked for: it against a whole place", 1 / 0.65, asked(false, true).odds(t, "five", "five five five")},
		{[]string{"agreeAsked"}, "all three were asked about: the same against others", math.Pow(0.4/0.7, 3) / 8, asked(true, true).odds(t, "three two four", "five five five")},
		{[]string{"shareTold", "agreeAsked"}, "a place is asked for: so many numbers may all be unlike those that stand there", 3, allUnlike()},

		{[]string{"MostTries"}, "and said so often without being understood: from then on they are the next place", 3,
			moment{calls: full}.upTo(t, 1.6, 10, "1 three two four", func(c *Context, h *speech.Hypothesis, x float64) {
				asked(true, true).more(c, h)
				c.Tries = int(x)
			})},

		// Rare calls.
		{[]string{"shareJump"}, "tooth against two", 1 / 0.30, moment{}.odds(t, "tooth two six", "two two six")},
		{[]string{"shareJumpIn"}, "tooth against a number, in the breath of a place", 0.65 / 0.005, begun.odds(t, "tooth two six", "four")},
		{[]string{"shareJumpAmid"}, "and after the answer to the first piece", 0.42 / 0.05, aware.odds(t, "tooth two six", "four")},
		{[]string{"sharePause", "shareJump"}, "tooth alone against two", 0.1 / (0.30 * 0.1), moment{}.odds(t, "tooth", "two")},
		{[]string{"shareOdd"}, "a correction of two against one of three", 10, moment{calls: full}.odds(t, "correction three two", "correction three two four")},
		{[]string{"shareGone"}, "a tooth that is not there", 1 / (0.30 * 0.01), moment{}.odds(t, "tooth one eight", "two one eight")},
		{[]string{"shareDeep"}, "ten against two", 20, moment{}.odds(t, "three two ten", "three two two")},

		// Shares.
		{[]string{"leastSound"}, "numbers against a tooth that is not there, by the sound", 0.20, moment{}.sure(t, "two one eight", numbers, "tooth one eight")},
		{[]string{"unnamed"}, "the only reading", 0.45 * 0.3 / (0.45*0.3 + 0.55), moment{}.sure(t, "three two four", doing)},
		{[]string{"RefuseBelow"}, "one of three readings", 0.45, moment{calls: full}.sure(t, "three two four", three, "bleeding", "plaque")},
		{[]string{"moveBelow"}, "how many numbers, if not which", 2*0.70 - 1, moment{calls: full}.sure(t, "three two four", three, "bleeding", "plaque", "three two five", "three two nine")},
		{[]string{"DoubtBelow"}, "one of two numbers", 0.99, moment{}.sure(t, "three two four", func(v Verdict) string {
			return fmt.Sprint(len(v.Unsure) == 3 && !v.Unsure[2] && v.Result.Words[2] == "four")
		}, "three two five")},
		{[]string{"moveBelow"}, "disregard, or not", 0.70, moment{calls: full}.sure(t, "disregard", func(v Verdict) string {
			return inWords(v) + fmt.Sprint(v.Do == Enter && v.Result.Words[0] == "disregard")
		}, "stand by", "next")},
		{[]string{"jumpBelow"}, "tooth and its numbers, against a place", 0.85 / (0.85 + 0.15*0.30), moment{}.sure(t, "tooth two six three two four", func(v Verdict) string {
			return fmt.Sprint(v.Do == Enter && v.Result.Words[0] == "tooth")
		}, "three two four")},
		{[]string{"nearTrust"}, "one of three readings, nearly heard", 0.45 / 0.8, near.sure(t, "three two four", three, "bleeding", "plaque")},
		{[]string{"strayFiller"}, "how badly numbers out of the blue may fit", 0.6, moment{}.upTo(t, 0.1, 5, "1 three two four", func(_ *Context, h *speech.Hypothesis, x float64) { h.Filler = x })},
		{[]string{"wakeFiller"}, "how badly go ahead may fit", 2, moment{calls: []string{"stand by"}, loud: true}.upTo(t, 0.1, 50, "1 go ahead", func(_ *Context, h *speech.Hypothesis, x float64) { h.Rejected, h.Filler = true, x })},

		// Times.
		{[]string{"ReactMS"}, "the place once more, so long after the answer to its first piece", 350, moment{calls: amid}.upTo(t, 10, 10_000, "1 three two four",
			func(c *Context, _ *speech.Hypothesis, x float64) { c.AnsweredMS = now - int64(x) })},
		{[]string{"ToldMS"}, "other numbers, so long after being told", 250, moment{calls: amid}.upTo(t, 10, 10_000, "1 five five five",
			func(c *Context, _ *speech.Hypothesis, x float64) { c.ToldMS = now - int64(x) })},
		{[]string{"SameBreathMS"}, "a number of who calls one by one, so long after the one before", 450, edge(10, 10_000, func(x float64) string {
			var r Rhythm
			r.Learn(parts(int64(x), 1, 1, 1), 9000, false)
			return fmt.Sprint(r.Single > 0)
		})},
		{[]string{"FlowMS"}, "speech that cannot be read, so long after the numbers", 3000, moment{calls: full, loud: true}.upTo(t, 10, 100_000, "1 three",
			func(c *Context, h *speech.Hypothesis, x float64) { h.Rejected, c.SoundedMS = true, now-int64(x) })},
		{[]string{"BlueMS"}, "numbers that fit badly, so long after a call", 5000, moment{calls: full}.upTo(t, 10, 100_000, "1 three two four",
			func(c *Context, h *speech.Hypothesis, x float64) { h.Filler, c.CalledMS = 0.8, now-int64(x) })},
	} {
		if !(math.Abs(c.got/c.want-1) < 0.08) {
			t.Errorf("%v: %s: the edge is at %.4g, it was at %.4g", c.pins, c.what, c.got, c.want)
		}
		pinned = append(pinned, c.pins...)
	}
	// AwayMS counts in package exam and is pinned there.
	pinned = append(pinned, "AwayMS")
	file, err := parser.ParseFile(token.NewFileSet(), "priors.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(file, func(n ast.Node) bool {
		if s, ok := n.(*ast.ValueSpec); ok {
			for _, name := range s.Names {
				if !slices.Contains(pinned, name.Name) {
					t.Errorf("nothing pins %s", name.Name)
				}
			}
		}
		return true
	})
}
