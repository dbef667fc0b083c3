package outside

import (
	"os/exec"
	"strings"
	"testing"
)

// pypdf finds in what is printed: the language, the size of the paper in points (A4 595 by 842, Letter 612 by 792), embedded fonts,
// bookmarks, and the words, in each script that the languages need.
func TestPDFInReader(t *testing.T) {
	py := python(t)
	url, _, exams := invented(t)
	dir := t.TempDir()
	for query, want := range map[string][]string{
		"as=pdf":                              {"language en", "size 595 842", "Decision support for licensed", "Findings", "Signatures", "Tonetti et al. 2018", "attachment loss"},
		"as=pdf&paper=letter":                 {"size 612 792"},
		"as=handout&language=en":              {"language en", "Care for your teeth and gums", "Reading grade"},
		"as=handout&language=de":              {"language de", "Pflege für Zähne und Zahnfleisch", "Lesbarkeit"},
		"as=handout&language=es":              {"language es", "encías", "Qué hacer cada día"},
		"as=handout&language=fr":              {"language fr", "Prenez soin de vos dents"},
		"as=handout&language=pt&paper=letter": {"language pt", "size 612 792", "não para"},
	} {
		file := keep(t, dir, "page.pdf", fetch(t, url+"api/exams/"+exams[0]+"/export?"+query))
		b, err := exec.Command(py, "print.py", file).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v\n%s", query, err, b)
		}
		for _, w := range append(want, "embedded True") {
			if !strings.Contains(string(b), w) {
				t.Errorf("%s: no %q in\n%.1500s", query, w, b)
			}
		}
		if strings.Contains(string(b), "bookmarks 0") {
			t.Errorf("%s: no bookmarks", query)
		}
	}
}
