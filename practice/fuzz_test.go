package practice_test

import (
	"os"
	"strings"
	"testing"

	"leadsman/grammar"
	"leadsman/practice"
)

// Whatever a practice file holds, it is refused with file and line, or exams can be had with its words and paths.
func FuzzWords(f *testing.F) {
	b, err := os.ReadFile("testdata/practice.txt")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(b))
	f.Add("numbering universal\nsynonym pus = suppuration\nsound pus = like us\npath thirds: buccal 2-15, lingual 15-2\nignore um\n")
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 4000 {
			t.Skip("a longer one takes its time; TestManyWords has one of 3,000 lines")
		}
		h, err := practice.ReadWords("x", strings.NewReader(text))
		if err != nil {
			if !strings.HasPrefix(err.Error(), "practice file x") {
				t.Fatalf("the error does not name the file: %v", err)
			}
			return
		}
		net := grammar.NetOf(grammar.State{Numbering: "fdi", Listening: true, Terms: h.Terms()})
		if net.States() < 2 {
			t.Fatal("nothing can be said any more")
		}
		for name := range h.Paths() {
			if strings.TrimSpace(h.Paths()[name].Name) == "" {
				t.Fatalf("path %v has no name", name)
			}
		}
	})
}
