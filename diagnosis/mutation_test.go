package diagnosis_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var mutate = flag.String("mutate", "", "change each threshold whose name matches, up and down, and see that a test notices")

// equal are changes that no test can notice, with the reason.
var equal = map[string]string{
	"wholeMouthSites +": "one site more or less moves no limit",
	"wholeMouthSites -": "one site more or less moves no limit",
}

// TestThresholdsAreTested changes every number of thresholds.go, one at a time, by one (whole numbers) or a tenth, and expects a test
// to fail. The tests are built once, with variables in the place of these numbers, and run once a change: some minutes for all, and
// only when asked: go test ./diagnosis -run Thresholds -mutate . -timeout 1h
func TestThresholdsAreTested(t *testing.T) {
	if *mutate == "" {
		t.Skip("only with -mutate")
	}
	which, err := regexp.Compile(*mutate)
	if err != nil {
		t.Fatal(err)
	}
	numbers, program := mutable(t)
	numbers = slices.DeleteFunc(numbers, func(n number) bool { return !which.MatchString(n.name) })
	if len(numbers) == 0 {
		t.Fatalf("no threshold matches %q", *mutate)
	}
	run := func(change string) ([]byte, error) {
		cmd := exec.Command(program, "-test.short", "-test.failfast", "-test.skip", "Thresholds|Fuzz|SecondImplementation|Noise")
		cmd.Env = append(os.Environ(), "LEADSMAN_MUTANT="+change)
		return cmd.CombinedOutput()
	}
	if out, err := run(""); err != nil {
		t.Fatalf("without a change: %v\n%s", err, out)
	}
	for _, n := range numbers {
		for _, by := range []string{"+", "-"} {
			value := n.changed(by)
			t.Run(n.name+by, func(t *testing.T) {
				t.Parallel()
				out, err := run(n.name + "=" + value)
				why, same := equal[n.name+" "+by]
				failed := regexp.MustCompile(`--- FAIL: (\S+)`).FindSubmatch(out)
				switch {
				case err == nil && !same:
					t.Errorf("%s = %s instead of %s: no test notices", n.name, value, n.text)
				case err != nil && same:
					t.Errorf("%s = %s is noticed after all (%s): take it off the list", n.name, value, why)
				case err != nil && failed == nil:
					t.Errorf("%s = %s: the tests do not run: %.300s", n.name, value, out)
				case err != nil:
					t.Logf("%s = %s: noticed by %s", n.name, value, failed[1])
				}
			})
		}
	}
}

// number is a constant of thresholds.go.
type number struct {
	name, text string
	in         types.Object
}

func (n *number) changed(by string) string {
	if strings.Contains(n.text, ".") {
		f, _ := strconv.ParseFloat(n.text, 64)
		return fmt.Sprintf("%.4f", f*map[string]float64{"+": 1.1, "-": 0.9}[by])
	}
	i, _ := strconv.Atoi(n.text)
	return strconv.Itoa(i + map[string]int{"+": 1, "-": -1}[by])
}

