package hear

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
)

// Meaning is the readings of a breath that mean the same.
type Meaning struct {
	Result grammar.Result
	Err    error   // *chart.Refusal: well formed, and names what does not exist
	Sound  float64 // probability by the sound alone
	Fit    Fit     // how its numbers lie in the places
	Weight float64 // probability with all that is known
	key    string
}

// Meanings parses the readings of a hypothesis in the state in which they were spoken, likeliest first. Where words wait for more, the
// reading may go on with them, as likely as they were heard right, or stand alone.
func Meanings(h speech.Hypothesis, st grammar.State, waiting float64) []Meaning {
	var ms []Meaning
	add := func(st grammar.State, r speech.Reading, p float64) {
		res, err := grammar.Parse(st, strings.Fields(r.Text()))
		var refusal *chart.Refusal
		if err != nil && !errors.As(err, &refusal) {
			return
		}
		key := fmt.Sprintf("%t %t %v %s", res.Pending, res.Amends, err, keyOf(res))
		i := slices.IndexFunc(ms, func(m Meaning) bool { return m.key == key })
		if i < 0 {
			ms = append(ms, Meaning{Result: res, Err: err, key: key})
			i = len(ms) - 1
		}
		ms[i].Sound += p
	}
	alone := st
	alone.Pending = nil
	for _, r := range h.Readings {
		if len(st.Pending) == 0 {
			add(st, r, r.Posterior)
			continue
		}
		add(st, r, r.Posterior*waiting)
		add(alone, r, r.Posterior*(1-waiting))
	}
	slices.SortStableFunc(ms, func(a, b Meaning) int { return cmp.Compare(b.Sound, a.Sound) })
	return ms
}

func keyOf(r grammar.Result) string {
	if r.Ending == grammar.Prefix {
		return "prefix " + strings.Join(r.Words, " ")
	}
	b, _ := json.Marshal(r.Command)
	return string(b)
}

// numbers are the soundings of a command, in order; plain says that it begins with them.
func numbers(c chart.Command) (ns []chart.MM, plain bool) {
	for _, a := range c.Acts {
		if a.Verb == chart.VerbSoundings {
			ns = append(ns, a.Numbers...)
		}
	}
	return ns, len(c.Acts) > 0 && c.Acts[0].Verb == chart.VerbSoundings
}

// isValue reports whether a call writes values at sites or teeth and can so be marked as a doubt.
func isValue(v chart.Verb) bool {
	switch v {
	case chart.VerbSoundings, chart.VerbAll, chart.VerbSite, chart.VerbMargin, chart.VerbFlag, chart.VerbCorrection:
		return true
	}
	return false
}
