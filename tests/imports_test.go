// Package tests checks the project as a whole.
package tests

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// allowed says which of our packages each package may import; the table in DEVELOPERS.md says the same.
var allowed = map[string][]string{
	"leadsman/chart":           {},
	"leadsman/chartfile":       {"chart"},
	"leadsman/grammar":         {"chart"},
	"leadsman/diagnosis":       {"chart", "chartfile"},
	"leadsman/speech":          {},
	"leadsman/speech/ctc":      {"speech"},
	"leadsman/speech/scripted": {"speech"},
	"leadsman/speech/worker":   {"speech"},
	"leadsman/speech/vosk":     {"speech"},
	"leadsman/exam":            {"chart", "chartfile", "grammar", "diagnosis", "speech", "exam/hear"},
	"leadsman/exam/hear":       {"chart", "grammar", "speech"},
	"leadsman/voice":           {"chart", "grammar", "speech", "exam"},
	"leadsman/practice":        {"chart", "grammar", "speech", "exam", "exam/hear", "voice"},
	"leadsman/store":           {"chart", "chartfile", "practice"},
	"leadsman/profile":         {"chart"},
	"leadsman/certs":           {},
	"leadsman/report":          {"chart", "chartfile", "diagnosis", "practice"},
	"leadsman/report/fhir":     {"chart", "chartfile", "diagnosis", "report"},
	"leadsman/report/hook":     {},
	"leadsman/report/tidy":     {"chart", "chartfile", "diagnosis", "practice", "report"},
	"leadsman/report/paper":    {"chart", "diagnosis", "profile", "report"},
	"leadsman/web":             {"practice", "exam", "diagnosis", "profile", "chart", "voice"},
}

// The table of packages in DEVELOPERS.md says the same as allowed, in both directions.
func TestTableOfPackages(t *testing.T) {
	text, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, _ = bytes.Cut(text, []byte("| package | what it is | may import, of ours |"))
	text, _, _ = bytes.Cut(text, []byte("\n\n"))
	told := map[string]bool{}
	for _, row := range regexp.MustCompile("(?m)^\\| `([a-z/]+)` \\| .* \\| (.*) \\|$").FindAllStringSubmatch(string(text), -1) {
		may, listed := allowed["leadsman/"+row[1]]
		if !listed {
			continue // programs and tests
		}
		told["leadsman/"+row[1]] = true
		var says []string
		if row[2] != "nothing" {
			says = strings.Split(row[2], ", ")
		}
		slices.Sort(says)
		if may = slices.Sorted(slices.Values(may)); !slices.Equal(says, may) {
			t.Errorf("DEVELOPERS.md says that %s may import %v, the test of imports %v", row[1], says, may)
		}
	}
	for p := range allowed {
		if !told[p] {
			t.Errorf("the table in DEVELOPERS.md lacks %s", p)
		}
	}
}

// pure packages import nothing but the standard library beside ours, and nothing of it that reads, writes, waits or guesses.
var pure = map[string]bool{"leadsman/chart": true, "leadsman/chartfile": true, "leadsman/grammar": true, "leadsman/diagnosis": true, "leadsman/exam/hear": true, "leadsman/profile": true}

// clocked are the uses of package time that ask for the time of day; reckoning with dates is fine.
var clocked = regexp.MustCompile(`\btime\.(Now|Since|Until|Sleep|After|AfterFunc|Tick|NewTimer|NewTicker)\b`)

var impure = []string{"os", "net", "net/http", "math/rand", "math/rand/v2", "crypto/rand", "database/sql", "os/exec", "syscall", "log", "log/slog"}

func TestImports(t *testing.T) {
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports,Dir,GoFiles", "leadsman/...").Output()
	if err != nil {
		t.Fatal(err)
	}
	dec := json.NewDecoder(strings.NewReader(string(out)))
	seen := 0
	for {
		var p struct {
			ImportPath string
			Imports    []string
			Dir        string
			GoFiles    []string
		}
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		may, listed := allowed[p.ImportPath]
		if !listed {
			// Programs and tests may import everything; any other package has to be in the table.
			if !strings.HasPrefix(p.ImportPath, "leadsman/cmd/") && !strings.HasPrefix(p.ImportPath, "leadsman/tests") && p.ImportPath != "leadsman/docs/site" &&
				p.ImportPath != "leadsman/speech/speechtest" && p.ImportPath != "leadsman/report/reporttest" && !strings.HasPrefix(p.ImportPath, "leadsman/models") {
				t.Errorf("%s is not in the table of what may import what", p.ImportPath)
			}
			continue
		}
		seen++
		for _, one := range may {
			if !slices.Contains(p.Imports, "leadsman/"+one) {
				t.Errorf("%s may import %s and does not: take it out of the table", p.ImportPath, one)
			}
		}
		for _, f := range p.GoFiles {
			src, err := os.ReadFile(filepath.Join(p.Dir, f))
			if err != nil {
				t.Fatal(err)
			}
			if use := clocked.Find(src); pure[p.ImportPath] && use != nil {
				t.Errorf("%s/%s uses %s: times come in from outside", p.ImportPath, f, use)
			}
		}
		for _, imp := range p.Imports {
			ours, isOurs := strings.CutPrefix(imp, "leadsman/")
			switch {
			case isOurs && !slices.Contains(may, ours):
				t.Errorf("%s imports %s", p.ImportPath, imp)
			case !isOurs && pure[p.ImportPath] && strings.Contains(strings.Split(imp, "/")[0], "."):
				t.Errorf("%s imports %s: the core uses the standard library alone", p.ImportPath, imp)
			case pure[p.ImportPath] && slices.Contains(impure, imp):
				t.Errorf("%s imports %s: the core has no input, output, clock or chance", p.ImportPath, imp)
			}
		}
	}
	if seen != len(allowed) {
		t.Errorf("%d of %d packages found", seen, len(allowed))
	}
}
