package outside

import (
	"encoding/json"
	"fmt"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// pypdf finds in what is printed: the language, the size of the paper in points (A4 595 by 842, Letter 612 by 792), embedded fonts,
// bookmarks, tags (ISO 32000-1, 14.8) for all that is painted, and the words, in each script that the languages need.
func TestPDFInReader(t *testing.T) {
	py := python(t)
	url, _, exams := invented(t)
	dir := t.TempDir()
	for query, want := range map[string][]string{
		"as=pdf":                              {"language en", "size 595 842", "Decision support for licensed", "Findings", "Signatures", "Tonetti et al. 2018", "attachment loss", "tagged Document:1 Figure:1 H1:1 H2:", " Table:"},
		"as=pdf&paper=letter":                 {"size 612 792"},
		"as=handout&language=en":              {"language en", "Care for your teeth and gums", "Reading grade", "tagged Document:1 Figure:", " H1:1 H2:"},
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
		for _, w := range append(want, "embedded True", "tagged Document:1") {
			if !strings.Contains(string(b), w) {
				t.Errorf("%s: no %q in\n%.1500s", query, w, b)
			}
		}
		if strings.Contains(string(b), "bookmarks 0") || strings.Contains(string(b), "cycle") {
			t.Errorf("%s: no bookmarks, or such as lead in a circle:\n%.500s", query, b)
		}
	}
}

// pypdf reads in the report what was signed, what stands now, why, by whom and when.
func TestAmendmentsInReader(t *testing.T) {
	py := python(t)
	url, _, _ := invented(t)
	var who struct{ Person struct{ ID, Name string } }
	if err := json.Unmarshal(fetch(t, url+"api/session"), &who); err != nil {
		t.Fatal(err)
	}
	var patients []struct{ ID string }
	if err := json.Unmarshal(fetch(t, url+"api/patients"), &patients); err != nil {
		t.Fatal(err)
	}
	post(t, url+"api/exams", `{"patient":"`+patients[0].ID+`","numbering":"fdi","path":"arch","id":"amended"}`, nil)
	for i, acts := range []string{`{"verb":"soundings","numbers":[3,2,4]}`, `{"verb":"sign"}`, `{"verb":"amend","text":"probed again at the end"},{"verb":"set","ref":{"tooth":17,"site":"B"},"field":"depth","number":6}`,
		`{"verb":"amend","text":"asked by telephone"},{"verb":"patient","text":"{\"cigarettes_per_day\":12}"}`} {
		post(t, url+"api/exams/amended/do", fmt.Sprintf(`{"id":"c%d","command":{"acts":[%s]}}`, i, acts), nil)
	}
	file := keep(t, t.TempDir(), "report.pdf", fetch(t, url+"api/exams/amended/export?as=pdf"))
	b, err := exec.Command(py, "print.py", file).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	said := strings.Join(strings.Fields(string(b)), " ")
	by := "Amended by " + who.Person.Name + " on " + time.Now().Format(time.DateOnly)
	for _, w := range []string{by, "17 B depth: from 2 to 6. Reason: probed again at the end", "from cigarettes per day not recorded to cigarettes per day 12. Reason: asked by telephone", "signed, amended"} {
		if !strings.Contains(said, w) {
			t.Errorf("no %q in\n%s", w, said)
		}
	}
}
