// Package figures writes what was measured into the documents: each measurement has a place of its own there, between two marks.
package figures

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write what was measured into the documents, as LEADSMAN_UPDATE=1 has make do it")

// Update reports whether what was measured is to be written.
func Update() bool { return *update || os.Getenv("LEADSMAN_UPDATE") != "" }

// Doc is a document of the project.
func Doc(name string) string {
	_, here, _, _ := runtime.Caller(0)
	return filepath.Join(filepath.Dir(here), "../../docs", name)
}

// Write puts text between <!-- name --> and <!-- end --> of a document where Update asks for it.
func Write(t testing.TB, doc, name, text string) {
	t.Helper()
	if !Update() {
		return
	}
	path := Doc(doc)
	was, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	is, err := Replace(string(was), name, text)
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	if err := os.WriteFile(path, []byte(is), 0o644); err != nil {
		t.Fatal(err)
	}
}

// Replace gives a document with another text in the place of a name.
func Replace(doc, name, text string) (string, error) {
	begin := "<!-- " + name + " -->\n"
	before, rest, ok := strings.Cut(doc, begin)
	_, behind, ok2 := strings.Cut(rest, "<!-- end -->")
	if !ok || !ok2 || strings.Contains(behind, begin) {
		return "", fmt.Errorf("there has to be one place %q with an end", strings.TrimSpace(begin))
	}
	return before + begin + strings.TrimRight(text, "\n") + "\n<!-- end -->" + behind, nil
}

// Table writes lines as a table.
func Table(head []string, lines [][]string) string {
	var b strings.Builder
	row := func(cells []string) { b.WriteString("| " + strings.Join(cells, " | ") + " |\n") }
	row(head)
	b.WriteString(strings.Repeat("|---", len(head)) + "|\n")
	for _, l := range lines {
		row(l)
	}
	return b.String()
}

// Conditions says on what it was measured: the figures of a busy machine are not those of an idle one.
func Conditions() string {
	cpu, _ := os.ReadFile("/proc/cpuinfo")
	with := "without"
	if strings.Contains(string(cpu), "avx512_vnni") || strings.Contains(string(cpu), "avx_vnni") {
		with = "with"
	}
	load, _ := os.ReadFile("/proc/loadavg")
	one, _, _ := strings.Cut(string(load), " ")
	return fmt.Sprintf("\nMeasured on %d hardware threads %s VNNI; load average at the end %s.\n", runtime.NumCPU(), with, one)
}
