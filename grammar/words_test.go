package grammar

import (
	"strings"
	"testing"

	"leadsman/chart"
)

// The numbers of English, and those of radiotelephony where they differ (ICAO Annex 10, volume II: tree, fower, fife, niner).
func TestNumberWords(t *testing.T) {
	for word, n := range map[string]int{"zero": 0, "three": 3, "tree": 3, "fower": 4, "fife": 5, "niner": 9, "ten": 10, "nineteen": 19} {
		if got, ok := Number(word); !ok || got != n {
			t.Errorf("%s: %d, %t", word, got, ok)
		}
	}
	for n := range 20 {
		if got, ok := Number(Word(n)); !ok || got != n {
			t.Errorf("%d is %q and comes back as %d", n, Word(n), got)
		}
	}
	if n, ok := Number("bleeding"); ok {
		t.Errorf("bleeding is %d", n)
	}
}

// Where numbers are called one by one nothing but them is heard, and what leads out of it.
func TestOneByOneHears(t *testing.T) {
	st, err := chart.Start(chart.FDI, "arch", nil, nil, chart.Meta{Time: 1})
	if err != nil {
		t.Fatal(err)
	}
	s, err := chart.Fold(st)
	if err != nil {
		t.Fatal(err)
	}
	g := StateOf(s)
	if g.Numbering != chart.FDI || g.Open != 3 || !g.Listening || g.Margins {
		t.Errorf("the grammar sees %+v", g)
	}
	g.Single, g.Whole, g.Question = true, 1, true
	for words, heard := range map[string]bool{"three": true, "three two": true, "skip": true, "stand by": true, "correction four": true, "exam complete": true, "number one four": true, "number one four lingual": true, "back": true, "yes": true,
		"bleeding": false, "recession two": false, "tooth one four": false} {
		_, err := Parse(g, strings.Fields(words))
		if (err == nil) != heard {
			t.Errorf("%q: %v", words, err)
		}
		if misfit, ok := err.(*Misfit); ok && !strings.Contains(misfit.Error(), words) {
			t.Errorf("%q is refused as %v", words, err)
		}
	}
}

// Nets of one state are one, by their key; behind "remark" anything may be said.
func TestNetsByKeyAndRemarks(t *testing.T) {
	g := State{Numbering: chart.FDI, Open: 3, Whole: 3, Listening: true}
	n, other := NetOf(g), g
	other.Numbering = chart.Universal
	if n.Key() == "" || NetOf(g).Key() != n.Key() || NetOf(other).Key() == n.Key() {
		t.Error("keys do not tell nets apart")
	}
	remark := -1
	n.Arcs(0, func(word string, to int, _ float64) {
		if word == "remark" {
			remark = to
		}
	})
	if remark < 0 || n.Free(0) || !n.Free(remark) {
		t.Errorf("free speech follows at the start %t, behind remark (state %d) %t", n.Free(0), remark, remark >= 0 && n.Free(remark))
	}
}
