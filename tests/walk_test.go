package tests

import (
	"go/ast"
	"go/token"
	"os"
	"regexp"
	"strings"
	"testing"
)

// The walk of a spoken number in DEVELOPERS.md is the one of the code: each function is there, and the one under which it stands calls it.
func TestWalkOfANumber(t *testing.T) {
	text, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, walk, found := strings.Cut(string(text), "<!-- walk -->\n```\n")
	walk, _, ended := strings.Cut(walk, "```")
	if !found || !ended {
		t.Fatal("DEVELOPERS.md has no walk")
	}
	calls := map[string]map[string]bool{} // of "file function"
	goFiles(t, func(path string, _ *token.FileSet, file *ast.File) {
		for _, d := range file.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok {
				continue
			}
			name := path + " " + fn.Name.Name
			if calls[name] == nil {
				calls[name] = map[string]bool{}
			}
			ast.Inspect(fn, func(n ast.Node) bool {
				if c, ok := n.(*ast.CallExpr); ok {
					switch f := c.Fun.(type) {
					case *ast.Ident:
						calls[name][f.Name] = true
					case *ast.SelectorExpr:
						calls[name][f.Sel.Name] = true
					}
				}
				return true
			})
		}
	})
	var above []string // the functions under which a line stands, by depth
	hops := 0
	for _, m := range regexp.MustCompile(`(?m)^( *)(\S+\.go) (\w+) +\S.*$`).FindAllStringSubmatch(walk, -1) {
		name, depth := m[2]+" "+m[3], len(m[1])/2
		if calls[name] == nil {
			t.Errorf("there is no %s", name)
		}
		if depth > len(above) {
			t.Fatalf("%s stands too deep", name)
		}
		if above = above[:depth]; depth > 0 && !calls[above[depth-1]][m[3]] {
			t.Errorf("%s does not call %s", above[depth-1], name)
		}
		above = append(above, name)
		hops++
	}
	if lines := strings.Count(walk, "\n"); hops < 15 || hops != lines {
		t.Errorf("%d of %d lines are hops", hops, lines)
	}
}
