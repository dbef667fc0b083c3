package chart

import (
	"fmt"
	"strings"
	"testing"
)

// ISO 3950 designation against the Universal numbers; table of correspondence as printed side by side in
// dental texts (seen, secondary). Written out by hand here, not computed.
func TestNumberingAgainstISO3950(t *testing.T) {
	const fdi = "18 17 16 15 14 13 12 11 21 22 23 24 25 26 27 28 38 37 36 35 34 33 32 31 41 42 43 44 45 46 47 48"
	for i, want := range strings.Fields(fdi) {
		u := i + 1
		tooth, err := ToothFromUniversal(u)
		if err != nil || tooth.String() != want {
			t.Errorf("Universal %d: %s (%v), want %s", u, tooth, err, want)
		}
		if tooth.Universal() != u || tooth.Label(Universal) != fmt.Sprint(u) || tooth.Label(FDI) != want {
			t.Errorf("FDI %s: Universal %d, want %d", want, tooth.Universal(), u)
		}
	}
	// Primary teeth: letters A to T against quadrants 5 to 8 (seen, secondary).
	letters := map[string]Tooth{"A": 55, "E": 51, "F": 61, "J": 65, "K": 75, "O": 71, "P": 81, "T": 85, "C": 53, "H": 63, "M": 73, "R": 83}
	for l, want := range letters {
		got, err := ParseTooth(l, Universal)
		if err != nil || got != want || got.Label(Universal) != l {
			t.Errorf("letter %s: %v %v, label %s", l, got, err, got.Label(Universal))
		}
	}
	for _, bad := range []struct {
		s string
		n Numbering
	}{{"0", Universal}, {"33", Universal}, {"19", FDI}, {"10", FDI}, {"49", FDI}, {"90", FDI}, {"56", FDI}, {"", FDI}, {"x", Universal}, {"-3", FDI}, {"U", Universal}} {
		if got, err := ParseTooth(bad.s, bad.n); err == nil {
			t.Errorf("%q in %s: got %s, want an error", bad.s, bad.n, got)
		}
	}
}

