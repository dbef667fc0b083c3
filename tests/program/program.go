// Package program finds, or builds, what tests need that use the program from outside: the program, the speech library, tools.
package program

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
)

// root is the folder of the project.
func root() string {
	_, file, _, _ := runtime.Caller(0)
	return filepath.Dir(filepath.Dir(filepath.Dir(file)))
}

var build = sync.OnceValues(func() (string, error) {
	if p := os.Getenv("LEADSMAN_BIN"); p != "" {
		if _, err := os.Stat(p); err != nil {
			return "", fmt.Errorf("LEADSMAN_BIN: %w: run make build", err)
		}
		return p, nil
	}
	cmd := exec.Command("make", "-s", "build")
	cmd.Dir = root()
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("make build: %w\n%s", err, out)
	}
	return filepath.Join(root(), "bin", "leadsman"), nil
})

// Path is the program's file. LEADSMAN_BIN names it; without that it is built by make.
func Path(t testing.TB) string {
	t.Helper()
	if _, err := exec.LookPath("make"); err != nil && os.Getenv("LEADSMAN_BIN") == "" {
		Lacks(t, "the program: install make, or name the program with LEADSMAN_BIN")
	}
	p, err := build()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Library is the speech library: LEADSMAN_LIBRARY names it; without that it is the one in bin, which make build puts there.
func Library(t testing.TB) string {
	t.Helper()
	if p := os.Getenv("LEADSMAN_LIBRARY"); p != "" {
		return p
	}
	p := filepath.Join(root(), "bin", "libonnxruntime.so")
	if _, err := os.Stat(p); err != nil {
		Lacks(t, "the speech library: run make build")
	}
	return p
}

// Lacks ends a test for want of something that is not of the project: as a fault under make, which has all of it, else it is skipped.
func Lacks(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("LEADSMAN_BIN") != "" {
		t.Fatalf("this test needs %s", what)
	}
	t.Skipf("SKIPPED: this test needs %s (make test has all that tests need)", what)
}

// Measurement skips what measures and prints, and passes whatever it finds: LEADSMAN_MEASURE has it run, which how does, a command.
func Measurement(t testing.TB, how string) {
	t.Helper()
	if testing.Short() || os.Getenv("LEADSMAN_MEASURE") == "" {
		t.Skipf("SKIPPED: a measurement: %s", how)
	}
}
