package chart

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func started(t interface{ Fatal(...any) }, n Numbering, path string) *State {
	evs, err := Start(n, path, nil, nil, Meta{Time: 1000})
	if err != nil {
		t.Fatal(err)
	}
	s, err := Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// say does a command by voice and returns the error of Do.
func say(t interface{ Fatal(...any) }, s *State, acts ...Act) error {
	evs, err := s.Do(Command{acts}, Meta{Time: 2000, Source: Voice})
	if aerr := s.Apply(evs...); aerr != nil {
		t.Fatal(aerr)
	}
	return err
}

func nums(ns ...int) []MM {
	var out []MM
	for _, n := range ns {
		out = append(out, Millimetres(n))
	}
	return out
}

func snd(ns ...int) Act { return Act{Verb: VerbSoundings, Numbers: nums(ns...)} }

func depth(s *State, tooth Tooth, site Site) string {
	return s.Chart.Site(SiteRef{tooth, site}).Depth.String()
}

func TestSoundingsWalkThePath(t *testing.T) {
	s := started(t, Universal, "")
	if s.Place != (Place{17, Buccal}) {
		t.Fatalf("starts at %s, want 17 buccal: third molars count as missing", s.Place)
	}
	if err := say(t, s, snd(3, 2, 4, 5)); err != nil {
		t.Fatal(err)
	}
	if got := depth(s, 17, DB) + depth(s, 17, B) + depth(s, 17, MB) + depth(s, 16, DB); got != "3245" {
		t.Error(got)
	}
	if s.Place != (Place{16, Buccal}) || s.Next != 1 || s.Open() != 2 {
		t.Error(s.Place, s.Next)
	}
	// Across the midline the order of sites turns.
	say(t, s, Act{Verb: VerbGo, Tooth: 11})
	say(t, s, snd(1, 2, 3, 4, 5, 6))
	if got := depth(s, 11, DB) + depth(s, 11, B) + depth(s, 11, MB) + depth(s, 21, MB) + depth(s, 21, B) + depth(s, 21, DB); got != "123456" {
		t.Error(got)
	}
	// A missing tooth is left out.
	say(t, s, Act{Verb: VerbGo, Tooth: 13})
	say(t, s, Act{Verb: VerbPresence, Presence: Missing, Teeth: []Tooth{12}})
	say(t, s, snd(2, 2, 2))
	if s.Place != (Place{11, Buccal}) {
		t.Error("after 13 with 12 missing:", s.Place)
	}
}

func TestMissingMovesOn(t *testing.T) {
	s := started(t, FDI, "")
	say(t, s, Act{Verb: VerbPresence, Presence: Missing})
	if s.Place != (Place{16, Buccal}) {
		t.Error(s.Place)
	}
	say(t, s, Act{Verb: VerbPresence, Presence: Implant})
	if s.Place != (Place{16, Buccal}) || s.Chart.Tooth(16).Presence != Implant {
		t.Error("an implant is probed:", s.Place)
	}
	say(t, s, Act{Verb: VerbGo, Tooth: 18}, Act{Verb: VerbPresence, Presence: Present})
	if err := say(t, s, snd(3)); err != nil || depth(s, 18, DB) != "3" {
		t.Error("a third molar called present is probed", err)
	}
}

func TestFlagsAndMargins(t *testing.T) {
	s := started(t, FDI, "")
	if err := say(t, s, Act{Verb: VerbFlag, Value: Yes}); err == nil {
		t.Error("a flag without a sounding must be refused")
	}
	say(t, s, snd(3, 2, 4))
	// The place is 16 by now; flags still mean the aspect just sounded.
	say(t, s, Act{Verb: VerbFlag, Flag: Bleeding, Value: Yes})
	say(t, s, Act{Verb: VerbFlag, Flag: Plaque, Value: Yes, Where: []Where{Distal, Mid}})
	say(t, s, Act{Verb: VerbFlag, Flag: Calculus, Value: No, Whole: true})
	say(t, s, Act{Verb: VerbMargin, Numbers: nums(1, 2, 0)})
	want := map[Site]string{DB: `{"d":3,"r":1,"b":0,"p":2,"c":1}`, B: `{"d":2,"r":2,"b":0,"p":2,"c":1}`, MB: `{"d":4,"r":0,"b":2,"p":0,"c":1}`}
	for site, w := range want {
		r := s.Chart.Site(SiteRef{17, site})
		got, _ := json.Marshal(struct {
			D MM    `json:"d"`
			R MM    `json:"r"`
			B YesNo `json:"b"`
			P YesNo `json:"p"`
			C YesNo `json:"c"`
		}{r.Depth, r.Recession, r.Flags[Bleeding], r.Flags[Plaque], r.Flags[Calculus]})
		if string(got) != w {
			t.Errorf("%s: %s, want %s", site, got, w)
		}
	}
	if s.Place != (Place{16, Buccal}) || s.Next != 0 {
		t.Error("flags and margins must not move the place:", s.Place)
	}
	say(t, s, Act{Verb: VerbMobility, Grade: 2})
	if m := s.Chart.Tooth(17).Mobility; m.Value() != 2 {
		t.Error("mobility", m)
	}
	// Attachment loss = depth + recession (definition, as in the pack's worked examples).
	if l, _, ok := s.Chart.Site(SiteRef{17, B}).AttachmentLoss(); !ok || l.String() != "4" {
		t.Error(l, ok)
	}
}

func TestCorrections(t *testing.T) {
	s := started(t, FDI, "")
	say(t, s, snd(3, 2, 4))
	say(t, s, Act{Verb: VerbCorrection, Numbers: nums(5)})
	if got := depth(s, 17, DB) + depth(s, 17, B) + depth(s, 17, MB); got != "325" {
		t.Error(got)
	}
	say(t, s, Act{Verb: VerbCorrection, Numbers: nums(4, 3, 6)})
	if got := depth(s, 17, DB) + depth(s, 17, B) + depth(s, 17, MB); got != "436" {
		t.Error(got)
	}
	say(t, s, snd(2))
	say(t, s, Act{Verb: VerbGo, Tooth: 17, HasAspect: true}, Act{Verb: VerbCorrection, Numbers: nums(7, 7, 7)})
	if got := depth(s, 17, DB) + depth(s, 16, DB); got != "72" || s.Place != (Place{16, Buccal}) || s.Next != 1 {
		t.Error("correction at a distance comes back:", got, s.Place, s.Next)
	}
	say(t, s, Act{Verb: VerbMargin, Numbers: nums(2)})
	say(t, s, Act{Verb: VerbCorrection, Numbers: nums(1)})
	if r := s.Chart.Site(SiteRef{17, MB}).Recession.String(); r != "1" {
		t.Error("a margin is corrected as a margin:", r)
	}
	if err := say(t, s, Act{Verb: VerbGo, Tooth: 31}, Act{Verb: VerbCorrection, Numbers: nums(3)}); err == nil {
		t.Error("there is nothing to correct at 31")
	}
}

func TestRefusals(t *testing.T) {
	s := started(t, FDI, "")
	bad := func(want string, acts ...Act) {
		t.Helper()
		before := look(s)
		err := say(t, s, acts...)
		var ref *Refusal
		var rng *RangeError
		if err == nil || !errors.As(err, &ref) && !errors.As(err, &rng) || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want a refusal with %q", err, want)
		}
		if d := same(before, look(s)); d != "" {
			t.Error("a refused call changed the chart:", d)
		}
		if c := s.Calls[len(s.Calls)-1]; c.Refused == "" {
			t.Error("the refused call is not in the log")
		}
	}
	bad("nothing to take back", Act{Verb: VerbDisregard})
	bad("out of range", snd(3, 40))
	bad("out of range", Act{Verb: VerbMobility, Grade: 4})
	bad("which furcation", Act{Verb: VerbGo, Tooth: 16, HasAspect: true, Aspect: Lingual}, Act{Verb: VerbFurcation, Grade: 2})
	lingual, mesial := EntranceLingual, EntranceMesial
	bad("no lingual furcation", Act{Verb: VerbGo, Tooth: 16}, Act{Verb: VerbFurcation, Grade: 2, Entrance: &lingual})
	bad("no mesial furcation", Act{Verb: VerbGo, Tooth: 36}, Act{Verb: VerbFurcation, Grade: 1, Entrance: &mesial})
	bad("has no furcation", Act{Verb: VerbGo, Tooth: 11}, Act{Verb: VerbFurcation, Grade: 1})
	bad("say present first", Act{Verb: VerbGo, Tooth: 18}, snd(3))
	bad("not on the path", Act{Verb: VerbGo, Tooth: 19})
}

