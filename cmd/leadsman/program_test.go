package main

import (
	"bytes"
	"strings"
	"testing"
)

// A key is made, listed and withdrawn at the command line; it is printed alone, so that a script can take it, and nowhere else.
func TestProgram(t *testing.T) {
	dir := t.TempDir() + "/data"
	program := func(args ...string) (int, string, string) {
		var out, err bytes.Buffer
		status := run(append([]string{"program", "--data", dir}, args...), nil, &out, &err)
		return status, out.String(), err.String()
	}
	status, key, note := program("make", "records of the practice", "--scopes", "patients:read,export", "--ends", "2099-12-31")
	if status != exitOK || !strings.HasPrefix(key, "leadsman_") || strings.Count(key, "\n") != 1 || !strings.Contains(note, "shown this once") {
		t.Fatal(status, key, note)
	}
	id := strings.Split(key, "_")[1]
	if _, list, _ := program("list"); list != id+"\trecords of the practice\tpatients:read,export\tnever used, until 2099-12-31\n" {
		t.Errorf("%q", list)
	}
	if status, out, _ := program("withdraw", id); status != exitOK || !strings.HasPrefix(out, "withdrawn") {
		t.Error(status, out)
	}
	if _, list, _ := program("list"); !strings.Contains(list, "withdrawn on ") {
		t.Error(list)
	}
	for _, bad := range [][]string{nil, {"make"}, {"make", "x"}, {"make", "x", "--scopes", "sign"}, {"withdraw", "nobody"}, {"list", "x"}, {"go"}} {
		if status, out, err := program(bad...); status != exitInput || strings.Count(err, "\n") != 1 || out != "" {
			t.Errorf("%q: %d %q %q", bad, status, out, err)
		}
	}
}
