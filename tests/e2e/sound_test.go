package e2e

import (
	"context"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"

	"leadsman/chart"
	"leadsman/speech"
	"leadsman/speech/scripted"
	"leadsman/tests/recordings"
	"leadsman/web"
)

// listener is an engine that hears a script, and keeps every sample that it got.
type listener struct {
	speech.Engine
	mu  sync.Mutex
	pcm []int16
}

func (l *listener) NewRecognizer() (speech.Recognizer, error) {
	r, err := l.Engine.NewRecognizer()
	return &keeper{r, l}, err
}

type keeper struct {
	speech.Recognizer
	l *listener
}

func (k *keeper) Accept(pcm []int16) ([]speech.Hypothesis, error) {
	k.l.mu.Lock()
	k.l.pcm = append(k.l.pcm, pcm...)
	k.l.mu.Unlock()
	return k.Recognizer.Accept(pcm)
}

// withMic starts a browser whose microphone plays a WAV file once.
func withMic(t *testing.T, wav string) context.Context {
	t.Helper()
	return startBrowser(t, "use-fake-ui-for-media-stream", "use-fake-device-for-media-stream", "use-file-for-fake-audio-capture="+wav+"%noloop")
}

func recording(t *testing.T, name string) (string, recordings.Recording) {
	t.Helper()
	r, err := recordings.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), name+".wav")
	if err := os.WriteFile(path, speech.WAV(r.PCM), 0o644); err != nil {
		t.Fatal(err)
	}
	return path, r
}

const ear = `document.querySelector("ls-app").ear`

// The microphone's sound reaches the recognizer whole and once, whatever happens to the connection;
// what is heard stands on the page, tentative first, and in the chart once.
func TestSoundSurvivesCuts(t *testing.T) {
	t.Parallel()
	say := func(at int64, text string) scripted.Utterance {
		return scripted.Utterance{StartMS: at, EndMS: at + 600, Text: text}
	}
	l := &listener{Engine: scripted.New(say(1000, "three two four"), say(2500, "bleeding"), say(4000, "five three six"), say(6500, "two one two"))}
	w := newWorld(t, l)
	w.begin("x1", chart.FDI)
	wav, _ := recording(t, "page-joe")
	cut := newCutter(t, w.url)
	p := w.live(withMic(t, wav), "Ann", cut.url)
	eval[bool](p, `(() => { window.heard = []; `+session+`.addEventListener("partial", () => `+session+`.partial && window.heard.push(`+session+`.partial.words)); return true; })()`)
	p.clickText("Microphone on")
	p.until("it says that it listens", `document.querySelector(".listen").dataset.state === "listening" && `+ear+`.uplink.state === "open"`)
	sent := func(n int) {
		p.until(fmt.Sprintf("%d samples have arrived", n), fmt.Sprintf(`%s.uplink.acked > %d`, ear, n))
	}
	sent(8000)
	cut.cut(false) // in the middle of the first call's way
	sent(30000)
	cut.cut(false)
	sent(50000)
	cut.cut(true) // gone for longer: the page goes on recording
	p.until("the page says that the connection is broken", `document.querySelector(".trouble").innerText.includes("connection is broken")`)
	p.until("two seconds of sound wait", ear+`.uplink.ring.head - `+ear+`.uplink.acked > 32000`)
	cut.up()
	p.until("all is caught up", ear+`.uplink.acked > 120000`)
	eval[bool](p, ear+`.mic.stop(), true`)
	p.until("nothing is left in the page", ear+`.uplink.state === "open" && `+ear+`.uplink.acked === `+ear+`.uplink.ring.head`)
	if n := eval[int](p, ear+`.uplink.lost`); n != 0 {
		t.Errorf("%d samples were given up", n)
	}
	in := eval[string](p, `(() => {
		const ring = `+ear+`.uplink.ring;
		const b = new Uint8Array(ring.slice(0, ring.head).buffer);
		let s = "";
		for (let i = 0; i < b.length; i += 4096) s += String.fromCharCode(...b.subarray(i, i + 4096));
		return btoa(s);
	})()`)
	raw, err := base64.StdEncoding.DecodeString(in)
	if err != nil {
		t.Fatal(err)
	}
	l.mu.Lock()
	got := l.pcm
	l.mu.Unlock()
	if len(raw) != 2*len(got) {
		t.Fatalf("the page recorded %d samples, the recognizer got %d", len(raw)/2, len(got))
	}
	loud := int16(0)
	for i := range got {
		v := int16(binary.LittleEndian.Uint16(raw[2*i:]))
		if v != got[i] {
			t.Fatalf("sample %d differs: %d in the page, %d at the recognizer", i, v, got[i])
		}
		loud = max(loud, v)
	}
	if loud < 1000 {
		t.Errorf("the sound is empty: peak %d", loud)
	}
	p.depth("17.MB", "4")
	p.depth("16.MB", "6")
	p.depth("15.MB", "2")
	if n := len(sets(t, w, chart.SiteRef{Tooth: 16, Site: chart.DB})); n != 1 {
		t.Errorf("16 DB was written %d times", n)
	}
	p.until("the last call is shown", `document.querySelector(".last").innerText.includes("two one two")`)
	// What is tentative is not kept for a page that comes back: one that was cut off at the time misses it.
	if heard := eval[string](p, `window.heard.join("|")`); !strings.Contains(heard, "three two") && !strings.Contains(heard, "five three") && !strings.Contains(heard, "two one") {
		t.Errorf("tentative words were %q", heard)
	}
	// What was sounded along the way bleeds, as called.
	p.until("17 MB bleeds", session+`.view.teeth["17"].sites.MB.bleeding === true`)
}

