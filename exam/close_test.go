package exam

import (
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
)

// closes calls an exam of one tooth by voice, and what follows "exam complete".
func closes(t *testing.T, script ...string) (x *examiner, log *Memory) {
	t.Helper()
	log = &Memory{}
	x = newExaminer(t, log)
	t.Cleanup(func() { x.e.Close() })
	path, err := chart.ParsePath("one", "buccal 36-37, lingual 37-36", chart.FDI)
	if err != nil {
		t.Fatal(err)
	}
	x.e.cfg.Paths = []chart.Path{path}
	if _, err := x.e.Do(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbPath, Text: "one"}}}, Caller{Who: "Ada Quill"}, "path"); err != nil {
		t.Fatal(err)
	}
	for _, words := range script {
		x.says(words)
		x.waits(1500)
	}
	return x, log
}

// After "exam complete" by voice everything is asked that the screen asks: what was not probed, and whether findings were called only where
// they are. Each answer is an entry like any other; the signature is left to the screen.
func TestClosingByVoice(t *testing.T) {
	x, log := closes(t, "three two four bleeding", "three three three", "two two two", "exam complete")
	x.waits(4000, `"exam complete?`)
	x.says("affirm")
	said := x.waits(3000, `"3 sites`)
	if said != `"3 sites not probed, 36 lingual: go there? or skip, and why` {
		t.Fatalf("first it asks %q\n%s", said, strings.Join(x.diary, "\n"))
	}
	x.says("skip calculus")
	if said = x.waits(3000, `"bleeding`); said != `"bleeding at 1, pus and plaque and calculus nowhere: none at the other sites?` {
		t.Fatalf("then %q\n%s", said, strings.Join(x.diary, "\n"))
	}
	x.says("no") // not all of them
	if said = x.waits(3000, `"no `); said != `"no bleeding at the other 8 sites?` {
		t.Fatalf("then %q\n%s", said, strings.Join(x.diary, "\n"))
	}
	x.says("yes")
	for _, name := range []string{"pus", "plaque", "calculus"} {
		if said = x.waits(3000, `"no `); said != `"no `+name+` at the other 9 sites?` {
			t.Fatalf("then %q\n%s", said, strings.Join(x.diary, "\n"))
		}
		x.says("negative")
	}
	if said = x.waits(3000, `"no margins`); said != `"no margins were called: all at the C E J?` {
		t.Fatalf("then %q\n%s", said, strings.Join(x.diary, "\n"))
	}
	sub := x.e.Subscribe(uint64(len(log.Events)))
	x.says("yes")
	x.waits(3000)
	s := state(t, log)
	if s.SignedBy != "" || !s.Complete {
		t.Errorf("complete %t, signed by %q", s.Complete, s.SignedBy)
	}
	if why := s.Chart.Patient.Teeth[36].Sites[chart.ML].NotAssessable; why != "calculus" {
		t.Errorf("36 ML is left out because of %q", why)
	}
	if f := s.Chart.Site(chart.SiteRef{Tooth: 37, Site: chart.L}).Flags; f[chart.Bleeding] != chart.No || f[chart.Plaque].Recorded() {
		t.Errorf("37 L has %v", f)
	}
	if m := s.Chart.Site(chart.SiteRef{Tooth: 37, Site: chart.L}).Recession; m != chart.Half(0) {
		t.Errorf("the margin of 37 L is %s", m)
	}
	var remarks []string
	for _, r := range s.Remarks {
		remarks = append(remarks, r.Text)
	}
	if want := []string{unseen + "Pus", unseen + "Plaque", unseen + "Calculus"}; !slices.Equal(remarks, want) {
		t.Errorf("remarks %q, want %q", remarks, want)
	}
	sub.Close()
	last := ""
	for ch := range sub.C {
		if ch.Answer != nil {
			last = ch.Answer.Speak
		}
	}
	if want := "9 of 12 sites probed, 3 sites not probed, no doubts. the examiner signs on the screen"; last != want {
		t.Errorf("at last it says %q, want %q", last, want)
	}
	// Nothing is asked twice.
	x.says("exam complete")
	x.waits(2000, `"exam complete?`)
	x.says("affirm")
	if said = x.waits(6000, `"no `, `"bleeding`, `"3 sites`); said != "" {
		t.Errorf("it asks again: %q", said)
	}
}

// "Go there" leads to the first site that was not probed; the questions stop, and come again with the next "exam complete". All findings called
// only where they are is one answer.
func TestClosingGoesThere(t *testing.T) {
	x, log := closes(t, "three two four bleeding", "three three three", "two two two", "exam complete")
	x.waits(4000, `"exam complete?`)
	x.says("affirm")
	x.waits(3000, `"3 sites`)
	x.says("yes")
	x.waits(1500)
	if p := state(t, log).Place; p != (chart.Place{Tooth: 36, Aspect: chart.Lingual}) {
		t.Fatalf("it stands at %v", p)
	}
	if q := x.waits(5000, `"bleeding`); q != "" {
		t.Fatalf("while one goes on it asks %q", q)
	}
	x.says("two two three")
	x.waits(1500)
	x.says("exam complete")
	x.waits(2000, `"exam complete?`)
	x.says("affirm")
	x.waits(3000, `"bleeding`)
	x.says("yes")
	x.waits(3000, `"no margins`)
	x.says("no")
	x.waits(2000)
	s := state(t, log)
	for _, f := range []chart.Flag{chart.Bleeding, chart.Suppuration, chart.Plaque, chart.Calculus} {
		if v := s.Chart.Site(chart.SiteRef{Tooth: 36, Site: chart.DL}).Flags[f]; v != chart.No {
			t.Errorf("%s at 36 DL is %v", f, v)
		}
	}
	if len(s.Remarks) != 1 || s.Remarks[0].Text != unseen+"Margins" || s.Chart.Site(chart.SiteRef{Tooth: 36, Site: chart.DL}).Recession.Known() {
		t.Errorf("margins that were not looked for: %v", s.Remarks)
	}
}

// A question that nobody answers is put twice and then left to the screen; what the screen settles meanwhile is asked no more.
func TestClosingUnanswered(t *testing.T) {
	x, log := closes(t, "three two four", "three three three", "two two two", "two two three", "exam complete")
	x.waits(4000, `"exam complete?`)
	x.says("affirm")
	for i := range 2 {
		if q := x.waits(9000, `"pus`, `"bleeding`); q != `"bleeding and pus and plaque and calculus nowhere: none at the other sites?` && i == 0 {
			t.Fatalf("it asks %q", q)
		}
		x.waits(7000)
	}
	if q := x.waits(3000, `"no margins`); q == "" {
		v, _ := x.e.View(ctx)
		if v.Question == nil || !strings.HasPrefix(v.Question.Speak, "no margins") {
			t.Fatalf("it goes on with %+v\n%s", v.Question, strings.Join(x.diary, "\n"))
		}
	}
	if _, err := x.e.Do(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbRest, Field: chart.FieldRecession}}}, Caller{Who: "Ada Quill"}, "rest"); err != nil {
		t.Fatal(err)
	}
	if v, _ := x.e.View(ctx); v.Question != nil {
		t.Errorf("settled at a screen, it still asks %q", v.Question.Speak)
	}
	if s := state(t, log); len(s.Remarks) != 0 || s.Chart.Site(chart.SiteRef{Tooth: 36, Site: chart.DL}).Flags[chart.Bleeding].Recorded() {
		t.Error("what nobody answered was written")
	}
}
