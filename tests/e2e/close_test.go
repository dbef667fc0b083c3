package e2e

import (
	"fmt"
	"testing"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// Closing with both hands in the mouth: "exam complete" leads to the list of what is open, each question stands there and is answered aloud,
// and "go there" leads back to Live. Only the signature is left to the hands.
func TestCloseByVoice(t *testing.T) {
	t.Parallel()
	engine := scripted.New()
	w := newWorld(t, engine, lowers(t))
	e := w.begin("x1", chart.FDI)
	if _, err := e.Do(t.Context(), chart.Command{Acts: []chart.Act{{Verb: chart.VerbPath, Text: "lowers"}}}, exam.Caller{Who: "Ada Quill"}, "path"); err != nil {
		t.Fatal(err)
	}
	wav, _ := recording(t, "page-joe")
	p := w.live(withMic(t, wav), "Ada Quill", w.url)
	p.clickText("Microphone on")
	say := func(words string) { // a moment after what the page has recorded so far
		t.Helper()
		p.until("the microphone runs", ear+`.uplink?.state === "open"`)
		at := eval[int64](p, `Math.round(`+ear+`.uplink.ring.head / 16)`) + 700
		engine.Say(scripted.Utterance{StartMS: at, EndMS: at + 700, Text: words, Signal: speech.Signal{LevelDB: -20, NoiseDB: -60}})
	}
	complete := func() {
		t.Helper()
		say("exam complete")
		p.until("it asks whether that was meant", session+`.view.question?.speak === "exam complete?"`)
		say("affirm")
	}
	for i, words := range []string{"three two four bleeding", "three three three", "two two two"} {
		say(words)
		p.until(words+" is written", fmt.Sprintf(session+`.view.recorded === %d`, 3*i+3))
	}
	complete()
	question := func(text string) {
		t.Helper()
		p.until("it asks: "+text, `!document.querySelector("ls-close ls-question").hidden && document.querySelector("ls-close ls-question p").innerText.startsWith("`+text+`")`)
	}
	question("3 sites not probed, 36 lingual. Yes: go there.")
	shot(t, p, "close-asked")
	scan(t, p, "close, asked")
	say("yes")
	p.until("it goes there, on Live, and is heard", `document.querySelector("ls-live") && document.querySelector("header .listening").dataset.state === "listening"`)
	say("two two three")
	p.depth("36.ML", "3")
	complete()
	question("Bleeding at 1, pus and plaque and calculus nowhere: none at the other sites?")
	say("yes")
	question("No margins were called: all at the CEJ?")
	say("no")
	p.until("what was not looked for stays unknown, openly", `!document.querySelector('[data-step=called] .how').textContent.includes("margins") && `+session+`.view.remarks.length === 1`)
	p.until("it says who signs", session+`.lastAnswer?.text === "all 12 sites probed, no doubts. the examiner signs on the screen"`)
	p.until("which is the step that is open", `document.querySelector("[data-step=sign] .head").ariaExpanded === "true" && document.querySelector("[data-step=sign] .body").innerText.includes("Ada Quill")`)
	if s := eval[string](p, `[...document.querySelectorAll(".steps > li")].filter((l) => l.hasAttribute("data-done")).map((l) => l.dataset.step).join(" ")`); s != "complete sites doubts called" {
		t.Errorf("done is %s", s)
	}
	if eval[bool](p, session+`.view.teeth["37"].sites.L.bleeding !== false`) {
		t.Error("37 L is not answered for bleeding")
	}
}

// Where nothing is open one button signs; it cannot be pressed by the second click of one that was meant for the button before. Where
// something is open, that is confirmed first.
func TestSignIsNoAccident(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil, lowers(t))
	e := w.begin("x1", chart.FDI)
	for i, words := range []string{"", "three two four bleeding", "three three three", "two two two", "two two three", "exam complete"} {
		cmd := chart.Command{Acts: []chart.Act{{Verb: chart.VerbPath, Text: "lowers"}}}
		var err error
		if words == "" {
			_, err = e.Do(t.Context(), cmd, exam.Caller{Who: "Ada Quill"}, "path")
		} else {
			_, err = e.Words(t.Context(), words, exam.Caller{Who: "Ada Quill"}, fmt.Sprint(i))
		}
		if err != nil {
			t.Fatal(words, err)
		}
	}
	p := w.live(startBrowser(t), "Ada Quill", w.url)
	p.goTo(w.url + "/exams/x1/close")
	const sign = `document.querySelector("[data-step=sign] form button")`
	p.until("the steps are shown", sign)
	eval[bool](p, `(document.querySelector('[data-step=sign] .head').click(), true)`)
	p.until("what is open is named, and confirmed", `document.querySelector("[data-step=sign] .body").innerText.includes("unknown where not called") && document.querySelector("#sure")`)
	eval[bool](p, `(document.querySelector('[data-step=called] .head').click(), true)`)
	// As quick as a hand can be: the moment the button is there.
	eval[bool](p, `(new MutationObserver(() => { const b = `+sign+`; if (b && !b.closest("[hidden]") && !document.querySelector("#sure") && !window.tried) { window.tried = 1; b.click(); } }).observe(document.querySelector("ls-close"), {subtree: true, childList: true, attributes: true}), true)`)
	p.clickText("Yes to all")
	p.until("the step to sign opens by itself or by hand", `document.querySelector("[data-step=called]").hasAttribute("data-done")`)
	eval[bool](p, `(document.querySelector("[data-step=sign] .body").hidden && document.querySelector('[data-step=sign] .head').click(), true)`)
	p.until("a click came at once, the button waits, nothing is to be confirmed", `window.tried && !document.querySelector("#sure") && document.querySelector("[data-step=sign] .body").innerText.includes("nothing is open")`)
	p.until("it can be pressed a moment later", `!`+sign+`.disabled`)
	if eval[bool](p, `!!`+session+`.view.signed_by || `+session+`.pending.length > 0`) {
		t.Fatal("the click that came at once has signed")
	}
	eval[bool](p, `(`+sign+`.click(), true)`)
	p.until("signed, and the chart can be printed", session+`.view.signed_by === "Ada Quill" && !document.querySelector("[data-step=print] .body").hidden`)
}
