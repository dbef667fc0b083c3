package e2e

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"leadsman/chart"
)

// rect is where an element stands on the page.
func (p *page) rect(css string) string {
	p.t.Helper()
	return eval[string](p, fmt.Sprintf(`(() => { const r = document.querySelector(%q).getBoundingClientRect(); return [r.x, r.y, r.width, r.height].map(Math.round).join(); })()`, css))
}

// Messages have one place of one height: a refused key, refused words and a question move nothing, and the words come back to be mended.
func TestMessagesShiftNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI, "three two four")
	p := w.live(startBrowser(t), "Ada Quill", w.url)
	p.until("what to ask before probing", `document.querySelector(".gate").checkVisibility()`)
	// It is read whole, and how many messages wait behind it lies on none of its buttons.
	whole := func(where string) {
		t.Helper()
		if over := eval[int](p, `new Promise((ok) => requestAnimationFrame(() => { const m = document.querySelector(".messages"); ok(m.scrollHeight - m.clientHeight); }))`); over > 0 {
			t.Errorf("%s: %d px of the message are cut", where, over)
		}
		if eval[bool](p, `(() => { const b = document.querySelector(".behind").getBoundingClientRect(); return [...document.querySelectorAll(".messages :is(button, p)")].some((x) => { const r = x.getBoundingClientRect(); return !x.matches(".behind") && b.width && r.width && r.right > b.left && r.left < b.right && r.bottom > b.top && r.top < b.bottom; }); })()`) {
			t.Errorf("%s: how many more there are lies on the message", where)
		}
	}
	for range 2 {
		for _, width := range []int64{1920, 1280, 1250, 1000, 901, 900, 700, 561, 560, 390, 320} {
			far := eval[bool](p, `document.querySelector("ls-live").dataset.layout === "far"`)
			if far && width < 900 {
				continue // nobody stands two metres from a phone
			}
			if err := chromedp.Do(p.ctx, chromedp.EmulateViewport(width, 760)); err != nil {
				t.Fatal(err)
			}
			whole(fmt.Sprintf("%d px, far %v", width, far))
		}
		p.keys("v")
	}
	if err := chromedp.Do(p.ctx, chromedp.EmulateViewport(1280, 760)); err != nil {
		t.Fatal(err)
	}
	p.click("#words")
	p.keys("good morning\r")
	p.until("a refusal stands before it", `document.querySelector(".unsent")?.innerText.includes("Not entered") && document.querySelector(".behind").innerText === "1 more"`)
	whole("a refusal before it")
	p.clickText("Drop")
	eval[bool](p, `document.querySelector("#words").value = "", document.querySelector("#words").blur(), true`)
	p.clickText("I have checked it")
	at := func() string { return p.rect("ls-sheet") + " " + p.rect("ls-tape") + " " + p.rect(".messages") }
	before := at()
	same := func(what string) {
		t.Helper()
		if now := at(); now != before {
			t.Errorf("%s: the chart stands at %s, it stood at %s", what, now, before)
		}
	}
	p.until("nothing is to be said: it says what can be", `document.querySelector(".quiet").innerText.startsWith("Say or type")`)
	p.keys("rx")
	p.until("a key that means nothing is named in sight", `getComputedStyle(document.querySelector(".note.key")).display !== "none" && document.querySelector(".note.key").innerText.startsWith("That key means nothing here")`)
	same("a refused key")
	p.keys(kb.Escape)
	p.click("#words")
	p.keys("tooth ninety nine\r")
	p.until("the words come back", `document.querySelector("#words").value === "tooth ninety nine" && document.querySelector(".unsent").innerText.includes("Not entered")`)
	same("refused words")
	shot(t, p, "messages-refused")
	eval[bool](p, `document.querySelector("#words").value = "", true`)
	p.keys("missing one two\r")
	p.until("it is asked", `!document.querySelector(".question").hidden || document.querySelector("#words").value === ""`)
	same("after more words")
	// Three refusals take no more room than one.
	for range 3 {
		eval[bool](p, `document.querySelector("#words").value = "", true`)
		p.keys("good morning\r")
		p.until("refused", `document.querySelector("#words").value === "good morning"`)
	}
	same("three refusals")
	// A long place, as at the end of the path, moves nothing either.
	w.begin("x2", chart.FDI, fullCalls()...)
	p.goTo(w.url + "/exams/x2/live")
	p.until("the end of the path", `document.querySelector(".place").innerText.includes("of the path") && document.querySelector("ls-sheet td[data-key]")`)
	same("at the end of the path")
}

