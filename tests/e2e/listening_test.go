package e2e

import (
	"fmt"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/speech/scripted"
)

// hears waits until the fixed place in the header says how the microphone stands, and for whom.
func (p *page) hears(what, whose string, off bool) {
	p.t.Helper()
	p.until(fmt.Sprintf("the header says %q, %q", what, whose), fmt.Sprintf(`(() => {
		const box = document.querySelector("header .listening");
		const b = box.querySelector(".off");
		return box.querySelector(".heard b").innerText === %q && box.querySelector(".patient").innerText === %q && (getComputedStyle(b).visibility === "visible" && !b.disabled) === %t;
	})()`, what, whose, off))
}

// said waits for the message over the screen.
func (p *page) said(text string) {
	p.t.Helper()
	p.until(fmt.Sprintf("it is said: %q", text), fmt.Sprintf(`document.querySelector(".notice").innerText.split("\n")[0] === %q`, text))
}

// Whether a microphone is heard, and for whom, stands in the same place on every screen, with the way back to Live and a
// switch; leaving the exam switches it off and says so.
func TestListeningIsInSight(t *testing.T) {
	t.Parallel()
	w := newWorld(t, scripted.New(scripted.Utterance{StartMS: 1000, EndMS: 1600, Text: "three two four"}))
	w.begin("x1", chart.FDI)
	w.begin("x2", chart.FDI)
	w.mu.Lock()
	v := w.visits["x2"]
	v.Patient, v.PatientName = "p2", "Jonas Merrow"
	w.visits["x2"] = v
	w.mu.Unlock()
	wav, _ := recording(t, "page-joe")
	p := w.live(withMic(t, wav), "Ann", w.url)
	p.hears("Not listening", "exam of Harriet Sallow", false)
	place := func() string {
		t.Helper()
		return eval[string](p, `(() => { const r = document.querySelector("header .listening").getBoundingClientRect(); return [r.x, r.y, r.width, r.height].map(Math.round).join(); })()`)
	}
	at := place()
	p.clickText("Microphone on")
	p.until("it is connected", ear+`.uplink?.state === "open"`)
	const harriet = "exam of Harriet Sallow"
	p.hears("Listening", harriet, true)
	shot(t, p, "listening-live")

	// On every screen of the exam the microphone stays on, and what is called is written.
	for _, screen := range []string{"Review", "Findings", "Over time", "Plan"} {
		p.clickText(screen)
		p.until(screen+" is shown", fmt.Sprintf(`document.title.includes(%q)`, screen))
		p.hears("Listening", harriet, true)
		if now := place(); now != at {
			t.Errorf("on %s it stands at %s, on Live at %s", screen, now, at)
		}
	}
	shot(t, p, "listening-plan")
	scan(t, p, "Plan while listening")
	p.depth("17.MB", "4")
	p.click("header .listening .heard")
	p.until("it leads back to Live", `!!document.querySelector("ls-live") && location.pathname === "/exams/x1/live"`)
	p.keys(" ")
	p.hears("Standing by", harriet, true)
	p.keys(" ")
	p.hears("Listening", harriet, true)
	p.clickText("Review")
	p.click("header .listening .off")
	p.hears("Not listening", harriet, false)
	if n := eval[string](p, `document.querySelector(".notice").innerText`); n != "" {
		t.Errorf("switched off by hand, and told all the same: %q", n)
	}

	// Leaving the exam, for no other and for another patient's.
	for _, to := range []struct{ path, whose string }{{"/", "no exam is open"}, {"/exams/x2/live", "exam of Jonas Merrow"}} {
		p.goTo(w.url + "/exams/x1/live")
		p.clickText("Microphone on")
		p.hears("Listening", harriet, true)
		if to.path == "/" {
			p.clickText("Patients")
		} else {
			eval[bool](p, fmt.Sprintf(`document.querySelector("ls-app").go(%q), true`, to.path))
		}
		p.hears("Not listening", to.whose, false)
		p.said("The microphone was switched off: the exam of Harriet Sallow was left.")
		p.until("screen readers hear it", `document.querySelector("ls-app > [aria-live]").innerText.startsWith("The microphone was switched off")`)
		p.until("nothing hides it", `document.querySelector(".notice").getBoundingClientRect().top >= document.querySelector("header").getBoundingClientRect().bottom - 1`)
		shot(t, p, "listening-left")
		scan(t, p, "after leaving the exam")
		sub := w.exams["x1"].Subscribe(0)
		off := false
		for end := time.After(10 * time.Second); !off; {
			select {
			case ch := <-sub.C:
				off = ch.Mic != nil && !ch.Mic.On
			case <-end:
				t.Fatal("the service still hears for the exam that was left")
			}
		}
		sub.Close()
		p.click(".notice button")
		p.said("")
	}
}

// Loaded again, a page cannot switch the microphone on by itself: it says that it is off, and one button switches it on.
func TestMicrophoneAfterReload(t *testing.T) {
	t.Parallel()
	w := newWorld(t, scripted.New())
	w.begin("x1", chart.FDI)
	wav, _ := recording(t, "page-joe")
	p := w.live(withMic(t, wav), "Ann", w.url)
	reload := func() {
		t.Helper()
		p.goTo(w.url + "/exams/x1/live")
		p.until("Live is connected", session+`?.online`)
	}
	reload()
	p.said("") // it was not on
	const harriet, gone = "exam of Harriet Sallow", "The microphone is off since the page was loaded again."
	p.clickText("Microphone on")
	p.hears("Listening", harriet, true)
	reload()
	p.said(gone)
	p.hears("Not listening", harriet, false)
	p.until("screen readers hear it", `document.querySelector("ls-app > [aria-live]").innerText.startsWith("The microphone is off")`)
	shot(t, p, "listening-reloaded")
	scan(t, p, "Live, loaded again")
	reload() // not yet dealt with
	p.said(gone)
	p.click(".notice button")
	p.until("it is on again", ear+`.on && `+ear+`.uplink?.state === "open"`)
	p.hears("Listening", harriet, true)
	p.said("")
	// Who switched it off knows.
	p.clickText("Microphone off")
	p.hears("Not listening", harriet, false)
	reload()
	p.said("")
	p.hears("Not listening", harriet, false)
}
