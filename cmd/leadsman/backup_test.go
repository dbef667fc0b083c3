package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// do runs a command of the program and returns its status and what it printed.
func do(t *testing.T, run func([]string, io.Writer, io.Writer) int, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	status = run(args, &out, &errs)
	return status, out.String(), errs.String()
}

func TestBackupRestoreVerify(t *testing.T) {
	dir := t.TempDir()
	data, copied, again := filepath.Join(dir, "data"), filepath.Join(dir, "copy"), filepath.Join(dir, "again")
	fill(t, data)
	const holds = "1 patient, 1 exam, 0 events"
	for _, c := range []struct {
		name   string
		run    func([]string, io.Writer, io.Writer) int
		args   []string
		status int
		text   string // in the output, or in the one line on stderr
	}{
		{"verify", runVerify, []string{"--data", data}, exitOK, holds + ", all intact"},
		{"backup", runBackup, []string{copied, "--data", data}, exitOK, holds},
		{"backup onto it", runBackup, []string{copied, "--data", data}, exitInput, "exists already"},
		{"backup of nothing", runBackup, []string{"x", "--data", filepath.Join(dir, "none")}, exitInput, "no data here"},
		{"two files", runBackup, []string{"x", "y"}, exitInput, "one FILE"},
		{"verify copy", runVerify, []string{copied}, exitOK, holds},
		{"restore", runRestore, []string{copied, "--data", again}, exitOK, "restored " + holds},
		{"restore onto it", runRestore, []string{copied, "--data", again}, exitInput, "--overwrite"},
		{"restore over it", runRestore, []string{copied, "--data", again, "--overwrite"}, exitOK, holds},
		{"restore nothing", runRestore, []string{"--data", again}, exitInput, "one FILE"},
		{"restore no copy", runRestore, []string{filepath.Join(dir, "none"), "--data", again}, exitInput, "no such file"},
		{"verify no copy", runVerify, []string{filepath.Join(dir, "none")}, exitInput, "no such file"},
		{"salvage a copy", runVerify, []string{copied, "--salvage"}, exitInput, "restore the copy first"},
		{"wrong flag", runVerify, []string{"--speed"}, exitInput, "not defined"},
	} {
		status, out, errs := do(t, c.run, c.args...)
		if status != c.status || !strings.Contains(out+errs, c.text) {
			t.Errorf("%s: status %d, %q %q; want %d with %q", c.name, status, out, errs, c.status, c.text)
		}
		if (status == exitOK) != (errs == "") {
			t.Errorf("%s: status %d and stderr %q", c.name, status, errs)
		}
	}
	if status, out, _ := do(t, runBackup, dir, "--data", data); status != exitOK || !strings.HasPrefix(out, filepath.Join(dir, "leadsman-2")) {
		t.Errorf("backup into a folder: %d %q", status, out)
	}

	wreck(t, data)
	if status, _, errs := do(t, runVerify, "--data", data); status != exitInput || !strings.Contains(errs, "leadsman restore") {
		t.Errorf("verify of junk: %d %q", status, errs)
	}
	b, err := os.ReadFile(copied)
	if err != nil {
		t.Fatal(err)
	}
	half := filepath.Join(dir, "half")
	if err := os.WriteFile(half, b[:len(b)/2], 0o600); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := do(t, runVerify, half); status != exitInput || errs == "" {
		t.Errorf("verify of half a copy: %d %q", status, errs)
	}
}
