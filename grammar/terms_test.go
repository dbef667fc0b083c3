package grammar

import (
	"strings"
	"testing"

	"leadsman/chart"
)

func synonym(said, means string) Synonym { return Synonym{strings.Fields(said), strings.Fields(means)} }

func TestTerms(t *testing.T) {
	terms, err := NewTerms([]Synonym{synonym("gum", "recession"), synonym("pus point", "suppuration"), synonym("scratch that", "disregard"),
		synonym("done", "exam complete"), synonym("oral", "lingual"), synonym("wobble", "mobility")}, []string{"lowers"})
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(terms.Words(), " "); got != "gum point scratch that done oral wobble lowers" {
		t.Errorf("words: %s", got)
	}
	for _, margins := range []bool{false, true} {
		st := State{Numbering: chart.Universal, Open: 3, Listening: true, Margins: margins, Terms: terms}
		for in, want := range map[string]string{
			"gum two": "margin 2", "gum": "prefix", "3 2 4 pus point mesial": "soundings 3 2 4 ; flag suppuration yes mesial", "scratch that": "disregard",
			"done": "exam complete", "tooth 14 oral": "go 26 lingual", "no pus point": "flag suppuration no", "wobble 1": "mobility 1",
			"path lowers": "path lowers", "path uppers": "misfit", "recession 2": "margin 2",
		} {
			words := Text(in)
			r, err := Parse(st, words)
			if got := outcome(r, err); got != want {
				t.Errorf("%s: %s (%v), want %s", in, got, err, want)
			}
			if heard := accepts(NetOf(st), words) != NoEnding; heard != (want != "misfit") {
				t.Errorf("%s: heard %t", in, heard)
			}
		}
		want := "misfit"
		if margins {
			want = "soundings -1 0 2"
		}
		if r, err := Parse(st, Text("-1 0 2")); outcome(r, err) != want {
			t.Errorf("-1 0 2, margins %t: %s, want %s", margins, outcome(r, err), want)
		}
	}
	if r, err := Parse(State{Numbering: chart.Universal, Listening: true}, Text("gum two")); err == nil {
		t.Errorf("without the terms: %v", r)
	}
	for _, c := range []struct {
		said, means, want string
	}{
		{"bleeding", "plaque", "already"}, {"three two", "recession", "already"}, {"spot", "bleedin", "no words of calls"}, {"spot", "complete exam", "no words of calls"},
		{"", "bleeding", "missing"},
	} {
		if _, err := NewTerms([]Synonym{synonym(c.said, c.means)}, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q for %q: %v, want %q in it", c.said, c.means, err, c.want)
		}
	}
	if _, err := NewTerms([]Synonym{synonym("spot", "bleeding"), synonym("spot", "plaque")}, nil); err == nil || !strings.Contains(err.Error(), "stands for") {
		t.Errorf("twice: %v", err)
	}
	if _, err := NewTerms(nil, []string{"arch"}); err == nil {
		t.Error("a path named arch")
	}
}
