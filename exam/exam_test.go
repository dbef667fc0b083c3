package exam

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"leadsman/chart"
	"leadsman/exam/hear"
	"leadsman/grammar"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

var ctx = context.Background()

// open starts an exam that will hear the script.
func open(t *testing.T, n chart.Numbering, script ...scripted.Utterance) (*Exam, *Memory) {
	t.Helper()
	log := &Memory{}
	if err := Start(ctx, log, n, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	now := int64(1)
	e, err := Open(ctx, Config{ID: "x", Log: log, Engine: scripted.New(script...), Now: func() int64 { now++; return now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	return e, log
}

// say is an utterance; at is in milliseconds of the stream.
func say(at int64, text string) scripted.Utterance {
	return scripted.Utterance{StartMS: at, EndMS: at + 300*int64(len(strings.Fields(text))), Text: text}
}

// play feeds silence for a time: the script does the rest.
func play(t *testing.T, e *Exam, ms int64) *Mic {
	t.Helper()
	return playSpoken(t, e, ms, 0)
}

// playSpoken is play with something spoken to the examiner until spokenMS, if that is not 0.
func playSpoken(t *testing.T, e *Exam, ms, spokenMS int64) *Mic {
	t.Helper()
	m, err := e.OpenMic("test", false)
	if err != nil {
		t.Fatal(err)
	}
	if spokenMS > 0 {
		for m.Next() < spokenMS*speech.Rate/1000 {
			if _, err := m.Write(m.Next(), make([]int16, 480)); err != nil {
				t.Fatal(err)
			}
		}
		m.Speaks((spokenMS-600)*speech.Rate/1000, "again?")
		m.Spoke((spokenMS-600)*speech.Rate/1000, spokenMS*speech.Rate/1000)
	}
	frame := make([]int16, 480)
	for m.Next() < ms*speech.Rate/1000 {
		if _, err := m.Write(m.Next(), frame); err != nil {
			t.Fatal(err)
		}
	}
	return m
}

func state(t *testing.T, log *Memory) *chart.State {
	t.Helper()
	s, err := chart.Fold(log.Events)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// row reads the depths of a place in walking order.
func row(s *chart.State, tooth chart.Tooth, a chart.Aspect) string {
	var out []string
	for _, site := range s.Path.Sites(chart.Place{Tooth: tooth, Aspect: a}) {
		out = append(out, s.Chart.Site(chart.SiteRef{Tooth: tooth, Site: site}).Depth.String())
	}
	return strings.Join(out, " ")
}

// tones are those of the answers that a subscription was told, in order; the subscription ends.
func tones(sub *Subscription) string {
	sub.Close()
	var out []string
	for ch := range sub.C {
		if ch.Answer != nil {
			out = append(out, string(ch.Answer.Tone))
		}
	}
	return strings.Join(out, " ")
}

// asked is what was asked, in order; the subscription ends.
func asked(sub *Subscription) (out []string) {
	sub.Close()
	for ch := range sub.C {
		if ch.Head == nil || ch.Head.Question == nil {
			continue
		}
		if q := ch.Head.Question.Speak; len(out) == 0 || out[len(out)-1] != q {
			out = append(out, q)
		}
	}
	return out
}

// reasons are those of the open doubts.
func reasons(s *chart.State) map[string]string {
	out := map[string]string{}
	for r, d := range s.Doubts {
		out[r.String()] = d.Reason
	}
	return out
}

// begins is an utterance that the recognizer notices while it goes on.
func begins(at int64, text string) scripted.Utterance {
	u := say(at, text)
	u.Begins = true
	return u
}

func TestSpokenExam(t *testing.T) {
	e, log := open(t, chart.FDI, say(1000, "three two four"), say(3000, "bleeding mesial"), say(5000, "recession one two one"),
		say(7000, "tooth one four"), say(9000, "four"), say(9500, "four five"), say(12000, "disregard"), say(13500, "three"), say(14500, "missing"))
	play(t, e, 17000)
	s := state(t, log)
	if got := row(s, 17, chart.Buccal); got != "3 2 4" {
		t.Error(got)
	}
	if s.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.MB}).Flags[chart.Bleeding] != chart.Yes || s.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.B}).Recession.String() != "2" {
		t.Error("flag or margin")
	}
	// "four", "four five" are one place, which disregard took back.
	if got := row(s, 14, chart.Buccal); got != "3 - -" || s.Place.Tooth != 14 {
		t.Error(got, s.Place)
	}
	// 14 has a sounding, so it cannot be called missing: refused, logged, nothing changed.
	last := s.Calls[len(s.Calls)-1]
	if last.Refused == "" || s.Chart.Tooth(14).Presence != chart.Present {
		t.Error(last)
	}
}

// A pause inside a call never changes its meaning.
func TestPauses(t *testing.T) {
	for name, script := range map[string][]scripted.Utterance{
		"margin":   {say(1000, "three two four"), say(3000, "recession"), say(4500, "one two one")},
		"numbers":  {say(1000, "three"), say(1900, "two"), say(3200, "four"), say(5000, "recession one two one")},
		"amending": {say(1000, "three two four"), say(2500, "recession one"), say(3800, "disregard"), say(6000, "recession one two one")},
	} {
		e, log := open(t, chart.FDI, script...)
		play(t, e, 9000)
		s := state(t, log)
		var rec []string
		for _, site := range s.Path.Sites(chart.Place{Tooth: 17}) {
			rec = append(rec, s.Chart.Site(chart.SiteRef{Tooth: 17, Site: site}).Recession.String())
		}
		if row(s, 17, chart.Buccal) != "3 2 4" || strings.Join(rec, " ") != "1 2 1" {
			t.Errorf("%s: %s, margins %v", name, row(s, 17, chart.Buccal), rec)
		}
	}
	e, log := open(t, chart.FDI, say(1000, "three two four"), say(3000, "bleeding"), say(4000, "distal"))
	play(t, e, 7000)
	s := state(t, log)
	db, mb := s.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.DB}), s.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.MB})
	if db.Flags[chart.Bleeding] != chart.Yes || mb.Flags[chart.Bleeding].Recorded() {
		t.Error("bleeding ... distal must flag the distal site alone:", db, mb)
	}
}

func TestDoubtIsWrittenMarkedAndAsked(t *testing.T) {
	unsure := say(1000, "three two seven")
	unsure.Rivals = []string{"three two eleven"}
	e, log := open(t, chart.FDI, unsure, say(4000, "yes"))
	sub := e.Subscribe(state(t, log).Seq())
	play(t, e, 3900)
	s := state(t, log)
	if row(s, 17, chart.Buccal) != "3 2 7" || len(s.Doubts) != 3 {
		t.Fatal(row(s, 17, chart.Buccal), s.Doubts)
	}
	v, _ := e.View(ctx)
	if v.Question == nil || v.Question.Speak != "3. 2. 7?" || len(v.Doubts) != 3 || v.Doubts[0].Rival != "three two eleven" {
		t.Fatalf("%+v %+v", v.Question, v.Doubts)
	}
	play(t, e, 5000)
	if s = state(t, log); len(s.Doubts) != 0 {
		t.Error("yes settles the doubt that was asked about:", s.Doubts)
	}
	if got := tones(sub); got != "doubt accepted" {
		t.Error(got)
	}
}

