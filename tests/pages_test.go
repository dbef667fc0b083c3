package tests

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// What the pages tell a reader to run or to open is there: targets of make, tests, settings of the environment, files. (Links within the pages:
// docs/site.)
func TestPagesNameWhatIsThere(t *testing.T) {
	files := func(pattern string) []string {
		out, err := exec.Command("git", "-C", "..", "ls-files", pattern).Output()
		if err != nil {
			t.Skip("without git the pages cannot be listed: ", err)
		}
		return strings.Fields(string(out))
	}
	read := func(name string) string {
		b, err := os.ReadFile(filepath.Join("..", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	makefiles := read("Makefile")
	var code strings.Builder
	for _, name := range files("*.go") {
		code.WriteString(read(name))
	}
	all := func(pattern, text string) func(string) bool {
		found := map[string]bool{}
		for _, m := range regexp.MustCompile(pattern).FindAllStringSubmatch(text, -1) {
			found[m[1]] = true
		}
		return func(name string) bool { return found[name] }
	}
	thereIs := func(name string) bool {
		found, _ := filepath.Glob(filepath.Join("..", name+"*")) // a name may leave out how the file ends
		return len(found) > 0
	}
	for _, c := range []struct {
		what, pattern string
		ok            func(string) bool
	}{
		{"target of make", "(?:`|\n *)make ([a-z]+)", all(`(?m)^([a-z]+):`, makefiles+read("models/training/Makefile"))},
		{"test", `\b((?:Test|Fuzz)[A-Z]\w+)`, all(`(?m)^func (\w+)\(`, code.String())},
		{"setting", `\b(LEADSMAN_[A-Z_]+)`, all(`(LEADSMAN_[A-Z_]+)`, code.String()+makefiles)},
		{"file", `\b((?:docs|tests|cmd|web|exam|speech|store|practice|report|diagnosis|grammar|models|packaging)/[\w./-]+\w)`, thereIs},
	} {
		named := 0
		for _, page := range files("*.md") {
			for _, m := range regexp.MustCompile(c.pattern).FindAllStringSubmatch(read(page), -1) {
				if named++; !c.ok(m[1]) && !strings.Contains(page, "THIRD_PARTY") {
					t.Errorf("%s names %q: there is no such %s", page, m[1], c.what)
				}
			}
		}
		if named < 10 {
			t.Errorf("the pages name %d times a %s", named, c.what)
		}
	}
}
