package exam

import (
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/speech"
)

// listens has the tool say a question aloud to its end.
func (x *examiner) listens(question string) {
	from := x.m.Next()
	x.m.Speaks(from, question)
	x.waits(1500)
	x.m.Spoke(from, x.m.Next())
	x.waits(300)
}

// answersAgain waits until all of a place is asked for, and calls it.
func (x *examiner) answersAgain(t *testing.T, place, numbers string) {
	t.Helper()
	q := x.waits(9000, `"again, `)
	if q != `"again, `+place+`, please` {
		t.Fatalf("it asks %q, not for %s\n%s", q, place, strings.Join(x.diary, "\n"))
	}
	x.listens(strings.Trim(q, `"`))
	x.says(numbers)
	x.waits(1200)
}

// hasCalled is an examiner who has said this, call by call, and heard each answer.
func hasCalled(t *testing.T, calls ...string) (*examiner, *Memory) {
	log := &Memory{}
	x := newExaminer(t, log)
	t.Cleanup(func() { x.e.Close() })
	for _, words := range calls {
		x.says(words)
		x.waits(1300)
	}
	return x, log
}

func depths(s *chart.State, tooth chart.Tooth) (out []int) {
	for _, site := range []chart.Site{chart.DB, chart.B, chart.MB} {
		out = append(out, int(s.Chart.Site(chart.SiteRef{Tooth: tooth, Site: site}).Depth.Float()))
	}
	return out
}

func offs(s *chart.State) (n int) {
	for _, d := range s.Doubts {
		if d.Reason == placeOff {
			n++
		}
	}
	return n
}

// astray is an examiner who has called 17, 16, 15 and 14 while the exam, which took a noise for numbers, has them at 17, 15, 14 and 13; he
// hears that and goes to 13, which is his next place.
func astray(t *testing.T) (*examiner, *Memory) {
	x, log := hasCalled(t, "three two three", "five five six", "two two four", "four one two", "three two two")
	x.says("number one three")
	x.waits(1300)
	return x, log
}

// Numbers that stand a place off are found out when the examiner goes to his own place, and are in doubt until he has called them again.
func TestAdrift(t *testing.T) {
	x, log := astray(t)
	x.says("six three two") // where 14's numbers stand
	x.waits(1300)
	if n := offs(state(t, log)); n != 12 {
		t.Fatalf("%d numbers may stand a place off, want all before\n%s", n, strings.Join(x.diary, "\n"))
	}
	x.answersAgain(t, "14 buccal", "three two two")
	if n := offs(state(t, log)); n != 9 {
		t.Fatalf("%d numbers may stand a place off, want all before\n%s", n, strings.Join(x.diary, "\n"))
	}
	x.answersAgain(t, "15 buccal", "four one two")
	x.answersAgain(t, "16 buccal", "two two four")
	x.answersAgain(t, "17 buccal", "three two three")
	s := state(t, log)
	for tooth, want := range map[chart.Tooth][]int{17: {3, 2, 3}, 16: {2, 2, 4}, 15: {4, 1, 2}, 14: {3, 2, 2}, 13: {6, 3, 2}} {
		if got := depths(s, tooth); !slices.Equal(got, want) {
			t.Errorf("%v has %v, called were %v", tooth, got, want)
		}
	}
	if n := offs(s); n > 0 || s.Place != (chart.Place{Tooth: 12, Aspect: chart.Buccal}) {
		t.Errorf("%d doubts, at %v\n%s", n, s.Place, strings.Join(x.diary, "\n"))
	}
	if x.e.stream.drift != nil {
		t.Errorf("it still looks for the place %v", x.e.stream.drift.at)
	}
}