func TestEndOfPath(t *testing.T) {
	s := started(t, FDI, "")
	// Lower lingual runs 48 back to 38, so the last place with a tooth is 37 lingual.
	say(t, s, Act{Verb: VerbGo, Tooth: 37, HasAspect: true, Aspect: Lingual})
	if err := say(t, s, snd(1, 2)); err != nil {
		t.Fatal(err)
	}
	// What was left out would come now, but no breath runs over to it.
	if err := say(t, s, snd(3, 4)); err == nil || !strings.Contains(err.Error(), "too many numbers for 37 lingual, the next place is 17 buccal") {
		t.Error("too many numbers at the end:", err)
	}
	for _, st := range s.Path.Steps {
		for _, site := range st.Sites {
			if (st.Place != Place{37, Lingual}) {
				s.Chart.Site(SiteRef{st.Tooth, site}).Depth = Millimetres(2)
			}
		}
	}
	if err := say(t, s, snd(3, 4)); err == nil || !strings.Contains(err.Error(), "1 soundings were left") {
		t.Error("too many numbers at the end:", err)
	}
	if err := say(t, s, snd(3)); err != nil || !s.AtEnd() {
		t.Error("the last sounding ends the path", err)
	}
	if err := say(t, s, snd(3)); err == nil || s.Open() != 0 {
		t.Error("numbers after the end must be refused")
	}
	if err := say(t, s, Act{Verb: VerbBack}); err != nil || s.AtEnd() || s.Place.Tooth != 37 {
		t.Error("back from the end", err, s.Place)
	}
}

