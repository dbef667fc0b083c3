package diagnosis_test

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/diagnosis"
)

var update = flag.Bool("update", false, "rewrite what is drawn from the simulation")

// reader reads depths with an error: the shares of readings that are off by 1, 2 and 3 mm, to either side together, and by how
// much all readings of one exam are off (mm, standard deviation): another hand, another day.
type reader struct {
	off   [3]float64
	shift float64
}

// Two readings by one of these agree within 1 mm in 97.3 percent and differ by 3 mm or more in 0.7: the published figures that
// noise.go names. normal97 is a normal distribution with 97 percent within 1 mm, its tails not heavier.
var (
	asPublished = reader{off: [3]float64{0.16, 0.0036, 0.0036}}
	normal97    = reader{off: [3]float64{0.236, 0.0006, 0}}
	rough       = reader{off: [3]float64{0.26, 0.02, 0.005}}
	drifting    = reader{off: [3]float64{0.12, 0.0036, 0.0036}, shift: 0.08}
)

func (n *reader) read(r *rand.Rand, truth int, shift float64) int {
	e, u := 0, r.Float64()
	for i, p := range n.off {
		if u < p {
			e = i + 1
			break
		}
		u -= p
	}
	if r.IntN(2) == 0 {
		e = -e
	}
	// A shift of part of a millimetre moves that part of the readings by one.
	if r.Float64() < math.Abs(shift) {
		e += int(math.Copysign(1, shift))
	}
	return max(1, truth+e)
}

// mouths makes two exams of one mouth: 28 teeth of a treated periodontitis patient, the margins known. changed is the share of
// sites that lose so many mm of attachment between them. again: deeper sites are measured twice at the second exam, as the
// exam asks for it.
func mouths(r *rand.Rand, by reader, changed float64, loss int, again bool) (before, after *chart.Chart) {
	before, after = &chart.Chart{}, &chart.Chart{}
	s1, s2 := r.NormFloat64()*by.shift, r.NormFloat64()*by.shift
	asked := 0
	const all = 168
	truly := map[int]bool{}
	for _, i := range r.Perm(all)[:int(math.Round(changed*all))] {
		truly[i] = true
	}
	n := 0
	for _, t := range chart.AllTeeth() {
		if t.ThirdMolar() {
			before.Tooth(t).Presence, after.Tooth(t).Presence = chart.Missing, chart.Missing
			continue
		}
		before.Tooth(t).Presence, after.Tooth(t).Presence = chart.Present, chart.Present
		for s := range chart.NumSites {
			truth := []int{2, 2, 3, 3, 3, 3, 4, 4, 5, 6}[r.IntN(10)]
			margin := chart.Millimetres([]int{0, 0, 1, 1, 2}[r.IntN(5)])
			x, y := before.Site(chart.SiteRef{Tooth: t, Site: s}), after.Site(chart.SiteRef{Tooth: t, Site: s})
			x.Recession, y.Recession = margin, margin
			x.Depth = chart.Millimetres(by.read(r, truth, s1))
			if truly[n] {
				truth += loss
			}
			n++
			y.Depth = chart.Millimetres(by.read(r, truth, s2))
			if again && diagnosis.AskAgain(x.Depth, y.Depth, asked, false, nil) {
				asked++
				first := y.Depth
				y.Depth, y.Again = chart.Millimetres(by.read(r, truth, s2)), first
			}
			x.Flags[chart.Bleeding], y.Flags[chart.Bleeding] = chart.No, chart.No
		}
	}
	return before, after
}

// statements counts the pairs in which progression is stated: for the mouth, and at single sites at least; and those graded C
// by it.
func statements(pairs int, seed uint64, by reader, changed float64, loss int, again bool, o diagnosis.Earlier, own *diagnosis.ErrorModel) (mouth, sites, gradeC int) {
	r := rand.New(rand.NewPCG(1993, seed))
	yes := true
	for range pairs {
		before, after := mouths(r, by, changed, loss, again)
		o.Chart = before
		after.Patient.HistoryOfPeriodontitis, after.Patient.Phenotype = &yes, "A"
		f := diagnosis.Assess(after, diagnosis.Options{Earlier: &o, Error: own})
		switch f.Value("progression.status") {
		case "beyond-chance":
			mouth++
			sites++
		case "confirmed-sites":
			sites++
		}
		if f.Value("periodontitis.grade") == "C" {
			gradeC++
		}
	}
	return mouth, sites, gradeC
}

