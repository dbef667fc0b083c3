package exam

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// examiner calls a mouth into an exam and reacts to what he is told: by tones, and by what is asked. He knows nothing else.
type examiner struct {
	e      *Exam
	engine *scripted.Engine
	m      *Mic
	sub    *Subscription
	ms     int64    // of the stream
	heard  []string // tones, and in quotes what is asked or said aloud, that were not reacted to yet
	diary  []string // all that was said and heard
}

func newExaminer(t interface{ Fatal(...any) }, log *Memory) *examiner {
	if err := Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	x := &examiner{engine: scripted.New()}
	var err error
	if x.e, err = Open(ctx, Config{ID: "x", Log: log, Engine: x.engine, Now: func() int64 { return 1 }}); err != nil {
		t.Fatal(err)
	}
	if x.m, err = x.e.OpenMic("test", false); err != nil {
		t.Fatal(err)
	}
	x.sub = x.e.Subscribe(uint64(len(log.Events)))
	return x
}

// waits lets time pass, and what is heard in it pile up. With until it ends when the first of these is heard.
func (x *examiner) waits(ms int64, until ...string) (heard string) {
	for end := x.ms + ms; x.ms < end; {
		for i, h := range x.heard {
			if slices.ContainsFunc(until, func(u string) bool { return strings.HasPrefix(h, u) }) {
				x.heard = x.heard[i+1:]
				return h
			}
		}
		x.ms += 20
		for x.m.Next() < x.ms*speech.Rate/1000 {
			if _, err := x.m.Write(x.m.Next(), make([]int16, speech.Rate/50)); err != nil {
				panic(err)
			}
		}
		for len(x.sub.C) > 0 {
			ch := <-x.sub.C
			if ch.Answer != nil && ch.Answer.Tone != "" {
				x.hears(string(ch.Answer.Tone))
				if ch.Answer.Must && ch.Answer.Speak != "" && strings.Contains(ch.Answer.Speak, "open") {
					x.hears(`"` + ch.Answer.Speak)
				}
			}
			if ch.Head != nil && ch.Head.Question != nil {
				if q := `"` + ch.Head.Question.Speak; len(x.diary) == 0 || !strings.HasSuffix(x.diary[len(x.diary)-1], " "+q) {
					x.hears(q)
				}
			}
		}
	}
	return ""
}

func (x *examiner) hears(what string) {
	x.heard = append(x.heard, what)
	x.diary = append(x.diary, fmt.Sprintf("%d %s", x.ms, what))
}

// says has words heard as others ("" is not heard at all), and waits until they are spoken.
func (x *examiner) says(words string, as ...string) {
	x.heard = nil
	u := begins(x.ms+20, words)
	x.diary = append(x.diary, fmt.Sprintf("%d says %s, heard as %q", x.ms, words, as))
	if len(as) > 0 {
		if u.Text = as[0]; as[0] == "" {
			u.Text, u.Rejected, u.Filler = words, true, 9
		}
	}
	x.engine.Say(u)
	x.waits(u.EndMS - x.ms)
}

func words(numbers []int) string {
	var out []string
	for _, n := range numbers {
		out = append(out, grammar.Text(fmt.Sprint(n))...)
	}
	return strings.Join(out, " ")
}

// spoil is what is heard of numbers.
func spoil(how string, n []int) string {
	switch how {
	case "first lost":
		return words(n[1:])
	case "middle lost":
		return words([]int{n[0], n[2]})
	case "last lost":
		return words(n[:2])
	case "only the first":
		return words(n[:1])
	case "only the last":
		return words(n[2:])
	case "first twice":
		return words(append([]int{n[0]}, n...))
	case "last twice":
		return words(append(slices.Clone(n), n[2]))
	case "not heard":
		return ""
	}
	return words(n)
}

