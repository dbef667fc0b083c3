package tests

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strings"
	"testing"
)

// maxLines is as long as a function of the dialogue may be: what is longer nobody reads as a whole.
const maxLines = 80

// The packages that decide what is entered have no long functions.
func TestFunctionsAreShort(t *testing.T) {
	seen := 0
	for _, dir := range []string{"../exam", "../exam/hear"} {
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		fset := token.NewFileSet()
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(fset, name, nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			for _, d := range f.Decls {
				fn, ok := d.(*ast.FuncDecl)
				if !ok {
					continue
				}
				seen++
				if n := fset.Position(fn.End()).Line - fset.Position(fn.Pos()).Line + 1; n > maxLines {
					t.Errorf("%s: %s has %d lines, at most %d", name, fn.Name.Name, n, maxLines)
				}
			}
		}
	}
	if seen < 100 {
		t.Errorf("only %d functions were found", seen)
	}
}
