package voice

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"leadsman/chart"
	"leadsman/grammar"
)

// script is what is read for a voice profile: about two minutes. Every digit comes seven times or more, beside different neighbours, and
// the words of the trade once or twice.
var script = strings.Split(strings.TrimSpace(`
three two four
five three six
two one two
seven four eight
nine six zero
three three two
four five three
one eight seven
six two nine
zero four one
eight three five
two two three
seven nine six
five one four
bleeding mesial
no bleeding
recession two
tooth fourteen
plaque all
suppuration distal
four three two
six seven five
eight zero nine
one two three
ten eleven twelve
nine five eight
three six one
zero seven two
mobility one
furcation two buccal
correction four three
calculus
lingual three two three
missing sixteen
disregard
say again
next
five eight six
two nine zero
four one seven
stand by
go ahead
nine zero seven
zero eight zero
exam complete
`), "\n")

// Script is what is read for a voice profile, line by line.
func Script() []string { return append([]string(nil), script...) }

// drill makes the calls of an invented patient's upper buccal row: soundings along the path, and other calls in between.
func drill(rng *rand.Rand) []string {
	words := strings.Fields("zero one two three four five six seven eight nine ten")
	// How often a depth comes: shallow ones most, as in a mouth; each can come.
	often := []int{1, 4, 8, 9, 6, 4, 3, 2, 2, 1, 1}
	total := 0
	for _, n := range often {
		total += n
	}
	depth := func() string {
		at := rng.IntN(total)
		for i, n := range often {
			if at -= n; at < 0 {
				return words[i]
			}
		}
		return words[3]
	}
	between := []string{"bleeding", "bleeding mesial", "recession two", "plaque all", "mobility one", "suppuration distal", "no bleeding", "calculus"}
	rng.Shuffle(len(between), func(i, j int) { between[i], between[j] = between[j], between[i] })
	var lines []string
	for i := range drillPlaces {
		lines = append(lines, fmt.Sprintf("%s %s %s", depth(), depth(), depth()))
		if i%2 == 1 {
			lines = append(lines, between[i/2])
		}
	}
	return lines
}

const drillPlaces = 12

// line is a line to read, with what may be heard in its place.
type line struct {
	words []string
	where string        // the place it belongs to, for drills
	state grammar.State // what the grammar expects there, for drills
}

func lines(texts []string) []line {
	out := make([]line, len(texts))
	for i, t := range texts {
		out[i].words = strings.Fields(t)
	}
	return out
}

// walk gives each line of a drill the place and the grammar's state at which it is said, as if all lines before it had been heard.
func walk(texts []string, num chart.Numbering) ([]line, error) {
	evs, err := chart.Start(num, "", nil, nil, chart.Meta{})
	if err != nil {
		return nil, err
	}
	st, err := chart.Fold(evs)
	if err != nil {
		return nil, err
	}
	out := lines(texts)
	for i := range out {
		gs := grammar.StateOf(st)
		out[i].state = gs
		out[i].where = fmt.Sprintf("%s %s", st.Place.Tooth.Label(num), st.Place.Aspect)
		r, err := grammar.Parse(gs, out[i].words)
		if err != nil {
			return nil, fmt.Errorf("line %q of the drill: %w", texts[i], err)
		}
		evs, err := st.Do(r.Command, chart.Meta{Source: chart.Voice, Words: texts[i]})
		if err != nil {
			return nil, fmt.Errorf("line %q of the drill: %w", texts[i], err)
		}
		if err := st.Apply(evs...); err != nil {
			return nil, fmt.Errorf("line %q of the drill: %w", texts[i], err)
		}
	}
	return out, nil
}
