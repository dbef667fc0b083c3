package chart

import (
	"encoding/json"
	"slices"
	"testing"
	"time"
)

// Names of teeth are those of anatomy: eight permanent and five primary kinds in a quadrant (textbooks of dental anatomy; numbers by
// ISO 3950). An index goes to its tooth and back.
func TestTeethByIndexAndName(t *testing.T) {
	seen := map[string]bool{}
	for i := range 52 {
		at := ToothAt(i)
		if !at.Valid() || at.Index() != i || seen[at.Name()] {
			t.Errorf("index %d is %d, %q, index %d", i, at, at.Name(), at.Index())
		}
		seen[at.Name()] = true
	}
	for at, want := range map[Tooth]string{11: "upper right central incisor", 23: "upper left canine", 36: "lower left first molar", 45: "lower right second premolar",
		48: "lower right third molar", 55: "upper right primary second molar", 73: "lower left primary canine", 19: "no tooth"} {
		if got := at.Name(); got != want {
			t.Errorf("%d is %q, want %q", at, got, want)
		}
	}
}

// Four of the six sites face a neighbour: the mesial and distal ones, on both sides (2018 classification: interdental attachment loss).
func TestInterdentalSites(t *testing.T) {
	var between []Site
	for s := range NumSites {
		if s.Interdental() {
			between = append(between, s)
		}
	}
	if !slices.Equal(between, []Site{DB, MB, DL, ML}) {
		t.Error(between)
	}
}

// Readings are whole or half millimetres (common practice, no source); a length comes back from JSON as it was written (RFC 8259).
func TestLengthsFromNumbers(t *testing.T) {
	for f, half := range map[float64]int{0: 0, 3: 6, 3.5: 7, -2: -4, 100: 200} {
		if m, err := MMFromFloat(f); err != nil || !m.Known() || m.Half() != half {
			t.Errorf("%v mm: %v, %v", f, m, err)
		}
	}
	for _, f := range []float64{3.25, -0.1, 101} {
		if m, err := MMFromFloat(f); err == nil {
			t.Errorf("%v mm was taken as %v", f, m)
		}
	}
	for text, want := range map[string]MM{"null": {}, "4.5": Half(9), "-1": Millimetres(-1)} {
		var m MM
		if err := json.Unmarshal([]byte(text), &m); err != nil || m != want {
			t.Errorf("%s: %v, %v", text, m, err)
		}
	}
	var m MM
	for _, bad := range []string{`"4"`, "4.2", "{}"} {
		if err := json.Unmarshal([]byte(bad), &m); err == nil {
			t.Errorf("%s was taken as %v", bad, m)
		}
	}
}

// Teeth of which nothing is known are passed by; permanent ones come first.
func TestEachRecordedTooth(t *testing.T) {
	var c Chart
	for _, at := range []Tooth{75, 48, 11} {
		c.Site(SiteRef{at, MB}).Depth = Millimetres(3)
	}
	var seen []Tooth
	c.Each(func(at Tooth, r *ToothRecord) bool {
		if r.Empty() || r.Sites[MB].Empty() || !r.Sites[DB].Empty() {
			t.Errorf("%d: %+v", at, r)
		}
		seen = append(seen, at)
		return at != 48
	})
	if !slices.Equal(seen, []Tooth{11, 48}) {
		t.Error(seen)
	}
}

func TestGapsAsText(t *testing.T) {
	g, err := ParseGap("15-14", FDI)
	if err != nil {
		t.Fatal(err)
	}
	b, err := g.MarshalText()
	var back Gap
	if err != nil || string(b) != "15-14" || back.UnmarshalText(b) != nil || back != g {
		t.Errorf("%s, %v, back %v", b, err, back)
	}
	if back.UnmarshalText([]byte("15-19")) == nil {
		t.Error("a gap beside a tooth that does not exist was read")
	}
	names := FactorNames()
	names[0] = "changed"
	if FactorNames()[0] == "changed" {
		t.Error("whoever asks for the names can change them")
	}
}

