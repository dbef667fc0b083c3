package e2e

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"leadsman/chart"
)

// A cursor hides neither colour nor flag of its cell, and the one of the keys never looks like the one of words.
func TestCursors(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI, "three two seven", "bleeding", "back")
	p := w.live(startBrowser(t), "Ada Quill", w.url)
	style := func(css, name string) string {
		return eval[string](p, fmt.Sprintf(`getComputedStyle(document.querySelector(%q)).%s`, css, name))
	}
	for range 3 {
		p.keys(kb.ArrowRight)
	}
	p.until("17 MB is picked", `document.querySelector('ls-tape .cell[data-picked]').dataset.key === "17.MB" && document.querySelector('ls-tape .cell[data-next]')?.dataset.key !== "17.MB"`)
	p.until("its colour is that of 7 mm, its flag is seen", `(() => { const c = document.querySelector('ls-tape .cell[data-picked]'); const d = getComputedStyle(document.documentElement).getPropertyValue("--d7").trim(); const b = document.createElement("p"); b.style.color = d; document.body.append(b); const want = getComputedStyle(b).color; b.remove(); return getComputedStyle(c).backgroundColor === want && c.querySelector(".flags").innerText === "b" && c.querySelector(".flags").checkVisibility(); })()`)
	for _, of := range []string{"ls-tape .cell", "ls-sheet td"} {
		picked, next := of+`[data-picked]`, of+`[data-next]`
		if of == "ls-sheet td" {
			picked = of + `[aria-selected="true"]`
		}
		if a, b := style(picked, "outlineStyle")+style(picked, "outlineWidth"), style(next, "outlineStyle")+style(next, "outlineWidth"); a == b {
			t.Errorf("%s: both cursors are %s", of, a)
		}
	}
	p.until("each says whose it is", `getComputedStyle(document.querySelector("ls-tape .cell[data-picked] .where"), "::after").content.includes("keys") && getComputedStyle(document.querySelector("ls-tape .cell[data-next] .where"), "::after").content.includes("words")`)
}

// Words that are not finished are gone on with, typed numbers are doubted as spoken ones are, and standing by says what it is.
func TestTypedAsSpoken(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI, "three two four")
	p := w.live(startBrowser(t), "Ada Quill", w.url)
	p.click("#words")
	p.keys("recession\r")
	p.until("it is not finished, and stands in the box", `document.querySelector("#words").value === "recession "`)
	p.keys("one two one\r")
	p.until("these are margins", session+`.view.teeth["17"].sites.MB.recession === 1 && `+session+`.view.teeth["17"].sites.B.recession === 2 && `+session+`.view.teeth["16"].sites.DB === undefined`)
	p.keys("furcation two lingual\r")
	p.until("what cannot be is refused", session+`.refused.length`)
	p.keys("fifteen fifteen fifteen\r")
	p.until("15 15 15 is doubted", session+`.view.doubts.length > 0 && !!document.querySelector('ls-sheet td[data-key="16.DB"] .doubt')`)
	p.keys("stand by\r")
	p.until("standing by does not say that words work", `(() => { const s = document.querySelector(".hearing").innerText; return s.includes("standing by") && !s.includes("keys and words work"); })()`)
	p.keys("go ahead\r")
	p.until("it goes on", session+`.view.listening`)
	p.clickText("Calls")
	p.until("no inner words in the list of calls", `(() => { const s = document.querySelector(".calls").innerText; return s.includes("17 buccal") && !/soundings|flag:|\bmargin:/.test(s); })()`)
	p.until("quotes are closed", `(() => { const q = document.querySelector(".calls .refused q"); return q && getComputedStyle(q, "::after").content.includes("close-quote"); })()`)
	p.until("wisdom teeth are not said to be missing", `document.querySelector('ls-tape .gone .why').innerText === "not called"`)
}