// mutable lists the numbers and builds the package's tests in such a way that LEADSMAN_MUTANT=NAME=VALUE changes one.
func mutable(t *testing.T) (numbers []number, program string) {
	t.Helper()
	fset, files, uses := checked(t)
	thresholds, err := filepath.Abs("thresholds.go")
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(files[thresholds], func(n ast.Node) bool {
		if spec, ok := n.(*ast.ValueSpec); ok {
			for i, v := range spec.Values {
				if lit, ok := v.(*ast.BasicLit); ok && (lit.Kind == token.INT || lit.Kind == token.FLOAT) {
					numbers = append(numbers, number{spec.Names[i].Name, lit.Value, uses.Defs[spec.Names[i]]})
				}
			}
		}
		return true
	})
	dir := t.TempDir()
	replaced := map[string]string{}
	for path, file := range files {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		text = withVariables(fset, file, text, numbers, uses)
		if path == thresholds {
			text = append(bytes.Replace(text, []byte("package diagnosis\n"), []byte("package diagnosis\n\nimport (\"os\"; \"strconv\"; \"strings\")\n"), 1), variables(numbers)...)
		}
		replaced[path] = filepath.Join(dir, filepath.Base(path))
		if err := os.WriteFile(replaced[path], text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	overlay, err := json.Marshal(map[string]any{"Replace": replaced})
	if err != nil {
		t.Fatal(err)
	}
	list := filepath.Join(dir, "overlay.json")
	if err := os.WriteFile(list, overlay, 0o644); err != nil {
		t.Fatal(err)
	}
	program = filepath.Join(dir, "mutable.test")
	if out, err := exec.Command("go", "test", "-c", "-overlay", list, "-vet=off", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return numbers, program
}

// variables is the text that declares a variable for each number.
func variables(numbers []number) string {
	var b strings.Builder
	for _, n := range numbers {
		fmt.Fprintf(&b, "\nvar mutant_%s = mutant(%q, %s)\n", n.name, n.name, n.text)
	}
	return b.String() + `
func mutant(name string, value float64) float64 {
	if which, other, ok := strings.Cut(os.Getenv("LEADSMAN_MUTANT"), "="); ok && which == name {
		value, _ = strconv.ParseFloat(other, 64)
	}
	return value
}
`
}

// withVariables puts a variable of the right type where the text of a file uses one of the numbers. In a constant expression such as
// 2*number, only the whole has a type.
func withVariables(fset *token.FileSet, file *ast.File, text []byte, numbers []number, uses *types.Info) []byte {
	kinds := map[*ast.Ident]types.Type{}
	var ids []*ast.Ident
	var whole ast.Expr // the constant expression around
	ast.Inspect(file, func(n ast.Node) bool {
		if decl, ok := n.(*ast.GenDecl); ok && decl.Tok == token.CONST {
			return false
		}
		if e, ok := n.(ast.Expr); ok && uses.Types[e].Value != nil && (whole == nil || e.Pos() >= whole.End()) {
			whole = e
		}
		if id, ok := n.(*ast.Ident); ok && slices.ContainsFunc(numbers, func(num number) bool { return uses.Uses[id] == num.in }) {
			ids = append(ids, id)
			kinds[id] = uses.Types[whole].Type
		}
		return true
	})
	for _, id := range slices.Backward(ids) {
		at := fset.Position(id.Pos()).Offset
		kind := types.TypeString(kinds[id], func(p *types.Package) string {
			if p.Name() == file.Name.Name {
				return ""
			}
			return p.Name()
		})
		text = slices.Concat(text[:at], []byte(kind+"(mutant_"+id.Name+")"), text[at+len(id.Name):])
	}
	return text
}

// checked parses the package with its inner tests and finds the type of everything in it.
func checked(t *testing.T) (*token.FileSet, map[string]*ast.File, *types.Info) {
	t.Helper()
	list, err := exec.Command("go", "list", "-export", "-deps", "-test", "-f", "{{.ImportPath}} {{.Export}}", ".").Output()
	if err != nil {
		t.Fatal(err)
	}
	exports := map[string]string{}
	for line := range strings.Lines(string(list)) {
		name, export, _ := strings.Cut(strings.TrimSpace(line), " ")
		exports[name] = export
	}
	fset, files := token.NewFileSet(), map[string]*ast.File{}
	var all []*ast.File
	paths, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range paths {
		file, err := parser.ParseFile(fset, p, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		if file.Name.Name != "diagnosis" {
			continue
		}
		path, err := filepath.Abs(p)
		if err != nil {
			t.Fatal(err)
		}
		files[path] = file
		all = append(all, file)
	}
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}, Defs: map[*ast.Ident]types.Object{}}
	open := func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) }
	conf := types.Config{Importer: importer.ForCompiler(fset, "gc", open)}
	if _, err := conf.Check("leadsman/diagnosis", fset, all, info); err != nil {
		t.Fatal(err)
	}
	return fset, files, info
}