// The page speaks its answers and questions, here with the service's voice, and falls silent as soon as a
// call is heard in other words than its own; its own words change nothing.
func TestOwnVoice(t *testing.T) {
	t.Parallel()
	say := func(at int64, text string) scripted.Utterance {
		return scripted.Utterance{StartMS: at, EndMS: at + 300*int64(len(strings.Fields(text))), Text: text}
	}
	// "ten" is read back, and comes back into the microphone; then the examiner goes on.
	w := newWorld(t, scripted.New(say(1000, "three two ten"), say(4200, "three two ten"), say(7000, "five four five")))
	w.begin("x1", chart.FDI)
	wav, _ := recording(t, "page-joe")
	p := open(t, withMic(t, wav), w.url+"/settings")
	eval[bool](p, `localStorage.setItem("ls.prefs", JSON.stringify({answers: "numbers"})), true`)
	p.goTo(w.url + "/exams/x1/live")
	p.until("Live is connected", session+`?.online`)
	eval[bool](p, `(() => { speechSynthesis.getVoices = () => []; window.hushed = 0; `+session+`.addEventListener("partial", () => {
		if (`+session+`.partial?.words.startsWith("five")) window.hushed ||= `+ear+`.answers.speaking ? 1 : 2;
	}); return true; })()`)
	p.clickText("Microphone on")
	p.until("the answer is spoken", ear+`.answers.speaking && `+session+`.view.recorded === 3`)
	p.until("the next call stops it, before it is understood", `window.hushed === 2`)
	p.until("the next call is entered", session+`.view.recorded === 6`)
	p.depth("16.DB", "5")
	if n := eval[int](p, session+`.view.calls.filter((c) => c.source === "voice").length`); n != 2 {
		t.Errorf("%d calls were heard, want the two of the examiner", n)
	}
	// The page asks the service for the second answer a moment after it shows the value.
	said := func() []string {
		w.mu.Lock()
		defer w.mu.Unlock()
		return slices.Clone(w.spoken)
	}
	for end := time.Now().Add(30 * time.Second); len(said()) < 2 && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	if s := said(); len(s) < 2 || !strings.HasPrefix(s[0], "3. 2. 10") || s[1] != "5. 4. 5" {
		t.Errorf("said %q", s)
	}
}

// A second microphone is refused until it takes over; the first one's page says so.
func TestSecondMicrophone(t *testing.T) {
	t.Parallel()
	w := newWorld(t, scripted.New())
	w.begin("x1", chart.FDI)
	wav, _ := recording(t, "page-joe")
	b := withMic(t, wav)
	ann := w.live(b, "Ann", w.url)
	ann.clickText("Microphone on")
	ann.until("Ann's is on", ear+`.uplink?.state === "open"`)
	ben := w.live(b, "Ben", w.url)
	ben.until("Ben sees that one is on", `document.querySelector("ls-live").innerText.includes("another screen")`)
	ben.clickText("Microphone on")
	ben.until("Ben's is refused", `document.querySelector(".trouble").innerText.includes("Another microphone")`)
	ben.clickText("Take over here")
	ben.until("Ben's is on", ear+`.uplink?.state === "open"`)
	ann.until("Ann's page says so", `!`+ear+`.on && document.querySelector(".trouble").innerText.includes("Another microphone")`)
	ben.clickText("Microphone off")
	ben.until("it is off", `!`+ear+`.on`)
	ann.clickText("Take over here")
	ann.until("Ann's is on again", ear+`.uplink?.state === "open"`)
}

