package practice_test

import (
	"log/slog"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/speech/scripted"
)

// Two signed exams of a patient on one day are a double examination; one alone or one that is not signed is none.
func TestDoubles(t *testing.T) {
	ctx := t.Context()
	st, patient := stored(t)
	p := practice.New(practice.Config{Records: st, Engine: scripted.New(), Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	mark := ""
	for n, c := range []struct {
		words, signs string
		want         int // double examinations then; -1: nothing changed
		other        bool
	}{{"three two four", "Ada Quill", -1, false}, {"five five five", "", -1, false}, {"three two six", "Ben Tarn", 1, true}, {"one one one", "Ada Quill", -1, true}} {
		_, e, m := begun(t, p, patient, "")
		if _, err := e.Words(ctx, c.words, exam.Caller{Who: "Ada Quill"}, "1"); err != nil {
			t.Fatal(err)
		}
		m.Close()
		if c.signs != "" {
			if _, err := e.Do(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbSign}}}, exam.Caller{Who: c.signs}, "2"); err != nil {
				t.Fatal(err)
			}
		}
		ds, now, err := p.Doubles(ctx, mark)
		if err != nil || c.want < 0 && ds != nil || c.want >= 0 && (len(ds) != c.want || ds[0].OtherExaminer != c.other) {
			t.Errorf("exam %d: %d doubles, %v", n, len(ds), err)
		}
		if c.want > 0 && (ds[0].First.Site(chart.SiteRef{Tooth: 17, Site: chart.MB}).Depth.String() != "4" || ds[0].Second.Site(chart.SiteRef{Tooth: 17, Site: chart.MB}).Depth.String() != "6") {
			t.Error("not the readings of the two signed exams in their order")
		}
		mark = now
	}
}
