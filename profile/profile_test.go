package profile

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
)

var upperBuccal = Row{Upper: true, Aspect: chart.Buccal}

// mouth is an invented chart: tooth 16 with pockets, 14 missing, 36 an implant.
func mouth() *chart.Chart {
	c := &chart.Chart{Numbering: chart.FDI}
	for _, t := range chart.AllTeeth() {
		c.Tooth(t).Presence = chart.Present
		if t.ThirdMolar() {
			c.Tooth(t).Presence = chart.Missing
		}
	}
	c.Tooth(14).Presence, c.Tooth(36).Presence = chart.Missing, chart.Implant
	c.Tooth(16).Mobility = chart.GradeOf(1)
	c.Tooth(16).Furcation[chart.EntranceBuccal] = chart.GradeOf(2)
	*c.Site(at(16, chart.DB)) = chart.SiteRecord{Depth: chart.Millimetres(7), Recession: chart.Millimetres(2), Flags: [chart.NumFlags]chart.YesNo{chart.Yes, chart.Yes}}
	*c.Site(at(16, chart.B)) = chart.SiteRecord{Depth: chart.Millimetres(3), Recession: chart.Millimetres(-1), Flags: [chart.NumFlags]chart.YesNo{chart.No}}
	*c.Site(at(16, chart.MB)) = chart.SiteRecord{Depth: chart.Half(9)}
	return c
}

func at(t chart.Tooth, s chart.Site) chart.SiteRef { return chart.SiteRef{Tooth: t, Site: s} }

// of lists the shapes with a class (any of its words) and, unless it is "", a site.
func (p Picture) of(class, site string) (out []Shape) {
	for _, s := range p.Shapes {
		if slices.Contains(strings.Fields(s.Class), class) && (site == "" || s.Site == site) {
			out = append(out, s)
		}
	}
	return out
}

func one(t *testing.T, p Picture, class, site string) Shape {
	t.Helper()
	l := p.of(class, site)
	if len(l) != 1 {
		t.Fatalf("%d shapes %s at %s, want one", len(l), class, site)
	}
	return l[0]
}

// scaleAt reads the height of a millimetre off the scale's own writing.
func scaleAt(t *testing.T, p Picture, mm string) float64 {
	t.Helper()
	for _, s := range p.of("scale", "") {
		if s.Text == mm {
			return s.Points[0].Y - 4
		}
	}
	t.Fatalf("the scale has no %s", mm)
	return 0
}

// The bottom of the pocket stands on the scale at the attachment loss. Source of the sum: probing depth plus recession, as in
// the United States national survey's file documentation (OHXPER_F, 2009-2010), with the margin's sign turned.
func TestLossIsReadOffTheScale(t *testing.T) {
	p := Draw(mouth(), upperBuccal, Options{})
	zero := scaleAt(t, p, "0")
	perMM := (scaleAt(t, p, "10") - zero) / 10
	for site, want := range map[string][2]float64{"16.DB": {2, 9}, "16.B": {-1, 2}, "16.MB": {0, 4.5}} {
		water := one(t, p, "water", site)
		margin, bottom := (water.Points[0].Y-zero)/perMM, (water.Points[1].Y-zero)/perMM
		if margin != want[0] || bottom != want[1] {
			t.Errorf("%s runs from %v to %v mm, want %v", site, margin, bottom, want)
		}
	}
	if m := one(t, p, "margin", "16.MB"); m.Class != "margin assumed" {
		t.Errorf("a margin that was not called is drawn as %q", m.Class)
	}
	if m := one(t, p, "margin", "16.DB"); m.Class != "margin" {
		t.Errorf("a margin that was called is drawn as %q", m.Class)
	}
}

