// Package cli runs the program as scripts do; each .txtar file reads as a manual of one command.
package cli

import (
	"os"
	"path/filepath"
	"strings"
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
			if err := os.WriteFile(filepath.Join(e.WorkDir, "exam.wav"), speech.WAV(r.PCM), 0o644); err != nil {
				return err
			}
			// The first calls of an exam, as somebody reads a script.
			if r, err = recordings.Load("fullmouth-joe"); err != nil {
				return err
			}
			var script []string
			for _, c := range r.Calls[:16] {
				script = append(script, c.Words)
			}
			end := int(r.Calls[15].End*speech.Rate) + speech.Rate/2
			if err := os.WriteFile(filepath.Join(e.WorkDir, "read.wav"), speech.WAV(r.PCM[:end]), 0o644); err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(e.WorkDir, "script.txt"), []byte(strings.Join(script, "\n")), 0o644)
		},
	})
}