// place calls a place until it is answered as full, or left open. takes are how its first takes are spoiled.
func (x *examiner) place(n []int, think int64, takes []string) {
	full := []string{string(ToneAccepted), string(ToneDoubt), string(ToneArch)}
	for try := 0; try < 12; try++ {
		how := ""
		if len(takes) > 0 {
			how, takes = takes[0], takes[1:]
		}
		x.says(words(n), spoil(how, n))
		// A piece is answered softly: he waits for what comes then.
		h := x.waits(2600, append(full, string(ToneShort), string(ToneMisfit))...)
		if slices.Contains(full, h) {
			x.waits(think)
			return
		}
		if slices.ContainsFunc(x.heard, func(s string) bool { return strings.HasSuffix(s, "left open") }) {
			x.waits(think)
			return
		}
		if h = x.waits(think+300, `"one by one`, `"`+"again"); strings.HasSuffix(h, "one by one, please") {
			x.waits(1200) // it is spoken
			for _, one := range n {
				x.says(words([]int{one}))
				if h = x.waits(2000, append(full, string(TonePart), string(ToneShort))...); slices.Contains(full, h) {
					x.waits(think)
					return
				}
				x.waits(200)
			}
		}
	}
}

// What is right about a place never depends on what happened at another one: numbers of one place are lost, added or not heard at all, up to three
// times; the examiner does what the tool says; every other place holds its true numbers. How he reacts is common practice, no source.
func TestPlaceStandsAlone(t *testing.T) {
	ways := []string{"first lost", "middle lost", "last lost", "only the first", "only the last", "first twice", "last twice", "not heard"}
	rapid.Check(t, func(r *rapid.T) {
		var mouth [][]int
		for range 7 {
			mouth = append(mouth, rapid.SliceOfN(rapid.IntRange(1, 6), 3, 3).Draw(r, "place"))
		}
		bad := rapid.IntRange(0, 6).Draw(r, "bad place")
		takes := rapid.SliceOfN(rapid.SampledFrom(ways), 1, 3).Draw(r, "heard as")
		think := rapid.Int64Range(350, 1500).Draw(r, "reaction")
		log := &Memory{}
		x := newExaminer(r, log)
		defer x.e.Close()
		x.waits(500)
		for i, n := range mouth {
			spoilt := []string(nil)
			if i == bad {
				spoilt = takes
			}
			x.place(n, think, spoilt)
		}
		st, err := chart.Fold(log.Events)
		if err != nil {
			r.Fatal(err)
		}
		for i, n := range mouth {
			tooth := []chart.Tooth{17, 16, 15, 14, 13, 12, 11}[i]
			want := strings.Trim(fmt.Sprint(n), "[]")
			got := row(st, tooth, chart.Buccal)
			if i == bad && len(takes) > 1 {
				continue // two takes that were heard badly may make one that looks whole: it is read back
			}
			if got != want {
				r.Errorf("%v is %s, want %s", tooth, got, want)
			}
		}
		if r.Failed() {
			r.Log(strings.Join(x.diary, "\n"))
			r.Log(strings.Join(entriesOf(st), "\n"))
		}
	})
}

func entriesOf(st *chart.State) (out []string) {
	for _, c := range st.Calls[1:] {
		out = append(out, Describe(st, st.CallEvents(c.Seq)))
	}
	return out
}

// The same at a speed at which nobody can react: each place is begun before an answer to the one before could be heard. A place that lost
// numbers is asked for at the end, and all others hold their own.
func TestPlaceStandsAloneAtSpeed(t *testing.T) {
	ways := []string{"first lost", "middle lost", "last lost", "only the first", "only the last"}
	rapid.Check(t, func(r *rapid.T) {
		var mouth [][]int
		for range 7 {
			mouth = append(mouth, rapid.SliceOfN(rapid.IntRange(1, 6), 3, 3).Draw(r, "place"))
		}
		bad := rapid.IntRange(0, 5).Draw(r, "bad place")
		how := rapid.SampledFrom(ways).Draw(r, "heard as")
		log := &Memory{}
		x := newExaminer(r, log)
		defer x.e.Close()
		x.waits(500)
		for i, n := range mouth {
			if i == bad {
				x.says(words(n), spoil(how, n))
			} else {
				x.says(words(n))
			}
			// The recognizer needs 250 ms to see that a breath has ended; the answer comes then.
			x.waits(rapid.Int64Range(260, 500).Draw(r, "pause"))
		}
		teeth := []chart.Tooth{17, 16, 15, 14, 13, 12, 11}
		if x.waits(20_000, fmt.Sprintf(`"again, %v buccal, please`, teeth[bad])) != "" {
			x.m.Speaks(x.ms*speech.Rate/1000, "again")
			x.waits(1200)
			x.m.Spoke(0, x.ms*speech.Rate/1000)
			x.waits(300)
			x.says(words(mouth[bad]))
			x.waits(2000)
		}
		st, err := chart.Fold(log.Events)
		if err != nil {
			r.Fatal(err)
		}
		for i, n := range mouth {
			if got, want := row(st, teeth[i], chart.Buccal), strings.Trim(fmt.Sprint(n), "[]"); got != want {
				r.Errorf("%v is %s, want %s", teeth[i], got, want)
			}
		}
		if r.Failed() {
			r.Log(strings.Join(x.diary, "\n"))
			r.Log(strings.Join(entriesOf(st), "\n"))
		}
	})
}

