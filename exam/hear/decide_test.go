package hear

import (
	"fmt"
	"testing"

	"leadsman/chart"
	"leadsman/speech"
)

// Each line is a moment of an exam, what the ear makes of a breath (with the probability of each reading by its sound), and what is to be
// done. How examiners call and react is common practice, no source; the first place is 17 buccal.
func TestDecide(t *testing.T) {
	amid := []string{"three two"} // two of three numbers stand at 17
	full := []string{"three two four"}
	slow := Rhythm{Single: 12}
	rows := Rhythm{Row: 12}
	question := func(c *Context, _ *speech.Hypothesis) { c.Question = true }
	mesial := func(c *Context, _ *speech.Hypothesis) { // 17 mesial is asked about, heard to its end two seconds ago
		c.Question, c.AskedFor, c.Asked, c.AskedMS, c.AskedOut = true, 1, []chart.SiteRef{{Tooth: 17, Site: chart.MB}}, now-2000, true
	}
	two := func(c *Context, h *speech.Hypothesis) { // 17 mesial and mid, likewise
		mesial(c, h)
		c.AskedFor, c.Asked = 2, c.Attempt.Sites[1:]
	}
	all := func(c *Context, _ *speech.Hypothesis) { // all of 17 is asked about
		c.Question, c.Asked, c.AskedMS, c.AskedOut, c.TurnMS = true, c.Attempt.Sites, now-2000, true, now-500
	}
	toldThenFull := func(ago int64) func(*Context, *speech.Hypothesis) {
		return func(c *Context, _ *speech.Hypothesis) { c.FilledMS, c.FilledToldMS = now-ago, now-1500 }
	}
	later := func(c *Context, h *speech.Hypothesis) { // 3.5 seconds after the last number, just rejected
		c.SoundedMS, h.Rejected, h.Near = now-3500, true, true
	}
	alike := func(c *Context, h *speech.Hypothesis) { c.SoundedMS, c.WithinMS = h.StartMS-300, 300 }
	oneByOne := func(c *Context, _ *speech.Hypothesis) { c.OneByOne = true }
	near := func(c *Context, h *speech.Hypothesis) { h.Rejected, h.Near = true, true }
	noise := func(_ *Context, h *speech.Hypothesis) { h.Rejected, h.Filler = true, 9 }
	blue := func(c *Context, h *speech.Hypothesis) { h.Filler, c.CalledMS, c.SoundedMS = 0.8, now-6000, now-6000 }
	blueAgain := func(c *Context, h *speech.Hypothesis) {
		blue(c, h)
		c.Strayed = []string{"three", "two", "four"}
	}
	blueAsked := func(c *Context, h *speech.Hypothesis) { blue(c, h); c.Question = true }
	badly := func(c *Context, h *speech.Hypothesis) { h.Filler = 0.8 }
	wake := func(filler float64) func(*Context, *speech.Hypothesis) {
		return func(_ *Context, h *speech.Hypothesis) { h.Rejected, h.Filler = true, filler }
	}
	run := func(c *Context, _ *speech.Hypothesis) { // 17 and the piece of 16 were called in one go
		for _, s := range []chart.Site{chart.DB, chart.B, chart.MB} {
			c.Run = append(c.Run, chart.SiteRef{Tooth: 17, Site: s})
		}
	}
	for _, c := range []struct {
		name  string
		at    moment
		heard string
		want  string
	}{
		{"a whole place", moment{}, "1 three two four", "enter fill: three two four"},
		{"two of three numbers were asked for, of who calls them one by one", moment{calls: full, rhythm: slow, more: two}, "0.62 two two | 0.38 tooth two", "enter piece: two two"},
		{"a number lost in the likelier reading", moment{}, "0.8 three two | 0.2 three two four", "enter fill: three two four"},
		{"a number lost for sure", moment{}, "0.99 three two | 0.01 three two four", "enter piece: three two"},
		{"a number too many in the likelier reading", moment{}, "0.7 three two two four | 0.3 three two four", "enter fill: three two four"},
		{"but not if it was hardly heard", moment{}, "0.9 three two two four | 0.1 three two four", "misfit"},
		{"a number too many for sure", moment{}, "1 three two two four", "hold over: three two two four"},
		{"a row", moment{}, "1 three two four one one one", "enter row: three two four one one one"},
		{"a row that ends within a place", moment{}, "1 three two four one one", "hold over: three two four one one"},
		{"and its rest", moment{pending: "three two four one one"}, "1 one", "enter row: three two four one one one"},
		{"a row, if the examiner calls rows, against a place that was heard with more", moment{rhythm: rows}, "0.5 three two four one one one | 0.5 three two four one one",
			"enter row: three two four one one one"},

		// A piece stands.
		{"the rest, at once", moment{calls: amid, heardMS: 100}, "1 four", "enter fill: four"},
		{"the rest, after the soft tone", moment{calls: amid}, "1 four", "enter fill: four"},
		{"the place once more, after the soft tone", moment{calls: amid}, "1 three two four", "enter again: three two four"},
		{"three other numbers, begun before the tone could be heard: the next place", moment{calls: amid, heardMS: 250}, "1 five five six", "enter onward: five five six"},
		{"in the same breath: what follows tells", moment{calls: amid, heardMS: 100}, "1 five five six", "hold onward: five five six"},
		{"and does: its rest, and the next place", moment{calls: amid, heardMS: 100, pending: "five five six", rhythm: rows}, "1 one", "enter row: five five six one"},
		{"or two next places, and more", moment{calls: amid, heardMS: 100, pending: "five five six"}, "1 five one six", "hold onward: five five six five one six"},
		{"the same numbers so early: still the next place", moment{calls: amid, heardMS: 250}, "1 three two four", "enter onward: three two four"},
		{"with pauses as within the place: its rest, and the next place", moment{calls: amid, heardMS: 100, more: alike}, "1 five five six", "hold over: five five six"},
		{"three other numbers after the soft tone: the next place", moment{calls: amid}, "1 five five six", "enter onward: five five six"},
		{"one of them as before: the place", moment{calls: amid}, "1 three five six", "enter again: three five six"},
		{"told, the place once more", moment{calls: amid, told: 700}, "1 three two four", "enter again: three two four"},
		{"told, three other numbers", moment{calls: amid, told: 700}, "1 five five six", "enter again: five five six"},
		{"told, begun before that could be heard", moment{calls: amid, heardMS: 2000, told: 100}, "1 five five six", "enter onward: five five six"},
		{"told, the rest: more of it may come", moment{calls: amid, told: 700}, "1 four", "hold fill: four"},
		{"told, two numbers: neither the place nor its rest", moment{calls: amid, told: 700}, "1 three four", "hold over: three four"},
		{"told, the place and the next one", moment{calls: amid, told: 700}, "1 three two four one one one", "enter again: three two four one one one"},
		{"told, all of it with one number twice: no row", moment{calls: amid, told: 700}, "1 three three two four", "hold over: three three two four"},
		{"the same after the soft tone", moment{calls: amid}, "1 three three two four", "hold over: three three two four"},
		{"begun too early to know: its rest and the next place", moment{calls: amid, heardMS: 100}, "1 four one one two", "enter row: four one one two"},
		{"told, its rest and the next place, of who calls rows", moment{calls: amid, told: 700, rhythm: rows}, "1 four one one two", "enter row: four one one two"},
		{"two places in one go, the second short: all of it once more", moment{calls: []string{"three two four", "one one"}, told: 700, more: run}, "1 three two four one one two",
			"enter rerun: three two four one one two"},
		{"to go elsewhere from the middle of a place takes a clear sound", moment{calls: amid}, "0.8 tooth four | 0.2 two four", "hold over: two four"},
		{"which it has", moment{calls: amid}, "1 tooth two six", "enter elsewhere: tooth two six"},

		// Number by number.
		{"the first", moment{rhythm: slow}, "1 three", "enter piece: three"},
		{"against a place", moment{rhythm: slow}, "0.1 three | 0.9 three two four", "enter fill: three two four"},
		{"one of them against all alike", moment{rhythm: slow}, "0.3 four | 0.7 all four", "enter piece: four"},
		{"told, the rest counts at once", moment{calls: amid, told: 700, rhythm: slow}, "1 four", "enter fill: four"},
		{"asked to, a number", moment{calls: amid, told: 5000, more: oneByOne}, "1 three", "enter fill: three"},
		{"a correction: more may come", moment{calls: full, rhythm: slow}, "1 correction four", "hold elsewhere: correction four"},
		{"its rest is waited for", moment{calls: amid, more: later}, "0.7 four", "enter fill: four"},

		// Correcting.
		{"all numbers", moment{calls: full}, "1 correction five two four", "enter elsewhere: correction five two four"},
		{"one: more may come", moment{calls: full}, "1 correction five", "hold elsewhere: correction five"},
		{"two: more may come", moment{calls: full}, "1 correction five two", "hold elsewhere: correction five two"},
		{"in pieces", moment{calls: full, pending: "correction five"}, "1 two four", "enter elsewhere: correction five two four"},
		{"a site by its name", moment{calls: full}, "1 correction mesial five", "enter elsewhere: correction mesial five"},
		{"three are likelier than two", moment{calls: full}, "0.8 correction five two | 0.2 correction five two four", "enter elsewhere: correction five two four"},
		{"the word alone", moment{calls: full}, "1 correction", "wait elsewhere: correction"},

		// "Tooth" and "two" sound alike.
		{"half and half: numbers that fit", moment{}, "0.5 tooth two six | 0.5 two two six", "enter fill: two two six"},
		{"nine of ten for the tooth", moment{}, "0.9 tooth two six | 0.1 two two six", "enter elsewhere: tooth two six"},
		{"with numbers behind it all but sure is too little", moment{}, "0.93 tooth two six three two four | 0.07 three two four", "misfit"},
		{"all but sure of the tooth", moment{}, "0.95 tooth two six | 0.05 two two six", "enter elsewhere: tooth two six"},
		{"a tooth that is not there", moment{}, "0.95 tooth two eight | 0.05 two two eight", "misfit"},
		{"nobody pauses behind the word", moment{}, "0.6 tooth | 0.4 two", "enter piece: two"},

		// A site is asked about: 17 mesial, where 4 stands.
		{"yes", moment{calls: full, more: mesial}, "1 affirm", "enter elsewhere: affirm"},
		{"its number", moment{calls: full, more: mesial}, "1 five", "enter piece: five"},
		{"the number against a longer reading", moment{calls: full, more: mesial}, "0.5 five | 0.5 five two", "enter piece: five"},
		{"the whole place, as it stands but for that number", moment{calls: full, more: mesial}, "1 three two five", "enter reply: three two five"},
		{"the whole place, all as it stands", moment{calls: full, more: mesial}, "1 three two four", "enter reply: three two four"},
		{"other numbers: the next place", moment{calls: full, more: mesial}, "1 five five six", "enter fill: five five six"},
		{"all of it is asked about, all of it comes", moment{calls: full, more: all}, "1 three two five", "enter reply: three two five"},
		{"all of it is asked about, other numbers come: the answer, which is told with its place", moment{calls: full, more: all}, "1 one one one", "enter reply: one one one"},
		{"the same numbers without a question: the next place", moment{calls: full}, "1 three two four", "enter fill: three two four"},

		// The place was filled just after the examiner had been told that it is not full.
		{"he says it again before he can know", moment{calls: []string{"three two", "four"}, more: toldThenFull(100)}, "1 three two four", "enter reply: three two four"},
		{"he heard that it is full: the same numbers are the next place", moment{calls: []string{"three two", "four"}, more: toldThenFull(1000)}, "1 three two four", "enter fill: three two four"},
		{"he goes on", moment{calls: []string{"three two", "four"}, more: toldThenFull(1000)}, "1 one one two", "enter fill: one one two"},

		// Talk and noise.
		{"rejected", moment{calls: full, more: noise}, "1 three two four", "ignore"},
		{"rejected, and as loud as the numbers a moment ago", moment{calls: full, more: noise, loud: true}, "1 three two four", "misfit"},
		{"the same long after", moment{calls: full, heardMS: 3000, more: noise, loud: true}, "1 three two four", "ignore"},
		{"nearly heard, among numbers", moment{calls: amid, more: near}, "1 four", "enter fill: four"},
		{"nearly heard, out of them", moment{more: near}, "1 three two four", "ignore"},
		{"a nearly heard call that is no number", moment{calls: full, more: near}, "1 next", "misfit"},
		{"numbers out of the blue that fit badly", moment{calls: full, more: blue}, "1 three two four", "ignore"},
		{"said again", moment{calls: full, more: blueAgain}, "1 three two four", "enter fill: three two four"},
		{"after a question", moment{calls: full, more: blueAsked}, "1 three two four", "enter fill: three two four"},
		{"as badly among numbers", moment{calls: full, more: badly}, "1 three two four", "enter fill: three two four"},
		{"as badly after being told", moment{calls: amid, told: 700, heardMS: 9000, more: badly}, "1 three two four", "enter again: three two four"},
		{"a flag that fits badly is no talk", moment{calls: full, more: blue}, "1 bleeding", "enter elsewhere: bleeding"},
		{"no reading is likely", moment{}, "0.15 three two four", "misfit"},
		{"a jump must be surer than a number", moment{}, "0.5 next | 0.5 stand by", "misfit"},
		{"a call that names what is not there", moment{}, "1 tooth nine nine", "misfit"},
		{"yes without a question", moment{calls: full}, "1 affirm", "misfit"},
		{"yes with one, nearly heard", moment{calls: full, more: func(c *Context, h *speech.Hypothesis) { near(c, h); question(c, h) }}, "1 affirm", "enter elsewhere: affirm"},
		{"yes with one", moment{calls: full, more: question}, "1 affirm", "enter elsewhere: affirm"},

		// Standing by.
		{"numbers", moment{calls: []string{"stand by"}}, "1 three two four", "misfit"},
		{"the way back", moment{calls: []string{"stand by"}}, "1 go ahead", "enter elsewhere: go ahead"},
		{"nearly heard", moment{calls: []string{"stand by"}, more: near}, "1 go ahead", "enter elsewhere: go ahead"},
		{"rejected, but loud and not far off", moment{calls: []string{"stand by"}, loud: true, more: wake(1.9)}, "1 go ahead", "enter elsewhere: go ahead"},
		{"rejected, loud and far off", moment{calls: []string{"stand by"}, loud: true, more: wake(2.1)}, "1 go ahead", "ignore"},
		{"rejected and not far off, but not loud", moment{calls: []string{"stand by"}, more: wake(1.9)}, "1 go ahead", "ignore"},
	} {
		if v := c.at.decide(t, c.heard); inWords(v) != c.want {
			t.Errorf("%s: %q: %s (%s), want %s", c.name, c.heard, inWords(v), v.Why, c.want)
		}
	}
}

