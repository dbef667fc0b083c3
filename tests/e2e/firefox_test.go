package e2e

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/speech/scripted"
)

// The main flow in Firefox, with the built program and its recognizer: a patient, an exam called into the microphone, a value put right by
// keyboard, the closing, the printed chart. The microphone is one of the system's sound server, which hears a recording played into it, in real time.
func TestMainFlowInFirefox(t *testing.T) {
	t.Parallel()
	wav, _ := recording(t, "page-joe")
	base := runProgram(t)
	r := newRoom(t)
	f := startFirefox(t, r)
	f.goTo(base + "/")
	f.shot("firefox-first")
	f.until("the empty start", `!!document.querySelector("#ownname")`)
	f.eval(`document.querySelector("#ownname").focus()`)
	f.keys("Ada Quill\tNora Quay\r")
	f.until("Live is connected", `document.querySelector("button.seat").textContent === "Ada Quill" && `+session+`?.online && document.querySelector("ls-tape .cell")`)

	f.click("Microphone on")
	f.until("it is heard", ear+`.uplink?.state === "open" && `+ear+`.on`)
	said := make(chan bool)
	go func() { r.play(wav); close(said) }()
	f.until("the call is written", session+`.view.teeth["17"].sites.MB?.depth === 4`)
	f.until("bleeding too", session+`.view.teeth["17"].sites.MB.bleeding === true`)
	// While calls go on, the assistant puts a value right with the keyboard.
	f.corrects(`document.querySelector('ls-sheet td[data-key="17.B"]')`, "5")
	f.shot("firefox-typed")
	f.until("it is put right", session+`.view.teeth["17"].sites.B.depth === 5`)
	f.until("corrected by voice, and the last call written", session+`.view.teeth["16"].sites.MB?.depth === 6 && `+session+`.view.teeth["16"].sites.MB?.recession === 2 && `+session+`.view.teeth["13"].sites.MB?.depth === 2`)
	f.shot("firefox-live")
	<-said
	f.click("Microphone off")

	f.click("Exam complete")
	f.until("the list of what is open", `document.querySelector("[data-step=sites] .head").ariaExpanded === "true"`)
	f.eval(`(() => { const b = document.querySelector("#whyall"); b.value = "pain"; b.dispatchEvent(new Event("change")); })()`)
	f.until("left out", `document.querySelector("[data-step=sites]").hasAttribute("data-done")`)
	for range 5 {
		f.until("something is asked", `document.querySelector("[data-step=called] .body button.main")`)
		open := f.eval(`document.querySelectorAll("[data-step=called] .body li").length`)
		f.click("The other")
		f.until("answered", fmt.Sprintf(`document.querySelectorAll("[data-step=called] .body li").length < %s`, open))
	}
	f.until("all are answered", `document.querySelector("[data-step=called]").hasAttribute("data-done")`)
	f.shot("firefox-close")
	f.click("Sign")
	f.until("a moment has passed", `document.querySelector("[data-step=sign] form button:enabled")`)
	f.eval(`document.querySelector("#sure")?.click()`) // a doubt may be open
	f.eval(`document.querySelector("[data-step=sign] form button").click()`)
	f.until("signed", session+`.view.signed_by`)
	f.goTo(base + f.eval(`location.pathname.replace(/close$/, "print")`))
	f.until("the chart is drawn", `document.querySelectorAll("ls-print .profile").length === 4 && document.querySelector("ls-print td[data-d]")`)
	f.shot("firefox-print")
	if n := pages(t, f.write("browsingContext.print", "")); n != 1 {
		t.Errorf("the chart takes %d pages, want one", n)
	}
	if s := f.eval(`document.querySelector("ls-print .sheet").innerText`); !strings.Contains(s, "Nora Quay") {
		t.Errorf("the printed chart does not say whose it is: %s", s)
	}
}

// Without a loudspeaker Firefox starts no sound, and says nothing of it: the page does.
func TestFirefoxWithoutSound(t *testing.T) {
	t.Parallel()
	w := newWorld(t, scripted.New())
	w.begin("x1", chart.FDI)
	f := startFirefox(t, silence)
	f.goTo(w.url + "/exams/x1/live")
	f.until("Live is connected", session+`?.online`)
	f.click("Microphone on")
	f.until("it says what to do", `document.querySelector(".trouble").innerText.match(/No microphone was found|needs a loudspeaker or headphones/) && !`+ear+`.on`)
}

// pages counts the page objects of a PDF (ISO 32000-1, 7.7.3.3), those in compressed object streams (7.5.7) too.
func pages(t *testing.T, pdf []byte) int {
	t.Helper()
	if !bytes.HasPrefix(pdf, []byte("%PDF-")) {
		t.Fatal("this is no PDF")
	}
	all := [][]byte{pdf}
	for _, at := range regexp.MustCompile(`stream\r?\n`).FindAllIndex(pdf, -1) {
		if z, err := zlib.NewReader(bytes.NewReader(pdf[at[1]:])); err == nil {
			b, _ := io.ReadAll(z) // what is no whole stream is none of objects
			all = append(all, b)
		}
	}
	return len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(bytes.Join(all, nil), -1))
}