func TestSignedExamTakesOnlyRemarks(t *testing.T) {
	s := started(t, FDI, "")
	say(t, s, snd(3))
	if _, err := s.Do(Command{[]Act{{Verb: VerbSign}}}, Meta{Source: Keyboard}); err == nil {
		t.Error("signed without a name")
	}
	evs, err := s.Do(Command{[]Act{{Verb: VerbSign}}}, Meta{Source: Keyboard, Who: "Ada Quill"})
	if err != nil {
		t.Fatal(err)
	}
	s.Apply(evs...)
	if err := say(t, s, snd(3)); !errors.Is(err, ErrSigned) {
		t.Error(err)
	}
	if err := say(t, s, Act{Verb: VerbDisregard}); !errors.Is(err, ErrSigned) {
		t.Error(err)
	}
	if err := say(t, s, Act{Verb: VerbRemark, Text: "telephone: better"}); err != nil || len(s.Remarks) != 1 {
		t.Error(err)
	}
}

// anyAct draws an act as a grammar could give it, sensible or not.
func anyAct(t *rapid.T) Act {
	ms := func(max int) []MM {
		return nums(rapid.SliceOfN(rapid.IntRange(0, 16), 1, max).Draw(t, "numbers")...)
	}
	ws := rapid.SliceOfNDistinct(rapid.SampledFrom([]Where{Distal, Mid, Mesial}), 0, 3, func(w Where) Where { return w }).Draw(t, "where")
	tooth := rapid.SampledFrom(AllTeeth()).Draw(t, "tooth")
	site := Site(rapid.IntRange(0, 5).Draw(t, "site"))
	n := Half(rapid.IntRange(0, 32).Draw(t, "half"))
	en := Entrance(rapid.IntRange(0, 3).Draw(t, "entrance"))
	a := Act{Numbers: ms(9), Where: ws, Whole: rapid.Bool().Draw(t, "whole"), Tooth: tooth, Aspect: Aspect(rapid.IntRange(0, 1).Draw(t, "aspect")),
		HasAspect: rapid.Bool().Draw(t, "has aspect"), Flag: Flag(rapid.IntRange(0, 3).Draw(t, "flag")), Value: YesNo(rapid.IntRange(1, 2).Draw(t, "value")),
		Grade: rapid.IntRange(0, 4).Draw(t, "grade"), Presence: Presence(rapid.IntRange(1, 4).Draw(t, "presence")), Ref: &SiteRef{tooth, site}, Number: &n,
		Text: "a remark"}
	if rapid.Bool().Draw(t, "named entrance") {
		a.Entrance = &en
	}
	if rapid.Bool().Draw(t, "list") {
		a.Teeth = []Tooth{tooth}
	}
	a.Field = rapid.SampledFrom([]Field{FieldDepth, FieldRecession, FieldPresence, FieldMobility, FieldOf(Bleeding), FurcationField(EntranceBuccal)}).Draw(t, "field")
	a.Verb = rapid.SampledFrom([]Verb{VerbSoundings, VerbSoundings, VerbAll, VerbSite, VerbFlag, VerbMargin, VerbMobility, VerbFurcation, VerbGo, VerbAspect,
		VerbPresence, VerbNext, VerbBack, VerbSkip, VerbCorrection, VerbSet, VerbSettle, VerbRest, VerbRemark}).Draw(t, "verb")
	if a.Verb == VerbSite && len(a.Where) == 0 {
		a.Where = []Where{Mid}
	}
	return a
}

