package chart

import (
	"math"
	"strconv"
	"testing"
)

// A length keeps its text, its order and its floor over all that can be recorded or added up, and never wraps round.
func TestLengths(t *testing.T) {
	for h := -40; h <= 200; h++ {
		m := Half(h)
		if want := math.Floor(float64(h) / 2); !m.Known() || m.Half() != h || m.Float() != float64(h)/2 || m.Whole() != int(want) || m.String() != strconv.FormatFloat(float64(h)/2, 'f', -1, 64) {
			t.Fatalf("%d halves: %s, %d, %d", h, m, m.Half(), m.Whole())
		}
	}
	if far := Millimetres(40_000); far.Float() <= MaxDepth || Millimetres(-40_000).Float() >= MinRecession {
		t.Errorf("too far: %s", far)
	}
	if (MM{}).Known() || (MM{}).Half() != 0 || (MM{}).String() != "-" {
		t.Error("not recorded is a length")
	}
}

// A new depth clears the other depth of a double reading.
func TestDoubleReading(t *testing.T) {
	st := NewState()
	evs, err := Start(FDI, "", nil, nil, Meta{})
	if err != nil || st.Apply(evs...) != nil {
		t.Fatal(err)
	}
	ref := SiteRef{16, MB}
	do := func(acts ...Act) {
		t.Helper()
		evs, err := st.Do(Command{Acts: acts}, Meta{})
		if err != nil || st.Apply(evs...) != nil {
			t.Fatal(err)
		}
	}
	six, four := Millimetres(6), Millimetres(4)
	do(Act{Verb: VerbSet, Ref: &ref, Field: FieldDepth, Number: &six}, Act{Verb: VerbSet, Ref: &ref, Field: FieldAgain, Number: &four})
	if r := st.Chart.Site(ref); r.Depth != six || r.Again != four {
		t.Errorf("%+v", r)
	}
	tooth := SiteRef{16, NumSites}
	do(Act{Verb: VerbSet, Ref: &tooth, Field: VerticalField(EntranceBuccal), Number: &four}, Act{Verb: VerbSet, Ref: &tooth, Field: FieldKeratin, Number: &four})
	if r := st.Chart.Tooth(16); r.Vertical[EntranceBuccal] != four || r.Keratin != four {
		t.Errorf("%+v", r)
	}
	if _, err := st.Do(Command{Acts: []Act{{Verb: VerbSet, Ref: &tooth, Field: VerticalField(EntranceLingual), Number: &four}}}, Meta{}); err == nil {
		t.Error("16 has no lingual furcation")
	}
	do(Act{Verb: VerbSet, Ref: &ref, Field: FieldDepth, Number: &four})
	if r := st.Chart.Site(ref); r.Depth != four || r.Again.Known() {
		t.Errorf("%+v", r)
	}
}
