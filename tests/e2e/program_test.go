package e2e

import (
	"strings"
	"testing"

	"leadsman/tests/program"
)

// runProgram starts the built program on an empty store and gives its address, without a slash.
func runProgram(t *testing.T, flags ...string) string {
	t.Helper()
	base, _ := startProgram(t, flags...)
	return base
}

// startProgram also gives what ends the program before the test does.
func startProgram(t *testing.T, flags ...string) (base string, stop func()) {
	t.Helper()
	base, p := launch(t, flags...)
	stop = func() { _ = p.Stop() }
	t.Cleanup(stop)
	return base, stop
}

// launch starts the program and leaves it to the test to end it.
func launch(t *testing.T, flags ...string) (base string, p *program.Running) {
	t.Helper()
	p = program.Run(t, append([]string{"serve", "--addr", "127.0.0.1:0", "--data", t.TempDir()}, flags...)...)
	return strings.TrimSuffix(p.URL, "/"), p
}
