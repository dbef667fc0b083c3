package e2e

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/scripted"
	"leadsman/tests/recordings"
	"leadsman/tests/shipped"
	"leadsman/voice"
	"leadsman/web"
)

// voices keeps examiners and their profiles in memory; every session hears engine and reads lines, if there are any.
type voices struct {
	engine speech.Adapter
	lines  []string
	takes  []speech.Take // of exams
	leave  bool          // signed exams teach

	mu        sync.Mutex
	examiners []practice.Person
	profiles  map[string][]byte
	session   *voice.Session
	sessions  int
}

func (v *voices) Examiners(context.Context) ([]practice.Person, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	return slices.Clone(v.examiners), nil
}

func (v *voices) SavePerson(e practice.Person) (practice.Person, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	e.ID = fmt.Sprintf("e%d", len(v.examiners)+1)
	v.examiners = append(v.examiners, e)
	return e, nil
}

func (v *voices) Voice(_ context.Context, examiner string) ([]byte, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if p := v.profiles[examiner]; p != nil {
		return p, nil
	}
	return nil, practice.ErrNotFound
}

func (v *voices) keep(examiner string, profile []byte, report any) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.profiles[examiner] = profile
	for i := range v.examiners {
		if v.examiners[i].ID == examiner {
			v.examiners[i].Voice = nil
			if profile != nil {
				v.examiners[i].Voice = &practice.VoiceInfo{Made: time.Now().UnixMilli(), Report: report}
			}
		}
	}
}

func (v *voices) SaveVoice(_ context.Context, examiner string, profile []byte) error {
	if string(profile) != "a profile" {
		return &chart.Refusal{Text: speech.ErrProfile.Error()}
	}
	v.keep(examiner, profile, nil)
	return nil
}

func (v *voices) EraseVoice(_ context.Context, examiner string) error {
	v.keep(examiner, nil, nil)
	return nil
}

func (v *voices) Learning(context.Context, string) (practice.Learning, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	return practice.Learning{Takes: len(v.takes), Confirmed: min(len(v.takes), 1), Leave: v.leave}, nil
}

func (v *voices) SetLeave(_ context.Context, _ string, leave bool) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.leave = leave
	return nil
}

func (v *voices) Practise(_ context.Context, examiner string, kind voice.Kind) (*voice.Session, error) {
	v.EndSession("")
	v.mu.Lock()
	defer v.mu.Unlock()
	v.sessions++
	s, err := voice.New(voice.Config{ID: fmt.Sprintf("s%d", v.sessions), Examiner: examiner, Kind: kind, Engine: v.engine, Seed: 1, Lines: v.lines, Takes: v.takes, Profile: v.profiles[examiner],
		Recognizer: func() (speech.Recognizer, bool, string, error) {
			r, err := v.engine.NewRecognizer()
			return r, false, "", err
		},
		Keep: func(e speech.Enrolment) error { v.keep(examiner, e.Profile, e); return nil }})
	v.session = s
	return s, err
}

func (v *voices) Session(id string) (*voice.Session, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.session == nil || v.session.View().ID != id {
		return nil, practice.ErrNotFound
	}
	return v.session, nil
}

func (v *voices) EndSession(string) {
	v.mu.Lock()
	s := v.session
	v.session = nil
	v.mu.Unlock()
	if s != nil {
		s.Close()
	}
}

// adapter is a scripted engine that learns whatever it is given.
type adapter struct {
	*scripted.Engine
	refuse string // a take whose words are these does not fit the first time
	seen   bool
}

func (a *adapter) Check(t speech.Take) (speech.Fit, error) {
	if words := strings.Join(t.Words, " "); words == a.refuse && !a.seen {
		a.seen = true
		return speech.Fit{Heard: "two nine two", Why: "this does not sound like the words shown: read them again"}, nil
	}
	return speech.Fit{OK: true}, nil
}

func (a *adapter) Enrol(_ context.Context, onto []byte, takes []speech.Take) (speech.Enrolment, error) {
	if len(takes) < 2 {
		return speech.Enrolment{}, errors.New("too few")
	}
	return speech.Enrolment{Profile: []byte("a profile"), Onto: onto != nil, Takes: len(takes), Words: 9, WrongBefore: 2, WrongAfter: 1, Seconds: 0.1}, nil
}

func (a *adapter) NewRecognizerFor([]byte) (speech.Recognizer, error) { return a.NewRecognizer() }

// practising serves the Practise page with an engine.
func practising(t *testing.T, v *voices) *world {
	w := newWorld(t, nil)
	v.profiles, w.voices = map[string][]byte{}, v
	w.srv.Config.Handler = web.New(web.Options{Exams: w, Practice: w, People: w.people, Voices: v, Version: "test"})
	t.Cleanup(func() { v.EndSession("") })
	return w
}

func says(texts ...string) *scripted.Engine {
	var us []scripted.Utterance
	for i, s := range texts {
		at := int64(700 + 1100*i)
		us = append(us, scripted.Utterance{StartMS: at, EndMS: at + 600, Text: s, Confidence: 0.9})
	}
	return scripted.New(us...)
}

