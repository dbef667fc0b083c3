package hear

import (
	"fmt"
	"testing"

	"leadsman/chart"
)

// parts makes the pieces of a place: so many numbers in each, a second long, with pauses of so many ms between.
func parts(pause int64, numbers ...int) (out []Part) {
	at := int64(1000)
	for _, n := range numbers {
		out = append(out, Part{Numbers: n, From: at, ToMS: at + 1000})
		at += 1000 + pause
	}
	return out
}

// What is learnt of the way in which an examiner calls: which way is the likeliest, and whether he calls one by one. The counts are engineering
// choices: a few places are enough, and the last dozen counts.
func TestRhythmIsLearnt(t *testing.T) {
	type heard struct {
		parts []Part
		after int64
		over  bool
		times int
	}
	places := heard{parts(0, 3), 800, false, 12}
	singles := heard{parts(700, 1, 1, 1), 800, false, 12}
	for _, c := range []struct {
		name  string
		heard []heard
		want  string // likeliest way, singly
	}{
		{"nothing", nil, "whole false"},
		{"whole places", []heard{places}, "whole false"},
		{"one by one", []heard{singles}, "single true"},
		{"one by one, once", []heard{{singles.parts, 800, false, 1}}, "whole false"},
		{"one by one, twice", []heard{{singles.parts, 800, false, 2}}, "whole true"},
		{"in two breaths", []heard{{parts(700, 2, 1), 800, false, 12}}, "pieces false"},
		{"a number, and then the rest", []heard{{parts(700, 1, 2), 800, false, 12}}, "pieces false"},
		{"rows", []heard{{parts(0, 3), 800, true, 12}}, "row false"},
		{"places at speed", []heard{{parts(0, 3), 300, false, 12}}, "whole false"},
		{"rows of which the ear makes numbers", []heard{{parts(300, 1, 1, 1), 300, false, 12}}, "row false"},
		{"places of which the ear makes numbers", []heard{{parts(300, 1, 1, 1), 800, false, 12}}, "whole false"},
		{"one by one, and then places again", []heard{singles, places}, "whole false"},
	} {
		var r Rhythm
		for _, h := range c.heard {
			for range h.times {
				r.Learn(h.parts, h.after, h.over)
			}
		}
		likeliest := ""
		for w, name := range []string{"whole", "single", "pieces", "row"} {
			if r.share(way(w)) == 1 {
				likeliest = name
			}
		}
		if got := fmt.Sprint(likeliest, " ", r.Singly()); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// How long a breath lasts and a place may stay short depends on the pauses that this examiner makes within a place: their memory rises at once
// and falls slowly. All engineering choices.
func TestRhythmOfPauses(t *testing.T) {
	for _, c := range []struct {
		pauses                 []int64
		within                 float64
		breath, one, two, long int64 // BreathMS; ShortMS after a lone number, after two, after a lone one of who calls so
	}{
		{nil, 0, 800, 1400, 1200, 4000},
		{[]int64{500}, 500, 800, 1400, 1200, 4000},
		{[]int64{1200}, 1200, 1560, 1800, 1800, 4000},
		{[]int64{2500}, 2500, 2500, 2500, 2500, 4000},
		{[]int64{9000}, 3000, 2500, 2500, 2500, 4000},
		{[]int64{1200, 600}, 1150, 1495, 1725, 1725, 4000},
	} {
		var r Rhythm
		for _, p := range c.pauses {
			r.Learn(parts(p, 2, 1), 0, false)
		}
		single := Rhythm{Single: 12, Within: r.Within}
		got := fmt.Sprint(r.Within, r.BreathMS(), r.ShortMS(parts(0, 1)), r.ShortMS(parts(0, 2)), single.ShortMS(parts(0, 1)))
		if want := fmt.Sprint(c.within, c.breath, c.one, c.two, c.long); got != want {
			t.Errorf("pauses of %v ms: %s, want %s", c.pauses, got, want)
		}
	}
}

// The place spoken last, as the log has it.
func TestAttempt(t *testing.T) {
	for _, c := range []struct {
		name  string
		calls []string
		want  string
	}{
		{"nothing", nil, "[] calls 0 here false mixed false"},
		{"a piece", []string{"three two"}, "[17.DB 17.B] calls 1 here true mixed false"},
		{"two pieces", []string{"three", "two"}, "[17.DB 17.B] calls 2 here true mixed false"},
		{"a place", []string{"three two", "four"}, "[17.DB 17.B 17.MB] calls 2 here false mixed false"},
		{"a flag is not of the numbers", []string{"three two four", "bleeding"}, "[17.DB 17.B 17.MB] calls 1 here false mixed false"},
		{"corrected", []string{"three two four", "correction five"}, "[17.DB 17.B 17.MB] calls 2 here false mixed false"},
		{"the next place was begun", []string{"three two four", "one"}, "[16.DB] calls 1 here true mixed false"},
		{"with the end of the one before", []string{"three two", "four one"}, "[16.DB] calls 1 here true mixed true"},
		{"taken back", []string{"three two", "four", "disregard"}, "[17.DB 17.B] calls 1 here true mixed false"},
		{"after a jump", []string{"three two", "tooth two six"}, "[] calls 0 here false mixed false"},
		{"on the other side", []string{"three two four", "tooth two six five"}, "[26.MB] calls 1 here true mixed false"},
	} {
		a := AttemptOf(mouth(t, c.calls...))
		var sites []chart.SiteRef
		sites = append(sites, a.Sites...)
		if got := fmt.Sprint(sites, " calls ", len(a.Calls), " here ", a.Here, " mixed ", a.Mixed); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}