// A lone number answers the question about one site; a breath of numbers goes on along the path, even if a pause splits its first number
// off.
func TestNumbersWhileADoubtIsAskedAbout(t *testing.T) {
	unread := say(2750, "two")
	unread.Rejected = true
	unsure := say(1000, "three two seven")
	unsure.Confidence = 0.7
	for name, c := range map[string]struct {
		script []scripted.Utterance
		want   string // 17, 16 and 15
		doubts string
	}{
		"answered, and gone on": {[]scripted.Utterance{say(1000, "five six ten"), say(4000, "seven"), say(8000, "five six ten"), say(12000, "three"), say(12700, "three three")},
			"5 6 7, 5 6 10, 3 3 3", "16.MB"},
		"too soon to be the answer":             {[]scripted.Utterance{say(1000, "five six ten"), say(2500, "seven")}, "5 6 10, 7 - -, - - -", "17.MB"},
		"behind speech that was not understood": {[]scripted.Utterance{say(1000, "five six ten"), unread, say(4000, "seven")}, "5 6 7, - - -, - - -", ""},
		"no, and the numbers":                   {[]scripted.Utterance{unsure, say(4000, "no"), say(6500, "three two eleven"), say(10000, "two two two")}, "3 2 11, 2 2 2, - - -", ""},
		"with correction":                       {[]scripted.Utterance{say(1000, "five six ten"), say(4000, "correction seven"), say(7000, "two two two")}, "5 6 7, 2 2 2, - - -", ""},
		"not heard clearly: it stays a doubt":   {[]scripted.Utterance{say(1000, "five six ten"), {StartMS: 4000, EndMS: 4400, Text: "seven", Confidence: 0.8, Rivals: []string{"nine"}}}, "5 6 7, - - -, - - -", "17.MB"},
		"whole place once more":                 {[]scripted.Utterance{say(1000, "five six ten"), say(4000, "five six seven"), say(7000, "two two two")}, "5 6 7, 2 2 2, - - -", ""},
	} {
		e, log := open(t, chart.FDI, c.script...)
		playSpoken(t, e, 13800, 3900)
		s := state(t, log)
		var doubts []string
		for _, d := range s.OpenDoubts() {
			doubts = append(doubts, d.SiteRef.String())
		}
		if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal) + ", " + row(s, 15, chart.Buccal); got != c.want || strings.Join(doubts, " ") != c.doubts {
			t.Errorf("%s: %s, doubts %v; want %s, %s", name, got, doubts, c.want, c.doubts)
		}
	}
}

// Numbers begun before a question was over are no answer to it, and who repaired a place goes on at once if the next one is ready.
func TestGoesOnAtOnce(t *testing.T) {
	unsure := begins(1000, "three three three")
	unsure.Confidence = 0.7
	over := begins(3200, "two one three")
	e, log := open(t, chart.FDI, unsure, over)
	playSpoken(t, e, 5000, 3500) // the question, until 3.5 s
	s := state(t, log)
	if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal); got != "3 3 3, 2 1 3" {
		t.Error(got, entries(t, log))
	}
	e, log = open(t, chart.FDI, begins(1000, "three four"), begins(4000, "three two four"), begins(5300, "three two two"))
	play(t, e, 8000)
	s = state(t, log)
	if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal); got != "3 2 4, 3 2 2" {
		t.Error(got, entries(t, log))
	}
}

// Where it is sure how many numbers were called, and not which, the place is kept and asked about: to refuse it would shift what follows.
func TestCountedButNotHeard(t *testing.T) {
	unsure := begins(1000, "three two four")
	unsure.Confidence, unsure.Rivals = 0.6, []string{"three three four", "three eight four", "three six four", "three nine four"}
	e, log := open(t, chart.FDI, unsure)
	play(t, e, 3000)
	s := state(t, log)
	if row(s, 17, chart.Buccal) != "3 2 4" || len(s.Doubts) == 0 {
		t.Error(row(s, 17, chart.Buccal), reasons(s))
	}
}

// Disregard takes back all of a place that came in pieces; of who calls number by number it takes the last one.
func TestDisregardTakesThePlace(t *testing.T) {
	for name, c := range map[string]struct {
		script []scripted.Utterance
		want   string
	}{
		"a place in pieces":  {[]scripted.Utterance{say(1000, "three two"), say(1900, "four"), say(4000, "disregard"), say(6000, "five five six")}, "5 5 6, - - -"},
		"after a correction": {[]scripted.Utterance{say(1000, "three two four"), say(3000, "correction three two five"), say(6000, "disregard"), say(8000, "five five six")}, "3 2 4, 5 5 6"},
	} {
		e, log := open(t, chart.FDI, c.script...)
		play(t, e, 12_000)
		s := state(t, log)
		if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// What an answer leaves in doubt: what was not heard clearly, unless it stands there already, and what is far from a number that nobody doubted.
func TestUnsureAnswer(t *testing.T) {
	e, _ := open(t, chart.FDI, say(1000, "five three three"))
	play(t, e, 3000)
	at := func(s chart.Site) chart.Reading {
		return chart.Reading{SiteRef: chart.SiteRef{Tooth: 17, Site: s}, Field: chart.FieldDepth}
	}
	for _, c := range []struct {
		says   [3]int
		unsure []bool
		want   string
	}{
		{[3]int{5, 3, 3}, nil, "  "},
		{[3]int{4, 2, 3}, nil, "  "},
		{[3]int{5, 3, 4}, []bool{true, false, true}, unclear + "  " + unclear}, // the same again proves nothing if it is unclear again
		{[3]int{3, 2, 5}, []bool{false, false, false}, "was 5 at this exam  was 3 at this exam"},
	} {
		doubt := e.unsureAnswer(&Question{}, hear.Verdict{Unsure: c.unsure})
		var got []string
		for i, s := range []chart.Site{chart.DB, chart.B, chart.MB} {
			reason, _ := doubt.of(nil, at(s), chart.Half(2*c.says[i]))
			got = append(got, reason)
		}
		if g := strings.Join(got, " "); g != c.want {
			t.Errorf("%v %v: %q, want %q", c.says, c.unsure, g, c.want)
		}
	}
}

func TestImplausibleIsAsked(t *testing.T) {
	e, log := open(t, chart.FDI, say(1000, "three two nine"), say(4000, "ten two two"), say(8000, "zero one one"))
	e.cfg.Earlier = &chart.Chart{}
	play(t, e, 12000)
	s := state(t, log)
	// 0, 10 and more are read back, and a value far deeper than a site beside it: the deep one (engineering choice).
	want := map[string]string{"17.MB": "beside 3", "16.DB": "10 mm or more", "15.DB": "depth 0"}
	if d := cmp.Diff(want, reasons(s)); d != "" {
		t.Error(d)
	}
}

// A site that is deeper by 2 mm than at the exam before is measured again while the hands are there: the answer is the depth, and
// the first reading stays beside it. A change at a single site counts only when it is seen twice (docs/measurement-error.md).
func TestDeeperSiteIsMeasuredAgain(t *testing.T) {
	for name, c := range map[string]struct {
		answer       string
		depth, again string
	}{"the same": {"six", "6", "6"}, "not repeated": {"four", "4", "6"}, "only confirmed": {"yes", "6", "-"}} {
		e, log := open(t, chart.FDI, say(1000, "three two six"), say(4500, c.answer), say(8000, "five three two"))
		e.cfg.Earlier = &chart.Chart{}
		for r, depth := range map[chart.SiteRef]int{{Tooth: 17, Site: chart.DB}: 3, {Tooth: 17, Site: chart.MB}: 4, {Tooth: 16, Site: chart.DB}: 4, {Tooth: 16, Site: chart.B}: 2} {
			e.cfg.Earlier.Site(r).Depth = chart.Millimetres(depth)
		}
		sub := e.Subscribe(state(t, log).Seq())
		play(t, e, 12_000)
		s := state(t, log)
		if got := s.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.MB}); got.Depth.String() != c.depth || got.Again.String() != c.again || len(s.Doubts) != 0 {
			t.Errorf("%s: %s, first %s, doubts %v", name, got.Depth, got.Again, s.Doubts)
		}
		if got := row(s, 16, chart.Buccal); got != "5 3 2" {
			t.Errorf("%s: the next place is %s", name, got)
		}
		if got := strings.Join(asked(sub), ", "); got != "17 mesial buccal was 4, is 6: again, please" {
			t.Errorf("%s: asked %q", name, got)
		}
	}
	// Two deeper sites of a place are asked about one after the other, and 1 mm is not.
	e, log := open(t, chart.FDI, say(1000, "six four six"), say(4500, "six"), say(8500, "six"))
	e.cfg.Earlier = &chart.Chart{}
	for _, site := range []chart.Site{chart.DB, chart.B, chart.MB} {
		e.cfg.Earlier.Site(chart.SiteRef{Tooth: 17, Site: site}).Depth = chart.Millimetres(3)
	}
	play(t, e, 20_000)
	s := state(t, log)
	for site, want := range map[chart.Site]string{chart.DB: "6", chart.B: "-", chart.MB: "6"} {
		if got := s.Chart.Site(chart.SiteRef{Tooth: 17, Site: site}).Again.String(); got != want {
			t.Errorf("%s measured again: %s, want %s", site, got, want)
		}
	}
}