// A number is doubtful if another reading has another number there; all are if it has more numbers or fewer.
func TestUnsure(t *testing.T) {
	nearly := func(_ *Context, h *speech.Hypothesis) { h.Rejected, h.Near = true, true }
	for _, c := range []struct {
		name  string
		at    moment
		heard string
		want  string
		rival string
	}{
		{"sure", moment{}, "1 three two four", "[false false false]", ""},
		{"the last", moment{}, "0.9 three two four | 0.1 three two five", "[false false true]", "three two five"},
		{"the last, hardly", moment{}, "0.995 three two four | 0.005 three two five", "[false false false]", "three two five"},
		{"the first by one reading, the last by another", moment{}, "0.8 three two four | 0.1 two two four | 0.1 three two five", "[true false true]", "two two four"},
		{"two readings agree on the first", moment{}, "0.5 three two four | 0.5 three two five", "[false false true]", "three two five"},
		{"a reading with fewer numbers doubts all", moment{}, "0.8 three two four | 0.2 three two", "[true true true]", "three two"},
		{"but not where it hardly can be", moment{}, "0.95 three two four | 0.05 three two", "[false false false]", "three two"},
		{"what the ear did not name", moment{}, "0.9 three two four", "[true true true]", ""},
		{"a jump that sounds alike: it would be answered with its place", moment{}, "0.8 two two six | 0.2 tooth two six", "[false false false]", "tooth two six"},
		{"nearly heard", moment{calls: []string{"three two"}, more: nearly}, "1 four", "[true]", ""},
		{"in a correction", moment{calls: []string{"three two four"}}, "0.9 correction five two four | 0.1 correction nine two four", "[true false false]", "correction nine two four"},
	} {
		v := c.at.decide(t, c.heard)
		if got := fmt.Sprint(v.Unsure); v.Do != Enter || got != c.want || v.Rival != c.rival {
			t.Errorf("%s: %q: %s, unsure %s, rival %q; want %s, %q", c.name, c.heard, inWords(v), got, v.Rival, c.want, c.rival)
		}
	}
}

// Numbers that come after a place was asked for are it, unless they are unlike numbers there that nobody doubted: then the examiner went on.
func TestAnswers(t *testing.T) {
	three := func(a, b, c int) []chart.MM {
		return []chart.MM{chart.Half(2 * a), chart.Half(2 * b), chart.Half(2 * c)}
	}
	for _, c := range []struct {
		name     string
		doubtful []bool
		numbers  []chart.MM
		want     bool
	}{
		{"the doubtful one is another", []bool{true, false, false}, three(4, 2, 4), true},
		{"none is the same, two were doubtful", []bool{true, true, false}, three(5, 5, 5), false},
		{"none is the same, all were doubtful", []bool{true, true, true}, three(5, 5, 5), true},
		{"all are others, of which one was doubtful", []bool{true, false, false}, three(4, 5, 6), false},
	} {
		if got, _ := Answers(three(3, 2, 4), c.doubtful, c.numbers); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}
