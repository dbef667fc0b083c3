package practice

import "strings"

// formula are the signs with which spreadsheets begin a formula, also behind blanks that they leave out.
// Source: OWASP, CSV Injection (from memory).
const formula = "=+-@\t\r\n"

// Cell is a text as a cell of a table with commas: an apostrophe before it keeps spreadsheets from working it out as a formula. Numbers
// are no texts and go without.
func Cell(s string) string {
	if begins(s) {
		return "'" + s
	}
	return s
}

// Text is what Cell made a cell of.
func Text(cell string) string {
	if strings.HasPrefix(cell, "'") && begins(cell) {
		return cell[1:]
	}
	return cell
}

// begins reports whether a text begins a formula, behind any number of apostrophes: one that was there before is told from Cell's.
func begins(s string) bool {
	s = strings.TrimLeft(s, "'")
	return s != "" && strings.ContainsRune(formula, rune(s[0]))
}