// A number that went unheard is noticed at its place: a tone of its own while the place is not full, another one in silence, then words. What
// the examiner says then (the place once more, or its rest) makes the place whole, and nothing behind it is a site off.
func TestLostNumberIsNoticed(t *testing.T) {
	for name, c := range map[string]struct {
		more  []scripted.Utterance
		want  string // 17 and 16
		tones string
	}{
		"said again":                     {[]scripted.Utterance{begins(4000, "three two four"), begins(7000, "two one two")}, "3 2 4, 2 1 2", "part short accepted accepted"},
		"another number of it was wrong": {[]scripted.Utterance{begins(4000, "three three four"), begins(7000, "two one two")}, "3 3 4, 2 1 2", "part short accepted accepted"},
		"the rest":                       {[]scripted.Utterance{begins(4000, "four"), begins(7000, "two one two")}, "3 2 4, 2 1 2", "part short accepted accepted"},
		"again, and short again": {[]scripted.Utterance{begins(4000, "two four"), begins(8000, "three two four"), begins(11_000, "two one two")}, "3 2 4, 2 1 2",
			"part short short accepted accepted"},
		"again before the words": {[]scripted.Utterance{begins(3050, "three two four"), begins(5500, "two one two")}, "3 2 4, 2 1 2", "part short accepted accepted"},
		"a skip leaves it":       {[]scripted.Utterance{begins(4000, "skip"), begins(7000, "two one two")}, "3 2 -, 2 1 2", "part short place accepted"},
		"so does a flag":         {[]scripted.Utterance{begins(4000, "bleeding"), begins(7000, "two one two")}, "3 2 -, 2 1 2", "part short place accepted"},
	} {
		e, log := open(t, chart.FDI, append([]scripted.Utterance{begins(1000, "three two")}, c.more...)...)
		sub := e.Subscribe(state(t, log).Seq())
		play(t, e, c.more[len(c.more)-1].EndMS+900)
		s := state(t, log)
		if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
		if got := tones(sub); got != c.tones {
			t.Errorf("%s: tones %q, want %q", name, got, c.tones)
		}
		// Only a place that was left short is marked.
		if full := !strings.Contains(c.want, "-"); full != (len(s.Doubts) == 0) {
			t.Errorf("%s: doubts %v", name, reasons(s))
		}
	}
	// In a pass of margins it is margins that are missing.
	e, log := open(t, chart.FDI, say(1000, "three two three three two three"), say(5000, "margin pass"), begins(7000, "one two"), begins(11_000, "one two one"))
	sub := e.Subscribe(state(t, log).Seq())
	play(t, e, 14_000)
	if s := state(t, log); s.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.MB}).Recession.String() != "1" || s.Place.Tooth != 16 {
		t.Error(s.Place, entries(t, log))
	}
	if got := asked(sub); !slices.Equal(got, []string{"2 of 3"}) {
		t.Error(got)
	}
}

// That a place was told to be short says nothing about the next one, though a question about it is open.
func TestPieceBehindADoubtfulCorrection(t *testing.T) {
	mended := begins(4000, "correction three two four")
	mended.Rivals = []string{"correction three two five"}
	e, log := open(t, chart.FDI, begins(1000, "three two"), mended, begins(6200, "two one"), begins(7800, "two"))
	play(t, e, 10_000)
	s := state(t, log)
	if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal); got != "3 2 4, 2 1 2" {
		t.Error(got, entries(t, log))
	}
}

// A flag that was called between the takes of a place stays.
func TestFlagBetweenTakes(t *testing.T) {
	e, log := open(t, chart.FDI, begins(1000, "three two"), begins(2100, "bleeding"), begins(3500, "three two four"))
	play(t, e, 6000)
	s := state(t, log)
	if row(s, 17, chart.Buccal) != "3 2 4" || s.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.B}).Flags[chart.Bleeding] != chart.Yes {
		t.Error(entries(t, log))
	}
}

// Numbers that end in the middle of a place further on are not entered: one was heard twice, or one is missing.
func TestTooManyNumbers(t *testing.T) {
	for name, c := range map[string]struct {
		script []scripted.Utterance
		want   string
		tones  string
	}{
		"one too many":   {[]scripted.Utterance{begins(1000, "three two two four"), begins(5000, "three two four"), begins(8000, "one one one")}, "3 2 4, 1 1 1", "short accepted accepted"},
		"a row, too few": {[]scripted.Utterance{begins(1000, "three two four one one"), begins(5000, "three two four one one one")}, "3 2 4, 1 1 1", "short accepted"},
		"a row, and the rest of it behind a pause": {[]scripted.Utterance{begins(1000, "three two four one one"), begins(3000, "one")}, "3 2 4, 1 1 1", "accepted"},
		"a whole row": {[]scripted.Utterance{begins(1000, "three two four one one one")}, "3 2 4, 1 1 1", "accepted"},
	} {
		e, log := open(t, chart.FDI, c.script...)
		sub := e.Subscribe(state(t, log).Seq())
		play(t, e, c.script[len(c.script)-1].EndMS+700)
		s := state(t, log)
		if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal); got != c.want || len(s.Doubts) > 0 {
			t.Errorf("%s: %s, want %s, doubts %v", name, got, c.want, reasons(s))
		}
		if got := tones(sub); got != c.tones {
			t.Errorf("%s: tones %q, want %q", name, got, c.tones)
		}
	}
}

// A place at which the tool fails twice is called one by one; if that fails too it is left open, marked, said so, and the walk goes on.
func TestNeverATrap(t *testing.T) {
	hurt := []scripted.Utterance{begins(1000, "three two"), begins(4500, "three two")}
	e, log := open(t, chart.FDI, append(slices.Clone(hurt), begins(9500, "three"), begins(10_700, "two"), begins(11_900, "four"), begins(14_500, "two one two"))...)
	sub := e.Subscribe(state(t, log).Seq())
	play(t, e, 17_000)
	s := state(t, log)
	if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal); got != "3 2 4, 2 1 2" || len(s.Doubts) > 0 {
		t.Error(got, reasons(s))
	}
	if got := asked(sub); !slices.Equal(got, []string{"2 of 3", "one by one, please"}) {
		t.Error(got)
	}
	// What was begun before "one by one, please" could be heard is no first number.
	e, log = open(t, chart.FDI, begins(1000, "three"), begins(3000, "two"), begins(5000, "four"), begins(7000, "three"), begins(8200, "two"), begins(9400, "four"))
	play(t, e, 11_000)
	if s := state(t, log); row(s, 17, chart.Buccal) != "3 2 4" || s.Place.Tooth != 16 {
		t.Error(entries(t, log))
	}
	// All of the place is the place, whenever it begins after a pause.
	for at := int64(6000); at < 10_000; at += 100 {
		e, log = open(t, chart.FDI, append(slices.Clone(hurt), begins(at, "three two four"), begins(at+4000, "two one two"))...)
		play(t, e, at+6500)
		if s := state(t, log); row(s, 17, chart.Buccal) != "3 2 4" || row(s, 16, chart.Buccal) != "2 1 2" {
			t.Error(at, entries(t, log))
		}
	}
	e, log = open(t, chart.FDI, append(slices.Clone(hurt), begins(9500, "three"), begins(10_700, "two"), begins(15_500, "two one two"))...)
	sub = e.Subscribe(state(t, log).Seq())
	play(t, e, 18_000)
	s = state(t, log)
	if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal); got != "3 2 -, 2 1 2" {
		t.Error(got)
	}
	if d := cmp.Diff(map[string]string{"17.DB": tooFew, "17.B": tooFew}, reasons(s)); d != "" {
		t.Error(d)
	}
	said := false
	sub.Close()
	for ch := range sub.C {
		said = said || ch.Answer != nil && ch.Answer.Must && ch.Answer.Speak == "17 buccal left open"
	}
	if !said {
		t.Error("it was not said that the place is left open")
	}
}

