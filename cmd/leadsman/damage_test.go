package main

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	_ "github.com/mattn/go-sqlite3"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/report"
	"leadsman/tests/postgres"
)

// past runs statements on the file past the program, as a fault of the disk or somebody who can write it would change it.
func past(t *testing.T, data string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite3", filepath.Join(data, "leadsman.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.Query("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
	if err != nil {
		t.Fatal(err)
	}
	var drop, again []string
	for rows.Next() {
		var name, text string
		if err := rows.Scan(&name, &text); err != nil {
			t.Fatal(err)
		}
		drop, again = append(drop, "DROP TRIGGER "+name), append(again, text)
	}
	rows.Close()
	for _, q := range append(append(drop, statements...), again...) {
		if _, err := db.Exec(q); err != nil {
			t.Fatal(q, err)
		}
	}
}

// A log that is damaged is named, and what comes before the damage is saved as an exam of its own; a record that was changed past the
// program is named, and kept as it is for a reason that the journal has.
func TestDamageIsSavedOrAccepted(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	p, xs := someone(t, data)
	if status, out, errs := do(t, runVerify, "--data", data); status != exitOK {
		t.Fatal(out, errs)
	}
	past(t, data, "UPDATE patients SET created = created + 1 WHERE id = '"+p.ID+"'")
	status, _, errs := do(t, runVerify, "--data", data)
	if status != exitInput || !strings.Contains(errs, p.ID) {
		t.Errorf("a patient was changed past the program: %d %s", status, errs)
	}
	if status, out, errs := do(t, runVerify, "--data", data, "--accept", "put right by hand"); status != exitOK || !strings.Contains(out, "accepted as they are: 1 record") {
		t.Errorf("%d %s %s", status, out, errs)
	}
	if status, _, errs := do(t, runVerify, "--data", data); status != exitOK {
		t.Errorf("accepted, it is still found: %s", errs)
	}
	past(t, data, "UPDATE events SET body = zeroblob(length(body)) WHERE seq = 10 AND exam = '"+xs[0].ID+"'")
	status, out, errs := do(t, runVerify, "--data", data, "--salvage")
	if status != exitInput || !strings.Contains(out, "exam "+xs[0].ID+": saved as exam ") {
		t.Errorf("a damaged log: %d %s %s", status, out, errs)
	}
}

// Moved into a database and back, the data are the same (PostgreSQL as the judge of its own).
func TestMoveThereAndBack(t *testing.T) {
	for _, wrong := range [][]string{{}, {"--from", "a", "--to", "b"}, {"--from", "postgres://a", "--to", "postgresql://b"}, {"--from", "a", "--to", "postgres://b"}} {
		if status, _, errs := do(t, runMove, wrong...); status != exitInput {
			t.Errorf("%v: %d %s", wrong, status, errs)
		}
	}
	dir := t.TempDir()
	data, node, back := filepath.Join(dir, "data"), filepath.Join(dir, "node"), filepath.Join(dir, "back")
	someone(t, data)
	_, was, _ := do(t, runVerify, "--data", data)
	there := postgres.Start(t).Schema("moved")
	if status, out, errs := do(t, runMove, "--from", data, "--to", there, "--data", node); status != exitOK || !strings.Contains(out, "verified before and after") {
		t.Fatal(status, out, errs)
	}
	if status, out, errs := do(t, runMove, "--from", there, "--to", back, "--data", node); status != exitOK {
		t.Fatal(status, out, errs)
	}
	status, is, errs := do(t, runVerify, "--data", back)
	held := func(said string) string { // without the journal, which has the moves
		_, said, _ = strings.Cut(said, ": ")
		said, _, _ = strings.Cut(said, ";")
		return said
	}
	if status != exitOK || held(is) != held(was) {
		t.Errorf("%d %q, before %q: %s", status, is, was, errs)
	}
}

// What is wrong with input is told as that; charts are written one a line; this computer is known by names that it has.
func TestWhatIsTold(t *testing.T) {
	var refused *chart.Refusal
	if err := refusal(&inputFault{"no day was decided"}); !errors.As(err, &refused) {
		t.Errorf("%T", err)
	}
	if err := refusal(os.ErrPermission); errors.As(err, &refused) {
		t.Error("a fault of the tool is told as one of the input")
	}
	if s := fmt.Sprint(lineFault{errors.New("line 3: no tooth 19")}); s != "line 3: no tooth 19" {
		t.Error(s)
	}
	var b strings.Builder
	if err := encodeAll(&b, []*report.Record{{Chart: &chart.Chart{ID: "a"}}, {Chart: &chart.Chart{ID: "b"}}}); err != nil {
		t.Fatal(err)
	}
	r := chartfile.NewReader(strings.NewReader(b.String()))
	for _, id := range []string{"a", "b"} {
		if c, err := r.Next(); err != nil || c.ID != id {
			t.Errorf("%+v, %v", c, err)
		}
	}
	host, err := os.Hostname()
	if names := ownNames(); err == nil && host != "localhost" && (len(names) == 0 || names[0] != host) {
		t.Errorf("this computer is %s by its own word, %v here", host, names)
	}
}