func TestWhatIsMarked(t *testing.T) {
	p := Draw(mouth(), upperBuccal, Options{Doubts: map[chart.SiteRef]bool{at(16, chart.DB): true}})
	for _, x := range []struct{ class, site, text string }{
		{"letter", "16.DB", "bs"}, {"no", "16.B", "–"}, {"number", "16.DB", "7?"}, {"number", "16.MB", "4.5"}, {"under", "", "m1"}, {"furcation", "", "f2"},
	} {
		if s := one(t, p, x.class, x.site); s.Text != x.text {
			t.Errorf("%s at %s is %q, want %q", x.class, x.site, s.Text, x.text)
		}
	}
	if l := p.of("letter", "16.MB"); l != nil || p.of("no", "16.MB") != nil {
		t.Error("a site that was not asked about bleeding has a mark")
	}
	if l := Draw(mouth(), Row{Upper: true, Aspect: chart.Lingual}, Options{}).of("furcation", ""); l != nil {
		t.Error("the buccal furcation is drawn on the lingual row")
	}
	if s := one(t, Draw(mouth(), Row{Aspect: chart.Buccal}, Options{}), "under", ""); s.Text != "implant" {
		t.Errorf("the implant is marked %q", s.Text)
	}
	if g := p.of("gone", ""); len(g) != 4 { // 18, 14 and 28; of wisdom teeth no reason is given
		t.Errorf("%d words about teeth that are not there", len(g))
	}
	if w := p.of("water", ""); len(w) != 3 {
		t.Errorf("%d sites have water, three have a depth", len(w))
	}
}

func TestThenAndNow(t *testing.T) {
	before := mouth()
	before.Site(at(16, chart.DB)).Recession = chart.Millimetres(1)
	before.Site(at(16, chart.DB)).Depth = chart.Millimetres(9)
	before.Site(at(16, chart.B)).Depth = chart.Millimetres(2)
	before.Site(at(16, chart.MB)).Depth = chart.Half(5)
	before.Site(at(16, chart.MB)).Recession = chart.Millimetres(3)
	p := Draw(mouth(), upperBuccal, Options{Earlier: before, Noise: chart.Millimetres(2)})
	zero := scaleAt(t, p, "0")
	perMM := (scaleAt(t, p, "10") - zero) / 10
	var got []float64
	for i, pt := range one(t, p, "was", "").Points {
		if i%2 == 0 {
			got = append(got, (pt.Y-zero)/perMM)
		}
	}
	// 16 DB: 1 + 9; 16 B: -1 + 2; 16 MB: no margin now, so from where it is drawn now, 0 + 2.5.
	if want := []float64{10, 1, 2.5}; !slices.Equal(got, want) {
		t.Errorf("the earlier bottoms lie at %v, want %v", got, want)
	}
	if s := one(t, p, "better", "16.DB"); s.Text != "−2" {
		t.Errorf("9 then 7 is marked %q", s.Text)
	}
	if s := one(t, p, "worse", "16.MB"); s.Text != "+2" {
		t.Errorf("2.5 then 4.5 is marked %q", s.Text)
	}
	if p.of("worse", "16.B") != nil {
		t.Error("a change of 1 mm is marked")
	}
	if q := Draw(mouth(), upperBuccal, Options{Earlier: before}); q.of("worse", "") != nil || q.of("better", "") != nil {
		t.Error("changes are marked without a limit")
	}
}

func TestSpanHoldsEverything(t *testing.T) {
	c := mouth()
	*c.Site(at(47, chart.ML)) = chart.SiteRecord{Depth: chart.Millimetres(15), Recession: chart.Millimetres(8)}
	c.Site(at(21, chart.B)).Recession = chart.Millimetres(-5)
	if s := SpanOf(nil, c); s != (Span{-5, 23}) {
		t.Errorf("the span is %v", s)
	}
	for _, r := range Rows() {
		p := Draw(c, r, Options{})
		for _, s := range p.Shapes {
			for _, pt := range s.Points {
				if pt.X < 0 || pt.X > p.Width || pt.Y < 0 || pt.Y > p.Height {
					t.Errorf("%v: %s %q lies outside, at %v", r, s.Class, s.Text, pt)
				}
			}
		}
		if len(p.Columns) != (16-2)*3 && r.Upper == false || len(p.Columns) != (16-3)*3 && r.Upper {
			t.Errorf("%v has %d columns", r, len(p.Columns))
		}
	}
}

// Nothing recorded is never drawn as a depth of zero.
func TestEmptyChart(t *testing.T) {
	p := Draw(&chart.Chart{}, upperBuccal, Options{})
	if p.of("water", "") != nil || p.of("bed", "") != nil || p.of("margin", "") != nil {
		t.Error("an empty chart has water")
	}
	if len(p.Columns) != 14*3 { // all but the wisdom teeth
		t.Errorf("%d sites can be chosen", len(p.Columns))
	}
}

