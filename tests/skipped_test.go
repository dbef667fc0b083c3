package tests

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// What only measures must not pass for a test: it is skipped, so that whoever counts passed tests does not count it. A test that says
// something and returns would.
func TestWhatIsNotTestedIsSkipped(t *testing.T) {
	seen := 0
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && path != ".." && (strings.HasPrefix(d.Name(), ".") || d.Name() == "bin" || d.Name() == "dist"):
			return filepath.SkipDir
		case d.IsDir() || !strings.HasSuffix(path, "_test.go"):
			return nil
		}
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		for _, d := range file.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || !strings.HasPrefix(fn.Name.Name, "Test") {
				continue
			}
			seen++
			for _, s := range fn.Body.List {
				if cond, ok := s.(*ast.IfStmt); ok && leavesWithALog(cond.Body.List) {
					t.Errorf("%s: %s says something and returns: let it call t.Skip, or program.Measurement", fset.Position(cond.Pos()), fn.Name.Name)
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if seen < 600 {
		t.Errorf("only %d tests were found", seen)
	}
}

// leavesWithALog reports whether statements are a Log or Logf and a return.
func leavesWithALog(list []ast.Stmt) bool {
	if len(list) != 2 {
		return false
	}
	said, ok := list[0].(*ast.ExprStmt)
	if _, returns := list[1].(*ast.ReturnStmt); !ok || !returns {
		return false
	}
	call, ok := said.X.(*ast.CallExpr)
	if !ok {
		return false
	}
	f, ok := call.Fun.(*ast.SelectorExpr)
	return ok && (f.Sel.Name == "Log" || f.Sel.Name == "Logf")
}