// Who goes on before he can have heard that a number is missing goes on at the next tooth; the tooth that lacks one is asked about once
// the row has ended or it is quiet.
func TestLostNumberCostsOneTooth(t *testing.T) {
	steady := []scripted.Utterance{begins(1000, "three two three"), begins(3000, "two two three"), begins(5000, "two three two"), begins(7000, "three three two"), begins(9000, "four three")}
	for name, c := range map[string]struct {
		more    []scripted.Utterance
		want    map[chart.Tooth]string
		reasons map[string]string
	}{
		"in one piece": {[]scripted.Utterance{begins(9900, "six three five")},
			map[chart.Tooth]string{13: "4 3 -", 12: "6 3 5"}, map[string]string{"13.DB": tooFew, "13.B": tooFew}},
		"and again": {[]scripted.Utterance{begins(9900, "six three five"), begins(12_000, "two one"), begins(12_900, "five five four")},
			map[chart.Tooth]string{13: "4 3 -", 12: "6 3 5", 11: "2 1 -", 21: "5 5 4"},
			map[string]string{"13.DB": tooFew, "13.B": tooFew, "11.DB": tooFew, "11.B": tooFew}},
		"the rest comes after all": {[]scripted.Utterance{begins(9900, "six"), begins(12_000, "three five four")},
			map[chart.Tooth]string{13: "4 3 6", 12: "3 5 4"}, map[string]string{}},
		"told, he says the tooth again": {[]scripted.Utterance{begins(11_500, "four three five"), begins(13_500, "six three five")},
			map[chart.Tooth]string{13: "4 3 5", 12: "6 3 5"}, map[string]string{}},
		"the same again, before he can know": {[]scripted.Utterance{begins(9900, "four three five")},
			map[chart.Tooth]string{13: "4 3 -", 12: "4 3 5"}, map[string]string{"13.DB": tooFew, "13.B": tooFew}},
	} {
		e, log := open(t, chart.FDI, append(slices.Clone(steady), c.more...)...)
		play(t, e, c.more[len(c.more)-1].EndMS+900)
		s := state(t, log)
		for tooth, want := range c.want {
			if got := row(s, tooth, chart.Buccal); got != want {
				t.Errorf("%s: %v is %q, want %q", name, tooth, got, want)
			}
		}
		if d := cmp.Diff(c.reasons, reasons(s)); d != "" {
			t.Errorf("%s: doubts: %s", name, d)
		}
	}
	// It is asked for all its numbers, by its name; they are entered there, and the walk goes on where it was.
	e, log := open(t, chart.FDI, append(slices.Clone(steady), begins(9900, "six three five"), begins(18_500, "four three four"), begins(21_500, "two two one"))...)
	sub := e.Subscribe(state(t, log).Seq())
	playSpoken(t, e, 24_000, 18_000)
	s := state(t, log)
	if got := asked(sub); !slices.Equal(got, []string{"again, 13 buccal, please"}) {
		t.Error(got)
	}
	if got := row(s, 13, chart.Buccal) + ", " + row(s, 12, chart.Buccal) + ", " + row(s, 11, chart.Buccal); got != "4 3 4, 6 3 5, 2 2 1" || len(s.Doubts) != 0 {
		t.Error(got, reasons(s))
	}
}

// Numbers called one by one are a rhythm too: nobody is told of a place that is not full before it is clear that no number comes.
func TestOneByOne(t *testing.T) {
	var script []scripted.Utterance
	at := int64(1000)
	for _, tooth := range []string{"three two three", "two two three", "three three two", "two three two"} {
		for _, n := range strings.Fields(tooth) {
			script = append(script, begins(at, n))
			at += 1100 // 800 ms of it silence: the answer to each is waited for
		}
	}
	e, log := open(t, chart.FDI, script...)
	sub := e.Subscribe(state(t, log).Seq())
	play(t, e, at+500)
	s := state(t, log)
	if row(s, 17, chart.Buccal) != "3 2 3" || row(s, 14, chart.Buccal) != "2 3 2" || len(s.Doubts) > 0 {
		t.Error(entries(t, log))
	}
	if got := tones(sub); got != strings.TrimSpace(strings.Repeat("part part accepted ", 4)) {
		t.Error(got)
	}
}

// Numbers that fit badly and come out of the blue are talk, unless they are said again; among calls they count.
func TestNumbersOutOfTheBlue(t *testing.T) {
	poor := func(at int64, text string) scripted.Utterance {
		u := say(at, text)
		u.Filler = 0.8
		return u
	}
	e, log := open(t, chart.FDI, poor(1000, "four one"), say(3000, "three"), poor(4000, "two"), say(5000, "four"), poor(12_000, "and margin twelve"), poor(20_000, "four two two"),
		poor(22_000, "four two two"), poor(30_000, "five two two"), poor(32_000, "six two two"), say(34_000, "negative"), say(40_000, "seven two seven"))
	play(t, e, 43_000)
	s := state(t, log)
	if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal) + ", " + row(s, 15, chart.Buccal); got != "3 2 4, 4 2 2, 7 2 7" ||
		s.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.B}).Recession.Known() {
		t.Error(got)
	}
}

// What is far weaker than the calls is somebody else; who turned away from the microphone is heard again after some calls.
func TestWeakSpeechIsSomebodyElse(t *testing.T) {
	at := func(ms int64, text string, level float64) scripted.Utterance {
		u := say(ms, text)
		u.Signal.LevelDB = level
		return u
	}
	near := at(3000, "six", -30)
	near.Rejected, near.Near = true, true
	e, log := open(t, chart.FDI, at(1000, "three two", -20), near, at(5000, "four", -28), at(7000, "two", -45), at(9000, "six", -42),
		at(11_000, "five", -42))
	play(t, e, 15_000)
	if s := state(t, log); row(s, 17, chart.Buccal) != "3 2 4" || row(s, 16, chart.Buccal) != "5 - -" {
		t.Error(row(s, 17, chart.Buccal), row(s, 16, chart.Buccal))
	}
}

// A number that the recognizer only just rejected, while numbers are being called, is written and asked about; at any other
// time it is nothing.
func TestNearlyHeardNumber(t *testing.T) {
	near := func(at int64, text string) scripted.Utterance {
		u := say(at, text)
		u.Rejected, u.Near = true, true
		return u
	}
	e, log := open(t, chart.FDI, near(500, "five"), say(1500, "three"), near(2500, "two"), say(3500, "four"), near(4500, "next"), near(9000, "seven"))
	play(t, e, 12000)
	s := state(t, log)
	if row(s, 17, chart.Buccal) != "3 2 4" || s.Place.Tooth != 16 || row(s, 16, chart.Buccal) != "- - -" {
		t.Error(row(s, 17, chart.Buccal), row(s, 16, chart.Buccal), s.Place)
	}
	if s.Doubts[chart.SiteRef{Tooth: 17, Site: chart.B}].Reason != unclear {
		t.Error(s.Doubts)
	}
}

// A sound as loud as the numbers and among them, which nobody could read, is answered as not understood: nothing is written in its stead, and
// the place is not full until it was said again.
func TestUnreadableNumber(t *testing.T) {
	said := func(at int64, text string, level float64) scripted.Utterance {
		u := begins(at, text)
		u.Signal.LevelDB = level
		return u
	}
	lost := func(at int64, lasts int64, level float64) scripted.Utterance {
		u := said(at, "five", level)
		u.EndMS = at + lasts
		u.Rejected, u.Filler = true, 2
		return u
	}
	for name, c := range map[string]struct {
		script []scripted.Utterance
		want   string
		tones  string
	}{
		"as loud":                   {[]scripted.Utterance{said(1000, "three two", -20), lost(1950, 300, -21), said(3500, "three two four", -20)}, "3 2 4, - - -", "part misfit accepted"},
		"as loud, the rest comes":   {[]scripted.Utterance{said(1000, "three two", -20), lost(1950, 300, -21), said(3500, "four", -20)}, "3 2 4, - - -", "part misfit accepted"},
		"weaker than the calls":     {[]scripted.Utterance{said(1000, "three two", -20), lost(1950, 300, -27), said(3500, "four", -20)}, "3 2 4, - - -", "part accepted"},
		"too short to be a word":    {[]scripted.Utterance{said(1000, "three two", -20), lost(1950, 100, -20), said(3500, "four", -20)}, "3 2 4, - - -", "part accepted"},
		"long after the numbers":    {[]scripted.Utterance{said(1000, "three two four", -20), lost(5500, 300, -20)}, "3 2 4, - - -", "accepted"},
		"soon, behind a full place": {[]scripted.Utterance{said(1000, "three two four", -20), lost(4000, 300, -20), said(6000, "two two two", -20)}, "3 2 4, 2 2 2", "accepted misfit accepted"},
	} {
		e, log := open(t, chart.FDI, c.script...)
		sub := e.Subscribe(state(t, log).Seq())
		play(t, e, 8000)
		s := state(t, log)
		if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal); got != c.want || len(s.Doubts) > 0 {
			t.Errorf("%s: %s, want %s, doubts %v", name, got, c.want, reasons(s))
		}
		if got := strings.ReplaceAll(tones(sub), "short ", ""); got != c.tones {
			t.Errorf("%s: tones %q, want %q", name, got, c.tones)
		}
	}
}

