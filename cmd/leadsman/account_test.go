package main

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"leadsman/practice"
	"leadsman/store"
)

// Somebody who has the machine gives an administrator a new password; the first one in a practice is an administrator's.
func TestAccount(t *testing.T) {
	dir := t.TempDir() + "/data"
	st, err := store.Open(t.Context(), dir, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	for name, role := range map[string]practice.Role{"Ada Quill": practice.Clinician, "Max Ledger": practice.Administrator} {
		if _, err := st.PutPerson(t.Context(), practice.Person{ID: strings.ToLower(name[:3]), Name: name, Roles: []practice.Role{role}}); err != nil {
			t.Fatal(err)
		}
	}
	st.Close()
	account := func(stdin string, args ...string) (int, string) {
		var out bytes.Buffer
		status := run(append([]string{"account", "--data", dir}, args...), strings.NewReader(stdin), &out, &out)
		return status, out.String()
	}
	for _, c := range []struct {
		stdin  string
		args   []string
		status int
		says   string
	}{
		{"", nil, exitOK, "Ada Quill\tclinician\tno password\tada\nMax Ledger\tadministrator\tno password\tmax\n"},
		{"seven fathoms deep\n", []string{"Ada Quill", "--password"}, exitInput, "the first one is an administrator's"},
		{"short\n", []string{"Max Ledger", "--password"}, exitInput, "at least 8"},
		{"seven fathoms deep\n", []string{"max ledger", "--password"}, exitOK, "is changed"},
		{"", []string{"Max Ledger"}, exitOK, "\tpassword\tmax\n"},
		{"another one, longer", []string{"Ada Quill", "--password"}, exitOK, "is changed"},
		{"\n", []string{"Max Ledger", "--password"}, exitInput, "last administrator"},
		{"x\n", []string{"Nobody", "--password"}, exitInput, "nobody is called"},
		{"", []string{"--password"}, exitInput, "one NAME"},
		{"", []string{"a", "b"}, exitInput, "one NAME"},
	} {
		if status, out := account(c.stdin, c.args...); status != c.status || !strings.Contains(out, c.says) {
			t.Errorf("%q: %d %s, want %d with %q", c.args, status, out, c.status, c.says)
		}
	}
	es, err := store.OpenReadOnly(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer es.Close()
	if got, err := es.Journal(t.Context(), practice.JournalQuery{What: "account.password", Who: "command line"}); err != nil || len(got) != 2 {
		t.Errorf("two passwords were given on the command line, the journal has %+v, %v", got, err)
	}
}
