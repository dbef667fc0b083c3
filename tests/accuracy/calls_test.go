package accuracy

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/grammar"
	"leadsman/tests/recordings"
)

// row is a line of the grammar's table of calls.
type row struct {
	state grammar.State
	words string
}

// callRows reads grammar/testdata/calls.txt; its head explains the states.
func callRows(t *testing.T) (rows []row) {
	b, err := os.ReadFile("../../grammar/testdata/calls.txt")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(string(b), "\n") {
		if line == "" || line[0] == '#' {
			continue
		}
		f := strings.Split(line, "|")
		st := grammar.State{Numbering: chart.Universal, Open: 3, Listening: true}
		at, rest, quoted := strings.Cut(strings.TrimSpace(f[0]), `"`)
		if quoted {
			st.Pending = strings.Fields(strings.TrimSuffix(rest, `"`))
		}
		at, rest, quoted = strings.Cut(at, "<")
		if quoted {
			st.Amend = strings.Fields(strings.TrimSuffix(rest, ">"))
		}
		if strings.HasPrefix(at, "f") {
			st.Numbering = chart.FDI
		}
		at, _, standby := strings.Cut(at, "standby")
		st.Listening, st.Question = !standby, strings.HasSuffix(strings.TrimSpace(at), "q")
		rows = append(rows, row{st, strings.TrimSpace(f[1])})
	}
	return rows
}

// meant is what the grammar makes of words: the command, or how they are no call. What waits for more, what is refused and
// what changes nothing differ.
func meant(st grammar.State, words string) string {
	r, err := grammar.Parse(st, strings.Fields(words))
	var refused *chart.Refusal
	switch {
	case errors.As(err, &refused):
		return "refused"
	case err != nil || words == "":
		return "nothing"
	case r.Ending == grammar.Prefix:
		return "waits: " + strings.Join(r.Words, " ")
	}
	return fmt.Sprintf("%+v %t %t", r.Command, r.Pending, r.Amends)
}

// Every row of the table of calls (docs/calls.md), spoken by a voice that the model never heard, in the row's state: what is
// understood must mean what the row means. Speech that is no call must change nothing.
func TestAccuracyCalls(t *testing.T) {
	clips, err := recordings.Clips("calls-joe")
	if err != nil {
		t.Fatal(err)
	}
	sound := map[string][]int16{}
	for _, c := range clips {
		sound[c.Words] = c.PCM
	}
	rows := callRows(t)
	for _, row := range rows {
		if sound[row.words] == nil {
			t.Errorf("%q is not recorded: python3 tests/recordings/make.py --data FOLDER calls", row.words)
		}
	}
	if testing.Short() || os.Getenv("LEADSMAN_MEASURE") == "" || t.Failed() {
		t.Log("make accuracy measures it")
		return
	}
	e := engineUnderTest(t)
	right := 0
	for _, row := range rows {
		rec, err := e.NewRecognizer()
		if err != nil {
			t.Fatal(err)
		}
		if err := rec.SetNet(exam.Heard(grammar.NetOf(row.state))); err != nil {
			t.Fatal(err)
		}
		hyps, err := rec.Accept(sound[row.words])
		if err != nil {
			t.Fatal(err)
		}
		last, err := rec.Flush()
		if err != nil {
			t.Fatal(err)
		}
		rec.Close()
		var heard []string
		for _, h := range append(hyps, last...) {
			if h.Final && !h.Rejected && len(h.Readings) > 0 {
				heard = append(heard, h.Readings[0].Text())
			}
		}
		words := strings.Join(heard, " ")
		if got, want := meant(row.state, words), meant(row.state, row.words); got == want {
			right++
		} else {
			fmt.Printf("said %q, heard %q\n", row.words, words)
		}
	}
	fmt.Printf("rows of the table of calls, spoken: %d of %d understood\n", right, len(rows))
	if right < len(rows)*85/100 {
		t.Errorf("only %d of %d rows were understood", right, len(rows))
	}
}
