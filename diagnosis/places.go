package diagnosis

import (
	"strings"

	"leadsman/chart"
)

// plainNames are teeth as people without training call them, by position from the middle. Common
// practice, no source.
var plainNames = [...]string{"", "middle front tooth", "side front tooth", "eye tooth", "first small back tooth", "second small back tooth",
	"first big back tooth", "second big back tooth", "wisdom tooth"}

func plainName(t chart.Tooth) string {
	side := "left "
	if t.RightSide() {
		side = "right "
	}
	return side + plainNames[t.Position()]
}

// where writes the places of an advice in words: gaps if it has any, else teeth. Neighbours are drawn
// together, so that a whole arch is one phrase.
func (a *Advice) where() string {
	var jaws []string
	for _, upper := range [...]bool{true, false} {
		var at [17]chart.Tooth // by arch position
		put := func(t chart.Tooth) {
			if !t.Primary() && t.Upper() == upper {
				at[t.ArchPosition()] = t
			}
		}
		var phrases []string
		if len(a.Gaps) > 0 {
			for _, g := range a.Gaps {
				put(g.A) // a gap stands at its first tooth; the second is the next position
			}
			phrases = runs(at, func(first, last chart.Tooth) string {
				b := next(last)
				switch {
				case first == last:
					return "between the " + plainName(first) + " and the " + plainName(b)
				case next(first) == last:
					return "on both sides of the " + plainName(last)
				}
				return "every gap from the " + plainName(first) + " to the " + plainName(b)
			})
		} else {
			for _, t := range a.Teeth {
				put(t)
			}
			for _, s := range a.Sites {
				put(s.Tooth)
			}
			phrases = runs(at, func(first, last chart.Tooth) string {
				switch {
				case first == last:
					return plainName(first)
				case next(first) == last:
					return plainName(first) + " and " + plainName(last)
				}
				return plainName(first) + " to " + plainName(last)
			})
		}
		if len(phrases) > 0 {
			jaws = append(jaws, map[bool]string{true: "upper jaw: ", false: "lower jaw: "}[upper]+strings.Join(phrases, ", "))
		}
	}
	s := strings.Join(jaws, "; ")
	if s != "" {
		s = strings.ToUpper(s[:1]) + s[1:]
	}
	return s
}

// next is the neighbour of a tooth towards the patient's left.
func next(t chart.Tooth) chart.Tooth {
	switch {
	case !t.RightSide():
		return t + 1
	case t.Position() > 1:
		return t - 1
	case t.Upper():
		return 21
	}
	return 31
}

// runs phrases the unbroken rows of teeth of an arch.
func runs(at [17]chart.Tooth, phrase func(first, last chart.Tooth) string) []string {
	var out []string
	for p := 1; p < len(at); p++ {
		if at[p] == 0 {
			continue
		}
		first := at[p]
		for p+1 < len(at) && at[p+1] != 0 {
			p++
		}
		out = append(out, phrase(first, at[p]))
	}
	return out
}