// Without a true change at most 2 percent of pairs get a statement of progression; with a true loss of 2 mm at 5 percent of the
// sites at least 80 percent do. The error of the readings is the published one (docs/measurement-error.md).
func TestNoiseIsNoProgression(t *testing.T) {
	const pairs = 1000
	year := diagnosis.Earlier{Years: 1}
	other := diagnosis.Earlier{Years: 1, OtherExaminer: true}
	for _, c := range []struct {
		name  string
		by    reader
		again bool
		e     diagnosis.Earlier
	}{
		{"published", asPublished, false, year},
		{"published, measured again", asPublished, true, year},
		{"normal, 97 percent within 1 mm", normal97, false, year},
		{"normal, measured again", normal97, true, year},
		{"a shift between the exams", drifting, false, year},
		{"another examiner, rougher", rough, false, other},
		{"half a year", asPublished, false, diagnosis.Earlier{Years: 0.5}},
		{"ten years", asPublished, false, diagnosis.Earlier{Years: 10}},
	} {
		mouth, sites, c3 := statements(pairs, 1, c.by, 0, 0, c.again, c.e, nil)
		t.Logf("%s: of %d pairs without change %d stated, at single sites %d, grade C %d", c.name, pairs, mouth, sites, c3)
		if mouth > pairs/50 || c3 > pairs/50 || !c.again && sites > pairs/50 {
			t.Errorf("%s: %d of %d pairs without change, %d at single sites, %d grade C", c.name, mouth, pairs, sites, c3)
		}
	}
	for _, again := range []bool{false, true} {
		if mouth, _, _ := statements(pairs, 2, asPublished, 0.05, 2, again, year, nil); mouth < pairs*8/10 {
			t.Errorf("2 mm at 5 percent of sites, measured again %v: found in %d of %d", again, mouth, pairs)
		}
	}
	// A practice that repeats worse than the published figures says so by its own double examinations, and is judged by them.
	r := rand.New(rand.NewPCG(7, 7))
	var doubles []diagnosis.DoubleExam
	for range 20 {
		a, b := mouths(r, rough, 0, 0, false)
		doubles = append(doubles, diagnosis.DoubleExam{First: a, Second: b})
	}
	naive, _, _ := statements(pairs, 3, rough, 0, 0, false, year, nil)
	taught, _, _ := statements(pairs, 3, rough, 0, 0, false, year, diagnosis.ErrorOf(doubles))
	if taught > pairs/50 || naive < 5*taught {
		t.Errorf("a rough practice: %d by the published spread, %d by its own", naive, taught)
	}
}

// bleedTwice answers on bleeding at two exams: share of the sites bleeds at each, and the answers agree beyond chance by half, which is
// the model's figure. Of the sites that bleed so many stopped by the second exam.
func bleedTwice(r *rand.Rand, before, after *chart.Chart, share, stopped float64) {
	for _, t := range chart.AllTeeth() {
		for s := range chart.NumSites {
			x, y := before.Site(chart.SiteRef{Tooth: t, Site: s}), after.Site(chart.SiteRef{Tooth: t, Site: s})
			if !x.Depth.Known() {
				continue
			}
			first := r.Float64() < share
			second := first
			if r.IntN(2) == 0 {
				second = r.Float64() < share
			}
			second = second && r.Float64() >= stopped
			x.Flags[chart.Bleeding], y.Flags[chart.Bleeding] = chart.Is(first), chart.Is(second)
		}
	}
}

