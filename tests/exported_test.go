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

// byInterface are methods that the standard library and modules call through interfaces of theirs.
var byInterface = map[string]bool{"String": true, "Error": true, "Unwrap": true, "Is": true, "As": true, "MarshalJSON": true, "UnmarshalJSON": true, "MarshalText": true,
	"UnmarshalText": true, "Read": true, "Write": true, "Close": true, "Len": true, "Less": true, "Swap": true, "Push": true, "Pop": true, "Format": true, "LogValue": true,
	"ServeHTTP": true, "Accept": true, "Flush": true, "Hijack": true, "Unlock": true, "Lock": true, "Describe": true, "Collect": true, "Scan": true, "Value": true, "Enabled": true,
	"Handle": true, "WithAttrs": true, "WithGroup": true, "RoundTrip": true, "Seek": true, "Addr": true, "WriteHeader": true, "Header": true,
	"WebAuthnID": true, "WebAuthnName": true, "WebAuthnDisplayName": true, "WebAuthnCredentials": true, "QueryContext": true, "QueryRowContext": true}

// What a package exports is used by another one, or is part of what another one uses: it stands in the type of something exported, is one of
// the values of an exported type, or an error that a caller may have to tell from others.
// Names are compared without types, so a method counts as used where any method of its name is.
func TestExportedIsUsed(t *testing.T) {
	exported := map[string]string{} // "dir.Name" or "dir.(method) Name" to where it is
	mentioned := map[string]bool{}  // "dir.Name" in the type of something exported of its own package
	selected := map[string]bool{}   // "dir.Name" by another package
	methods := map[string]map[string]bool{}
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		switch name := d.Name(); {
		case err != nil:
			return err
		case d.IsDir() && path != ".." && (strings.HasPrefix(name, ".") || name == "bin" || name == "dist" || name == "testdata"):
			return filepath.SkipDir
		case d.IsDir() || !strings.HasSuffix(name, ".go"):
			return nil
		}
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		dir := filepath.ToSlash(strings.TrimPrefix(filepath.Dir(path), ".."+string(filepath.Separator)))
		test := strings.HasSuffix(path, "_test.go")
		if !test && file.Name.Name != "main" && !strings.HasPrefix(dir, "tests/") {
			declares(dir, path, file, exported, mentioned)
		}
		from := dir
		if strings.HasSuffix(file.Name.Name, "_test") {
			from += "_test"
		}
		imports := map[string]string{}
		for _, imp := range file.Imports {
			if of, ours := strings.CutPrefix(strings.Trim(imp.Path.Value, `"`), "leadsman/"); ours {
				name := of[strings.LastIndex(of, "/")+1:]
				if imp.Name != nil {
					name = imp.Name.Name
				}
				imports[name] = of
			}
		}
		ast.Inspect(file, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if x, ok := sel.X.(*ast.Ident); ok && imports[x.Name] != "" {
				selected[imports[x.Name]+"."+sel.Sel.Name] = true
				return true
			}
			if methods[sel.Sel.Name] == nil {
				methods[sel.Sel.Name] = map[string]bool{}
			}
			methods[sel.Sel.Name][from] = true
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for name, where := range exported {
		dir, method, isMethod := strings.Cut(name, ".() ")
		if isMethod {
			used := byInterface[method]
			for from := range methods[method] {
				used = used || from != dir
			}
			if !used {
				t.Errorf("%s: the method %s is used by no other package: do not export it", where, method)
			}
		} else if !selected[name] && !mentioned[name] {
			t.Errorf("%s: %s is used by no other package: do not export it", where, name)
		}
	}
	if len(exported) < 800 {
		t.Errorf("only %d exported names were found", len(exported))
	}
}

// declares notes what a file exports, and which names of its package stand in the types of that.
func declares(dir, path string, file *ast.File, exported map[string]string, mentioned map[string]bool) {
	mention := func(nodes ...ast.Node) {
		for _, n := range nodes {
			ast.Inspect(n, func(n ast.Node) bool {
				if id, ok := n.(*ast.Ident); ok && id.IsExported() {
					mentioned[dir+"."+id.Name] = true
				}
				return true
			})
		}
	}
	for _, d := range file.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if !d.Name.IsExported() {
				continue
			}
			if d.Recv != nil {
				exported[dir+".() "+d.Name.Name] = path
			} else {
				exported[dir+"."+d.Name.Name] = path
			}
			mention(d.Type)
		case *ast.GenDecl:
			typed := false
			for _, s := range d.Specs {
				switch s := s.(type) {
				case *ast.TypeSpec:
					if s.Name.IsExported() && !strings.HasSuffix(s.Name.Name, "Error") {
						exported[dir+"."+s.Name.Name] = path
						mention(s.Type)
					}
				case *ast.ValueSpec:
					if s.Type != nil || len(s.Values) > 0 {
						typed = s.Type != nil && d.Tok == token.CONST // else a value of the type above
					}
					for _, n := range s.Names {
						if n.IsExported() && !typed && !strings.HasPrefix(n.Name, "Err") {
							exported[dir+"."+n.Name] = path
							if s.Type != nil {
								mention(s.Type)
							}
						}
					}
				}
			}
		}
	}
}
