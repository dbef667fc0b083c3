// Package shipped opens the recognizer with the shipped model for tests.
package shipped

import (
	"path/filepath"
	"runtime"
	"testing"

	"leadsman/speech/ctc"
	"leadsman/tests/program"
)

// Engine is closed when the test ends.
func Engine(t testing.TB) *ctc.Engine {
	t.Helper()
	_, file, _, _ := runtime.Caller(0)
	models := filepath.Join(filepath.Dir(file), "..", "..", "models")
	e, err := ctc.Open(ctc.Options{ModelDir: models, Library: program.Library(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	return e
}