// seen is all of a state that anybody can see.
type seen struct {
	Chart     Chart
	Path      string
	Place     Place
	Pass      Field
	Next      int
	AtEnd     bool
	Ended     bool
	Rest      bool
	Focus     Place
	Recent    []Reading
	Listening bool
	Doubts    map[SiteRef]Doubt
	Remarks   []Remark
	Complete  bool
	SignedBy  string
}

func look(s *State) seen {
	return seen{s.Chart, s.Path.Ref, s.Place, s.Pass, s.Next, s.AtEnd(), s.Ended(), s.Rest(), s.Focus, append([]Reading{}, s.Recent...), s.Listening, s.Doubts, append([]Remark{}, s.Remarks...), s.Complete, s.SignedBy}
}

func same(a, b seen) string {
	return cmp.Diff(a, b, cmp.AllowUnexported(Chart{}, MM{}), cmp.Comparer(func(x, y Patient) bool { return true }))
}

// Whatever is called, taking it back leaves everything as it was.
func TestDisregardRestores(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := started(t, FDI, rapid.SampledFrom([]string{"arch", "tooth", "quadrant", "sweep"}).Draw(t, "path"))
		for range rapid.IntRange(0, 6).Draw(t, "before") {
			say(t, s, anyAct(t))
		}
		before := look(s)
		evs, err := s.Do(Command{[]Act{anyAct(t)}}, Meta{Source: Voice, Time: 3000})
		s.Apply(evs...)
		if err != nil {
			if d := same(before, look(s)); d != "" {
				t.Fatal("a refused call changed something:", d)
			}
			return
		}
		if len(evs) == 1 {
			return // nothing done, nothing to take back
		}
		if err := say(t, s, Act{Verb: VerbDisregard}); err != nil {
			t.Fatal(err)
		}
		if d := same(before, look(s)); d != "" {
			t.Fatalf("after %s and disregard: %s", evs[0].Did, d)
		}
	})
}

// The fold of a log is the fold of its written form, and Do foresees what Apply does.
func TestLogRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := started(t, Universal, "arch")
		for range rapid.IntRange(0, 12).Draw(t, "calls") {
			if rapid.IntRange(0, 4).Draw(t, "undo") == 0 {
				say(t, s, Act{Verb: VerbDisregard})
				continue
			}
			say(t, s, anyAct(t))
		}
		var again []Event
		for _, e := range s.Log() {
			b, err := e.Encode()
			if err != nil {
				t.Fatal(err)
			}
			d, err := decodeEvent(b)
			if err != nil {
				t.Fatalf("%s: %v", b, err)
			}
			again = append(again, d)
		}
		f, err := Fold(again)
		if err != nil {
			t.Fatal(err)
		}
		if d := same(look(s), look(f)); d != "" {
			t.Fatal(d)
		}
	})
}

func TestApplyRefusesWhatNoChartHolds(t *testing.T) {
	s := started(t, FDI, "")
	site, bad, v := DB, Site(9), 80
	for _, e := range []Event{
		{Seq: s.Seq() + 2, Kind: KindComplete},
		{Seq: s.Seq() + 1, Kind: "dance"},
		{Seq: s.Seq() + 1, Kind: KindSet, Tooth: 19, Site: &site, Field: FieldDepth},
		{Seq: s.Seq() + 1, Kind: KindSet, Tooth: 16, Field: FieldDepth},
		{Seq: s.Seq() + 1, Kind: KindSet, Tooth: 16, Site: &bad, Field: FieldDepth},
		{Seq: s.Seq() + 1, Kind: KindSet, Tooth: 16, Site: &site, Field: FieldDepth, Value: &v},
		{Seq: s.Seq() + 1, Kind: KindSet, Tooth: 16, Site: &site, Field: "colour"},
		{Seq: s.Seq() + 1, Kind: KindTooth, Tooth: 16, Field: FieldPresence},
		{Seq: s.Seq() + 1, Kind: KindMove, Tooth: 16, Next: 3},
	} {
		n := s.Seq()
		if err := s.Apply(e); err == nil || s.Seq() != n {
			t.Errorf("%+v was applied", e)
		}
	}
}

