package e2e

import (
	"fmt"
	"strings"
	"testing"
	"time"

	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"leadsman/chart"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// before has the page run a script before its own.
func (p *page) before(js string) {
	p.t.Helper()
	if _, err := chromedp.Call(p.ctx, cdppage.Enable, cdppage.EnableParams{}); err != nil {
		p.t.Fatal(err)
	}
	if _, err := chromedp.Call(p.ctx, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{Source: js}); err != nil {
		p.t.Fatal(err)
	}
	p.goTo(eval[string](p, `location.href`))
	p.until("Live is connected", session+`?.online && document.querySelector("ls-sheet td[data-key]")`)
}

func (p *page) trouble(what, words string) {
	p.t.Helper()
	p.until(what, fmt.Sprintf(`document.querySelector(".trouble").innerText.includes(%q)`, words))
}

// A device of another rate than 16 kHz, in a browser that does not join the two: the page resamples.
func TestOtherRate(t *testing.T) {
	t.Parallel()
	w := newWorld(t, scripted.New())
	w.begin("x1", chart.FDI)
	wav, rec := recording(t, "page-joe")
	p := w.live(withMic(t, wav), "Ann", w.url)
	p.before(`{
		const Real = AudioContext;
		window.AudioContext = class extends Real {
			constructor(o) { super(o); window.rates = [...(window.rates || []), this.sampleRate]; }
			createMediaStreamSource(s) {
				if (this.sampleRate === 16000) throw new DOMException("different rates", "NotSupportedError");
				return super.createMediaStreamSource(s);
			}
		};
	}`)
	p.clickText("Microphone on")
	p.until("it listens", ear+`.uplink?.state === "open"`)
	eval[bool](p, tape)
	c := rec.Calls[0]
	p.until("a call was recorded", fmt.Sprintf(`%s.uplink.ring.head > %d`, ear, int((c.End+1)*speech.Rate)))
	// The first context is that of the tones.
	if rates := strings.Fields(eval[string](p, `window.rates.join(" ")`)); len(rates) != 3 || rates[1] != "16000" || rates[2] == "16000" {
		t.Fatalf("contexts of %s Hz were opened", rates)
	}
	sound := tapeOf(p)
	if at, how := find(sound, rec.PCM[int(c.Start*speech.Rate):int(c.End*speech.Rate)], 0, len(sound)); how < 0.9 {
		t.Errorf("the call is not in the page's sound: correlation %.2f at %d", how, at)
	}
}

// The browser stops the sound (sleep, or another program that takes the device) and does not start it by itself: the page
// says so, and a click or key goes on.
func TestSleepAndWake(t *testing.T) {
	t.Parallel()
	w := newWorld(t, scripted.New())
	w.begin("x1", chart.FDI)
	wav, _ := recording(t, "page-joe")
	cut := newCutter(t, w.url)
	p := w.live(withMic(t, wav), "Ann", cut.url)
	p.before(`{
		const Real = AudioContext;
		window.AudioContext = class extends Real {
			constructor(o) { super(o); window.ctx = this; }
			resume() { return window.asleep ? Promise.reject(new Error("asleep")) : super.resume(); }
		};
	}`)
	p.clickText("Microphone on")
	p.until("it listens", ear+`.uplink?.state === "open" && `+ear+`.uplink.acked > 8000`)
	// Asleep: no sound, no network.
	eval[bool](p, `window.asleep = true, window.ctx.suspend().then(() => true)`)
	cut.cut(true)
	p.until("the page notices", `!`+session+`.online`)
	p.trouble("it says what to do", "Sound is suspended by the browser: click anywhere")
	// Awake.
	cut.up()
	head := eval[int](p, ear+`.uplink.ring.head`)
	eval[bool](p, `window.asleep = false, true`)
	p.click("ls-live .place")
	p.until("it goes on by itself", fmt.Sprintf(`%s.uplink.state === "open" && %s.uplink.acked > %d && document.querySelector(".trouble").hidden && %s.online`, ear, ear, head+8000, session))
}

// The network is gone for a minute, and then for longer than the page can keep sound: a minute is heard afterwards, whole;
// what is too old is said to be lost.
func TestNetworkGone(t *testing.T) {
	t.Parallel()
	l := &listener{Engine: scripted.New()}
	w := newWorld(t, l)
	w.begin("x1", chart.FDI)
	wav, _ := recording(t, "page-joe")
	cut := newCutter(t, w.url)
	p := w.live(withMic(t, wav), "Ann", cut.url)
	p.clickText("Microphone on")
	p.until("it listens", ear+`.uplink?.state === "open" && `+ear+`.uplink.acked > 8000`)
	gone := func(seconds int) (head int) {
		t.Helper()
		cut.cut(true)
		p.trouble("the page says so", "What you say is kept for 90 seconds")
		// The seconds pass in the sound: they need not be waited for.
		head = eval[int](p, fmt.Sprintf(`%[1]s.uplink.ring.push(new Int16Array(%[2]d).fill(7)), %[1]s.uplink.ring.head`, ear, seconds*speech.Rate))
		cut.up()
		return head
	}
	p.until("it was all sent afterwards", fmt.Sprintf(`%[1]s.uplink.acked >= %[2]d && %[1]s.uplink.state === "open"`, ear, gone(60)))
	if n := eval[int](p, ear+`.uplink.lost`); n != 0 {
		t.Errorf("%d samples were given up in a minute", n)
	}
	l.mu.Lock()
	sevens := 0
	for _, v := range l.pcm {
		if v == 7 {
			sevens++
		}
	}
	l.mu.Unlock()
	if sevens < 60*speech.Rate {
		t.Errorf("%d samples of a minute reached the recognizer", sevens)
	}
	gone(100)
	p.trouble("what was lost is said", "s of sound were lost while the connection was broken")
	p.until("and it goes on", ear+`.uplink.state === "open" && `+ear+`.uplink.lost > 0`)
}

// slow is an engine that takes its time until it is told to hurry.
type slow struct {
	speech.Engine
	hurry chan bool
}

func (s slow) NewRecognizer() (speech.Recognizer, error) {
	r, err := s.Engine.NewRecognizer()
	return slowly{r, s.hurry}, err
}

type slowly struct {
	speech.Recognizer
	hurry chan bool
}

func (s slowly) Accept(pcm []int16) ([]speech.Hypothesis, error) {
	select {
	case <-s.hurry:
	case <-time.After(200 * time.Millisecond):
	}
	return s.Recognizer.Accept(pcm)
}

// A recognizer that does not keep up: the page says how far it is behind, and all that was said is heard in the end.
func TestRecognizerBehind(t *testing.T) {
	t.Parallel()
	hurry := make(chan bool)
	w := newWorld(t, slow{scripted.New(scripted.Utterance{StartMS: 1000, EndMS: 1600, Text: "three two four"}, scripted.Utterance{StartMS: 3000, EndMS: 3600, Text: "five two five"}), hurry})
	w.begin("x1", chart.FDI)
	wav, _ := recording(t, "page-joe")
	p := w.live(withMic(t, wav), "Ann", w.url)
	p.clickText("Microphone on")
	p.trouble("it is said", "s behind: the machine that runs Leadsman is busy")
	close(hurry)
	p.depth("17.MB", "4")
	p.depth("16.MB", "5")
	p.until("it keeps up again", `!document.querySelector(".trouble").innerText.includes("behind")`)
	if n := eval[int](p, ear+`.uplink.lost`); n != 0 {
		t.Errorf("%d samples were given up", n)
	}
}

// A microphone whose page is out of reach gives way to another one without a question; the first one's page says so when it
// is back.
func TestMicrophoneGivesWay(t *testing.T) {
	t.Parallel()
	w := newWorld(t, scripted.New())
	w.begin("x1", chart.FDI)
	wav, _ := recording(t, "page-joe")
	b := withMic(t, wav)
	cut := newCutter(t, w.url)
	ann := w.live(b, "Ann", cut.url)
	ann.clickText("Microphone on")
	ann.until("Ann's is on", ear+`.uplink?.state === "open"`)
	ben := w.live(b, "Ben", w.url)
	ben.until("Ben sees that one is on", `document.querySelector("ls-live").innerText.includes("another screen")`)
	cut.cut(true)
	ben.until("Ben sees that it is gone", `!document.querySelector("ls-live").innerText.includes("another screen")`)
	ben.clickText("Microphone on")
	ben.until("Ben's is on", ear+`.uplink?.state === "open"`)
	cut.up()
	ann.trouble("Ann's page says so", "Another microphone is connected")
	if !eval[bool](ben, ear+`.on`) {
		t.Error("Ben's microphone was taken away")
	}
}
