package practice

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Texts that spreadsheets take for formulas: the examples of OWASP's page on CSV injection (from memory), and what is near to them.
func TestCellsBeginNoFormula(t *testing.T) {
	for text, want := range map[string]string{
		"=1+1": "'=1+1", "+41 555": "'+41 555", "-2+3+cmd|' /C calc'!A0": "'-2+3+cmd|' /C calc'!A0", "@SUM(1)": "'@SUM(1)", "\t=1": "'\t=1", "\r=1": "'\r=1", "\n=1": "'\n=1",
		"'=1": "''=1", "''-": "'''-", // an apostrophe that was there stays
		"": "", "'": "'", "'tis": "'tis", "O'Hara": "O'Hara", "Ada Quill": "Ada Quill", "3-1": "3-1", "a=b": "a=b",
	} {
		if got := Cell(text); got != want {
			t.Errorf("Cell(%q) = %q, want %q", text, got, want)
		}
		if got := Text(want); got != text {
			t.Errorf("Text(%q) = %q, want %q", want, got, text)
		}
	}
}

// Any text comes back, and none begins a formula.
func TestCellsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.OneOf(rapid.StringOfN(rapid.SampledFrom([]rune("'=+-@\t\r\na1 ")), 0, 6, -1), rapid.String()).Draw(t, "text")
		c := Cell(s)
		if c != "" && strings.ContainsRune("=+-@\t\r\n", rune(c[0])) {
			t.Fatalf("Cell(%q) = %q", s, c)
		}
		if Text(c) != s {
			t.Fatalf("Text(%q) = %q, want %q", c, Text(c), s)
		}
	})
}

func TestJournalTableHasNoFormulas(t *testing.T) {
	var b bytes.Buffer
	if err := WriteJournal(&b, []Entry{{N: 1, What: "patient.merged", Who: "@who", Detail: "=HYPERLINK(\"x\")"}}); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(rows) != 2 || rows[1][3] != "'@who" || rows[1][8] != `'=HYPERLINK("x")` || rows[1][0] != "1" {
		t.Errorf("%q %v", rows, err)
	}
}