// A breath that was not understood is void to its end, whatever is heard of its rest; what follows a real pause counts. That an answer was not
// understood says nothing about the numbers of the place.
func TestBreathThatWasNotUnderstood(t *testing.T) {
	unread := func(from, to int64, text string) scripted.Utterance {
		return scripted.Utterance{StartMS: from, EndMS: to, Text: text, Rejected: true, Near: text == "yes", Confidence: 0.8, Filler: 2, Begins: true, Signal: speech.Signal{LevelDB: -20, NoiseDB: -70}}
	}
	said := func(from, to int64, text string) scripted.Utterance {
		return scripted.Utterance{StartMS: from, EndMS: to, Text: text, Begins: true, Signal: speech.Signal{LevelDB: -20, NoiseDB: -70}}
	}
	for name, c := range map[string]struct {
		script []scripted.Utterance
		want   string
	}{
		"its rest": {[]scripted.Utterance{said(1000, 1900, "three two four"), unread(2600, 3400, "five one two"), said(3700, 4200, "two two"), said(4500, 5200, "three two one"), said(6800, 7700, "five one two")},
			"3 2 4, 5 1 2, - - -"},
		"gone on too soon to know: the next place": {[]scripted.Utterance{said(1000, 1900, "three two four"), unread(2500, 3400, "five one two"), said(3870, 4700, "two one two")}, "3 2 4, - - -, 2 1 2"},
		"its last word, and the place":             {[]scripted.Utterance{said(1000, 1900, "three two four"), unread(2500, 3400, "five one two"), said(3700, 4900, "two five one two")}, "3 2 4, 5 1 2, - - -"},
		"and in time: the place":                   {[]scripted.Utterance{said(1000, 1900, "three two four"), unread(2500, 3400, "five one two"), said(4100, 5000, "two one two")}, "3 2 4, 2 1 2, - - -"},
		"gone on at once, and on": {[]scripted.Utterance{said(1000, 1900, "three two four"), unread(2500, 3300, "five one two"), said(3600, 4400, "two one two"), said(4700, 5500, "three one three")},
			"3 2 4, - - -, 2 1 2"},
		"an answer": {[]scripted.Utterance{said(1000, 1900, "five six ten"), unread(4000, 4400, "yes"), said(5600, 6500, "two one two")}, "5 6 10, 2 1 2, - - -"},
	} {
		e, log := open(t, chart.FDI, c.script...)
		playSpoken(t, e, 9000, 3800)
		s := state(t, log)
		if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal) + ", " + row(s, 15, chart.Buccal); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// What was asked about is over when it was answered, put right, or tried too often; what comes then is the next place.
func TestOverAndDone(t *testing.T) {
	said := func(at int64, text string, rivals ...string) scripted.Utterance {
		u := begins(at, text)
		u.Rivals, u.Signal = rivals, speech.Signal{LevelDB: -20, NoiseDB: -70}
		return u
	}
	unread := func(at int64, text string) scripted.Utterance {
		u := said(at, text)
		u.Rejected, u.Filler = true, 3
		return u
	}
	doubted := said(1000, "three two four", "three two five")
	for name, c := range map[string]struct {
		script []scripted.Utterance
		want   string
	}{
		"a correction that was not understood came in time":            {[]scripted.Utterance{doubted, unread(4200, "correction three two five"), said(6000, "correction three two five"), said(8200, "two one"), said(9100, "two")}, "3 2 5, 2 1 2, - - -"},
		"a correction in three pieces":                                 {[]scripted.Utterance{said(1000, "three two four", "two three five"), said(4200, "correction three"), said(5280, "two"), said(6060, "five"), said(8200, "two one two")}, "3 2 5, 2 1 2, - - -"},
		"a correction of one number, and the next place a while later": {[]scripted.Utterance{said(1000, "three two four", "two three five"), said(4200, "correction three"), said(5600, "two"), said(8200, "one two")}, "3 2 3, 2 1 2, - - -"},
		"three answers that nobody understood":                         {[]scripted.Utterance{doubted, unread(4200, "yes"), unread(5600, "yes"), unread(7000, "yes"), said(8600, "three two two")}, "3 2 4, 3 2 2, - - -"},
		"two of them":                                                  {[]scripted.Utterance{doubted, unread(4200, "yes"), unread(5600, "yes"), said(7200, "three two two")}, "3 2 2, - - -, - - -"},
		"numbers long after the question":                              {[]scripted.Utterance{doubted, said(9000, "three one two")}, "3 2 4, 3 1 2, - - -"},
		"soon after it":                                                {[]scripted.Utterance{doubted, said(5000, "three one two")}, "3 1 2, - - -, - - -"},
	} {
		e, log := open(t, chart.FDI, c.script...)
		e.rhythm = hear.Rhythm{Whole: 2, Pieces: 4}
		playSpoken(t, e, 12_000, 3800) // to when the question is spoken
		s := state(t, log)
		if got := row(s, 17, chart.Buccal) + ", " + row(s, 16, chart.Buccal) + ", " + row(s, 15, chart.Buccal); got != c.want {
			t.Errorf("%s: %s, want %s; %q", name, got, c.want, entries(t, log))
		}
	}
}

// After a jump the tool waits for numbers, however long the last ones ago: speech that nobody could read is answered as not understood.
func TestNotUnderstoodAfterAJump(t *testing.T) {
	script := []scripted.Utterance{begins(1000, "three two four"), begins(8000, "number one four"), begins(9900, "two two two")}
	for i := range script {
		script[i].Signal = speech.Signal{LevelDB: -20, NoiseDB: -70}
	}
	script[2].Rejected, script[2].Filler = true, 3
	e, log := open(t, chart.FDI, script...)
	sub := e.Subscribe(state(t, log).Seq())
	play(t, e, 12_000)
	if got := tones(sub); !strings.HasPrefix(got, "accepted place misfit") {
		t.Errorf("tones %q", got)
	}
}

// Standing by, the one call that ends it is taken even where the recognizer only just rejected it; nothing else is.
func TestNearlyHeardGoAhead(t *testing.T) {
	near := func(at int64, text string, is bool) scripted.Utterance {
		u := say(at, text)
		u.Rejected, u.Near = true, is
		return u
	}
	costs := func(at int64, filler, level float64) scripted.Utterance {
		u := near(at, "go ahead", false)
		u.Filler, u.Signal.LevelDB = filler, level
		return u
	}
	first := say(500, "three")
	first.Signal.LevelDB = -20
	e, log := open(t, chart.FDI, first, say(1500, "stand by"), near(3000, "four", true), costs(4000, 1.9, -26), costs(5000, 2.1, -20), say(7000, "five"),
		near(9000, "go ahead", true), say(11_000, "six"), say(13_000, "stand by"), costs(15_000, 1.9, -22), say(17_000, "two"))
	play(t, e, 20_000)
	if s := state(t, log); row(s, 17, chart.Buccal) != "3 6 2" || !s.Listening {
		t.Error(row(s, 17, chart.Buccal), s.Listening)
	}
}

// "Tooth" is easily heard as "two": the sound decides, but numbers that fit the place are far likelier than a jump, and what stays unclear is
// asked about.
func TestTwoOrTooth(t *testing.T) {
	heard := func(at int64, text string, rivals ...string) scripted.Utterance {
		u := begins(at, text)
		u.Rivals = rivals
		return u
	}
	for name, c := range map[string]struct {
		script []scripted.Utterance
		place  chart.Tooth // that the next number goes to
		want   string      // 17
		doubts int
	}{
		"clearly the tooth":                   {[]scripted.Utterance{heard(1000, "tooth two six")}, 26, "- - -", 0},
		"clearly numbers":                     {[]scripted.Utterance{heard(1000, "two two six")}, 16, "2 2 6", 0},
		"hardly the tooth":                    {[]scripted.Utterance{heard(1000, "two two six", "tooth two six")}, 16, "2 2 6", 3},
		"the likelier sound, and yet":         {[]scripted.Utterance{heard(1000, "tooth two six", "two two six")}, 16, "2 2 6", 3},
		"numbers are asked about, and denied": {[]scripted.Utterance{heard(1000, "two two six", "tooth two six"), begins(4000, "disregard"), begins(6000, "tooth two six")}, 26, "- - -", 0},
		"in the middle of a place":            {[]scripted.Utterance{begins(1000, "five"), heard(1950, "two three", "tooth two three")}, 16, "5 2 3", 2},
		"a jump from the middle":              {[]scripted.Utterance{begins(1000, "five"), heard(1950, "tooth two three")}, 23, "5 - -", 0},
	} {
		e, log := open(t, chart.FDI, c.script...)
		play(t, e, c.script[len(c.script)-1].EndMS+500)
		s := state(t, log)
		if got := row(s, 17, chart.Buccal); got != c.want || s.Place.Tooth != c.place || len(s.Doubts) != c.doubts {
			t.Errorf("%s: 17 is %q, then %v, doubts %v; want %q, then %v, %d doubts", name, got, s.Place, reasons(s), c.want, c.place, c.doubts)
		}
	}
}

func TestChatterAndMisfits(t *testing.T) {
	chatter := say(1000, "two four")
	chatter.Rejected = true
	mumbled := say(3000, "two four six")
	mumbled.Confidence = 0.1
	vague := say(6000, "disregard")
	vague.Confidence = 0.35
	e, log := open(t, chart.FDI, chatter, mumbled, vague)
	sub := e.Subscribe(state(t, log).Seq())
	n := len(log.Events)
	play(t, e, 9000)
	if len(log.Events) != n {
		t.Error("something was entered:", log.Events[n:])
	}
	if got := tones(sub); got != "misfit misfit" {
		t.Errorf("answers %q: chatter gets none, what was not understood gets another tone", got)
	}
}

func TestStandBy(t *testing.T) {
	e, log := open(t, chart.FDI, say(1000, "stand by"), say(3000, "three two four"), say(5000, "disregard"), say(7000, "go ahead"), say(9000, "five"))
	play(t, e, 12000)
	s := state(t, log)
	if got := row(s, 17, chart.Buccal); got != "5 - -" || !s.Listening {
		t.Error(got, s.Listening)
	}
}

// What is hard to notice or to undo is done at once and asked about; negative takes it back.
func TestConfirming(t *testing.T) {
	e, log := open(t, chart.Universal, say(1000, "missing one three fourteen"), say(5000, "negative"), say(8000, "missing three five"), say(12000, "affirm"))
	play(t, e, 3900)
	v, _ := e.View(ctx)
	if v.Question == nil || v.Question.Speak != "missing 1 3 14?" {
		t.Fatalf("%+v", v.Question)
	}
	play(t, e, 15000)
	s := state(t, log)
	if s.Chart.Tooth(26).Presence != chart.Present || s.Chart.Tooth(16).Presence != chart.Missing || s.Chart.Tooth(14).Presence != chart.Missing {
		t.Error("negative takes the list back, affirm leaves it")
	}
}

// Help names what can be said now, in every state that hears more than "go ahead", and changes none of them.
func TestHelp(t *testing.T) {
	e, log := open(t, chart.Universal, say(1000, "help"), say(3000, "three two four"), say(5000, "recession"), say(6500, "help"), say(9000, "missing three fourteen"),
		say(11500, "help"), say(14000, "negative"), say(17000, "stand by"), say(19000, "help"), say(21000, "go ahead"), say(23000, "help"))
	said := func(ms int64) (string, *Question) {
		t.Helper()
		play(t, e, ms)
		v, err := e.View(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return strings.Join(v.Say, ", "), v.Question
	}
	if s, _ := said(2000); !strings.HasPrefix(s, "three two four, ") || !strings.Contains(s, "stand by") {
		t.Error(s)
	}
	if s, q := said(13000); q == nil || !strings.HasPrefix(s, "affirm, negative, three two four") {
		t.Error("while something is asked, the answers come first, and help is none of them:", s, q)
	}
	if s, q := said(18500); q != nil || s != "go ahead" {
		t.Error(s, q)
	}
	if s, _ := said(24500); !strings.HasPrefix(s, "three two four, ") {
		t.Error(s)
	}
	s := state(t, log)
	help := 0
	for _, c := range s.Calls {
		if c.Did == chart.VerbHelp {
			help++
		}
	}
	if help != 4 || !s.Listening || row(s, 17, chart.Buccal) != "3 2 4" || s.Chart.Tooth(16).Presence != chart.Present || s.Chart.Tooth(26).Presence != chart.Present {
		t.Errorf("%d calls for help, %+v", help, s.Calls)
	}
}

func TestTyped(t *testing.T) {
	e, log := open(t, chart.Universal)
	a, err := e.Words(ctx, "tooth 14 3 2 4 bleeding mesial", Caller{Who: "Ben Oakley"}, "k1")
	if err != nil || a.Tone != ToneAccepted {
		t.Fatal(a, err)
	}
	n := len(log.Events)
	if a, err = e.Words(ctx, "tooth 14 3 2 4 bleeding mesial", Caller{Who: "Ben Oakley"}, "k1"); err != nil || len(log.Events) != n || a.Text != "already entered" {
		t.Error("the same call twice must be entered once:", a, err)
	}
	s := state(t, log)
	if row(s, 26, chart.Buccal) != "3 2 4" || s.Calls[1].Who != "Ben Oakley" || s.Calls[1].Source != chart.Keyboard {
		t.Error(row(s, 26, chart.Buccal), s.Calls)
	}
	var mis *grammar.Misfit
	if _, err := e.Words(ctx, "banana", Caller{}, ""); !errors.As(err, &mis) {
		t.Error(err)
	}
	if _, err := e.Words(ctx, "recession", Caller{}, ""); !errors.As(err, &mis) {
		t.Error(err)
	}
	var ref *chart.Refusal
	if _, err := e.Words(ctx, "tooth 33", Caller{}, ""); !errors.As(err, &ref) {
		t.Error(err)
	}
	var rng *chart.RangeError
	forty := chart.Millimetres(40)
	if _, err := e.Do(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbSet, Ref: &chart.SiteRef{Tooth: 16, Site: chart.B}, Field: chart.FieldDepth, Number: &forty}}}, Caller{}, ""); !errors.As(err, &rng) {
		t.Error(err)
	}
}

