package e2e

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"strings"
	"syscall"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/speech"
	"leadsman/store"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// The service is ended by a power cut, later by the clean way, in the middle of an exam that is called in real time; the page
// stays open and its microphone on. What was called stands in the chart once, at its own sites. (tests/kill does this a hundred
// times, without a browser.) It takes a minute: the microphone speaks in real time.
func TestServiceEndsWhileCalling(t *testing.T) {
	t.Parallel()
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 0))
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr, data := ln.Addr().String(), t.TempDir()
	ln.Close()
	var running *program.Running
	run := func() (base string) {
		base, running = launch(t, "--addr", addr, "--data", data)
		return base
	}
	base := run()
	wav, rec := recording(t, "fullmouth-joe")
	p := open(t, withMic(t, wav), base+"/settings")
	p.speaksTo(base)
	for _, end := range []struct {
		sig      syscall.Signal
		from, to int // seconds of the recording
	}{{syscall.SIGKILL, 6, 14}, {syscall.SIGTERM, 22, 30}} {
		at := end.from*1000 + rnd.IntN(1000*(end.to-end.from))
		p.within(2*time.Minute, fmt.Sprintf("%d ms were recorded", at), fmt.Sprintf(`%s.uplink.ring.head > %d`, ear, at*speech.Rate/1000))
		running.Cmd.Process.Signal(end.sig)
		running.Wait()
		p.trouble("the page says so", "The connection is broken. What you say is kept for 90 seconds")
		time.Sleep(time.Duration(rnd.IntN(2500)) * time.Millisecond)
		run()
		p.until("and goes on by itself", ear+`.on && `+ear+`.uplink.state === "open" && `+session+`.online`)
	}
	p.within(2*time.Minute, "two thirds of a minute were recorded", fmt.Sprintf(`%s.uplink.ring.head > %d`, ear, 40*speech.Rate))
	eval[bool](p, ear+`.mic.stop(), true`)
	p.within(2*time.Minute, "all of it was taken", ear+`.uplink.acked === `+ear+`.uplink.ring.head`)
	recorded := float64(eval[int](p, ear+`.uplink.ring.head`)) / speech.Rate
	if n := eval[int](p, ear+`.uplink.lost`); n != 0 {
		t.Errorf("%d samples were given up", n)
	}
	eval[bool](p, ear+`.off(), true`)
	p.until("the microphone is off", `!`+session+`.mic?.on`)
	running.Stop()

	entered := enteredOnce(t, rec, recorded, data)
	t.Logf("%d values in %.0f s of sound, each once at its own site", len(depthsOf(entered)), recorded)
}

// speaksTo begins the exam x1 of an empty service in silence, with the microphone on.
func (p *page) speaksTo(base string) {
	eval[bool](p, `localStorage.setItem("ls.prefs", JSON.stringify({answers: "silent"})), true`)
	eval[bool](p, `(async () => {
		const post = async (url, body) => (await fetch(url, {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(body)})).json();
		await post("/api/people", {name: "Ann", roles: ["clinician"]});
		const patient = await post("/api/patients", {name: "Nell Ashby"});
		return (await post("/api/exams", {patient: patient.id, id: "x1", numbering: "universal"})).id === "x1";
	})()`)
	p.goTo(base + "/exams/x1/live")
	p.until("Live is connected", session+`?.online && document.querySelector("ls-sheet td[data-key]")`)
	p.clickText("Microphone on")
	p.until("it listens", ear+`.uplink?.state === "open"`)
}

// depthsOf are the depths that events enter, in their order, as the truth of a recording writes them.
func depthsOf(evs []chart.Event) (out []string) {
	for _, e := range evs {
		if e.Kind == chart.KindSet && e.Field == chart.FieldDepth && e.Value != nil {
			out = append(out, fmt.Sprintf("%s.depth=%s", chart.SiteRef{Tooth: e.Tooth, Site: *e.Site}, chart.Half(*e.Value)))
		}
	}
	return out
}

// enteredOnce demands that what was called in the first seconds of a recording stands in the log of the exam x1 once, at its own sites, and
// gives the events. The browser's microphone begins a moment into the recording.
func enteredOnce(t *testing.T, rec recordings.Recording, seconds float64, data string, options ...store.Option) (evs []chart.Event) {
	t.Helper()
	var want []string
	sure := 0
	for _, c := range rec.Calls {
		if c.Start < seconds {
			want = append(want, c.Sets...)
		}
		if c.End < seconds-2 {
			sure = len(want)
		}
	}
	st, err := store.OpenReadOnly(context.Background(), data, options...)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	for e, err := range st.Log("x1").All(context.Background()) {
		if err != nil {
			t.Fatal(err)
		}
		evs = append(evs, e)
	}
	got := depthsOf(evs)
	if len(got) < sure || len(got) > len(want) || strings.Join(got, " ") != strings.Join(want[:min(len(got), len(want))], " ") {
		t.Fatalf("%d values were entered, %d to %d were called:\ngot  %s\nwant %s", len(got), sure, len(want), got, want)
	}
	return evs
}
