package web_test

import (
	"encoding/json"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/practice"
	"leadsman/profile"
	"leadsman/web"
)

// The pictures come row by row, with the exam before behind them unless another one or none is asked for.
func TestProfileRows(t *testing.T) {
	s := start(t)
	s.practice.visits = []practice.Visit{
		{ID: "x1", Patient: "p1", Kind: "exam", Began: 50 * dayMS},
		{ID: "x2", Patient: "p1", Kind: "exam", Began: 1 * dayMS, SignedBy: "Ann", Recorded: 3, Sites: 168},
		{ID: "y1", Patient: "p9", Kind: "exam", Began: 2 * dayMS},
	}
	s.practice.states = map[string]*chart.State{"x2": called(t, chart.FDI, 1*dayMS, 7, 3, 5), "y1": called(t, chart.FDI, 1, 3)}
	if status, text := s.ask("POST", "/api/exams/x1/words", `{"text":"three two four","id":"w1"}`); status != 200 {
		t.Fatal(text)
	}
	type answer struct {
		Span    profile.Span
		Earlier *practice.Visit
		Rows    []struct{ Row, SVG string }
	}
	get := func(query string) (a answer) {
		t.Helper()
		status, text := s.ask("GET", "/api/exams/x1/profile"+query, "")
		if status != 200 {
			t.Fatalf("%s: %d %s", query, status, text)
		}
		if err := json.Unmarshal([]byte(text), &a); err != nil {
			t.Fatal(err)
		}
		return a
	}
	all := get("")
	if len(all.Rows) != 4 || all.Earlier == nil || all.Earlier.ID != "x2" || all.Span.Bottom < 10 {
		t.Errorf("all rows: %d rows, earlier %v, span %v", len(all.Rows), all.Earlier, all.Span)
	}
	one := get("?rows=upper-buccal")
	if len(one.Rows) != 1 || one.Rows[0].Row != "upper-buccal" || one.Rows[0].SVG != all.Rows[0].SVG {
		t.Errorf("one row is another picture than among all")
	}
	// 17 DB was 7 and is 3: a change of 4 mm is marked, and the earlier bottom is drawn.
	if svg := one.Rows[0].SVG; !strings.Contains(svg, ">−4<") || !strings.Contains(svg, `class="was"`) {
		t.Errorf("then and now are not both there: %s", svg)
	}
	if none := get("?rows=upper-buccal&with=none"); none.Earlier != nil || strings.Contains(none.Rows[0].SVG, `class="was"`) {
		t.Error("an exam is drawn behind though none is to be")
	}
	for _, query := range []string{"?rows=left", "?with=y1", "?with=x1", "?with=x9"} {
		if status, text := s.ask("GET", "/api/exams/x1/profile"+query, ""); status < 400 || status >= 500 {
			t.Errorf("%s: %d %s", query, status, text)
		}
	}
}

// The colours of the depth scale on paper are the same in the page's style and in package profile.
func TestProfileColoursOnPaper(t *testing.T) {
	css := web.PrintTokens(t)
	for d := 1; d <= 12; d++ {
		for name, want := range map[string]string{"d": profile.Depths[d], "i": profile.Inks[d]} {
			if got := css(name, d); got != want {
				t.Errorf("--%s%d is %s in print, %s in package profile", name, d, got, want)
			}
		}
	}
}
