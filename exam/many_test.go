package exam

import (
	"testing"

	"leadsman/chart"
)

// What a call did to very many sites is said in the words of people, and never as a count of something else.
func TestManySites(t *testing.T) {
	for _, c := range []struct {
		did   chart.Verb
		field chart.Field
		want  string
	}{
		{chart.VerbComplete, chart.FieldOf(chart.Bleeding), "exam complete"},
		{chart.VerbRest, chart.FieldOf(chart.Bleeding), "no bleeding at the other 116 sites"},
		{chart.VerbRest, chart.FieldRecession, "margin at the CEJ at the other 116 sites"},
	} {
		if got := manyText(c.did, c.field, 116); got != c.want {
			t.Errorf("%s of %s: %q, want %q", c.did, c.field, got, c.want)
		}
	}
}