// Every change figure of a comparison says what noise alone gives: without a change at most 2 percent of pairs have more new pockets,
// closed pockets, sites that bleed more or less, than that, and at most 2 percent any statement that the mouth got worse, progression
// included; with a true change of what a figure counts at least 80 percent are found.
func TestNoiseOfEveryFigure(t *testing.T) {
	const pairs = 1000
	r := rand.New(rand.NewPCG(2026, 41))
	over := func(by reader, changed float64, loss int, share, stopped float64) map[string]int {
		n := map[string]int{}
		for range pairs {
			before, after := mouths(r, by, changed, loss, false)
			bleedTwice(r, before, after, share, stopped)
			c := diagnosis.Compare(before, after, diagnosis.CompareOptions{}).Chance
			f := diagnosis.Assess(after, diagnosis.Options{Earlier: &diagnosis.Earlier{Chart: before, Years: 1}})
			for name, beyond := range map[string]bool{"worse": c.Worse.Beyond, "improved": c.Improved.Beyond, "deeper": c.Deeper.Beyond, "shallower": c.Shallower.Beyond,
				"new pockets": c.NewPockets.Beyond, "closed": c.Closed.Beyond, "bleeding": c.Bleeding.Beyond,
				"any": c.Worse.Beyond || c.Deeper.Beyond || c.NewPockets.Beyond || f.Value("progression.status") == "beyond-chance"} {
				if beyond {
					n[name]++
				}
			}
		}
		return n
	}
	for _, c := range []struct {
		name string
		by   reader
		most int
	}{{"published", asPublished, pairs / 50}, {"normal", normal97, pairs / 50}, {"a shift between the exams", drifting, pairs / 25}} { // the model knows nothing of shifts
		name, by, most := c.name, c.by, c.most
		for _, share := range []float64{0.1, 0.4} {
			n := over(by, 0, 0, share, 0)
			t.Logf("%s, no change, %.0f percent bleed: %v of %d", name, 100*share, n, pairs)
			for figure, k := range n {
				if k > most {
					t.Errorf("%s: %s beyond chance in %d of %d pairs without change", name, figure, k, pairs)
				}
			}
		}
	}
	for _, c := range []struct {
		changed        float64
		loss           int
		share, stopped float64
		found          []string
	}{{0.10, 2, 0.3, 0, []string{"worse", "deeper", "new pockets"}}, {0.5, -2, 0.3, 0, []string{"improved", "shallower", "closed"}}, {0, 0, 0.4, 0.5, []string{"bleeding"}}} {
		n := over(asPublished, c.changed, c.loss, c.share, c.stopped)
		t.Logf("%+v: %v of %d", c, n, pairs)
		for _, figure := range c.found {
			if n[figure] < pairs*8/10 {
				t.Errorf("%+v: %s found in %d of %d", c, figure, n[figure], pairs)
			}
		}
	}
}