// Voice goes on at its place while somebody corrects elsewhere.
func TestCorrectionElsewhereLeavesVoiceAlone(t *testing.T) {
	e, log := open(t, chart.FDI, say(1000, "three two"), say(4000, "four"), say(6000, "bleeding"))
	play(t, e, 2500)
	five := chart.Millimetres(5)
	if _, err := e.Do(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbSet, Ref: &chart.SiteRef{Tooth: 36, Site: chart.L}, Field: chart.FieldDepth, Number: &five}}}, Caller{Who: "Ben"}, "a"); err != nil {
		t.Fatal(err)
	}
	play(t, e, 9000)
	s := state(t, log)
	if row(s, 17, chart.Buccal) != "3 2 4" || s.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.MB}).Flags[chart.Bleeding] != chart.Yes {
		t.Error(row(s, 17, chart.Buccal))
	}
	// Voice takes back its own last call, not the assistant's.
	c, ok := s.LastCall(chart.Voice)
	if !ok || c.Words != "bleeding" {
		t.Error(c)
	}
}

func TestMicrophone(t *testing.T) {
	e, log := open(t, chart.FDI, say(1000, "three two four"), say(3000, "two two two"))
	m := play(t, e, 2000)
	if _, err := e.OpenMic("other", false); !errors.Is(err, ErrMicTaken) {
		t.Error(err)
	}
	// The connection drops: the page sends the last second again.
	m.Detach()
	again, err := e.OpenMic("test", false)
	if err != nil || again != m {
		t.Fatal("the owner gets its stream back", err)
	}
	next := m.Next()
	if got, err := m.Write(next-speech.Rate, make([]int16, speech.Rate)); err != nil || got != next {
		t.Error("sound that was had must be dropped:", got, err)
	}
	if _, err := m.Write(-5, make([]int16, 10)); err == nil {
		t.Error("a negative position must be refused")
	}
	play(t, e, 5000)
	s := state(t, log)
	if row(s, 17, chart.Buccal) != "3 2 4" || row(s, 16, chart.Buccal) != "2 2 2" || len(s.Calls) != 3 {
		t.Error(row(s, 17, chart.Buccal), row(s, 16, chart.Buccal), s.Calls)
	}
	o, err := e.OpenMic("other", true)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Write(m.Next(), make([]int16, 480)); !errors.Is(err, ErrClosed) {
		t.Error("the first microphone is closed when another takes over:", err)
	}
	o.Close()
	third, err := e.OpenMic("third", false)
	if err != nil {
		t.Fatal("a closed microphone frees the exam:", err)
	}
	// A microphone whose connection is gone gives way to another one, without a question.
	third.Detach()
	fourth, err := e.OpenMic("fourth", false)
	if err != nil {
		t.Fatal("a microphone that is gone must give way:", err)
	}
	third.Detach() // late: the fourth one is on
	if _, err := e.OpenMic("fifth", false); !errors.Is(err, ErrMicTaken) {
		t.Error("a connected microphone gave way:", err)
	}
	if _, err := fourth.Write(0, make([]int16, 480)); err != nil {
		t.Error(err)
	}
}

