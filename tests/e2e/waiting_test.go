package e2e

import (
	"fmt"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// looks is how a site is shown at the line and in the table: the numeral and its style, what else is drawn or written on it.
const looks = `(k, part) => ["ls-tape .cell", "ls-sheet td"].map((s) => {
	const e = document.querySelector(s + '[data-key="' + k + '"]');
	const n = getComputedStyle(e.querySelector(part));
	const frame = s === "ls-tape .cell" ? getComputedStyle(e) : n;
	const mark = getComputedStyle(e.querySelector(s === "ls-tape .cell" ? ".where" : ".num"), "::after").content;
	return {text: e.querySelector(part).innerText, italic: n.fontStyle === "italic", color: n.color, dashed: [frame.borderTopStyle, frame.outlineStyle, n.borderBottomStyle].includes("dashed"), mark, said: e.querySelector(".aloud")?.textContent ?? ""};
})`

type look struct {
	Text, Color, Mark, Said string
	Italic, Dashed          bool
}

func looksOf(p *page, key, part string) (line, table look) {
	p.t.Helper()
	l := eval[[]look](p, fmt.Sprintf(`(%s)(%q, %q)`, looks, key, part))
	return l[0], l[1]
}

// A value that waits for the service, and one that is only being heard, look and read otherwise than one that is entered: at
// the line, in the table, for ears.
func TestNotYetEntered(t *testing.T) {
	t.Parallel()
	clear := speech.Signal{LevelDB: -20, NoiseDB: -60}
	w := newWorld(t, scripted.New(scripted.Utterance{StartMS: 600, EndMS: 6600, Text: "three bleeding", Signal: clear}))
	w.begin("x1", chart.FDI, "two")
	log := w.logs["x1"]
	wav, _ := recording(t, "page-joe")
	p := w.live(withMic(t, wav), "Ann", w.url)
	apart := func(what, key, part, why, said string) {
		t.Helper()
		sureLine, sureTable := looksOf(p, "17.DB", part)
		line, table := looksOf(p, key, part)
		for name, l := range map[string][2]look{"line": {line, sureLine}, "table": {table, sureTable}} {
			if !l[0].Italic || !l[0].Dashed || l[0].Color == l[1].Color || l[1].Italic || l[1].Dashed {
				t.Errorf("%s, %s: %+v cannot be told from a confirmed one, %+v", what, name, l[0], l[1])
			}
		}
		if part == ".num" && line.Mark != why {
			t.Errorf("%s: the line says %s, want %s", what, line.Mark, why)
		}
		if !strings.Contains(table.Said, said) || strings.Contains(sureTable.Said, "not entered") {
			t.Errorf("%s: ears get %q, and %q of a confirmed one", what, table.Said, sureTable.Said)
		}
	}
	sure := func(key, text string) {
		t.Helper()
		p.until(key+" is entered", fmt.Sprintf(`(%s)(%q, ".num").every((l) => l.text === %q && !l.italic && !l.dashed && !l.said.includes("not entered"))`, looks, key, text))
	}
	sure("17.DB", "2")

	// The store takes its time: what was typed waits, and says so.
	log.hold.Lock()
	p.keys("5")
	p.until("it stands there", session+`.waiting.length === 1 && document.querySelector('ls-tape .cell[data-key="17.B"] .num').innerText === "5"`)
	apart("typed", "17.B", ".num", `"waits"`, "depth 5 typed, waits for the service, not entered yet")
	shot(t, p, "waiting-typed")
	scan(t, p, "a value that waits")
	if n := len(sets(t, w, chart.SiteRef{Tooth: 17, Site: chart.B})); n != 0 {
		t.Fatalf("%d entries are in the log already", n)
	}
	log.hold.Unlock()
	sure("17.B", "5")
	if s := sets(t, w, chart.SiteRef{Tooth: 17, Site: chart.B}); len(s) != 1 || s[0] != 10 { // half millimetres
		t.Errorf("shown as entered, but the log has %v", s)
	}

	// Margins alike.
	p.keys("r")
	p.keys("1")
	p.until("a margin is entered", session+`.view.teeth["17"].sites.B.recession === 1 && `+session+`.pending.length === 0`)
	log.hold.Lock()
	p.keys("r")
	p.keys("3")
	p.until("a margin waits, drawn", session+`.waiting.length === 1 && (`+looks+`)("17.B", ".margin").every((l) => l.text.endsWith("3"))`)
	_, table := looksOf(p, "17.B", ".margin")
	if line, _ := looksOf(p, "17.B", ".margin"); line.Text != "r3" || !line.Italic || !line.Dashed || table.Text != "3" || !table.Italic || !table.Dashed || !strings.Contains(table.Said, "recession 3 typed, waits") {
		t.Errorf("a margin that waits: %+v, %+v", line, table)
	}
	log.hold.Unlock()
	p.until("and is entered", session+`.view.teeth["17"].sites.B.recession === 3 && `+session+`.pending.length === 0`)

	// What is only being heard.
	p.clickText("Microphone on")
	p.until("a numeral is heard", `document.querySelector('ls-tape .cell[data-key="17.MB"][data-tentative=heard]')`)
	apart("heard", "17.MB", ".num", `"heard"`, "being heard, not entered yet")
	shot(t, p, "waiting-heard")
	sure("17.MB", "3")
}