func TestSVG(t *testing.T) {
	for _, r := range Rows() {
		svg := Draw(mouth(), r, Options{Earlier: mouth(), Aspect: `a "b" <c>`}).SVG()
		dec := xml.NewDecoder(bytes.NewReader(svg))
		keys := 0
		for {
			tok, err := dec.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("%v: %v\n%s", r, err, svg)
			}
			if el, ok := tok.(xml.StartElement); ok {
				for _, a := range el.Attr {
					if a.Name.Local == "style" || strings.HasPrefix(a.Name.Local, "on") {
						t.Errorf("%v: the page's content policy refuses %s", r, a.Name.Local)
					}
					if a.Name.Local == "data-key" && el.Name.Local == "rect" && strings.Contains(fmt.Sprint(el.Attr), "hit") {
						keys++
					}
				}
			}
		}
		if keys < 39 {
			t.Errorf("%v: %d sites can be chosen", r, keys)
		}
		if !bytes.Equal(svg, Draw(mouth(), r, Options{Earlier: mouth(), Aspect: `a "b" <c>`}).SVG()) {
			t.Errorf("%v is drawn differently the second time", r)
		}
		if got, err := ParseRow(r.String()); got != r || err != nil {
			t.Errorf("%v is read as %v, %v", r, got, err)
		}
	}
	if _, err := ParseRow("left"); err == nil {
		t.Error("a row called left is taken")
	}
}

// The halves of a row have its sites between them, each as large and as high on the scale as in the whole row.
func TestHalves(t *testing.T) {
	for _, r := range Rows() {
		all := Draw(mouth(), r, Options{Earlier: mouth()})
		var sites []string
		var shapes int
		for _, r.Half = range []Half{Right, Left} {
			p := Draw(mouth(), r, Options{Earlier: mouth()})
			if p.Height != all.Height || p.Width < all.Width/2 || p.Width > all.Width*0.55 {
				t.Errorf("%v is %v by %v, the whole row %v by %v", r, p.Width, p.Height, all.Width, all.Height)
			}
			for _, c := range p.Columns {
				sites = append(sites, c.Site)
				if c.Right > p.Width {
					t.Errorf("%v: %s is out of the picture", r, c.Site)
				}
			}
			for _, s := range p.Shapes {
				if s.Site == "" {
					continue
				}
				shapes++
				if !slices.ContainsFunc(all.of(strings.Fields(s.Class)[0], s.Site), func(o Shape) bool { return o.Class == s.Class && o.Text == s.Text && o.Points[0].Y == s.Points[0].Y }) {
					t.Errorf("%v: %s at %s is not in the whole row", r, s.Class, s.Site)
				}
			}
			if got, err := ParseRow(r.String()); got != r || err != nil {
				t.Errorf("%v is read as %v, %v", r, got, err)
			}
		}
		var want []string
		for _, c := range all.Columns {
			want = append(want, c.Site)
		}
		if !slices.Equal(sites, want) {
			t.Errorf("%v: the halves have %v", r, sites)
		}
		for _, s := range all.Shapes {
			if s.Site != "" {
				shapes--
			}
		}
		if shapes != 0 {
			t.Errorf("%v: the halves have %d shapes more than the row", r, shapes)
		}
	}
}

// Every class has a look on paper, with something to be seen of it.
func TestPaper(t *testing.T) {
	worse := mouth()
	worse.Site(at(16, chart.DB)).Depth = chart.Millimetres(2)
	worse.Site(at(16, chart.MB)).Depth = chart.Millimetres(12)
	for _, r := range Rows() {
		for _, s := range Draw(mouth(), r, Options{Earlier: worse, Noise: chart.Millimetres(2), Doubts: map[chart.SiteRef]bool{at(16, chart.DB): true}}).Shapes {
			l := Paper(s.Class)
			if s.Kind == Line && (l.Stroke == "" || l.Width <= 0) || s.Kind != Line && l.Fill == "" {
				t.Errorf("class %q has no look on paper", s.Class)
			}
		}
	}
	if Paper("water d12").Fill != Depths[12] || Paper("number i7").Fill != Inks[7] {
		t.Error("depths have not their own colours")
	}
}

func BenchmarkRow(b *testing.B) {
	c := mouth()
	for _, t := range chart.AllTeeth() {
		for s := range chart.NumSites {
			*c.Site(at(t, s)) = chart.SiteRecord{Depth: chart.Millimetres(2 + int(t+chart.Tooth(s))%7), Recession: chart.Millimetres(int(s) % 3)}
		}
	}
	for b.Loop() {
		Draw(c, upperBuccal, Options{Earlier: c, Noise: chart.Millimetres(2)}).SVG()
	}
}
