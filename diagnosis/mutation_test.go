package diagnosis_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var mutate = flag.String("mutate", "", "change each threshold whose name matches, up and down, and see that a test notices")

// equal are changes that no test can notice, with the reason.
var equal = map[string]string{
	"gradeSmokingB -":       "0 cigarettes a day is no smoking and is left out before",
	"riskSmokingModerate -": "0 cigarettes a day is no smoking and is left out before",
	"wholeMouthSites +":     "one site more or less moves no limit",
	"wholeMouthSites -":     "one site more or less moves no limit",
}

// TestThresholdsAreTested changes every number of thresholds.go, one at a time, by one (whole numbers) or a tenth, and expects a test
// to fail. It takes long and runs only when asked: go test ./diagnosis -run Thresholds -mutate . -timeout 2h
func TestThresholdsAreTested(t *testing.T) {
	if *mutate == "" {
		t.Skip("only with -mutate")
	}
	which, err := regexp.Compile(*mutate)
	if err != nil {
		t.Fatal(err)
	}
	src, err := filepath.Abs("thresholds.go")
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(src)
	if err != nil {
		t.Fatal(err)
	}
	fset := token.NewFileSet()
	file, err := parser.ParseFile(fset, src, text, 0)
	if err != nil {
		t.Fatal(err)
	}
	type number struct {
		name     string
		from, to int
		text     string
	}
	var numbers []number
	ast.Inspect(file, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		for i, v := range spec.Values {
			if lit, ok := v.(*ast.BasicLit); ok && (lit.Kind == token.INT || lit.Kind == token.FLOAT) && which.MatchString(spec.Names[i].Name) {
				at := fset.Position(lit.Pos()).Offset
				numbers = append(numbers, number{spec.Names[i].Name, at, at + len(lit.Value), lit.Value})
			}
		}
		return true
	})
	if len(numbers) == 0 {
		t.Fatalf("no threshold matches %q", *mutate)
	}
	dir := t.TempDir()
	for _, n := range numbers {
		for _, by := range []string{"+", "-"} {
			value := ""
			if strings.Contains(n.text, ".") {
				f, _ := strconv.ParseFloat(n.text, 64)
				value = fmt.Sprintf("%.4f", f*map[string]float64{"+": 1.1, "-": 0.9}[by])
			} else {
				i, _ := strconv.Atoi(n.text)
				value = strconv.Itoa(i + map[string]int{"+": 1, "-": -1}[by])
			}
			changed := filepath.Join(dir, "thresholds.go")
			if err := os.WriteFile(changed, []byte(string(text[:n.from])+value+string(text[n.to:])), 0o644); err != nil {
				t.Fatal(err)
			}
			overlay, err := json.Marshal(map[string]any{"Replace": map[string]string{src: changed}})
			if err != nil {
				t.Fatal(err)
			}
			list := filepath.Join(dir, "overlay.json")
			if err := os.WriteFile(list, overlay, 0o644); err != nil {
				t.Fatal(err)
			}
			out, err := exec.Command("go", "test", "-short", "-failfast", "-overlay", list, "-skip", "Thresholds|Fuzz|SecondImplementation|Noise", "-vet=off", ".").CombinedOutput()
			why, same := equal[n.name+" "+by]
			switch {
			case err == nil && !same:
				t.Errorf("%s = %s instead of %s: no test notices", n.name, value, n.text)
			case err != nil && same:
				t.Errorf("%s = %s is noticed after all (%s): take it off the list", n.name, value, why)
			case err != nil && !strings.Contains(string(out), "--- FAIL"):
				t.Errorf("%s = %s: the tests do not run: %.300s", n.name, value, out)
			}
		}
	}
}
