package tests

import (
	"go/ast"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The list of functions that other tests run than those of their package (make covered measures it) names functions that are there, each with a
// reason, and test files that are there.
func TestUncoveredIsExplained(t *testing.T) {
	there := map[string]bool{}
	goFiles(t, func(path string, _ *token.FileSet, file *ast.File) {
		for _, d := range file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok {
				there[path+" "+f.Name.Name] = true
			}
		}
	})
	text, err := os.ReadFile("testdata/uncovered.txt")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		if strings.HasPrefix(line, "#") {
			continue
		}
		n++
		name, why, _ := strings.Cut(line, "\t")
		if !there[name] {
			t.Errorf("%s is not there any more", name)
		}
		if len(strings.Fields(why)) < 1 {
			t.Errorf("%s: nothing says what runs it", name)
		}
		dir := ""
		for _, file := range regexp.MustCompile(`[a-z0-9/]*_?[a-z0-9]+(_test\.go|\.txtar)`).FindAllString(why, -1) {
			if strings.Contains(file, "/") {
				dir = filepath.Dir(file)
			} else {
				file = filepath.Join(dir, file)
			}
			if _, err := os.Stat("../" + file); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	if n < 20 {
		t.Errorf("only %d lines", n)
	}
}