// holds fails unless the buccal places of the teeth from 17 on have the numbers.
func (x *examiner) holds(t *testing.T, log *Memory, places ...string) {
	t.Helper()
	st, err := chart.Fold(log.Events)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range places {
		if got := row(st, []chart.Tooth{17, 16, 15, 14, 13, 12, 11}[i], chart.Buccal); got != want {
			t.Errorf("%v is %q, want %q", []chart.Tooth{17, 16, 15, 14, 13, 12, 11}[i], got, want)
		}
	}
	if t.Failed() {
		t.Log(strings.Join(x.diary, "\n"))
		t.Log(strings.Join(entriesOf(st), "\n"))
	}
}

// Who calls number by number takes the last one back, in the first place too, when nothing is known of his way; who calls a place takes that back.
func TestDisregardOfOneByOne(t *testing.T) {
	log := &Memory{}
	x := newExaminer(t, log)
	defer x.e.Close()
	x.waits(500)
	for _, n := range []string{"four", "two", "five"} {
		x.says(n)
		x.waits(900)
	}
	x.says("disregard")
	x.waits(900)
	x.says("four")
	x.waits(900)
	x.says("three two three")
	x.waits(900)
	x.says("disregard")
	x.waits(900)
	x.says("three three three")
	x.waits(1500)
	x.holds(t, log, "4 2 4", "3 3 3")
}

// A row that ends with numbers that were not understood is begun once more, or goes on at the place that was not: what the numbers are tells. Places that
// are called so are named, for he may be at another one.
func TestRowOnceMore(t *testing.T) {
	for _, x := range []struct{ what, again, want string }{
		{"all of the row", "three two four|five two six|two one two", "3 2 3,2 2 2,3 2 4,5 2 6,2 1 2"},
		{"the place alone", "two one two", "3 2 3,2 2 2,3 2 4,5 2 6,2 1 2"},
		{"the place and the next row", "two one two|four one one", "3 2 3,2 2 2,3 2 4,5 2 6,2 1 2,4 1 1"},
	} {
		t.Run(x.what, func(t *testing.T) {
			log := &Memory{}
			e := newExaminer(t, log)
			defer e.e.Close()
			e.waits(500)
			row := func(places ...string) {
				for i, p := range places {
					as := []string{p}
					if strings.HasSuffix(p, "?") {
						as = []string{strings.TrimSuffix(p, "?") + " two"} // a number too many
					}
					e.says(strings.TrimSuffix(p, "?"), as...)
					if i < len(places)-1 {
						e.waits(300) // not yet the next breath
					}
				}
				e.waits(1500)
			}
			row("three two three", "two two two")
			row("three two four", "five two six", "two one two?")
			row(strings.Split(x.again, "|")...)
			e.waits(1500)
			e.holds(t, log, strings.Split(x.want, ",")...)
		})
	}
}

