// Package clinician plays a person against an exam: a clinician who calls a mouth that the exam does not
// know, hears tones and words and nothing else, and reacts to them. It runs in virtual time. An open recording
// that plays on whatever happens measures the ear; this measures the conversation.
//
// How the person behaves is in person.go, what is heard of the tool in page.go, the sound of the room in
// room.go. README.md says how to run it and what the person does not do.
package clinician

import (
	"math/rand/v2"

	"leadsman/chart"
)

// Place is one aspect of one tooth with what a probe would find there.
type Place struct {
	chart.Place
	Sites  [3]chart.Site // in the order in which the probe walks
	Depths [3]int        // mm, in that order
	Bleeds [3]bool
}

// Row tells rows of the path apart: arch and aspect.
func (p Place) Row() [2]bool { return [2]bool{p.Tooth.Upper(), p.Aspect == chart.Buccal} }

// Mouth is the true one: the places of the default path, 28 teeth and both aspects.
type Mouth []Place

// NewMouth makes up a mouth: every third seed a healthy one, otherwise one with pockets. What is likely at a
// site is common practice, no source: shallow in the middle of an aspect, deeper between teeth and at molars.
func NewMouth(seed uint64) Mouth {
	r := rand.New(rand.NewPCG(seed, 0x6d6f757468))
	healthy := seed%3 == 0
	steps := chart.Paths()[0].Steps
	bad := map[chart.Tooth]float64{} // of the tooth as a whole
	for _, t := range chart.AllTeeth() {
		bad[t] = max(0, r.NormFloat64()*1.1+0.4)
		if t.Molar() {
			bad[t] += 0.8
		}
	}
	var m Mouth
	for _, s := range steps {
		if s.Tooth.ThirdMolar() {
			continue
		}
		p := Place{Place: s.Place, Sites: s.Sites}
		for i, site := range s.Sites {
			between := site.Where() != chart.Mid
			d := 1.7 + 0.5*r.NormFloat64()
			if between {
				d = 2.5 + 0.6*r.NormFloat64()
			}
			most := 3
			if !healthy {
				most = 12
				if between {
					d += bad[s.Tooth] * (0.6 + 0.9*r.Float64())
				} else {
					d += bad[s.Tooth] * 0.4 * r.Float64()
				}
				if r.Float64() < 0.012 {
					d += 3 + 2*r.Float64()
				}
			}
			p.Depths[i] = min(most, max(1, int(d+0.5)))
			p.Bleeds[i] = r.Float64() < 0.05 || p.Depths[i] >= 4 && r.Float64() < 0.5
		}
		m = append(m, p)
	}
	return m
}

// ends reports whether a row of the path ends with place i.
func (m Mouth) ends(i int) bool { return i+1 >= len(m) || m[i].Row() != m[i+1].Row() }

// find gives the index of a place, -1 if the mouth has none such.
func (m Mouth) find(at chart.Place) int {
	for i := range m {
		if m[i].Place == at {
			return i
		}
	}
	return -1
}

var units = []string{"zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
	"thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"}

// spell gives the words of a number below 40.
func spell(n int) []string {
	if n < len(units) {
		return []string{units[n]}
	}
	out := []string{[]string{2: "twenty", 3: "thirty"}[n/10]}
	if n%10 > 0 {
		out = append(out, units[n%10])
	}
	return out
}
