package figures

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

func TestReplace(t *testing.T) {
	const doc = "a\n<!-- one -->\nold\n<!-- end -->\nb\n<!-- two -->\n<!-- end -->\nc\n"
	got, err := Replace(doc, "one", Table([]string{"x", "y"}, [][]string{{"1", "2"}}))
	if want := "a\n<!-- one -->\n| x | y |\n|---|---|\n| 1 | 2 |\n<!-- end -->\nb\n<!-- two -->\n<!-- end -->\nc\n"; err != nil || got != want {
		t.Errorf("%q, %v", got, err)
	}
	if got, err := Replace(doc, "three", "x"); err == nil {
		t.Errorf("a place that is not there was found: %q", got)
	}
	if _, err := Replace(doc+doc, "one", "x"); err == nil {
		t.Error("a name that stands twice was taken")
	}
}

// Each place in the page of measurements is written by a test that names it.
func TestEveryPlaceHasItsTest(t *testing.T) {
	text, err := os.ReadFile(Doc("measurements.md"))
	if err != nil {
		t.Fatal(err)
	}
	places := regexp.MustCompile(`<!-- ([a-z ]+) -->\n`).FindAllStringSubmatch(string(text), -1)
	if len(places) < 10 { // five and their ends
		t.Fatalf("only %q", places)
	}
	var tests strings.Builder
	for _, dir := range []string{"accuracy", "e2e", "ownvoice", "load"} {
		files, err := os.ReadDir("../" + dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			if b, err := os.ReadFile("../" + dir + "/" + f.Name()); err == nil && strings.HasSuffix(f.Name(), "_test.go") {
				tests.Write(b)
			}
		}
	}
	for _, p := range places {
		if p[1] != "end" && !strings.Contains(tests.String(), `"measurements.md", "`+p[1]+`"`) {
			t.Errorf("no test writes %q", p[1])
		}
	}
}
