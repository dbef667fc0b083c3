package tests

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Each item of docs/security.md names the tests that hold it, and each of them exists in the package that it names.
func TestSecurityTable(t *testing.T) {
	text, err := os.ReadFile("../docs/security.md")
	if err != nil {
		t.Fatal(err)
	}
	named := regexp.MustCompile("`([a-z/]+)`|((?:Test|Fuzz)[A-Za-z0-9]+)")
	rows := 0
	for line := range strings.Lines(string(text)) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if !strings.HasPrefix(line, "| V") {
			continue
		}
		rows++
		if len(cells) != 3 {
			t.Errorf("%d cells, 3 are needed: %s", len(cells), line)
			continue
		}
		dir, tests := "", 0
		for _, m := range named.FindAllStringSubmatch(cells[2], -1) {
			if m[1] != "" {
				dir = m[1]
				continue
			}
			tests++
			if dir == "" || !has(t, dir, m[2]) {
				t.Errorf("%s: there is no %s in %q", strings.TrimSpace(cells[0]), m[2], dir)
			}
		}
		if tests == 0 {
			t.Errorf("%s: no test is named", strings.TrimSpace(cells[0]))
		}
	}
	if rows < 15 {
		t.Errorf("only %d items were found", rows)
	}
}

// has reports whether a package has a test.
func has(t *testing.T, dir, name string) bool {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("..", dir, "*_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(b), "\nfunc "+name+"(") {
			return true
		}
	}
	return false
}
