package diagnosis

import (
	"testing"

	"leadsman/chart"
)

// Places in a patient's words. The names are common practice, no source; the order of teeth is that
// of ISO 3950, seen from the patient's right to the left.
func TestPlacesInWords(t *testing.T) {
	gap := func(a, b chart.Tooth) chart.Gap {
		g, err := chart.GapBetween(a, b)
		if err != nil {
			t.Fatal(err)
		}
		return g
	}
	site := func(ts ...chart.Tooth) (out []chart.SiteRef) {
		for _, tooth := range ts {
			out = append(out, chart.SiteRef{Tooth: tooth, Site: chart.DB}, chart.SiteRef{Tooth: tooth, Site: chart.DL})
		}
		return out
	}
	for _, c := range []struct {
		a    Advice
		want string
	}{
		{Advice{}, ""},
		{Advice{Gaps: []chart.Gap{gap(15, 16)}}, "Upper jaw: between the right first big back tooth and the right second small back tooth"},
		{Advice{Gaps: []chart.Gap{gap(11, 21)}}, "Upper jaw: between the right middle front tooth and the left middle front tooth"},
		{Advice{Gaps: []chart.Gap{gap(41, 31), gap(31, 32)}}, "Lower jaw: on both sides of the left middle front tooth"},
		{Advice{Gaps: []chart.Gap{gap(17, 16), gap(16, 15), gap(15, 14), gap(34, 35)}},
			"Upper jaw: every gap from the right second big back tooth to the right first small back tooth; lower jaw: between the left first small back tooth and the left second small back tooth"},
		// Gaps go before the sites that led to them.
		{Advice{Gaps: []chart.Gap{gap(26, 27)}, Sites: site(26, 27)}, "Upper jaw: between the left first big back tooth and the left second big back tooth"},
		{Advice{Sites: site(18)}, "Upper jaw: right wisdom tooth"},
		{Advice{Teeth: []chart.Tooth{36, 46}}, "Lower jaw: right first big back tooth, left first big back tooth"},
		{Advice{Sites: site(31, 32)}, "Lower jaw: left middle front tooth and left side front tooth"},
		{Advice{Sites: site(33, 32, 31, 41, 42, 43)}, "Lower jaw: right eye tooth to left eye tooth"},
		{Advice{Sites: site(55)}, ""}, // primary teeth have no such names here
	} {
		if got := c.a.where(); got != c.want {
			t.Errorf("%v: %q, want %q", c.a, got, c.want)
		}
	}
}

// Every tooth has a neighbour but the last one; walking from 18 and 48 passes all of an arch in order.
func TestNextTooth(t *testing.T) {
	for _, start := range []chart.Tooth{18, 48} {
		tooth := start
		for p := 1; p <= 16; p++ {
			if tooth.ArchPosition() != p || tooth.Upper() != start.Upper() {
				t.Fatalf("position %d is %s", p, tooth)
			}
			tooth = next(tooth)
		}
	}
}