// The first places that are where they should be end it: what was called before them is not asked for.
func TestAdriftEnds(t *testing.T) {
	x, log := hasCalled(t, "one two three", "four four five", "three two three", "five five six", "two two four")
	x.says("number one four") // "five five six" was nobody's: two two four are 14's
	x.waits(1300)
	x.says("two two four")
	x.waits(1300)
	if n := offs(state(t, log)); n != 12 {
		t.Fatalf("%d numbers may stand a place off, want those of 17, 16, 15 and 13\n%s", n, strings.Join(x.diary, "\n"))
	}
	x.answersAgain(t, "15 buccal", "three two three")
	x.answersAgain(t, "16 buccal", "four four five")
	if s := state(t, log); offs(s) != 3 || !slices.Equal(depths(s, 17), []int{1, 2, 3}) || !slices.Equal(depths(s, 14), []int{2, 2, 4}) {
		t.Errorf("%d doubts, want those of 13, which are 14's; 17 has %v, 14 %v\n%s", offs(s), depths(s, 17), depths(s, 14), strings.Join(x.diary, "\n"))
	}
	x.says("six two six")
	x.waits(1300)
	if s := state(t, log); offs(s) > 0 || !slices.Equal(depths(s, 13), []int{6, 2, 6}) {
		t.Errorf("%d doubts, 13 has %v\n%s", offs(s), depths(s, 13), strings.Join(x.diary, "\n"))
	}
}

// Who goes back and finds there what he called is where he was all the time; who goes far away and comes back, too.
func TestNotAdrift(t *testing.T) {
	x, log := hasCalled(t, "three two three", "two two four", "four one two", "number one six", "two two four", "number one four", "three two two",
		"number two five lingual", "three three three", "number one three", "two one two", "number one five buccal correction five one two", "three one three")
	if q := x.waits(9000, `"again`); q != "" {
		t.Errorf("it asks %q\n%s", q, strings.Join(x.diary, "\n"))
	}
	if s := state(t, log); len(s.Doubts) > 0 {
		t.Errorf("doubts %v\n%s", s.OpenDoubts(), strings.Join(x.diary, "\n"))
	}
}

// Who goes back for a flag and comes back to where he left off was there all the time.
func TestBackForAFlag(t *testing.T) {
	x, log := hasCalled(t, "three two three", "two two four", "four one two", "number one six")
	if n := offs(state(t, log)); n != 9 {
		t.Fatalf("%d numbers may stand a place off, want all\n%s", n, strings.Join(x.diary, "\n"))
	}
	x.says("bleeding")
	x.waits(1300)
	x.says("number one four")
	x.waits(1300)
	if s := state(t, log); len(s.Doubts) > 0 {
		t.Errorf("doubts %v\n%s", s.OpenDoubts(), strings.Join(x.diary, "\n"))
	}
}

// A correction means the place spoken last, whatever other place is asked about.
func TestCorrectionMeansTheLastPlace(t *testing.T) {
	x, log := astray(t)
	x.says("six three two")
	x.waits(1300)
	x.waits(9000, `"again, 14 buccal, please`)
	x.listens("again, 14 buccal, please")
	x.says("correction five three two")
	x.waits(1500)
	if s := state(t, log); !slices.Equal(depths(s, 13), []int{5, 3, 2}) || slices.Equal(depths(s, 14), []int{5, 3, 2}) {
		t.Errorf("13 has %v, 14 %v\n%s", depths(s, 13), depths(s, 14), strings.Join(x.diary, "\n"))
	}
}

// A question that is not answered leaves all in doubt that may be wrong.
func TestAdriftUnanswered(t *testing.T) {
	x, log := astray(t)
	x.says("six three two")
	x.waits(60_000)
	if n := offs(state(t, log)); n != 12 {
		t.Errorf("%d numbers may stand a place off, want all before\n%s", n, strings.Join(x.diary, "\n"))
	}
}

