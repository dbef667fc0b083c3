// Package cli runs the program as scripts do; each .txtar file reads as a manual of one command.
package cli

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"leadsman/speech"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

func TestCommandLine(t *testing.T) {
	bin := program.Path(t)
	testscript.Run(t, testscript.Params{
		Dir: ".",
		Setup: func(e *testscript.Env) error {
			e.Setenv("PATH", filepath.Dir(bin)+string(os.PathListSeparator)+os.Getenv("PATH"))
			e.Setenv("HOME", e.WorkDir)
			r, err := recordings.Load("page-joe")
			if err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(e.WorkDir, "exam.wav"), speech.WAV(r.PCM), 0o644)
		},
	})
}