// Who takes back takes back own entries; any call can be taken back from the list, where own ones come first and others are named.
func TestTakeBackOwn(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI)
	b := startBrowser(t)
	ann := w.live(b, "Ann", w.url)
	ben := w.live(b, "Ben", w.url)
	ann.keys("3")
	ann.depth("17.DB", "3")
	ben.depth("17.DB", "3")
	ben.keys("7")
	ben.depth("17.B", "7")
	ann.depth("17.B", "7")
	ann.keys("u")
	ann.depth("17.DB", "")
	ann.depth("17.B", "7")
	ann.keys("u")
	ann.until("Ann has nothing left, and is told so", `document.querySelector(".note.key").innerText.startsWith("Nothing of yours is there to take back")`)
	ben.until("Ben's value stands", session+`.view.teeth["17"].sites.B.depth === 7`)
	ben.keys("4")
	ben.depth("17.MB", "4")
	ann.depth("17.MB", "4")
	ann.clickText("Calls")
	ann.until("Ben's calls are named, below Ann's own", `(() => { const t = document.querySelector(".calls").innerText; return t.indexOf("Yours") >= 0 && t.indexOf("Yours") < t.indexOf("Of others") && t.indexOf("Ben") > t.indexOf("Of others"); })()`)
	scan(t, ann, "list of calls")
	// Of the list only what changed is drawn anew: the call taken back, and the one that took it back.
	eval[bool](ann, `(window.lines = [...document.querySelectorAll(".calls li:not(.group)")], true)`)
	eval[bool](ann, `[...document.querySelectorAll(".calls li")].find((li) => li.innerText.includes("17 buccal: 7")).querySelector("button").click(), true`)
	ann.depth("17.B", "")
	ann.until("it is struck out", `[...document.querySelectorAll(".calls li.undone")].some((li) => li.innerText.includes("17 buccal: 7"))`)
	if n := eval[int](ann, `window.lines.filter((li) => !li.isConnected).length`); n != 1 {
		t.Errorf("%d of the lines were made anew, want 1", n)
	}
	if n := eval[int](ann, `document.querySelectorAll(".calls li:not(.group)").length - window.lines.length`); n != 1 {
		t.Errorf("%d lines were added, want 1", n)
	}
	ann.depth("17.MB", "4")
}

// Two layouts: at a distance nothing but the place, the last call, what is asked and the profile; the key for words leads back.
func TestLayoutsOfLive(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI, "three two four")
	p := w.live(startBrowser(t), "Ada Quill", w.url)
	seen := func() string {
		return eval[string](p, `["ls-tape", "ls-sheet", "ls-profile", ".place", ".last[data-latest]", ".messages", ".type", ".tabs"].filter((c) => document.querySelector("ls-live " + c)?.checkVisibility()).join(" ")`)
	}
	if s := seen(); s != "ls-tape ls-sheet .place .last[data-latest] .messages .type .tabs" {
		t.Errorf("at the keyboard there is %s", s)
	}
	p.keys("v")
	p.until("the profile is drawn", `document.querySelectorAll(".profile .water").length === 3`)
	if s := seen(); s != "ls-profile .place .last[data-latest] .messages" {
		t.Errorf("at a distance there is %s", s)
	}
	// To be read from two metres: at 96 dots an inch 64 px are 17 mm (common practice, no source).
	if px := eval[float64](p, `parseFloat(getComputedStyle(document.querySelector(".place")).fontSize)`); px < 64 {
		t.Errorf("the place is %.0f px high", px)
	}
	p.keys("5")
	p.depth("16.DB", "5")
	p.until("what was called last is shown, and in the profile", `document.querySelector(".last[data-latest]").innerText.includes("16 buccal: 5") && document.querySelectorAll(".profile .water").length === 4`)
	p.keys("/")
	p.until("words are typed at the keyboard", `document.activeElement.id === "words" && document.querySelector("ls-sheet").checkVisibility()`)
}