// Numbers at the end of the path are somebody's who is not there.
func TestAdriftPastEnd(t *testing.T) {
	x, log := closes(t, "three two four", "three three three", "two two two", "two two three")
	x.says("four two three")
	x.waits(1500)
	if n := offs(state(t, log)); n != 12 {
		t.Errorf("%d numbers may stand a place off, want all\n%s", n, strings.Join(x.diary, "\n"))
	}
	x.answersAgain(t, "36 lingual", "four two three")
	if n := offs(state(t, log)); n != 9 {
		t.Errorf("%d numbers may stand a place off, want all before\n%s", n, strings.Join(x.diary, "\n"))
	}
}

// One place at the end of the path that is as it was proves nothing to somebody who is not there: the place before is asked for too.
func TestAdriftPastEndTold(t *testing.T) {
	x, log := closes(t, "three two four", "three three three", "two two two", "two two three")
	x.says("two two three")
	x.waits(1500)
	x.answersAgain(t, "36 lingual", "two two three")
	x.answersAgain(t, "37 lingual", "two two two")
	if s := state(t, log); offs(s) > 0 {
		t.Errorf("doubts %v\n%s", s.OpenDoubts(), strings.Join(x.diary, "\n"))
	}
}

// Who is ahead of the exam leaves places open where he goes on: the last one called before them tells.
func TestAdriftAhead(t *testing.T) {
	x, log := hasCalled(t, "one two three", "five five six", "two two four", "three one three") // of 17, 15, 14 and 13: 16 was not heard
	x.says("number one two")
	x.waits(1300)
	x.says("four two four")
	x.waits(1300)
	if n := offs(state(t, log)); n != 12 {
		t.Fatalf("%d numbers may stand a place off, want all before\n%s", n, strings.Join(x.diary, "\n"))
	}
	x.answersAgain(t, "14 buccal", "two two four")
	x.answersAgain(t, "15 buccal", "five five six")
	x.answersAgain(t, "16 buccal", "three two three")
	x.answersAgain(t, "17 buccal", "one two three")
	s := state(t, log)
	if got := depths(s, 16); !slices.Equal(got, []int{3, 2, 3}) || !slices.Equal(depths(s, 14), []int{2, 2, 4}) {
		t.Errorf("16 has %v, 14 %v\n%s", got, depths(s, 14), strings.Join(x.diary, "\n"))
	}
}

// Nobody is left at a tooth that is not there: numbers refused twice lead back.
func TestBackFromMissingTooth(t *testing.T) {
	log := &Memory{}
	x := newExaminer(t, log)
	defer x.e.Close()
	for _, words := range []string{"missing one six", "yes", "three two three", "number one six"} {
		x.says(words)
		x.waits(1500)
	}
	x.says("two two four")
	if x.waits(1500, "refused") == "" {
		t.Fatal(strings.Join(x.diary, "\n"))
	}
	x.says("two two four")
	x.waits(3000)
	x.says("two two four")
	x.waits(1500)
	if s := state(t, log); !slices.Equal(depths(s, 15), []int{2, 2, 4}) {
		t.Errorf("15 has %v, at %v\n%s", depths(s, 15), s.Place, strings.Join(x.diary, "\n"))
	}
}

// An answer that was taken for the next place, and taken back, is asked for again, and taken for the answer.
func TestMeantAsAnswer(t *testing.T) {
	log := &Memory{}
	x := newExaminer(t, log)
	defer x.e.Close()
	x.says("three two three")
	x.waits(1300)
	x.says("two two", "two two")
	x.waits(200)
	x.e.run(func() {
		x.e.due = append(x.e.due, *x.e.hole(chart.Place{Tooth: 17, Aspect: chart.Buccal}))
		x.e.due[len(x.e.due)-1].check = true
	})
	x.says("four", "four")
	x.waits(6000, `"again, 17 buccal, please`)
	x.listens("again, 17 buccal, please")
	x.waits(10_000) // it is put twice
	x.listens("again, 17 buccal, please")
	x.waits(15_000) // longer than the question stays open
	x.says("three two four")
	x.waits(1500)
	x.says("disregard")
	x.waits(700)
	x.says("three two four")
	x.waits(1500)
	s := state(t, log)
	if got := depths(s, 17); !slices.Equal(got, []int{3, 2, 4}) || s.Chart.Site(chart.SiteRef{Tooth: 15, Site: chart.DB}).Depth.Known() {
		t.Errorf("17 has %v, and 15 %v\n%s", got, depths(s, 15), strings.Join(x.diary, "\n"))
	}
}