func steps(t *testing.T, name string) Path {
	p, err := PathNamed(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Moving towards the midline: distal, mid, mesial; away from it: mesial, mid, distal. Common practice, no source for the
// order of places; the order of sites follows from what mesial means. Rows PATH-01 to PATH-08 of the project's clinical
// check values, worked out by hand.
func TestPathOrder(t *testing.T) {
	at := func(path string, tooth Tooth, a Aspect) string {
		p := steps(t, path)
		s := p.Sites(Place{tooth, a})
		return s[0].String() + " " + s[1].String() + " " + s[2].String()
	}
	for _, c := range []struct {
		path  string
		tooth Tooth
		a     Aspect
		want  string
	}{
		{"arch", 14, Buccal, "DB B MB"}, {"arch", 24, Buccal, "MB B DB"},
		{"arch", 24, Lingual, "DL L ML"}, {"arch", 14, Lingual, "ML L DL"},
		{"sweep", 36, Lingual, "DL L ML"}, {"sweep", 46, Buccal, "DB B MB"},
		{"arch", 36, Buccal, "DB B MB"}, {"arch", 46, Buccal, "MB B DB"}, {"arch", 46, Lingual, "DL L ML"}, {"arch", 36, Lingual, "ML L DL"},
		{"tooth", 16, Lingual, "DL L ML"}, {"tooth", 26, Lingual, "ML L DL"}, {"tooth", 26, Buccal, "MB B DB"},
		{"quadrant", 26, Lingual, "DL L ML"}, {"quadrant", 16, Lingual, "ML L DL"}, {"quadrant", 46, Buccal, "MB B DB"},
	} {
		if got := at(c.path, c.tooth, c.a); got != c.want {
			t.Errorf("%s %s %s: %s, want %s", c.path, c.tooth, c.a, got, c.want)
		}
	}
	first := func(name string, n int) string {
		var out []string
		for _, s := range steps(t, name).Steps[:n] {
			out = append(out, s.Tooth.String()+s.Aspect.String()[:1])
		}
		return strings.Join(out, " ")
	}
	if got := first("arch", 17); got != "18b 17b 16b 15b 14b 13b 12b 11b 21b 22b 23b 24b 25b 26b 27b 28b 28l" {
		t.Error("arch begins", got)
	}
	if got := first("tooth", 4); got != "18b 18l 17b 17l" {
		t.Error("tooth begins", got)
	}
}

// Each path comes to every site exactly once: 32 teeth, 192 sites.
func TestPathsVisitEverySiteOnce(t *testing.T) {
	for _, p := range Paths() {
		seen := map[SiteRef]int{}
		for _, s := range p.Steps {
			for _, site := range s.Sites {
				seen[SiteRef{s.Tooth, site}]++
			}
		}
		if len(seen) != 192 {
			t.Errorf("%s: %d sites", p.Name, len(seen))
		}
		for r, n := range seen {
			if n != 1 {
				t.Errorf("%s: %s %d times", p.Name, r, n)
			}
		}
	}
}

func TestParsePlace(t *testing.T) {
	for in, want := range map[string]Place{"16": {16, Buccal}, "16/lingual": {16, Lingual}, "48/palatal": {48, Lingual}, "11/facial": {11, Buccal}} {
		if got, err := ParsePlace(in, FDI); err != nil || got != want {
			t.Errorf("%q: %v %v", in, got, err)
		}
	}
	for _, in := range []string{"", "19", "16/top", "/buccal"} {
		if _, err := ParsePlace(in, FDI); err == nil {
			t.Errorf("%q: want an error", in)
		}
	}
}

// Source: clinical pack of the project, furcation entrances from root anatomy (seen, secondary).
func TestEntrances(t *testing.T) {
	for tooth, want := range map[Tooth]string{16: "B M D", 27: "B M D", 18: "B M D", 14: "M D", 24: "M D", 15: "", 11: "", 36: "B L", 47: "B L", 34: "", 43: "", 65: ""} {
		var got []string
		for _, e := range tooth.Entrances() {
			got = append(got, e.String())
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s: %v, want %s", tooth, got, want)
		}
	}
}

// The six parts of a mouth, canines with the front teeth: common practice, no source.
func TestSextants(t *testing.T) {
	var got []string
	last := ""
	for _, s := range steps(t, "sextant").Steps {
		if p := s.Tooth.String() + s.Aspect.String()[:1]; s.Tooth.Position() == 4 || s.Tooth.Position() == 3 {
			if part := fmt.Sprint(s.Tooth.Position() <= 3, s.Tooth.Upper(), s.Aspect); part != last {
				got = append(got, p)
				last = part
			}
		}
	}
	if g := strings.Join(got, " "); g != "14b 14l 13b 23l 24b 24l 34b 34l 33b 43l 44b 44l" {
		t.Error(g)
	}
}

// Orders are worked out by hand; the sites of a walk as in TestPathOrder.
func TestOwnPaths(t *testing.T) {
	for _, c := range []struct {
		segments string
		n        Numbering
		want     string // walked sites
		ref      string
	}{
		{"buccal 12-21", FDI, "12.DB 12.B 12.MB 11.DB 11.B 11.MB 21.MB 21.B 21.DB", "x: buccal 12-21"},
		{"lingual 21-11", FDI, "21.DL 21.L 21.ML 11.ML 11.L 11.DL", "x: lingual 21-11"},
		{"palatal 9-8", Universal, "21.DL 21.L 21.ML 11.ML 11.L 11.DL", "x: palatal 21-11"},
		{"both 30-31", Universal, "46.MB 46.B 46.DB 46.ML 46.L 46.DL 47.MB 47.B 47.DB 47.ML 47.L 47.DL", "x: both 46-47"},
		{"buccal 46-47 mid", FDI, "46.B 47.B", "x: buccal 46-47 mid"},
		{"buccal 16 mesial distal, lingual 36", FDI, "16.MB 16.DB 36.DL 36.L 36.ML", "x: buccal 16-16 mesial distal, lingual 36-36"},
	} {
		p, err := ParsePath("x", c.segments, c.n)
		if err != nil {
			t.Errorf("%s: %v", c.segments, err)
			continue
		}
		st := NewState()
		st.Path = p
		var got []string
		for _, tooth := range AllTeeth() {
			st.Chart.Tooth(tooth).Presence = Present
		}
		for r := range st.Walked() {
			got = append(got, r.String())
		}
		if g := strings.Join(got, " "); g != c.want || p.Ref != c.ref {
			t.Errorf("%s: %s, %q", c.segments, g, p.Ref)
		}
		if again, err := PathNamed(p.Ref); err != nil || fmt.Sprint(again) != fmt.Sprint(p) {
			t.Errorf("%s: %v does not come back: %v", p.Ref, p, err)
		}
	}
	for segments, want := range map[string]string{
		"": "write an aspect and teeth", "buccal": "write an aspect", "top 11-12": "or both", "buccal 11-19": "19", "buccal 18-48": "both arches",
		"buccal 55-51": "not a permanent", "buccal 11-12 top": "distal, mid and mesial", "buccal 11 mid mid": "each once", "buccal 11-13, both 13": "twice",
	} {
		if _, err := ParsePath("x", segments, FDI); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q in it", segments, err, want)
		}
	}
}
