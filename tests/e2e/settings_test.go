package e2e

import (
	"testing"

	"leadsman/speech/scripted"
)

// Settings: the room is measured, the microphone's level judged, and the calls that are heard stand on the page; nothing of
// it is kept.
func TestMicrophoneTest(t *testing.T) {
	t.Parallel()
	w := newWorld(t, scripted.New(
		scripted.Utterance{StartMS: 3000, EndMS: 3600, Text: "three two four"},
		scripted.Utterance{StartMS: 4500, EndMS: 5000, Text: "furcation one buccal"},
		scripted.Utterance{StartMS: 6000, EndMS: 6400, Text: "bleeding"},
	))
	wav, _ := recording(t, "page-joe")
	p := open(t, withMic(t, wav), w.url+"/settings")
	p.clickText("Test the microphone")
	p.until("it asks for quiet", `document.querySelector("ls-settings .room").innerText.includes("Be quiet")`)
	p.until("the room is measured", `/The room: \d+ dB below full scale. Quiet enough/.test(document.querySelector("ls-settings .room").innerText)`)
	p.until("the calls are shown", `[...document.querySelectorAll("ls-settings .heard q")].map((q) => q.innerText).join("|") === "three two four|furcation one buccal|bleeding"`)
	p.until("with what they did", `document.querySelector("ls-settings .heard").innerText.includes("2 buccal: 3 2 4")`)
	p.until("the level is judged", `/Good: speech stands \d+ dB above the room/.test(document.querySelector("ls-settings").innerText)`)
	eval[bool](p, `document.querySelector("ls-settings .heard").scrollIntoView({block: "end"}), true`)
	shot(t, p, "settings-heard")
	scan(t, p, "settings, while the microphone is tested")
	p.clickText("End the test")
	p.until("it is off", `document.querySelector("ls-settings").innerText.includes("Test the microphone")`)
	if len(w.logs) != 0 {
		t.Errorf("the test was kept: %d exams", len(w.logs))
	}

	// Without a recognizer the sound can be tested all the same.
	w.engine = nil
	p.clickText("Test the microphone")
	p.until("it says so", `document.querySelector("ls-settings .partial").innerText.includes("No speech recognizer is loaded")`)
	p.until("the room is measured", `document.querySelector("ls-settings .room").innerText.includes("The room: ")`)
}
