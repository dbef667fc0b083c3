package diagnosis

import (
	"encoding/json"
	"strings"
	"testing"

	"leadsman/chart"
)

// Evidence about a whole tooth has no site, also where it is written by itself: in a prognosis.
func TestEvidenceByItself(t *testing.T) {
	e := Evidence{Tooth: 16, Site: chart.NumSites, Mobility: chart.GradeOf(2)}
	if b, err := json.Marshal(struct{ Because []Evidence }{[]Evidence{e}}); err != nil || string(b) != `{"Because":[{"tooth":"16","mobility":2}]}` {
		t.Errorf("%s %v", b, err)
	}
}

// A text needs escapes by any one byte wherever it stands.
func TestPlain(t *testing.T) {
	for c := range 256 {
		want := c >= ' ' && c <= '~' && c != '"' && c != '\\'
		for at := range 17 {
			for _, around := range []string{" ", "~", "!", "]"} {
				text := strings.Repeat(around, at) + string([]byte{byte(c)}) + strings.Repeat(around, 16-at)
				if got := plain([]byte(text)); got != want {
					t.Fatalf("%q: %v", text, got)
				}
			}
		}
	}
	for _, s := range []string{"", "a\"b", "caf\u00e9 au lait", "a < b & c, of plain text", "line\nline", "\x7f"} {
		var back string
		if b := appendText([]byte("x"), s); json.Unmarshal(b[1:], &back) != nil || back != s {
			t.Errorf("%q: %s", s, b)
		}
	}
}
