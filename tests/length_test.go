package tests

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// maxLines is as long as a function may be: what is longer nobody reads as a whole.
const maxLines = 60

// goFiles goes through the Go files of the project that are no tests.
func goFiles(t *testing.T, f func(path string, fset *token.FileSet, file *ast.File)) {
	t.Helper()
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		switch name := d.Name(); {
		case err != nil:
			return err
		case d.IsDir() && path != ".." && (strings.HasPrefix(name, ".") || name == "bin" || name == "dist" || name == "testdata"):
			return filepath.SkipDir
		case d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go"):
			return nil
		}
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, path, nil, parser.SkipObjectResolution)
		if err == nil {
			f(filepath.ToSlash(strings.TrimPrefix(path, ".."+string(filepath.Separator))), fset, file)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// No function is longer than maxLines but those of testdata/long.txt, and those grow no more: each stands there with its length, and
// leaves the list once it is short enough.
func TestFunctionsAreShort(t *testing.T) {
	list, err := os.ReadFile("testdata/long.txt")
	if err != nil {
		t.Fatal(err)
	}
	long := map[string]int{}
	for _, line := range strings.Split(strings.TrimSpace(string(list)), "\n") {
		if n, name, ok := strings.Cut(line, " "); ok && !strings.HasPrefix(line, "#") {
			if long[name], err = strconv.Atoi(n); err != nil {
				t.Fatal(err)
			}
		}
	}
	seen := 0
	goFiles(t, func(path string, fset *token.FileSet, file *ast.File) {
		for _, d := range file.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok {
				continue
			}
			seen++
			name := path + " " + fn.Name.Name
			n, most := fset.Position(fn.End()).Line-fset.Position(fn.Pos()).Line+1, max(maxLines, long[name])
			switch was, listed := long[name]; {
			case n > most:
				t.Errorf("%s has %d lines, at most %d", name, n, most)
			case listed && n <= maxLines:
				t.Errorf("%s has only %d lines: take it off testdata/long.txt, which says %d", name, n, was)
			}
			delete(long, name)
		}
	})
	for name := range long {
		t.Errorf("there is no %s any more: take it off testdata/long.txt", name)
	}
	if seen < 2000 {
		t.Errorf("only %d functions were found", seen)
	}
}