func FuzzDecodeEvent(f *testing.F) {
	s := started(f, FDI, "")
	for _, e := range s.Log() {
		b, _ := e.Encode()
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		e, err := decodeEvent(b)
		if err != nil {
			return
		}
		st := started(t, FDI, "")
		e.Seq, e.Call = st.Seq()+1, st.Seq()+1
		_ = st.Apply(e) // must not panic
	})
}

func BenchmarkCall(b *testing.B) {
	s := started(b, FDI, "")
	c := Command{[]Act{snd(3, 2, 4)}}
	for b.Loop() {
		if _, err := s.Do(c, Meta{Source: Voice}); err != nil {
			b.Fatal(err)
		}
	}
}

// A path may be changed in the middle; a path of single sites passes the others by, in both passes.
func TestPathsAndPasses(t *testing.T) {
	s := NewState()
	do := func(a Act) error {
		evs, err := s.Do(Command{Acts: []Act{a}}, Meta{Source: Voice})
		if err2 := s.Apply(evs...); err2 != nil {
			t.Fatal(err2)
		}
		return err
	}
	say := func(ns ...int) error {
		a := Act{Verb: VerbSoundings}
		for _, n := range ns {
			a.Numbers = append(a.Numbers, Millimetres(n))
		}
		return do(a)
	}
	at := func(want string) {
		t.Helper()
		standsAt(t, s, want)
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	evs, err := Start(FDI, "arch", nil, nil, Meta{})
	must(err)
	must(s.Apply(evs...))
	must(say(3, 5, 4))
	at("16.DB")
	must(do(Act{Verb: VerbPath, Text: "tooth"})) // goes on where it stands
	at("16.DB")
	must(say(4, 3, 2))
	at("16.DL")
	p, err := Pockets(&s.Chart)
	must(err)
	if p.Ref != "pockets: buccal 17-17 mid mesial, buccal 16-16 distal" {
		t.Fatal(p.Ref)
	}
	evs, err = Start(FDI, p.Ref, nil, nil, Meta{})
	must(err)
	s = NewState()
	must(s.Apply(evs...))
	at("17.B")
	if n := s.Open(); n != 2 {
		t.Fatalf("%d open", n)
	}
	must(do(Act{Verb: VerbGo, Tooth: 36})) // off the path: the whole aspect, then back
	at("36.DB")
	must(say(1, 2, 3))
	at("17.B")
	if err := say(5, 4, 3, 2); err == nil {
		t.Fatal("more numbers than sites were taken")
	}
	must(say(5, 4, 3))
	at("end")
	if rec, n := s.Progress(); rec != 3 || n != 3 || len(s.Unrecorded()) != 0 {
		t.Fatalf("%d of %d", rec, n)
	}
	must(do(Act{Verb: VerbPass, Field: FieldRecession}))
	at("17.B")
	must(say(1, -1))
	at("16.DB")
	if r := s.Chart.Site(SiteRef{17, SiteAt(Buccal, Mesial)}); r.Recession != Millimetres(-1) || r.Depth != Millimetres(4) {
		t.Fatalf("%+v", r)
	}
	must(do(Act{Verb: VerbCorrection, Numbers: []MM{Millimetres(0)}}))
	if r := s.Chart.Site(SiteRef{17, SiteAt(Buccal, Mesial)}); r.Recession != Millimetres(0) {
		t.Fatalf("%+v", r)
	}
	must(do(Act{Verb: VerbPass, Field: FieldDepth}))
	at("end")
	must(do(Act{Verb: VerbPath, Text: "quadrant"})) // at the end of one path another is taken up at the first site without a depth
	at("17.DB")
	if err := do(Act{Verb: VerbPath, Text: "spiral"}); err == nil {
		t.Fatal("a path that is none")
	}
	if again, err := Fold(s.Log()); err != nil || same(look(again), look(s)) != "" {
		t.Fatal(err)
	}
	c := NewState().Chart
	if _, err := Pockets(&c); err == nil {
		t.Fatal("no pocket and yet a path")
	}
}

// At the end of the path, what was left out on it comes once more, in both passes; then nothing does until the place is
// changed. A path of three teeth keeps it short.
func TestWhatWasLeftOut(t *testing.T) {
	p, err := ParsePath("x", "buccal 14-12, lingual 12-14", FDI)
	if err != nil {
		t.Fatal(err)
	}
	s := started(t, FDI, p.Ref)
	at := func(want string) {
		t.Helper()
		standsAt(t, s, want)
	}
	must := func(acts ...Act) {
		t.Helper()
		if err := say(t, s, acts...); err != nil {
			t.Fatal(err)
		}
	}
	refused := func(want string, acts ...Act) {
		t.Helper()
		if err := say(t, s, acts...); err == nil || !strings.Contains(err.Error(), want) {
			t.Fatalf("%v, want %q", err, want)
		}
	}
	goes := func(tooth Tooth, a Aspect) Act { return Act{Verb: VerbGo, Tooth: tooth, Aspect: a, HasAspect: true} }
	skip, next := Act{Verb: VerbSkip}, Act{Verb: VerbNext}

	must(goes(13, Buccal)) // 14 buccal is left out
	must(snd(3), skip, snd(3))
	must(snd(3, 3, 3, 2, 2, 2, 2, 2, 2)) // 12, then 12 and 13 lingual
	must(snd(2, 2))
	if then, ok := s.Then(); !ok || then != (Place{14, Buccal}) {
		t.Fatal("then", then, ok)
	}
	refused("too many numbers for 14 lingual, the next place is 14 buccal", snd(2, 3, 3, 3))
	must(snd(2))
	at("14.DB")
	if n := s.Open(); n != 3 {
		t.Fatalf("%d open", n)
	}
	refused("too many numbers for 14 buccal, the next place is 13 buccal", snd(4, 4, 4, 4))
	must(snd(4, 4, 4))
	at("13.B") // the site that was skipped, not the one before it
	if n := s.Open(); n != 1 {
		t.Fatalf("%d open", n)
	}
	refused("only 1 soundings were left", snd(3, 3, 3))
	must(skip)
	at("end") // once more, not for ever
	if r, n := s.Progress(); r != 17 || n != 18 {
		t.Fatalf("%d of %d", r, n)
	}
	must(next) // unless it is asked for
	at("13.B")
	must(snd(5))
	at("end")
	refused("no place after", next)

	// The margins, in a second pass: some are called with another tooth before.
	must(Act{Verb: VerbPass, Field: FieldRecession})
	at("14.DB")
	must(goes(14, Lingual), snd(0, 1, 0))
	at("14.DB")
	must(snd(1, 1, 1))
	at("13.DB")
	must(snd(1, 1, 1, 0, 0, 0))
	at("12.ML") // the place that follows: the way from one to the other is the path's
	refused("only 6 soundings were left", snd(0, 0, 0, 0, 0, 0, 0))
	must(snd(0, 0, 0, 0, 0, 0))
	at("end")

	// What is recorded is walked again from where it is asked for, and then to the end.
	// A pass is taken up at the first site that lacks its number, in the middle of a place, too.
	must(Act{Verb: VerbSet, Ref: &SiteRef{13, B}, Field: FieldDepth}, Act{Verb: VerbPass, Field: FieldDepth})
	at("13.B")
	must(snd(5))
	at("13.MB")
	must(goes(13, Lingual))
	at("13.ML")
	must(snd(6, 6, 6, 6))
	at("14.L")
	must(goes(14, Buccal))
	must(Act{Verb: VerbSet, Ref: &SiteRef{13, B}, Field: FieldDepth}, goes(14, Lingual), snd(7, 7, 7))
	at("13.B")
	// A place that was asked for is walked whole, recorded or not; then what is left.
	must(goes(13, Buccal), snd(7, 7, 7))
	at("end")
	if again, err := Fold(s.Log()); err != nil || same(look(again), look(s)) != "" {
		t.Fatal(err)
	}

	// A tooth that is called missing on the way does not come back; teeth that are not there never come.
	must(Act{Verb: VerbPath, Text: "tooth"}, goes(47, Lingual), snd(2, 2, 2))
	at("17.DB")
	must(Act{Verb: VerbPresence, Presence: Missing})
	at("16.DB")
}

// standsAt checks which site the next number goes to, "end" at the end of the path.
func standsAt(t *testing.T, s *State, want string) {
	t.Helper()
	got := "end"
	if !s.AtEnd() {
		got = SiteRef{s.Place.Tooth, s.Path.Sites(s.Place)[s.Next]}.String()
	}
	if got != want {
		t.Fatalf("at %s, want %s", got, want)
	}
}