// Two numbers of three are asked for by their sites: as many numbers are the answer, three of them the place once more or the next one.
func TestTwoOfThreeAreAsked(t *testing.T) {
	for _, c := range []struct {
		says []string // with pauses of a breath between them
		want []string
	}{
		{[]string{"three two"}, []string{"3 2 2", "- - -"}},
		{[]string{"three five five"}, []string{"2 2 2", "3 5 5"}},
		{[]string{"three five", "five"}, []string{"2 2 2", "3 5 5"}},
		{[]string{"three two three"}, []string{"3 2 3", "- - -"}}, // all of the place, as a sure number of it tells
		{[]string{"yes"}, []string{"2 2 2", "- - -"}},
	} {
		t.Run(strings.Join(c.says, ", "), func(t *testing.T) {
			log := &Memory{}
			x := newExaminer(t, log)
			defer x.e.Close()
			x.waits(500)
			u := begins(x.ms+20, "two two two")
			u.Rivals = strings.Split("three two two,two two three,three two three,six two two,two two six,six two six,tree two two", ",")
			x.engine.Say(u)
			x.waits(u.EndMS - x.ms)
			if x.waits(3000, `"distal and mesial: 2. 2?`) == "" {
				t.Fatal(strings.Join(x.diary, "\n"))
			}
			x.m.Speaks(x.ms*speech.Rate/1000, "distal and mesial: 2. 2?")
			x.waits(1500)
			x.m.Spoke(0, x.ms*speech.Rate/1000)
			x.waits(300)
			for _, s := range c.says {
				x.says(s)
				x.waits(300)
			}
			x.waits(3000)
			x.holds(t, log, c.want...)
		})
	}
}

// A doubt is not settled by a number that was heard for the same once more: who finds it right says yes. Asked twice, it stays open for Review.
func TestSameAgainSettlesNothing(t *testing.T) {
	for _, c := range []struct {
		what    string
		answers []string // and what the ear makes of them, behind a slash
		want    string
		open    int
	}{
		{"yes", []string{"yes"}, "3 2 2", 0},
		{"another number", []string{"three"}, "3 2 3", 0},
		{"another one, heard for the same, then heard", []string{"three/two", "three"}, "3 2 3", 0},
		{"heard for the same all the time", []string{"three/two", "three/two"}, "3 2 2", 1},
		{"the same, then yes", []string{"two", "yes"}, "3 2 2", 0},
		{"no, and the number heard for the same", []string{"no", "three/two"}, "3 2 2", 1},
		{"no, and the number", []string{"no", "three"}, "3 2 3", 0},
	} {
		t.Run(c.what, func(t *testing.T) {
			log := &Memory{}
			x := newExaminer(t, log)
			defer x.e.Close()
			x.waits(500)
			u := begins(x.ms+20, "three two two")
			for _, mesial := range strings.Fields("three six five nine eight four") {
				u.Rivals = append(u.Rivals, "three two "+mesial)
			}
			x.engine.Say(u)
			x.waits(u.EndMS - x.ms)
			for _, a := range c.answers {
				if x.waits(3000, `"`) == "" {
					t.Fatal("nothing is asked\n" + strings.Join(x.diary, "\n"))
				}
				x.m.Speaks(x.ms*speech.Rate/1000, "mesial: 2?")
				x.waits(800)
				x.m.Spoke(0, x.ms*speech.Rate/1000)
				x.waits(300)
				said, as, other := strings.Cut(a, "/")
				if other {
					x.says(said, as)
				} else {
					x.says(said)
				}
			}
			x.waits(12_000)
			x.holds(t, log, c.want)
			st, err := chart.Fold(log.Events)
			if err != nil {
				t.Fatal(err)
			}
			if n := len(st.OpenDoubts()); n != c.open {
				t.Errorf("%d doubts are open, want %d: %v\n%s", n, c.open, st.OpenDoubts(), strings.Join(x.diary, "\n"))
			}
		})
	}
}