// The practice's list: no birth in the future, nobody twice unasked, no second exam beside an open one unasked; an address that has
// no screen says so.
func TestListWarns(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI)
	p := open(t, startBrowser(t), w.url+"/")
	p.until("the list", `document.querySelectorAll("ls-patients tbody tr").length === 2`)
	p.clickText("Add a patient")
	p.click("#p-name")
	p.keys("Nora Quay")
	p.click("#p-born")
	p.keys("2094-02-03")
	p.clickText("Add patient")
	p.until("a birth in the future is refused", `document.querySelector(".fault").innerText.includes("lies in the future")`)
	eval[bool](p, `document.querySelector("#p-born").value = "1994-02-03", document.querySelector("#p-name").value = "harriet sallow", true`)
	p.clickText("Add patient")
	p.until("the same name is warned of", `[...document.querySelectorAll(".fault")].some((f) => f.innerText.includes("already called so"))`)
	if len(w.patients) != 2 {
		t.Errorf("%d patients", len(w.patients))
	}
	p.clickText("Add patient")
	p.until("and taken when it is meant", `document.querySelector("ls-patient h1")?.innerText === "harriet sallow"`)
	p.goTo(w.url + "/patients/p1")
	p.clickText("New exam")
	p.until("the open exam is named", `document.querySelector("ls-patient .fault").innerText.includes("is still open")`)
	p.goTo(w.url + "/somewhere/else")
	p.until("there is no such page", `document.querySelector("ls-nowhere h1")?.innerText === "There is no page at this address"`)
	if err := chromedp.Do(p.ctx, chromedp.EmulateViewport(320, 640)); err != nil {
		t.Fatal(err)
	}
	for _, at := range []string{"/", "/patients/p1", "/due", "/card", "/exams/x1/live", "/exams/x1/review", "/exams/x1/close", "/exams/x1/findings", "/exams/x1/plan", "/exams/x1/print", "/settings", "/practise"} {
		p.goTo(w.url + at)
		p.until(at+" is drawn", `document.querySelector("main h1, main .note")`)
		if over := eval[int](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
			t.Errorf("%s is %d px wider than 320 px: %s", at, over, eval[string](p, `[...document.querySelectorAll("main *, header *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".scroll")).slice(-1).map((e) => e.outerHTML.slice(0, 200)).join()`))
		}
	}
}

// What was wrong in words: a call that was taken back is named and not called "call", "exam complete" says so once, tones have names of people,
// the margin above a healthy site is explained, and all that waits is counted.
func TestWordsOfPeople(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI, "three two four")
	b := startBrowser(t)
	cut := newCutter(t, w.url)
	p := w.live(b, "Ada Quill", cut.url)
	p.keys("5")
	p.depth("16.DB", "5")
	p.keys("u")
	p.until("it is taken back", session+`.view.teeth["16"].sites.DB === undefined`)
	p.click("#words")
	p.keys("exam complete\r")
	p.until("to the list of what is open", `document.querySelector("ls-close .steps")`)
	p.goTo(cut.url + "/exams/x1/live")
	p.clickText("Calls")
	p.until("the calls are listed", `document.querySelectorAll("ls-live .calls li").length > 3`)
	calls := text(p, "ls-live .calls")
	for what, wrong := range map[string]bool{"took back: 16": false, "took back: call": true, "exam complete exam complete": true, "soundings": true} {
		if strings.Contains(calls, what) == wrong {
			t.Errorf("%q in the list of calls, want %v:\n%s", what, !wrong, calls)
		}
	}
	p.clickText("Table")
	p.keys("b")
	p.until("a letter is entered by key", session+`.view.teeth["17"].sites.MB.bleeding`)
	p.goTo(cut.url + "/exams/x1/review")
	p.until("Review has no inner words either", `(() => { const rows = [...document.querySelectorAll("ls-review tr")].map((r) => r.innerText); return rows.some((r) => r.includes("by key") && r.includes("bleeding")) && !rows.some((r) => /\t(flag|set|margin|soundings)\t/.test(r)); })()`)
	p.goTo(cut.url + "/exams/x1/live")
	p.until("-3 beside a healthy site is explained", `document.querySelector("ls-sheet .legend")?.innerText.includes("a healthy margin lies 1 to 3 mm above")`)

	// Four numbers wait: four are counted, not the one that is being sent.
	cut.cut(true)
	p.until("the page notices", `!`+session+`.online`)
	p.keys("3243")
	p.until("four wait", `document.querySelector("header .state.bad")?.innerText === "4 unsent"`)
	cut.up()
	p.until("and are sent", session+`.waiting.length === 0`)

	p.goTo(w.url + "/settings")
	p.until("the tones can be heard", `document.querySelectorAll("ls-settings .tones button").length > 5`)
	if tones := text(p, "ls-settings .tones"); strings.Contains(tones, "misfit") || strings.Contains(tones, "arch") {
		t.Errorf("inner names of tones: %s", tones)
	}
}