// A second implementation of the count against chance, from its text alone: Poisson's law summed up term by term, sites
// counted in plain loops over millimetres.
func TestChanceSecondImplementation(t *testing.T) {
	most := func(expected float64) int {
		for k := 0; ; k++ {
			upTo := 0.0
			for j := 0; j <= k; j++ {
				term := math.Exp(-expected)
				for i := 1; i <= j; i++ {
					term = term * expected / float64(i)
				}
				upTo += term
			}
			if 1-upTo <= 0.01 {
				return k
			}
		}
	}
	r := rand.New(rand.NewPCG(11, 11))
	seen, bad := map[string]int{}, 0
	for i := range 600 {
		again, other := r.IntN(3) == 0, r.IntN(4) == 0
		before, after := mouths(r, rough, []float64{0, 0.02, 0.06, 0.3}[r.IntN(4)], 1+r.IntN(3), again)
		years := []float64{0.2, 0.49, 0.5, 1, 4, 8}[r.IntN(6)]
		therapy := r.IntN(6) == 0
		if r.IntN(5) == 0 { // a shift of the whole mouth
			for _, tooth := range chart.AllTeeth() {
				for s := range chart.NumSites {
					if v := after.Site(chart.SiteRef{Tooth: tooth, Site: s}); v.Depth.Known() {
						v.Depth = chart.Half(v.Depth.Half() + 2)
					}
				}
			}
		}
		// The plain count.
		limit, sites, once, twice, gained, asked := 2, 0, 0, 0, 0, false
		big := map[int]int{} // sites that lost so many mm or more by both readings
		if other {
			limit = 3
		}
		var all []int
		for _, tooth := range chart.AllTeeth() {
			for s := range chart.NumSites {
				x, y := before.Site(chart.SiteRef{Tooth: tooth, Site: s}), after.Site(chart.SiteRef{Tooth: tooth, Site: s})
				if !x.Depth.Known() || !y.Depth.Known() {
					continue
				}
				sites++
				d := int(y.Depth.Float() - x.Depth.Float()) // margins are the same at both
				all = append(all, d)
				if d <= -limit {
					gained++
				}
				if y.Again.Known() {
					asked = true
				}
				if d >= limit && !y.Again.Known() {
					once++
				}
				if d >= limit && y.Again.Known() && int(y.Again.Float()-x.Depth.Float()) >= limit {
					twice++
				}
				for n := 1; n <= 5; n++ {
					if y.Again.Known() && d >= n && int(y.Again.Float()-x.Depth.Float()) >= n {
						big[n]++
					}
				}
			}
		}
		counts := map[int]int{}
		for _, d := range all {
			counts[d]++
		}
		spread := map[bool][]float64{false: {0.7064, 0.2671, 0.0194, 0.0065, 0.0005, 0.0001}, true: {0.30, 0.46, 0.19, 0.035, 0.010, 0.005}}[other]
		tail := func(n int) (p float64) {
			for i := n; i < 6; i++ {
				p += spread[i] / 2
			}
			return p
		}
		shift := math.Max(0, float64(counts[1]-counts[-1])/float64(sites)-math.Sqrt(spread[1]/float64(sites)))
		expected := float64(sites) * ((1-shift)*tail(limit) + shift*tail(limit-1))
		more := 0.0 // ways in which as many or more of the changes are losses
		for k := once; k <= once+gained; k++ {
			ways := 1.0
			for i := 0; i < k; i++ {
				ways = ways * float64(once+gained-i) / float64(i+1)
			}
			more += ways / math.Pow(2, float64(once+gained))
		}
		beyond := once > most(expected) && more <= 0.2 || asked && twice > most(0.3*expected)
		for n := limit + 1; n <= 5; n++ {
			beyond = beyond || big[n] > most(0.3*float64(sites)*((1-shift)*tail(n)+shift*tail(n-1)))
		}
		want := "not-shown"
		switch {
		case therapy:
			want = "after-therapy"
		case years < 0.5:
			want = "too-soon"
		case beyond:
			want = "beyond-chance"
		case twice > 0:
			want = "confirmed-sites"
		case once > 0:
			want = "question"
		}
		f := diagnosis.Assess(after, diagnosis.Options{Earlier: &diagnosis.Earlier{Chart: before, Years: years, OtherExaminer: other, Therapy: therapy}})
		if got := f.Value("progression.status"); got != want {
			if bad++; bad > 5 {
				continue
			}
			v, _ := f.Get("progression.status")
			t.Errorf("pair %d: %s, by the plain count %s (once %d, twice %d of %d, expected %.2f): %s", i, got, want, once, twice, sites, expected, v.Text)
		}
		seen[want]++
	}
	for _, w := range []string{"not-shown", "question", "confirmed-sites", "beyond-chance", "too-soon", "after-therapy"} {
		if seen[w] == 0 && w != "not-shown" {
			t.Errorf("%s never came up: %v", w, seen)
		}
	}
}