// Pauses within a place make pieces of it: who calls places, as is known of him, takes all of it back.
func TestDisregardOfPieces(t *testing.T) {
	log := &Memory{}
	x := newExaminer(t, log)
	defer x.e.Close()
	x.waits(500)
	for _, place := range []string{"three two three", "two two four"} {
		x.says(place)
		x.waits(1300)
	}
	for _, n := range []string{"four", "two", "five"} {
		x.says(n)
		x.waits(500) // longer than between words
	}
	x.waits(900)
	x.says("disregard")
	x.waits(900)
	x.says("four")
	x.waits(150)
	x.says("three five")
	x.waits(1500)
	x.holds(t, log, "3 2 3", "2 2 4", "4 3 5")
}

// Numbers too many, of who goes on before that could be told: those behind them, in a breath of their own, are the next place.
func TestGoneOnBehindTooMany(t *testing.T) {
	log := &Memory{}
	x := newExaminer(t, log)
	defer x.e.Close()
	x.waits(500)
	x.says("three two three")
	x.waits(1300)
	x.says("six two one", "six two three one")
	x.waits(550)
	x.says("two four five")
	x.waits(300)
	x.says("four one four")
	x.waits(1500)
	x.holds(t, log, "3 2 3", "- - -", "2 4 5", "4 1 4")
}

// Behind "again, 17 buccal, please" numbers may be the next place. Of a place that is quite unlike the one that stands there each other number is in
// doubt; of one that is nearly the same none is.
func TestUnlikeAnswer(t *testing.T) {
	for numbers, doubts := range map[string]int{"three one three": 0, "six one six": 3} {
		log := &Memory{}
		x := newExaminer(t, log)
		x.says("three two three")
		x.waits(1300)
		x.says("two two four")
		x.waits(200)
		x.e.run(func() {
			x.e.due = append(x.e.due, *x.e.hole(chart.Place{Tooth: 17, Aspect: chart.Buccal}))
			x.e.due[len(x.e.due)-1].check = true // to be asked though nothing is in doubt
		})
		x.waits(6000, `"again, 17 buccal, please`)
		x.listens("again, 17 buccal, please")
		x.says(numbers)
		x.waits(1500)
		if s := state(t, log); len(s.Doubts) != doubts || row(s, 17, chart.Buccal) != strings.NewReplacer("three", "3", "one", "1", "six", "6").Replace(numbers) {
			t.Errorf("%s: 17 has %s, doubts %v, want %d\n%s", numbers, row(s, 17, chart.Buccal), s.OpenDoubts(), doubts, strings.Join(x.diary, "\n"))
		}
		x.e.Close()
	}
}

// Who says the place again while "one by one, please" begins has not heard it: he is told that it was not entered, and asked once more.
func TestOneByOneSpokenInto(t *testing.T) {
	log := &Memory{}
	x := newExaminer(t, log)
	defer x.e.Close()
	x.says("three two three")
	x.waits(1300)
	x.says("two two four", "two two")
	x.waits(2600)
	x.says("two two four", "two two")
	x.waits(2600, string(ToneShort))
	x.waits(520)
	x.says("two two four", "two four")
	if x.waits(1500, string(ToneShort)) == "" || x.waits(1500, `"one by one`) == "" {
		t.Errorf("nothing was answered\n%s", strings.Join(x.diary, "\n"))
	}
	x.waits(1200)
	for _, n := range []string{"two", "two", "four"} {
		x.says(n)
		x.waits(900)
	}
	x.holds(t, log, "3 2 3", "2 2 4")
}

// Where numbers are called one by one, because that was asked for, everything that leads out of it is heard.
func TestOneByOneLetsOut(t *testing.T) {
	for _, says := range []string{"number one four", "exam complete", "back", "where"} {
		log := &Memory{}
		x := newExaminer(t, log)
		x.says("three two three")
		x.waits(1300)
		for range 2 {
			x.says("two two four", "two two")
			x.waits(2600)
		}
		if !x.e.here().oneByOne {
			t.Fatalf("numbers are not called one by one\n%s", strings.Join(x.diary, "\n"))
		}
		x.waits(1200)
		x.says(says)
		x.waits(1500)
		if calls := state(t, log).Calls; calls[len(calls)-1].Words != says {
			t.Errorf("%q was heard as %q\n%s", says, calls[len(calls)-1].Words, strings.Join(x.diary, "\n"))
		}
		x.e.Close()
	}
}
