package grammar

import (
	"fmt"
	"strings"
	"testing"

	"leadsman/chart"
)

// spelled is a word of its own for each number.
func spelled(i int) string {
	return "q" + strings.Map(func(r rune) rune { return 'a' + r - '0' }, fmt.Sprint(i))
}

func manyTerms(tb testing.TB, n int) *Terms {
	tb.Helper()
	t := &Terms{}
	for i := range n {
		if err := t.AddSynonym(synonym(spelled(i), []string{"suppuration", "recession", "disregard", "lingual"}[i%4])); err != nil {
			tb.Fatal(err)
		}
	}
	return t
}

// A practice may have thousands of words of its own, each understood.
func TestManyTerms(t *testing.T) {
	st := State{Numbering: chart.Universal, Open: 3, Listening: true, Terms: manyTerms(t, 3000)}
	for i := 0; i < 3000; i += 500 {
		if r, err := Parse(st, []string{spelled(i)}); outcome(r, err) != "flag suppuration yes" {
			t.Errorf("%s: %s (%v)", spelled(i), outcome(r, err), err)
		}
	}
	if n := len(st.Terms.Words()); n != 3000 {
		t.Errorf("%d words", n)
	}
}

// Terms of a practice file: that they take time in proportion shows in the time of each.
func BenchmarkTerms(b *testing.B) {
	for _, n := range []int{300, 3000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				st := State{Numbering: chart.Universal, Open: 3, Listening: true, Terms: manyTerms(b, n)}
				NetOf(st)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/synonym")
		})
	}
}