// Each constant of a drift has an edge that moves with it.
func TestDriftConstants(t *testing.T) {
	x, _ := hasCalled(t, "one two three", "four four five", "three two three", "five five six", "two two four", "six two six") // 17 to 12
	at := func(n chart.Tooth) chart.Place { return chart.Place{Tooth: n, Aspect: chart.Buccal} }
	edges := map[string][2]int{}
	x.e.run(func() {
		steps := 0 // the farthest leap that may be because of a drift
		for to := at(17); ; to = x.e.stepped(to, 1) {
			n, near := x.e.steps(at(17), to)
			if !near {
				break
			}
			steps = n
		}
		edges["driftPlaces"] = [2]int{steps, 6}

		x.e.drifts(drift{at: at(17)})
		far := 0 // the farthest place where numbers are looked for
		for n := 1; n <= 5; n++ {
			if f, by := x.e.tells(x.e.stream.drift, x.e.stood(x.e.stream.drift, x.e.stepped(at(17), n))); f == off && by == n {
				far = n
			}
		}
		edges["mostOff"] = [2]int{far, 3}

		announced := 0 // how often a doubt comes of naming the place where the exam stands
		for range 6 {
			x.e.stream.placeTold, x.e.stream.drift, x.e.due = true, nil, nil
			go12 := chart.Command{Acts: []chart.Act{{Verb: chart.VerbGo, Tooth: x.e.state.Place.Tooth}}}
			if len(x.e.leaps(go12, chart.Meta{Source: chart.Voice}, &go12)) > 0 {
				announced++
			}
		}
		edges["mostAnnounced"] = [2]int{announced, 3}
	})
	places := 0 // so many places with other numbers make one that agrees end a drift that is known
	for known := false; !known; places++ {
		known = (&drift{odds: knownOdds}).agrees(0.5 / (float64(places) + 1))
	}
	edges["knownOdds, leastOdds"] = [2]int{places, 26}
	same := 0 // of 27 other places so many may have the same numbers, and one that agrees ends what a leap made possible
	for (&drift{odds: leapOdds}).agrees((float64(same+1) + 0.5) / 28) {
		same++
	}
	edges["leapOdds, leastOdds"] = [2]int{same, 5}
	for what, e := range edges {
		if e[0] != e[1] {
			t.Errorf("%s: the edge is at %d, it was at %d", what, e[0], e[1])
		}
	}
}

// Sound as loud as the calls that begins before the own voice, or goes on long after it, is somebody's; what lies within it may be the own voice.
func TestOutlasts(t *testing.T) {
	for _, c := range []struct {
		from, to int64
		level    float64
		want     origin
	}{
		{1000, 1500, -24, fromUser}, // 100 ms before the prompt
		{1150, 2400, -24, fromUser}, // 400 ms behind it
		{1150, 1900, -24, fromTool},
		{1150, 1900, -20.5, fromUser}, // just as loud: hardly a loudspeaker
		{1000, 2400, -30, fromTool},   // weaker than the calls
	} {
		o := ownVoice{calls: -20}
		o.begin(1100, "2 buccal")
		o.end(2000)
		h := speech.Hypothesis{Final: true, Rejected: true, StartMS: c.from, EndMS: c.to}
		h.Signal.LevelDB = c.level
		if got := o.judge(&h); got != c.want {
			t.Errorf("%d to %d ms at %.1f dB: %v, want %v", c.from, c.to, c.level, got, c.want)
		}
	}
}
