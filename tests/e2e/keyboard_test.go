package e2e

import (
	"context"
	"fmt"
	"net/url"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"leadsman/chart"
	"leadsman/exam"
)

// live opens an exam's Live screen.
func (w *world) live(b context.Context, who, base string) *page {
	w.t.Helper()
	p := open(w.t, b, base+"/settings")
	p.is(who)
	eval[bool](p, `localStorage.setItem("ls.prefs", JSON.stringify({answers: "silent"})), true`)
	p.goTo(base + "/exams/x1/live")
	p.until("Live is connected", session+`?.online && document.querySelector("ls-sheet td[data-key]")`)
	return p
}

// is says who sits at the page's screen, from the next request on: see solo.
func (p *page) is(who string) {
	p.t.Helper()
	eval[bool](p, fmt.Sprintf(`(document.cookie = "leadsman=%s; path=/", true)`, url.QueryEscape(who)))
}

func text(p *page, css string) string {
	p.t.Helper()
	return eval[string](p, fmt.Sprintf(`document.querySelector(%q)?.innerText ?? ""`, css))
}

// A whole row of work without the mouse: numbers along the path, flags, margins, grades, moving over
// point moves the pointer to the middle of something.
func (p *page) point(css string) {
	p.t.Helper()
	at := eval[[]float64](p, fmt.Sprintf(`(() => { const r = document.querySelector(%q).getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`, css))
	if _, err := chromedp.Call(p.ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: input.DispatchMouseEventTypeMouseMoved, X: at[0], Y: at[1]}); err != nil {
		p.t.Fatal(err)
	}
	p.until("the pointer is there", fmt.Sprintf(`document.querySelector(%q).matches(":hover")`, css))
}

// alt presses Alt and a digit.
func (p *page) alt(digit int) {
	p.t.Helper()
	const held = 1 // Alt (Chrome DevTools Protocol, Input)
	for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeRawKeyDown, input.DispatchKeyEventTypeKeyUp} {
		if _, err := chromedp.Call(p.ctx, input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kind, Key: fmt.Sprint(digit), Code: fmt.Sprintf("Digit%d", digit), Modifiers: held, WindowsVirtualKeyCode: int64('0' + digit)}); err != nil {
			p.t.Fatal(err)
		}
	}
}

// Alt and a digit correct the number that is pointed at and nothing else: no number is entered where there is none, calls go on at their place,
// and it says what it was and is taken back.
func TestCorrectByPointing(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	e := w.begin("x1", chart.FDI, "three two four")
	p := w.live(startBrowser(t), "Ada Quill", w.url)
	note := func(want string) {
		t.Helper()
		p.until("it says "+want, fmt.Sprintf(`document.querySelector(".note.key").innerText.startsWith(%q)`, want))
	}
	p.alt(7)
	note("Point at a number in the table")
	p.point(`td[data-key="15.B"]`)
	p.alt(7)
	note("15 B has no number to be corrected")
	p.point(`td[data-key="17.B"]`)
	if _, err := e.Words(t.Context(), "three three three", exam.Caller{Who: "Ben Oakley"}, "on"); err != nil {
		t.Fatal(err)
	}
	p.depth("16.MB", "3")
	p.alt(5)
	p.depth("17.B", "5")
	note("17 B: 2 corrected to 5. u takes it back.")
	p.until("the path stands where it stood", `document.querySelector("ls-tape .cell[data-next]").dataset.key === "15.DB"`)
	if got := eval[string](p, `["17.DB", "17.MB", "16.DB", "16.B", "16.MB"].map((k) => `+session+`.view.teeth[k.slice(0, 2)].sites[k.slice(3)].depth).join()`); got != "3,4,3,3,3" {
		t.Errorf("the other sites are %s", got)
	}
	p.keys("4")
	p.depth("15.DB", "4") // the path goes on although the pointer is elsewhere
	p.keys("u")
	p.depth("15.DB", "")
	p.keys("u")
	p.depth("17.B", "2")
}

