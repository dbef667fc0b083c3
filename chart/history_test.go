package chart

import (
	"testing"

	"pgregory.net/rapid"
)

func TestHistory(t *testing.T) {
	s := started(t, FDI, "")
	do := func(m Meta, acts ...Act) {
		t.Helper()
		evs, err := s.Do(Command{acts}, m)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Apply(evs...); err != nil {
			t.Fatal(err)
		}
	}
	db := DB
	do(Meta{Time: 10, Source: Voice, Words: "five", Confidence: 0.7}, snd(5))
	call := s.Calls[len(s.Calls)-1].Seq
	if err := s.Apply(Event{Seq: s.Seq() + 1, Call: call, Kind: KindDoubt, Tooth: 17, Site: &db, Field: FieldDepth, Text: "not heard clearly", Rival: "nine"}); err != nil {
		t.Fatal(err)
	}
	seven := Half(15)
	do(Meta{Time: 20, Source: Keyboard, Who: "Ben"}, Act{Verb: VerbSet, Ref: &SiteRef{17, DB}, Field: FieldDepth, Number: &seven})
	do(Meta{Time: 30, Source: Keyboard, Who: "Ada"}, Act{Verb: VerbDisregard})
	do(Meta{Time: 40, Source: Voice, Words: "bleeding"}, Act{Verb: VerbFlag, Flag: Bleeding, Value: Yes})
	do(Meta{Time: 50, Source: Keyboard, Who: "Ben"}, Act{Verb: VerbSet, Ref: &SiteRef{17, DB}, Field: FieldDepth})
	do(Meta{Time: 60, Source: Voice, Words: "mobility one"}, Act{Verb: VerbMobility, Grade: 1})

	h := s.History(17, &db)
	want := []struct {
		time            int64
		by              Source
		field           Field
		was, value, who string
	}{
		{10, Voice, FieldDepth, "", "5", ""}, {20, Keyboard, FieldDepth, "5", "7.5", "Ben"}, {40, Voice, FieldOf(Bleeding), "", "1", ""},
		{50, Keyboard, FieldDepth, "5", "", "Ben"}, {60, Voice, FieldMobility, "", "1", ""},
	}
	if len(h) != len(want) {
		t.Fatalf("%d entries, want %d: %+v", len(h), len(want), h)
	}
	for i, w := range want {
		e := h[i]
		if e.Time != w.time || e.Source != w.by || e.Field != w.field || e.Was != w.was || e.Value != w.value || e.Who != w.who {
			t.Errorf("entry %d is %+v, want %+v", i, e, w)
		}
	}
	if h[0].Words != "five" || h[0].Confidence != 0.7 || h[0].Reason != "not heard clearly" || h[0].Rival != "nine" {
		t.Errorf("what was heard: %+v", h[0])
	}
	if by := h[1].TakenBack; by == nil || by.Who != "Ada" || by.Time != 30 || h[0].TakenBack != nil {
		t.Errorf("taken back: %+v, %+v", h[1].TakenBack, h[0].TakenBack)
	}
	if mb := MB; len(s.History(17, &mb)) != 1 || len(s.History(16, nil)) != 0 || len(s.History(17, nil)) != 5 {
		t.Error("entries of other sites")
	}
	if w := s.Writer(SiteRef{17, DB}, FieldOf(Bleeding)); w != h[2].Seq {
		t.Errorf("the bleeding was written by call %d, want %d", w, h[2].Seq)
	}
}

// Whatever is called, what stands on the chart is the last entry of its history that was not taken
// back, and each entry names what stood there before it.
func TestHistoryAgreesWithTheChart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := started(t, Universal, "arch")
		for range rapid.IntRange(0, 12).Draw(t, "calls") {
			if rapid.IntRange(0, 3).Draw(t, "undo") == 0 {
				say(t, s, Act{Verb: VerbDisregard})
				continue
			}
			say(t, s, anyAct(t))
		}
		for _, tooth := range AllTeeth() {
			got := map[Field]string{}
			for _, e := range s.History(tooth, nil) {
				if e.TakenBack == nil {
					k := e.Field
					if e.Site != nil {
						k += Field("." + e.Site.String())
					}
					got[k] = e.Value
				}
			}
			b := builder{st: s}
			for site := range NumSites {
				for _, f := range []Field{FieldDepth, FieldRecession, FieldOf(Bleeding), FieldOf(Plaque)} {
					was := got[f+Field("."+site.String())]
					if !b.asSeen(Act{Field: f, Was: &was}, SiteRef{tooth, site}) {
						t.Fatalf("%s %s %s: the history ends with %q, %v", tooth, site, f, was, b.err)
					}
				}
			}
			for _, f := range []Field{FieldMobility, FurcationField(EntranceBuccal)} {
				was := got[f]
				if !b.asSeen(Act{Field: f, Was: &was}, SiteRef{Tooth: tooth}) {
					t.Fatalf("%s %s: the history ends with %q, %v", tooth, f, was, b.err)
				}
			}
		}
	})
}
