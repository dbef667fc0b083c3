// Package program finds, or builds, the leadsman program for tests that use it from outside.
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

var build = sync.OnceValues(func() (string, error) {
	if p := os.Getenv("LEADSMAN_BIN"); p != "" {
		if _, err := os.Stat(p); err != nil {
			return "", fmt.Errorf("LEADSMAN_BIN: %w: run make build", err)
		}
		return p, nil
	}
	_, file, _, _ := runtime.Caller(0)
	root := filepath.Dir(filepath.Dir(filepath.Dir(file)))
	cmd := exec.Command("make", "-s", "build")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("make build: %w\n%s", err, out)
	}
	return filepath.Join(root, "bin", "leadsman"), nil
})

// Path is the program's file. LEADSMAN_BIN names it; without that it is built by make.
func Path(t testing.TB) string {
	t.Helper()
	p, err := build()
	if err != nil {
		t.Fatal(err)
	}
	return p
}