// Everything that can be wrong with a microphone is said, with what to do.
func TestMicrophoneTroubles(t *testing.T) {
	t.Parallel()
	w := newWorld(t, scripted.New())
	w.begin("x1", chart.FDI)
	trouble := func(p *page, what, words string) {
		t.Helper()
		p.until(what, fmt.Sprintf(`document.querySelector(".trouble").innerText.includes(%q)`, words))
	}
	t.Run("refused, missing, insecure", func(t *testing.T) {
		w := &world{t: t, srv: w.srv, url: w.url}
		b := startBrowser(t, "use-fake-device-for-media-stream", "host-resolver-rules=MAP chart.example 127.0.0.1")
		if _, err := chromedp.CallBrowser(b, browser.SetPermission, browser.SetPermissionParams{Permission: &browser.PermissionDescriptor{Name: "microphone"}, Setting: browser.PermissionSettingDenied}); err != nil {
			t.Fatal(err)
		}
		p := w.live(b, "Ann", w.url)
		p.clickText("Microphone on")
		trouble(p, "refused", "The microphone was refused. Allow it")
		eval[bool](p, `navigator.mediaDevices.getUserMedia = async () => { throw new DOMException("no", "NotFoundError"); }, true`)
		p.clickText("Microphone on")
		trouble(p, "none there", "No microphone was found. Plug one in")
	})
	t.Run("from another machine without https", func(t *testing.T) {
		far := newWorld(t, scripted.New())
		far.begin("x1", chart.FDI)
		far.srv.Config.Handler = web.New(web.Options{Exams: far, Practice: far, People: far.people, Hosts: []string{"chart.example"}})
		b := startBrowser(t, "host-resolver-rules=MAP chart.example 127.0.0.1")
		p := far.live(b, "Ann", strings.Replace(far.url, "127.0.0.1", "chart.example", 1))
		p.clickText("Microphone on")
		trouble(p, "said why", "only to pages of this machine or with https")
		p.keys("3") // the keyboard works all the same
		p.depth("17.DB", "3")
	})
	t.Run("unplugged and muted", func(t *testing.T) {
		wav, _ := recording(t, "page-joe")
		w := &world{t: t, srv: w.srv, url: w.url}
		p := w.live(withMic(t, wav), "Ann", w.url)
		eval[bool](p, `(() => { const open = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices); navigator.mediaDevices.getUserMedia = async (c) => (window.stream = await open(c)); return true; })()`)
		p.clickText("Microphone on")
		p.until("it is on", ear+`.uplink?.state === "open" && window.stream`)
		if got := eval[string](p, `JSON.stringify((({echoCancellation, noiseSuppression, autoGainControl}) => [echoCancellation, noiseSuppression, autoGainControl])(window.stream.getAudioTracks()[0].getSettings()))`); got != "[false,false,false]" {
			t.Errorf("the browser's own processing is %s, want it off", got)
		}
		eval[bool](p, `window.stream.getAudioTracks()[0].dispatchEvent(new Event("mute")), true`)
		trouble(p, "muted", "The microphone is muted")
		eval[bool](p, `window.stream.getAudioTracks()[0].dispatchEvent(new Event("unmute")), true`)
		p.until("not any more", `document.querySelector(".trouble").hidden || !document.querySelector(".trouble").innerText.includes("muted")`)
		eval[bool](p, `window.stream.getAudioTracks()[0].dispatchEvent(new Event("ended")), true`)
		trouble(p, "unplugged", "was unplugged. Plug it in again")
		head := eval[int](p, ear+`.uplink.ring.head`)
		eval[bool](p, `navigator.mediaDevices.dispatchEvent(new Event("devicechange")), true`)
		p.until("it goes on by itself", fmt.Sprintf(`%s.on && %s.uplink.ring.head > %d && %s.uplink.state === "open"`, ear, ear, head+2000, ear))
	})
	t.Run("silent", func(t *testing.T) {
		wav := tone(t, 0)
		w := &world{t: t, srv: w.srv, url: w.url}
		p := w.live(withMic(t, wav), "Ann", w.url)
		p.clickText("Microphone o")
		trouble(p, "nothing comes", "Nothing at all comes from the microphone")
	})
	t.Run("too loud", func(t *testing.T) {
		wav := tone(t, 3)
		w := &world{t: t, srv: w.srv, url: w.url}
		p := w.live(withMic(t, wav), "Ann", w.url)
		p.clickText("Microphone o")
		trouble(p, "clipped", "Too loud")
	})
}

// tone writes ten seconds of a tone, cut off at full scale if it is louder than 1.
func tone(t *testing.T, loudness float64) string {
	t.Helper()
	pcm := make([]int16, 10*speech.Rate)
	for i := range pcm {
		v := loudness * math.Sin(2*math.Pi*440*float64(i)/speech.Rate)
		pcm[i] = int16(32767 * max(-1, min(1, v)))
	}
	path := filepath.Join(t.TempDir(), "tone.wav")
	if err := os.WriteFile(path, speech.WAV(pcm), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}