// TestNoiseCurve draws how often progression is stated by the share of sites that truly lost attachment; the table and the
// picture of docs/measurement-error.md are its output.
func TestNoiseCurve(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a while")
	}
	const pairs = 400
	shares := []float64{0, 0.01, 0.02, 0.03, 0.05, 0.07, 0.10}
	lines := []struct {
		name  string
		loss  int
		again bool
		other bool
	}{{"2 mm, measured once", 2, false, false}, {"2 mm, deeper sites measured again", 2, true, false}, {"3 mm, measured once", 3, false, false}, {"3 mm, two examiners", 3, false, true}}
	var b bytes.Buffer
	fmt.Fprintf(&b, "| true loss at so many sites |")
	for _, s := range shares {
		fmt.Fprintf(&b, " %.0f %% |", 100*s)
	}
	fmt.Fprintf(&b, "\n|---|%s\n", strings.Repeat("---:|", len(shares)))
	points := make([][]float64, len(lines))
	for i, l := range lines {
		fmt.Fprintf(&b, "| %s |", l.name)
		for _, s := range shares {
			n, _, _ := statements(pairs, uint64(10+i), asPublished, s, l.loss, l.again, diagnosis.Earlier{Years: 1, OtherExaminer: l.other}, nil)
			p := 100 * float64(n) / pairs
			points[i] = append(points[i], p)
			fmt.Fprintf(&b, " %.1f |", p)
		}
		b.WriteByte('\n')
	}
	const doc, picture = "../docs/measurement-error.md", "../docs/measurement-error.svg"
	if *update {
		text, err := os.ReadFile(doc)
		if err != nil {
			t.Fatal(err)
		}
		head, rest, ok := strings.Cut(string(text), "<!-- curve -->\n")
		_, tail, ok2 := strings.Cut(rest, "<!-- end -->")
		if !ok || !ok2 {
			t.Fatal("no place for the curve in " + doc)
		}
		if err := os.WriteFile(doc, []byte(head+"<!-- curve -->\n"+b.String()+"<!-- end -->"+tail), 0o644); err != nil {
			t.Fatal(err)
		}
		names := make([]string, len(lines))
		for i, l := range lines {
			names[i] = l.name
		}
		if err := os.WriteFile(picture, curve(shares, points, names), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(doc)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), b.String()) {
		t.Errorf("%s shows other figures than the simulation gives; rewrite it with -update:\n%s", doc, b.String())
	}
}

// curve draws lines of percentages over percentages.
func curve(x []float64, lines [][]float64, names []string) []byte {
	var b bytes.Buffer
	at := func(i int, p float64) (float64, float64) { return 50 + 400*x[i]/x[len(x)-1], 220 - 2*p }
	b.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 700 260" font-family="sans-serif" font-size="12">` + "\n")
	b.WriteString("<title>How often progression is stated, by the share of sites that truly lost attachment</title>\n")
	b.WriteString(`<rect width="700" height="260" fill="#fff"/>` + "\n")
	for p := 0.0; p <= 100; p += 20 {
		_, y := at(0, p)
		fmt.Fprintf(&b, `<path d="M50 %.0fH450" stroke="#ccc"/><text x="44" y="%.0f" text-anchor="end">%.0f</text>`+"\n", y, y+4, p)
	}
	for i := range x {
		px, _ := at(i, 0)
		fmt.Fprintf(&b, `<text x="%.0f" y="236" text-anchor="middle">%.0f</text>`+"\n", px, 100*x[i])
	}
	b.WriteString(`<text x="250" y="254" text-anchor="middle">percent of sites that truly lost attachment</text><text x="8" y="14">percent of mouths with a statement</text>` + "\n")
	dashes := []string{"", "6 3", "2 3", "8 3 2 3"}
	for i, l := range lines {
		fmt.Fprintf(&b, `<polyline fill="none" stroke="#105d9d" stroke-width="2" stroke-dasharray="%s" points="`, dashes[i])
		for j, p := range l {
			px, py := at(j, p)
			fmt.Fprintf(&b, "%.1f,%.1f ", px, py)
		}
		fmt.Fprintf(&b, `"/><path d="M470 %dh30" stroke="#105d9d" stroke-width="2" stroke-dasharray="%s"/><text x="508" y="%d">%s</text>`+"\n", 40+22*i, dashes[i], 44+22*i, names[i])
	}
	b.WriteString("</svg>\n")
	return b.Bytes()
}