const stage = `document.querySelector("ls-practise .stage")`

// An examiner is added, reads lines into the microphone (one of them twice), gets a profile with its figures, exports, imports and erases it.
func TestEnrolInBrowser(t *testing.T) {
	t.Parallel()
	v := &voices{engine: &adapter{Engine: says("three two four", "five three six", "five three six", "two one two", "seven four eight"), refuse: "five three six"}}
	w := practising(t, v)
	wav, _ := recording(t, "page-joe")
	p := open(t, withMic(t, wav), w.url+"/practise")
	p.click("#newexaminer")
	p.keys("Ann Tidewell")
	p.clickText("Add")
	p.until("she is chosen", `document.querySelector("#examiner").selectedOptions[0].textContent === "Ann Tidewell"`)
	p.clickText("Read for a voice profile")
	p.until("the first line is shown", stage+`.querySelector(".line").innerText === "three two four"`)
	p.until("the level moves", `document.querySelector("ls-practise .bar").style.transform.startsWith("scaleX(0.")`)
	shot(t, p, "practise-reading")
	p.until("what did not fit is read again", stage+`.innerText.includes("Heard “two nine two”") && `+stage+`.querySelector(".line").innerText === "five three six"`)
	p.until("the fourth line is shown", stage+`.querySelector(".line").innerText === "seven four eight" && `+stage+`.innerText.includes("4 of ")`)
	p.clickText("Leave this line out")
	p.clickText("That is enough")
	p.until("the result is said", stage+`.innerText.includes("2 were misheard without the profile and 1 with it") && `+stage+`.innerText.includes("The voice profile is in use")`)
	p.until("the microphone is off", `!document.querySelector("ls-practise .meter").offsetParent`)
	p.clickText("Back")
	p.until("the profile is there", `document.querySelector("ls-practise .profile").innerText.includes("Made on")`)
	if got := eval[string](p, `fetch(document.querySelector("ls-practise a[download]").href).then((r) => r.text())`); got != "a profile" {
		t.Errorf("exported %q", got)
	}
	p.clickText("Erase")
	p.until("asked once more", `[...document.querySelectorAll("ls-practise button")].some((b) => b.textContent === "Yes, erase it for good")`)
	if v.profiles["e1"] == nil {
		t.Error("erased without asking")
	}
	p.clickText("Yes, erase it for good")
	p.until("it is gone", `document.querySelector("ls-practise .profile").innerText.includes("None yet")`)
	if v.profiles["e1"] != nil {
		t.Error("the profile is still kept")
	}
	give := func(content string) {
		eval[bool](p, fmt.Sprintf(`(() => { const d = new DataTransfer(); d.items.add(new File([%q], "x.voice")); const f = document.querySelector("#voicefile"); f.files = d.files; f.dispatchEvent(new Event("change")); return true; })()`, content))
	}
	give("something else")
	p.until("a file that is none is refused", `document.querySelector("ls-practise .fault").innerText.includes("no voice profile, or it is damaged")`)
	give("a profile")
	p.until("a profile is imported", `document.querySelector("ls-practise .profile").innerText.includes("imported")`)

	// Live knows whose voice it is.
	w.begin("x1", chart.FDI)
	p.goTo(w.url + "/exams/x1/live")
	p.until("the choice is on Live", `document.querySelector("ls-live #examiner")?.selectedOptions[0].textContent.startsWith("Ann Tidewell")`)
}

// Takes from exams are learned from on one press, and what came of it is said; then on top of that profile.
func TestTeachInBrowser(t *testing.T) {
	t.Parallel()
	takes := []speech.Take{{Words: strings.Fields("three two four")}, {Words: strings.Fields("correction three two four")}, {Words: strings.Fields("five three six")}}
	v := &voices{engine: &adapter{Engine: says(), refuse: "five three six"}, takes: takes}
	w := practising(t, v)
	v.examiners = []practice.Person{{ID: "e1", Name: "Ann Tidewell"}, {ID: "e2", Name: "Ben Oakley"}}
	p := open(t, startBrowser(t), w.url+"/practise")
	eval[bool](p, `localStorage.setItem("ls.prefs", JSON.stringify({seat: "ada", examiner: "e1"})), true`)
	p.goTo(w.url + "/practise")
	p.until("takes are offered", `document.querySelector("ls-practise .choice").innerText.includes("3 takes from your exams can be learned from")`)
	if v.profiles["e1"] != nil {
		t.Error("learned without asking")
	}
	p.until("what signed exams confirm is counted", `document.querySelector("ls-practise .choice").innerText.includes("and 1 that signed exams confirm")`)
	shot(t, p, "practise-teach")
	for _, leave := range []bool{true, false, true} {
		p.click("#leave")
		p.until("leave is given or taken back", fmt.Sprintf(`document.querySelector("#leave").checked === %t && !document.querySelector("#leave").disabled`, leave))
		if got, _ := v.Learning(context.Background(), "e1"); got.Leave != leave {
			t.Errorf("leave is %t, want %t", got.Leave, leave)
		}
	}
	p.clickText("Learn from my exams")
	p.until("the result is said", stage+`.innerText.includes("2 were misheard without the profile and 1 with it") && `+stage+`.innerText.includes("2 takes were learned from, 1 did not fit") && `+stage+`.innerText.includes("The voice profile is in use")`)
	p.until("nothing listens", `!document.querySelector("ls-practise .meter").offsetParent`)
	shot(t, p, "practise-taught")
	p.clickText("Back")
	p.clickText("Learn from my exams")
	p.until("it is compared with the profile", stage+`.innerText.includes("2 were misheard with the profile so far and 1 with the new one")`)
}

