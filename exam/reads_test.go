package exam

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/grammar"
)

// What pages ask a running exam for is what its log says: the chart, its doubts, what was entered at a site.
func TestWhatIsAskedOfAnExam(t *testing.T) {
	e, log := open(t, chart.FDI)
	if !e.Quiet() {
		t.Error("an exam that nobody follows is not quiet")
	}
	for i, words := range []string{"three two four", "correction five two four"} {
		if _, err := e.Words(ctx, words, Caller{Who: "Ada Quill"}, fmt.Sprint("typed ", i)); err != nil {
			t.Fatal(words, err)
		}
	}
	site := chart.SiteRef{Tooth: 17, Site: chart.DB}
	c, doubts, err := e.Chart(ctx)
	if err != nil || len(doubts) != 0 || c.Site(site).Depth != state(t, log).Chart.Site(site).Depth {
		t.Errorf("chart with %d doubts: %v", len(doubts), err)
	}
	c.Site(site).Depth = chart.Millimetres(9) // of the caller's copy
	if again, _, _ := e.Chart(ctx); again.Site(site).Depth.Whole() != 5 {
		t.Error("whoever asks for the chart can change it")
	}
	h, err := e.History(ctx, site)
	if err != nil || len(h) != 2 || h[0].Value != "3" || h[1].Value != "5" {
		t.Errorf("history %+v, %v", h, err)
	}
	sub := e.Subscribe(0)
	if e.Quiet() {
		t.Error("an exam that a page follows is quiet")
	}
	sub.Close()
	e.Close()
	<-e.Done()
	if e.Quiet() {
		t.Error("an exam that has ended is quiet")
	}
}

// "Say again" reads back what was entered last, "say again all" all of the tooth, site by site in walking order.
func TestSayAgain(t *testing.T) {
	e, _ := open(t, chart.FDI)
	n := 0
	said := func(words string) string {
		n++
		sub := e.Subscribe(0)
		if _, err := e.Words(ctx, words, Caller{Who: "Ada Quill"}, fmt.Sprint("said ", n)); err != nil {
			t.Fatal(words, err)
		}
		sub.Close()
		last := ""
		for ch := range sub.C {
			if ch.Answer != nil && ch.Answer.Speak != "" {
				last = ch.Answer.Speak
			}
		}
		return last
	}
	if got := said("say again"); got != "nothing was entered" {
		t.Errorf("before the first entry: %q", got)
	}
	said("three two four")
	said("bleeding mesial")
	if got := said("say again"); !strings.Contains(got, "bleeding") {
		t.Errorf("the last entry is read as %q", got)
	}
	got := said("say again all")
	for _, part := range []string{"buccal 3", "2", "4 bleeding", "lingual none"} {
		at := strings.Index(got, part)
		if at < 0 {
			t.Fatalf("the tooth is read as %q", got)
		}
		got = got[at:]
	}
}

// What another node entered is taken from the log, and pages are told; the exam of another node says where it runs.
func TestCatchesUpWithItsLog(t *testing.T) {
	e, log := open(t, chart.FDI)
	sub := e.Subscribe(1)
	st := state(t, log)
	evs, err := st.Do(chart.Command{Acts: []chart.Act{{Verb: chart.VerbSoundings, Numbers: []chart.MM{chart.Millimetres(3)}}}}, chart.Meta{Time: 9, Source: chart.Keyboard})
	if err != nil {
		t.Fatal(err)
	}
	log.Events = append(log.Events, evs...)
	if err := e.CatchUp(ctx); err != nil {
		t.Fatal(err)
	}
	c, _, err := e.Chart(ctx)
	if err != nil || c.Site(chart.SiteRef{Tooth: 17, Site: chart.DB}).Depth.Whole() != 3 {
		t.Error("the depth of the other node is not there", err)
	}
	sub.Close()
	told := 0
	for range sub.C {
		told++
	}
	if told == 0 {
		t.Error("no page was told")
	}
	away := error(&ElsewhereError{"https://two.example"})
	if !unsure(away) || !strings.Contains(away.Error(), "https://two.example") || unsure(errors.New("disk full")) {
		t.Error("whether a call is kept is not known of another node alone")
	}
}

// Amendments with their places as people say them.
func TestAmendmentsWithPlaces(t *testing.T) {
	site := chart.MB
	st := &chart.State{Amendments: []chart.Amendment{{Was: `{"age":40}`, Value: `{"age":41}`}, {Tooth: 16, Field: chart.FieldMobility}, {Tooth: 16, Site: &site, Field: chart.FieldDepth}}}
	st.Chart.Numbering = chart.Universal
	var places []string
	for _, a := range AmendmentsOf(st) {
		places = append(places, a.Place)
	}
	if !slices.Equal(places, []string{"", "3", "3 MB"}) {
		t.Errorf("%q", places)
	}
}

// A grammar's net has the same states and endings for a recognizer; the end of the sound decides what was begun.
func TestNetForRecognizers(t *testing.T) {
	own := grammar.NetOf(grammar.State{Numbering: chart.FDI, Listening: true, Open: 3, Whole: 3})
	n := SpeechNet(own)
	for s := range n.States() {
		of, prior := n.Ending(s)
		if want, p := own.EndingOf(s); int(of) != int(want) || prior != p {
			t.Fatalf("state %d ends as %v (%v), in the grammar as %v (%v)", s, of, prior, want, p)
		}
	}
	e, log := open(t, chart.FDI, say(500, "three two four"))
	m := play(t, e, 1500)
	if err := m.Flush(); err != nil {
		t.Fatal(err)
	}
	if got := row(state(t, log), 17, chart.Buccal); got != "3 2 4" {
		t.Errorf("at the end of the sound stands %s", got)
	}
	m.Close()
	if err := m.Flush(); !errors.Is(err, ErrClosed) {
		t.Errorf("a microphone that is off was flushed: %v", err)
	}
}

// A correction with two numbers where the place has three sites lost one: nothing is entered, all of them are asked for again.
func TestCorrectionThatLostANumber(t *testing.T) {
	e, log := open(t, chart.FDI, say(1000, "three two four"), say(4000, "correction five two"))
	sub := e.Subscribe(1)
	play(t, e, 9000)
	if got := row(state(t, log), 17, chart.Buccal); got != "3 2 4" {
		t.Errorf("corrected to %s", got)
	}
	sub.Close()
	told := false
	for ch := range sub.C {
		told = told || ch.Answer != nil && ch.Answer.Speak == "2 of 3" && ch.Answer.Must
	}
	if !told {
		t.Error("the examiner was not told")
	}
}