// What a log tells of its calls: the events of each, by whom it was sent, what is doubted and where the path goes on.
func TestWhatALogTells(t *testing.T) {
	st := started(t, FDI, "")
	evs, err := st.Do(Command{[]Act{snd(3, 2, 4)}}, Meta{Time: 2, Source: Voice, ID: "first"})
	if err != nil || st.Apply(evs...) != nil {
		t.Fatal(err)
	}
	if !st.Has("first") || st.Has("second") || st.Has("") {
		t.Error("calls are not known by their ids")
	}
	call := st.Calls[len(st.Calls)-1].Seq
	if got := st.CallEvents(call); len(got) != len(evs) || got[0].Kind != KindCall || got[len(got)-1].Seq != st.Seq() {
		t.Errorf("the call has the events %+v", got)
	}
	if st.CallEvents(0) != nil || st.CallEvents(st.Seq()+1) != nil {
		t.Error("a call that never was has events")
	}
	if n := st.Path.Walked(Place{17, Buccal}); n != 3 {
		t.Errorf("%d sites of a place are walked", n)
	}
	if p, ok := st.Behind(Place{17, Buccal}); !ok || p != (Place{16, Buccal}) {
		t.Errorf("behind 17 comes %v", p)
	}
	if st.Asked(15) {
		t.Error("nobody said whether 15 is there")
	}
	if err := say(t, st, Act{Verb: VerbPresence, Teeth: []Tooth{15}, Presence: Missing}); err != nil || !st.Asked(15) {
		t.Error("15 was said to be missing", err)
	}
	st.Doubts[SiteRef{17, MB}] = Doubt{SiteRef: SiteRef{17, MB}, Field: FieldDepth}
	st.Doubts[SiteRef{17, DB}] = Doubt{SiteRef: SiteRef{17, DB}, Field: FieldDepth}
	if at := Named(st.OpenDoubts()); !slices.Equal(at, []DoubtAt{{SiteRef{17, DB}, FieldDepth}, {SiteRef{17, MB}, FieldDepth}}) {
		t.Errorf("doubts at %v", at)
	}
	// A call is taken back by its number, whatever came after it; one that never was, or is gone already, is not.
	if err := say(t, st, Act{Verb: VerbDisregard, Calls: []uint64{call}}); err != nil || depth(st, 17, DB) != "-" || st.Chart.Tooth(15).Presence != Missing {
		t.Errorf("taken back by number: %v, 17 DB %s", err, depth(st, 17, DB))
	}
	for _, gone := range []uint64{call, 999} {
		if err := say(t, st, Act{Verb: VerbDisregard, Calls: []uint64{gone}}); err == nil {
			t.Errorf("call %d was taken back", gone)
		}
	}
}

// After the signature comes what changes no value; values change behind an amendment alone.
func TestKindsAfterTheSignature(t *testing.T) {
	for _, k := range []Kind{KindSet, KindTooth, KindPatient} {
		if k.AfterSigning() || !k.ByAmendment() {
			t.Errorf("%s changes a value", k)
		}
	}
	for _, k := range []Kind{KindRemark, KindPlan, KindCosign, KindAmend, KindVoid} {
		if !k.AfterSigning() || k.ByAmendment() {
			t.Errorf("%s changes no value", k)
		}
	}
}

// Amendments in words for people, times as RFC 3339.
func TestAmendmentsAsAFileTellsThem(t *testing.T) {
	site := DB
	at := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC).UnixMilli()
	for _, c := range []struct {
		a    Amendment
		want Amended
	}{
		{Amendment{Tooth: 16, Site: &site, Field: FieldDepth, Value: "4.5", Reason: "misread", Who: "Ada Quill", Time: at},
			Amended{"3.DB.depth", "not recorded", "4.5", "misread", "Ada Quill", "2026-03-04T05:06:07Z"}},
		{Amendment{Tooth: 16, Site: &site, Field: Field(Bleeding.String()), Was: "0", Value: "1", Time: at}, Amended{At: "3.DB.bleeding", Was: "no", Is: "yes", Time: "2026-03-04T05:06:07Z"}},
		{Amendment{Tooth: 16, Field: FieldPresence, Was: "1", Value: "2", Time: at}, Amended{At: "3.presence", Was: "present", Is: "missing", Time: "2026-03-04T05:06:07Z"}},
		{Amendment{Was: `{"age":40}`, Value: `{"age":41}`, Time: at}, Amended{At: "patient", Was: "age 40", Is: "age 41", Time: "2026-03-04T05:06:07Z"}},
	} {
		if got := c.a.Told(Universal); got != c.want {
			t.Errorf("%+v, want %+v", got, c.want)
		}
	}
	if o := (Origin{}); !o.Empty() {
		t.Error("an origin of nothing is not empty")
	}
	if o := (Origin{Probe: "15 mm"}); o.Empty() {
		t.Error("an origin with a probe is empty")
	}
}