// A drill shows how surely and how quickly each call is understood, and which words are confused.
func TestDrillInBrowser(t *testing.T) {
	t.Parallel()
	v := &voices{engine: &adapter{Engine: says("three two four", "five three three", "bleeding")}, lines: []string{"three two four", "five two three", "bleeding"}}
	w := practising(t, v)
	v.examiners = []practice.Person{{ID: "e1", Name: "Ben Marlow"}}
	wav, _ := recording(t, "page-joe")
	p := open(t, withMic(t, wav), w.url+"/practise")
	p.until("the page is shown", `document.querySelector("#examiner option[value=e1]")`)
	eval[bool](p, `(() => { const s = document.querySelector("#examiner"); s.value = "e1"; s.dispatchEvent(new Event("change")); return true; })()`)
	p.clickText("Drill with an invented patient")
	p.until("the place and the call are shown", stage+`.querySelector(".where").innerText === "2 buccal" && `+stage+`.querySelector(".line").innerText === "three two four"`)
	p.until("a wrong call is told", stage+`.innerText.includes("was heard as “five three three”")`)
	p.until("the figures are shown", stage+`.innerText.includes("2 of 3 (67 %)") && `+stage+`.innerText.includes("0.25 s (median)")`)
	if got := text(p, "ls-practise .confused tbody"); strings.Join(strings.Fields(got), " ") != "two three 1" {
		t.Errorf("confused: %q", got)
	}
	shot(t, p, "practise-drill")
	scan(t, p, "the figures of a drill")
	p.clickText("Once more")
	p.until("a new drill begins", stage+`.querySelector(".line").innerText === "three two four" && !`+stage+`.querySelector(".confused")`)
}

// A drill needs no examiner: whoever comes calls, heard as anybody.
func TestDrillOfAnybody(t *testing.T) {
	t.Parallel()
	v := &voices{engine: &adapter{Engine: says("three two four", "five two three")}, lines: []string{"three two four", "five two three"}}
	w := practising(t, v)
	wav, _ := recording(t, "page-joe")
	p := open(t, withMic(t, wav), w.url+"/practise")
	p.clickText("Drill with an invented patient")
	p.until("the first call is shown", stage+`.querySelector(".line").innerText === "three two four"`)
	p.until("the figures are shown", stage+`.innerText.includes("2 of 2 (100 %)") && `+stage+`.innerText.includes("no voice profile")`)
	if v.session.View().Examiner != "" {
		t.Error("somebody's")
	}
}

// The real model hears a script read into the browser's microphone. The synthetic voice is understood without a profile, so none is made, and the
// page says so.
func TestEnrolWithTheModel(t *testing.T) {
	t.Parallel()
	r, err := recordings.Load("fullmouth-joe")
	if err != nil {
		t.Fatal(err)
	}
	var pcm []int16
	var lines []string
	for _, c := range r.Calls[:12] {
		pcm = append(pcm, make([]int16, speech.Rate/2)...)
		pcm = append(pcm, r.PCM[int((c.Start-0.05)*speech.Rate):int((c.End+0.1)*speech.Rate)]...)
		lines = append(lines, c.Words)
	}
	pcm = append(pcm, make([]int16, 2*speech.Rate)...)
	wav := filepath.Join(t.TempDir(), "script.wav")
	if err := os.WriteFile(wav, speech.WAV(pcm), 0o644); err != nil {
		t.Fatal(err)
	}
	v := &voices{engine: shipped.Engine(t), lines: lines}
	w := practising(t, v)
	v.examiners = []practice.Person{{ID: "e1", Name: "Joe Harrow"}}
	p := open(t, withMic(t, wav), w.url+"/practise")
	eval[bool](p, `localStorage.setItem("ls.prefs", JSON.stringify({seat: "ada", examiner: "e1"})), true`)
	p.goTo(w.url + "/practise")
	p.clickText("Read for a voice profile")
	p.until("half of it is read", stage+`.querySelector(".line").innerText === `+fmt.Sprintf("%q", lines[6]))
	p.until("all of it is read", `!`+stage+`.querySelector(".row button")?.offsetParent || `+stage+`.querySelector(".line").innerText === `+fmt.Sprintf("%q", lines[11]))
	p.within(2*time.Minute, "the result is said", stage+`.innerText.includes("words that were held back") && `+stage+`.innerText.includes("misheard without the profile")`)
}
