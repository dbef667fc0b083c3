package practice_test

import (
	"strings"
	"testing"

	"leadsman/practice"
)

// Whatever a practice file holds, it is refused with file and line, or has words and paths that can be used.
func FuzzWords(f *testing.F) {
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
		for _, w := range h.Terms().Words() {
			if w == "" || strings.ContainsAny(w, " \t") {
				t.Fatalf("%q is no word", w)
			}
		}
		for name := range h.Paths() {
			if strings.TrimSpace(h.Paths()[name].Name) == "" {
				t.Fatalf("path %v has no name", name)
			}
		}
	})
}