// the table, correcting, taking back.
func TestKeyboardEntry(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	e := w.begin("x1", chart.FDI)
	p := w.live(startBrowser(t), "Ann", w.url)

	p.keys("3")
	p.keys("2")
	p.keys("4")
	p.keys("b")
	p.depth("17.MB", "4")
	p.until("the last sounding bleeds", session+`.view.teeth["17"].sites.MB.bleeding === true`)
	p.keys("b") // once more: back to not recorded
	p.until("not recorded again", session+`.view.teeth["17"].sites.MB.bleeding === undefined`)
	p.keys("B") // with Shift: asked, and no
	p.until("answered no", session+`.view.teeth["17"].sites.MB.bleeding === false`)
	p.keys("r")
	p.keys("2")
	p.until("recession", session+`.view.teeth["17"].sites.MB.recession === 2 && `+session+`.view.teeth["17"].sites.MB.attachment_loss === 6`)
	p.keys("m")
	p.keys("1")
	p.keys("f")
	p.keys("b")
	p.keys("2")
	p.until("mobility and furcation", session+`.view.teeth["17"].mobility === 1 && `+session+`.view.teeth["17"].furcation?.B === 2`)
	p.keys("+")
	p.keys("2")
	p.depth("16.DB", "12")

	// Typed fast, faster than any answer: nothing is lost, the order stays.
	eval[bool](p, `[..."325433"].forEach((key) => document.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}))), true`)
	p.depth("14.DB", "3")
	got := eval[string](p, `["16.B", "16.MB", "15.DB", "15.B", "15.MB", "14.DB"].map((k) => k.split(".")).map(([t, s]) => `+session+`.view.teeth[t].sites[s]?.depth ?? "").join("")`)
	if got != "325433" {
		t.Errorf("typed 325433, got %s", got)
	}

	// Over the table with the arrows: place, value, Escape, and the path goes on where it was.
	p.keys(kb.ArrowRight) // picks the place of the path
	p.until("14.B is picked", `document.querySelector('td[aria-selected="true"]')?.dataset.key === "14.B"`)
	p.keys(kb.ArrowDown)
	p.keys(kb.ArrowLeft)
	p.until("14.DL is picked and focused", `document.activeElement?.dataset.key === "14.DL"`)
	p.keys("6")
	p.depth("14.DL", "6")
	p.keys(kb.Escape)
	p.until("back on the path", `!document.querySelector('td[aria-selected="true"]') && document.activeElement === document.body`)
	p.keys("1")
	p.depth("14.B", "1")

	// Taking back, one call after the other.
	p.keys("u")
	p.until("14.B is taken back", session+`.view.teeth["14"].sites.B === undefined`)
	p.keys(kb.Backspace)
	p.until("14.DL is taken back", session+`.view.teeth["14"].sites.DL === undefined`)

	// The dialog of a site, by keyboard alone.
	p.keys(kb.ArrowRight)
	p.keys(kb.Enter)
	p.until("the dialog is open", `document.querySelector("dialog.editor")?.open && document.activeElement.type === "number"`)
	p.keys("4")
	p.keys(".")
	p.keys("5")
	p.keys(kb.Enter)
	p.depth("14.B", "4.5")
	p.until("the focus is back", `!document.querySelector("dialog.editor") && document.activeElement?.dataset.key === "14.B"`)
	p.keys(kb.Escape)

	// A call in words.
	p.keys("/")
	p.until("the box has the focus", `document.activeElement.id === "words"`)
	p.keys("missing 12")
	p.keys(kb.Enter)
	p.until("tooth 12 is missing", session+`.view.teeth["12"].state === "missing"`)
	p.keys("help")
	p.keys(kb.Enter)
	p.until("what can be said is shown", `!document.querySelector(".saying").hidden && document.querySelector(".saying").innerText.includes("three two four")`)
	scan(t, p, "what can be said")
	p.keys("say again")
	p.keys(kb.Enter)
	p.until("until the next call", `document.querySelector(".saying").hidden`)
	p.keys("good morning")
	p.keys(kb.Enter)
	p.until("what is no call is named", `document.querySelector(".unsent")?.innerText.includes("good morning")`)
	p.clickText("Drop")
	p.until("and dropped", `document.querySelector(".unsent").hidden`)
	eval[bool](p, `document.activeElement.blur(), true`)

	// Impossible values are refused by name and change nothing.
	p.keys("m")
	p.keys("9")
	p.until("mobility 9 is refused", `document.querySelector(".unsent")?.innerText.includes("out of range")`)
	p.clickText("Drop")

	// Standing by, and listening again.
	p.keys(" ")
	p.until("standing by", session+`.view.listening === false`)
	p.keys(" ")
	p.until("listening", session+`.view.listening === true`)

	// Single keys can be switched off: then they work only in the table.
	eval[bool](p, `localStorage.setItem("ls.prefs", JSON.stringify({answers: "silent", keys: false})), true`)
	p.goTo(w.url + "/exams/x1/live")
	p.until("Live is connected", session+`?.online && document.querySelector("ls-sheet td[data-key]")`)
	seq := eval[int](p, session+`.view.seq`)
	p.keys("5")
	p.keys("b")
	if n := eval[int](p, session+`.pending.length`); n != 0 || eval[int](p, session+`.view.seq`) != seq {
		t.Error("keys did something although they are switched off")
	}
	eval[bool](p, `document.querySelector('td[data-key="37.MB"]').focus(), true`)
	p.keys("5")
	p.depth("37.MB", "5")

	v, err := e.View(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range v.Calls {
		if c.Did != chart.VerbStart && (c.Source != chart.Keyboard || c.Who != "Ann") {
			t.Errorf("call %+v does not say who typed it", c)
		}
	}
}

// Two people at two browsers: each sees what the other does, and neither can overwrite the other
// unseen.
func TestTwoBrowsers(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	e := w.begin("x1", chart.Universal)
	b := startBrowser(t)
	ann := w.live(b, "Ann", w.url)
	cut := newCutter(t, w.url)
	ben := w.live(b, "Ben", cut.url)

	ann.keys("3")
	ann.keys("2")
	ann.keys("4")
	ben.depth("17.MB", "4")
	ben.click(`td[data-key="17.B"]`)
	ben.keys("5")
	ann.depth("17.B", "5")
	ben.keys(kb.Escape)
	ann.until("Ann sees who did it", `document.querySelector("ls-live .heard").innerText.includes("Ben")`)

	// Both at one site. Ben's line is cut, so he cannot see that Ann is faster.
	cut.cut(true)
	ben.until("Ben's page notices", `!`+session+`.online`)
	ann.click(`td[data-key="16.DB"]`)
	ann.keys("6")
	ann.depth("16.DB", "6")
	ben.click(`td[data-key="16.DB"]`)
	ben.keys("9")
	ben.until("Ben's entry is shown as unsent", `document.querySelector(".unsent")?.innerText.includes("Not sent yet: 3 DB: 9")`)
	cut.up()
	ben.until("Ben is told what stands there now", `document.querySelector(".unsent")?.innerText.includes("it is 6 now")`)
	ben.depth("16.DB", "6")
	ben.clickText("Enter all the same")
	ann.depth("16.DB", "9")
	ben.depth("16.DB", "9")

	// And a real fight: both type at the same site as fast as they can. Whatever was accepted is in
	// the log, whatever was not is on the list of the one who typed it.
	const each = 25
	fight := func(p *page, base int) {
		eval[bool](p, fmt.Sprintf(`(() => {
			for (let i = 0; i < %d; i++) {
				document.querySelector('td[data-key="15.B"]').click(); // the focus goes on with the next frame only
				document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: String(%d + i %% 4), bubbles: true}));
			}
			return true;
		})()`, each, base))
	}
	before := len(sets(t, w, chart.SiteRef{Tooth: 15, Site: chart.B}))
	done := make(chan bool)
	go func() { fight(ann, 1); done <- true }()
	fight(ben, 5)
	<-done
	accepted := 0
	for _, p := range []*page{ann, ben} {
		p.until("everything is answered", session+`.waiting.length === 0`)
	}
	accepted = len(sets(t, w, chart.SiteRef{Tooth: 15, Site: chart.B})) - before
	refused := eval[int](ann, session+`.refused.length`) + eval[int](ben, session+`.refused.length`)
	if accepted+refused != 2*each || accepted == 0 {
		t.Errorf("%d accepted and %d refused of %d", accepted, refused, 2*each)
	}
	v, err := e.View(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprint(*v.Teeth["15"].Sites["B"].Depth)
	ann.depth("15.B", want)
	ben.depth("15.B", want)
}

// sets lists what the log of x1 says was ever written at a site.
func sets(t *testing.T, w *world, at chart.SiteRef) []int {
	t.Helper()
	var out []int
	log := w.logs["x1"]
	log.mu.Lock()
	defer log.mu.Unlock()
	for _, ev := range log.Events {
		if ev.Kind == chart.KindSet && ev.Tooth == at.Tooth && *ev.Site == at.Site && ev.Value != nil {
			out = append(out, *ev.Value)
		}
	}
	return out
}

// A connection that breaks at any moment: what was typed waits in sight, and is entered once.
func TestReconnect(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI)
	b := startBrowser(t)
	other := w.live(b, "Ben", w.url)
	cut := newCutter(t, w.url)
	p := w.live(b, "Ann", cut.url)
	p.keys("3")
	p.depth("17.DB", "3")
	// Cut in the middle of a burst, several times: some commands are lost on the way to the
	// service, some answers on the way back.
	for i := range 5 {
		eval[bool](p, `[..."234"].forEach((key) => document.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}))), true`)
		cut.cut(false)
		p.until(fmt.Sprintf("burst %d is entered", i), session+`.pending.length === 0 && `+session+`.online`)
	}
	want := "3234234234234234" // what was typed
	got := eval[string](p, `document.querySelector("ls-app").session.view.line.flatMap((s) => s.sites.map((x) => `+session+`.view.teeth[s.tooth].sites[x]?.depth ?? "")).join("")`)
	if got != want {
		t.Errorf("typed %s, the chart has %s", want, got)
	}
	if n := eval[int](p, session+`.refused.length`); n != 0 {
		t.Errorf("%d entries were refused", n)
	}
	// Down for a while: entries wait, another screen goes on, and all of it meets again.
	cut.cut(true)
	p.until("the page notices", `!`+session+`.online`)
	p.click(`td[data-key="36.B"]`)
	p.keys("7")
	p.until("it waits in sight", `document.querySelector(".unsent").innerText.includes("Not sent yet: 36 B: 7") && document.querySelector("header").innerText.includes("unsent")`)
	other.click(`td[data-key="46.B"]`)
	other.keys("5")
	other.depth("46.B", "5")
	// The page is even loaded again meanwhile: what was typed is kept by the browser.
	cut.up()
	p.goTo(cut.url + "/exams/x1/live")
	p.depth("46.B", "5")
	p.depth("36.B", "7")
	other.depth("36.B", "7")
	if n := len(sets(t, w, chart.SiteRef{Tooth: 36, Site: chart.B})); n != 1 {
		t.Errorf("entered %d times", n)
	}
}