// A microphone that gets no recognizer ends nothing: the one that it was to take the place of goes on where it was. Where none is on, the exam is given away.
func TestRefusedMicrophoneEndsNothing(t *testing.T) {
	log := &Memory{}
	if err := Start(ctx, log, chart.FDI, "", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	engine := scripted.New(say(1000, "three two four"))
	var full error
	left := 0
	e, err := Open(ctx, Config{ID: "x", Log: log, Engine: engine, Now: func() int64 { return 2 }, Leave: func() { left++ },
		Recognizer: func(string) (speech.Recognizer, string, error) {
			if full != nil {
				return nil, "", full
			}
			r, err := engine.NewRecognizer()
			return r, "", err
		}})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	full = speech.ErrBusy
	if _, err := e.OpenMic("first", false); !errors.Is(err, speech.ErrBusy) || left != 1 {
		t.Errorf("nobody was on: %v, given away %d times", err, left)
	}
	full = nil
	m, err := e.OpenMic("test", false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Write(0, make([]int16, speech.Rate/2)); err != nil {
		t.Fatal(err)
	}
	full = speech.ErrStopping
	if _, err := e.OpenMic("thief", true); !errors.Is(err, speech.ErrStopping) || left != 1 {
		t.Errorf("taking over: %v, given away %d times", err, left)
	}
	play(t, e, 3000) // the same stream
	if s := state(t, log); row(s, 18, chart.Buccal) != "3 2 4" && row(s, 17, chart.Buccal) != "3 2 4" {
		t.Error("the call was not heard to its end")
	}
}

// A microphone says whose voice it hears; why a voice profile cannot be used stands on the screen.
func TestMicrophoneOfAVoice(t *testing.T) {
	log := &Memory{}
	if err := Start(ctx, log, chart.FDI, "", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	var asked []string
	engine := scripted.New(say(1000, "three two four"))
	e, err := Open(ctx, Config{ID: "x", Log: log, Engine: engine, Now: func() int64 { return 2 },
		Recognizer: func(voice string) (speech.Recognizer, string, error) {
			asked = append(asked, voice)
			if voice == "gone" {
				return nil, "", errors.New("no such voice")
			}
			r, err := engine.NewRecognizer()
			return r, "enrol again", err
		}})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	s := e.Subscribe(1)
	defer s.Close()
	if _, err := e.OpenMicFor("a", "gone", false); err == nil {
		t.Error("a voice without a recognizer")
	}
	if _, err := e.OpenMicFor("a", "ann", false); err != nil {
		t.Fatal(err)
	}
	told := ""
	for len(s.C) > 0 {
		if ch := <-s.C; ch.Mic != nil {
			told = ch.Mic.Trouble
		}
	}
	if told != "enrol again" || len(asked) != 2 || asked[1] != "ann" {
		t.Errorf("told %q, asked for %q", told, asked)
	}
	if _, err := e.OpenMic("b", true); err != nil || len(asked) != 3 || asked[2] != "" {
		t.Errorf("anybody's voice: asked for %q, %v", asked, err)
	}
}

// What is wrong with the sound is told with what to do about it; good sound has no complaint. The limits are an engineering choice.
func TestTroubleWithTheMicrophone(t *testing.T) {
	for _, c := range []struct {
		signal  speech.Signal
		strange float64
		want    string
		remedy  string
	}{
		{speech.Signal{LevelDB: -25, NoiseDB: -60}, 0.9, "", ""},
		{speech.Signal{LevelDB: -25, NoiseDB: -34}, 0, "", ""},
		{speech.Signal{LevelDB: -25, NoiseDB: -32}, 1.2, "noisy", "turn"},
		{speech.Signal{LevelDB: -55, NoiseDB: -80}, 0, "very quiet", "turn"},
		{speech.Signal{LevelDB: -3, NoiseDB: -60, Clipped: 0.02}, 0, "too loud", "turn"},
		{speech.Signal{LevelDB: -3, NoiseDB: -60, Clipped: 0.001}, 0, "", ""},
		{speech.Signal{LevelDB: -25, NoiseDB: -60}, 1.2, "this voice is new", "Practise"},
	} {
		u := say(1000, "three two four")
		u.Signal, u.Strange = c.signal, c.strange
		e, log := open(t, chart.FDI, u)
		sub := e.Subscribe(state(t, log).Seq())
		play(t, e, 2500)
		sub.Close()
		var last *MicView
		for ch := range sub.C {
			if ch.Mic != nil {
				last = ch.Mic
			}
		}
		if last == nil || last.LevelDB != c.signal.LevelDB || (last.Trouble == "") != (c.want == "") || !strings.HasPrefix(last.Trouble, c.want) ||
			!strings.Contains(last.Trouble, c.remedy) {
			t.Errorf("%+v: told %+v, want %q with %q", c.signal, last, c.want, c.remedy)
		}
	}
}

func TestNoEngine(t *testing.T) {
	log := &Memory{}
	Start(ctx, log, chart.FDI, "", nil, nil, 1, "")
	e, err := Open(ctx, Config{ID: "x", Log: log, Now: func() int64 { return 1 }})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	if _, err := e.OpenMic("a", false); !errors.Is(err, ErrNoEngine) {
		t.Error(err)
	}
	if _, err := e.Words(ctx, "3 2 4", Caller{}, ""); err != nil {
		t.Error(err)
	}
}

// Lost sound is told, and does not shift what follows.
func TestGapInTheSound(t *testing.T) {
	e, log := open(t, chart.FDI, say(3000, "three two four"))
	m := play(t, e, 1000)
	if _, err := m.Write(m.Next()+speech.Rate, make([]int16, 480)); err != nil {
		t.Fatal(err)
	}
	v := e.Subscribe(state(t, log).Seq())
	found := false
	for len(v.C) > 0 {
		if ch := <-v.C; ch.Mic != nil && strings.Contains(ch.Mic.Trouble, "lost") {
			found = true
		}
	}
	if !found {
		t.Error("the gap was not told")
	}
	play(t, e, 6000)
	if got := row(state(t, log), 17, chart.Buccal); got != "3 2 4" {
		t.Error(got)
	}
}

// A page that comes back gets what it missed; one that missed too much is told to read anew.
func TestSubscribe(t *testing.T) {
	e, log := open(t, chart.Universal)
	first := state(t, log).Seq()
	for range 3 {
		if _, err := e.Words(ctx, "3 2 4", Caller{}, ""); err != nil {
			t.Fatal(err)
		}
	}
	s := e.Subscribe(first)
	seq := first
	for range 3 {
		ch := <-s.C
		if ch.From != seq || len(ch.Teeth) == 0 {
			t.Fatalf("change from %d, want %d", ch.From, seq)
		}
		seq = ch.Seq
	}
	s.Close()
	if _, ok := <-s.C; ok {
		t.Error("closed subscriptions end")
	}
	s = e.Subscribe(first + 1) // in the middle of a call: no page can be there
	if ch := <-s.C; ch.From != 0 || ch.Seq != seq {
		t.Errorf("%+v", ch)
	}
	s.Close()
	// Views folded from changes equal the whole view.
	v, _ := e.View(ctx)
	if v.Seq != seq || v.Recorded != 9 || v.Sites != 168 || len(v.Teeth) != 32 {
		t.Error(v.Seq, v.Recorded, v.Sites, len(v.Teeth))
	}
}

type brokenLog struct{ Memory }

func (b *brokenLog) AppendHeard(context.Context, Heard, ...chart.Event) error {
	return errors.New("disk full")
}

// Nothing counts as entered before it is durable.
func TestLogFailureEntersNothing(t *testing.T) {
	log := &brokenLog{}
	Start(ctx, &log.Memory, chart.FDI, "", nil, nil, 1, "")
	e, err := Open(ctx, Config{ID: "x", Log: log, Now: func() int64 { return 1 }})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	before, _ := e.View(ctx)
	a, err := e.Words(ctx, "3 2 4", Caller{}, "")
	if err == nil || a.Tone != ToneRefused {
		t.Error(a, err)
	}
	after, _ := e.View(ctx)
	if after.Seq != before.Seq || after.Recorded != 0 {
		t.Error("the chart shows what is not stored")
	}
}

// Rows CAL-15 to CAL-17 of diagnosis/testdata/check-values.csv: 9 mm after 8 is not read back, 10 after 8 and 15 are
// (engineering choice, site model 1.2).
func TestReadBackRows(t *testing.T) {
	for depth, want := range map[int]bool{9: false, 10: true, 15: true} {
		e, _ := open(t, chart.FDI)
		ref := chart.SiteRef{Tooth: 16, Site: chart.B}
		e.cfg.Earlier = &chart.Chart{}
		earlier := 8
		if depth == 15 {
			earlier = 14
		}
		e.cfg.Earlier.Site(ref).Depth = chart.Millimetres(earlier)
		c := chart.Chart{}
		if got := e.implausible(&c, chart.Reading{SiteRef: ref, Field: chart.FieldDepth}, chart.Millimetres(depth)); (got != "") != want {
			t.Errorf("%d mm after %d: read back %q, want %t", depth, earlier, got, want)
		}
	}
}

// A path is changed by voice and at the screen in the middle of an exam, by the names of the practice too.
func TestPathByVoice(t *testing.T) {
	log := &Memory{}
	if err := Start(t.Context(), log, chart.FDI, "", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	own, err := chart.ParsePath("lowers", "buccal 36-46", chart.FDI)
	if err != nil {
		t.Fatal(err)
	}
	terms, err := grammar.NewTerms([]grammar.Synonym{{Said: []string{"gum"}, Means: []string{"recession"}}}, []string{"lowers"})
	if err != nil {
		t.Fatal(err)
	}
	earlier := chart.NewState().Chart
	earlier.Site(chart.SiteRef{Tooth: 24, Site: chart.SiteAt(chart.Lingual, chart.Mid)}).Depth = chart.Millimetres(6)
	e, err := Open(t.Context(), Config{ID: "x", Log: log, Now: func() int64 { return 1 }, Terms: terms, Paths: []chart.Path{own}, Earlier: &earlier,
		Engine: scripted.New(say(1000, "three two four"), say(3000, "gum one"), say(5000, "path lowers"), say(7000, "two two two"), say(9000, "path pockets"), say(11_000, "five"), say(13_000, "margin pass"), say(15_000, "minus one"))})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	m, err := e.OpenMic("test", false)
	if err != nil {
		t.Fatal(err)
	}
	for ms := 0; ms < 18_000; ms += 20 {
		if _, err := m.Write(m.Next(), make([]int16, 20*speech.Rate/1000)); err != nil {
			t.Fatal(err)
		}
	}
	st := state(t, log)
	got := ""
	for _, c := range st.Calls {
		got += Describe(st, st.CallEvents(c.Seq)) + "|"
	}
	if want := "exam started, fdi numbering|17 buccal: 3 2 4|17 buccal: recession 1|path lowers; to 36 buccal|36 buccal: 2 2 2|path pockets; to 24 lingual|" +
		"24 lingual: 5|numbers are margins; to 24 lingual|24 lingual: recession -1|"; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	v, err := e.View(t.Context())
	if err != nil || v.Path != "pockets" || v.Pass != chart.FieldRecession || v.Recorded != 1 || v.Sites != 1 || len(v.Line) != 1 || len(v.Line[0].Sites) != 1 {
		t.Errorf("%v, %+v", err, v.Head)
	}
	e.cfg.Earlier = nil
	for text, want := range map[string]string{"path pockets": "no earlier exam", "path nowhere": "does not fit"} {
		if _, err := e.Words(t.Context(), text, Caller{}, ""); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", text, err)
		}
	}
}

// What was left out comes at the end of the path, said aloud with its place; in a pass of margins too. The path is short.
func TestLeftOut(t *testing.T) {
	log := &Memory{}
	p, err := chart.ParsePath("x", "buccal 14-12", chart.FDI)
	if err != nil {
		t.Fatal(err)
	}
	if err := Start(t.Context(), log, chart.FDI, p.Ref, nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	e, err := Open(t.Context(), Config{ID: "x", Log: log, Now: func() int64 { return 1 }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	for _, c := range []struct {
		say, text, speak string
		must             bool
	}{
		{"tooth 13 buccal", "to 13 buccal", "13 buccal", false},
		{"3 2 4", "13 buccal: 3 2 4", "3. 2. 4", false},
		{"3", "12 buccal: 3", "3", false},
		{"skip", "to 12 buccal", "12 buccal mesial", false},
		{"3 bleeding", "12 buccal: 3; 12 buccal: bleeding mesial; end of the path: 4 sites are without depths, first 14 buccal", "3. bleeding. 4 sites open. 14 buccal", true},
		{"2 2 2", "14 buccal: 2 2 2; then 12 buccal mid", "2. 2. 2. 12 buccal mid", true},
		{"bleeding", "14 buccal: bleeding mesial", "bleeding", false},
		{"skip", "to 12 buccal; end of the path: 1 site is without depths, next goes there", "1 site open", true},
		{"next", "to 12 buccal", "12 buccal mid", false},
		{"5", "12 buccal: 5", "5", false},
		{"margin pass", "numbers are margins; to 14 buccal", "margins. 14 buccal", false},
		{"tooth 13 buccal 1 1 1", "to 13 buccal; 13 buccal: recession 1 1 1", "margin. 1. 1. 1", false},
		{"0 0 0", "12 buccal: recession 0 0 0; end of the path: 3 sites are without margins, first 14 buccal", "margin. 0. 0. 0. 3 sites open. 14 buccal", true},
	} {
		a, err := e.Words(t.Context(), c.say, Caller{}, "")
		if err != nil || a.Text != c.text || a.Speak != c.speak || a.Must != c.must {
			t.Errorf("%s: %q, spoken %q, %t, %v", c.say, a.Text, a.Speak, a.Must, err)
		}
	}
}

// A correction names what it corrects in words.
func TestDescribeInWords(t *testing.T) {
	e, _ := open(t, chart.Universal)
	two, none := chart.Millimetres(2), ""
	field := chart.FurcationField(chart.EntranceBuccal)
	act := chart.Act{Verb: chart.VerbSet, Ref: &chart.SiteRef{Tooth: 17}, Field: field, Number: &two, Was: &none}
	if a, err := e.Do(t.Context(), chart.Command{Acts: []chart.Act{act}}, Caller{Who: "Ann"}, "a"); err != nil || a.Text != "2 furcation buccal 2" || a.Speak != "furcation 2" {
		t.Errorf("%+v, %v", a, err)
	}
	if _, err := e.Do(t.Context(), chart.Command{Acts: []chart.Act{act}}, Caller{Who: "Ben"}, "b"); err == nil || err.Error() != "2 furcation buccal was changed meanwhile, it is 2 now: nothing was entered" {
		t.Error(err)
	}
	act.Number, act.Was = nil, nil
	if a, err := e.Do(t.Context(), chart.Command{Acts: []chart.Act{act}}, Caller{Who: "Ann"}, "c"); err != nil || a.Text != "2 furcation buccal cleared" {
		t.Errorf("%+v, %v", a, err)
	}
}
