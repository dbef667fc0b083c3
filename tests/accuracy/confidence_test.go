package accuracy

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"leadsman/tests/figures"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// A belief is what the program gave for the probability of a reading, and whether it was right.
type belief struct {
	confidence float64
	right      bool
}

// A bin is the beliefs of a range of confidence.
type bin struct {
	from, to  float64
	n, right  int
	mean      float64
	low, high float64 // of the share that is right: Wilson's interval, 95 %
}

func (b bin) share() float64 { return float64(b.right) / float64(b.n) }

// binned sorts beliefs into the ranges that the tables have. Below 0.45 the exam takes nothing for a call.
func binned(all []belief) (out []bin) {
	edges := []float64{0.45, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 1}
	for i := 1; i < len(edges); i++ {
		b := bin{from: edges[i-1], to: edges[i]}
		for _, v := range all {
			if v.confidence >= b.from && (v.confidence < b.to || i == len(edges)-1) {
				b.n++
				b.mean += v.confidence
				if v.right {
					b.right++
				}
			}
		}
		if b.n > 0 {
			b.mean /= float64(b.n)
			b.low, b.high = wilson(b.right, b.n)
			out = append(out, b)
		}
	}
	return out
}

// wilson is the 95 % interval of a share (Wilson 1927, J Am Stat Assoc 22:209).
func wilson(k, n int) (low, high float64) {
	const z = 1.959964
	p, m := float64(k)/float64(n), float64(n)
	mid := (p + z*z/(2*m)) / (1 + z*z/m)
	half := z / (1 + z*z/m) * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	return max(0, mid-half), min(1, mid+half)
}

// Newcombe 1998, Stat Med 17:857, table I, method 3.
func TestWilson(t *testing.T) {
	for _, c := range []struct {
		k, n      int
		low, high float64
	}{{81, 263, 0.2553, 0.3662}, {15, 148, 0.0624, 0.1605}, {0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718}} {
		if low, high := wilson(c.k, c.n); math.Abs(low-c.low) > 0.00006 || math.Abs(high-c.high) > 0.00006 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", c.k, c.n, low, high, c.low, c.high)
		}
	}
}

// reliability is the table of how far the confidence of calls can be trusted, and what a limit for doubts would cost: a silent
// wrong call 50 needless questions.
func reliability(all []belief) string {
	var b strings.Builder
	b.WriteString("| confidence | calls | mean | right | 95 % interval |\n|---|---|---|---|---|\n")
	for _, v := range binned(all) {
		fmt.Fprintf(&b, "| %g-%g | %d | %.3f | %.3f | %.3f-%.3f |\n", v.from, v.to, v.n, v.mean, v.share(), v.low, v.high)
	}
	b.WriteString("\n| doubt below | silent wrong calls | needless questions | cost |\n|---|---|---|---|\n")
	for _, limit := range []float64{0.5, 0.7, 0.8, 0.9, 0.95, 0.97, 0.98, 0.99, 0.995, 0.999} {
		silent, needless := 0, 0
		for _, v := range all {
			switch {
			case v.confidence >= limit && !v.right:
				silent++
			case v.confidence < limit && v.right:
				needless++
			}
		}
		fmt.Fprintf(&b, "| %.3f | %d | %d | %d |\n", limit, silent, needless, 50*silent+needless)
	}
	return b.String()
}

// The drawing: both axes are the probability of being wrong on a logarithmic scale, from 1 to 1 in 2000; what is nearer to
// certainty is drawn at the edge.
const (
	plotLeft, plotTop, plotSize = 78.0, 24.0, 460.0
	plotDecades                 = 3.3
)

// along is where a probability stands on an axis, 0 to plotSize.
func along(p float64) float64 {
	return plotSize * min(-math.Log10(max(1-p, 1e-9)), plotDecades) / plotDecades
}

// picture draws bins as a reliability diagram.
func picture(bins []bin, doubtBelow float64) string {
	var b strings.Builder
	n := 0
	for _, v := range bins {
		n += v.n
	}
	x := func(p float64) float64 { return plotLeft + along(p) }
	y := func(p float64) float64 { return plotTop + plotSize - along(p) }
	right, bottom := plotLeft+plotSize, plotTop+plotSize
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" width="%[1]g" height="%[2]g" role="img" aria-labelledby="t d">
<title id="t">Reliability of the confidence of calls</title>
<desc id="d">Share of calls that were right, with 95 %% intervals, over the confidence that they were given; %d calls.</desc>
<style>
svg { font: 13px "Atkinson Hyperlegible Next", "Segoe UI", "Helvetica Neue", "DejaVu Sans", sans-serif; }
.ground { fill: #fffdf6; }
text { fill: #101923; }
.grid { stroke: #cfc7b2; }
.ideal { stroke: #79725f; stroke-dasharray: 5 4; }
.limit { stroke: #9a1156; }
.of-limit { fill: #9a1156; }
.range { stroke: #101923; stroke-width: 2; }
.share { fill: #101923; }
@media (prefers-color-scheme: dark) {
.ground { fill: #131d28; }
text { fill: #f3f0e6; }
.grid { stroke: #334354; }
.ideal { stroke: #7d8c9d; }
.limit { stroke: #ff84bd; }
.of-limit { fill: #ff84bd; }
.range { stroke: #f3f0e6; }
.share { fill: #f3f0e6; }
}
</style>
<rect class="ground" width="100%%" height="100%%"/>
`, right+24, bottom+98, n)
	for _, p := range []float64{0, 0.5, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.998, 0.999} {
		fmt.Fprintf(&b, "<path class=\"grid\" d=\"M%.1f %.1fV%.1f M%.1f %.1fH%.1f\"/>\n", x(p), plotTop, bottom, plotLeft, y(p), right)
		fmt.Fprintf(&b, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">%g</text>\n<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"end\">%g</text>\n",
			x(p), bottom+18, p, plotLeft-8, y(p)+4.5, p)
	}
	fmt.Fprintf(&b, "<path class=\"ideal\" d=\"M%.1f %.1fL%.1f %.1f\"/>\n", plotLeft, bottom, right, plotTop)
	fmt.Fprintf(&b, "<path class=\"limit\" d=\"M%.1f %.1fV%.1f\"/>\n<text class=\"of-limit\" x=\"%.1f\" y=\"%.1f\" text-anchor=\"end\">doubted below %g</text>\n",
		x(doubtBelow), plotTop, bottom, x(doubtBelow)-6, bottom-10, doubtBelow)
	for i, v := range bins {
		fmt.Fprintf(&b, "<path class=\"range\" d=\"M%.1f %.1fV%.1f\"/>\n<circle class=\"share\" cx=\"%.1f\" cy=\"%.1f\" r=\"5\"><title>%g to %g: %d of %d right</title></circle>\n",
			x(v.mean), y(v.low), y(v.high), x(v.mean), y(v.share()), v.from, v.to, v.right, v.n)
		fmt.Fprintf(&b, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">%d</text>\n", x(v.mean), bottom+38+14*float64(i%2), v.n)
	}
	fmt.Fprintf(&b, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"end\">calls</text>\n", plotLeft-8, bottom+38)
	fmt.Fprintf(&b, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">confidence of the call (mean of its range)</text>\n", plotLeft+plotSize/2, bottom+78)
	fmt.Fprintf(&b, "<text transform=\"translate(18 %.1f) rotate(-90)\" text-anchor=\"middle\">share that was right, with its 95 %% interval</text>\n</svg>\n", plotTop+plotSize/2)
	return b.String()
}

// The picture is well-formed, its points stand where a share of 9 in 10 and one of all belong, and a range that ends at
// certainty ends at the edge.
func TestReliabilityPicture(t *testing.T) {
	var all []belief
	for i := range 20 {
		all = append(all, belief{0.9, i < 18}, belief{0.9999, true})
	}
	svg := picture(binned(all), 0.99)
	type point struct {
		X float64 `xml:"cx,attr"`
		Y float64 `xml:"cy,attr"`
	}
	var points []point
	var ranges []string
	for d := xml.NewDecoder(strings.NewReader(svg)); ; {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		el, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		switch el.Name.Local {
		case "circle":
			var p point
			if err := d.DecodeElement(&p, &el); err != nil {
				t.Fatal(err)
			}
			points = append(points, p)
		case "path":
			for _, a := range el.Attr {
				if a.Name.Local == "d" && el.Attr[0].Value == "range" {
					ranges = append(ranges, a.Value)
				}
			}
		}
	}
	// One decade of 3.3 to the right of 78 and above 484, and the far corner.
	want := []point{{217.4, 344.6}, {538, 24}}
	if !slices.Equal(points, want) {
		t.Errorf("points at %v, want %v", points, want)
	}
	if len(ranges) != 2 || !strings.HasSuffix(ranges[1], "V24.0") {
		t.Errorf("ranges %q: the second should end at the upper edge", ranges)
	}
}

// beliefsIn are the calls of numbers in what hear made of a recording: right where their words were said there.
func beliefsIn(r recordings.Recording, h heard) (out []belief) {
	for _, g := range h.Calls {
		if g.Did != "soundings" {
			continue
		}
		right := false
		for _, c := range r.Calls {
			right = right || g.Start > c.Start-0.35 && g.Start < c.End+0.1 && strings.Contains(" "+c.Words+" ", " "+g.Words+" ")
		}
		out = append(out, belief{g.Confidence, right})
	}
	return out
}

// How often a call of numbers is right at the confidence it was given: the recordings and strings in which doubts are counted.
//
//	LEADSMAN_MEASURE=1 LEADSMAN_SPEECH=FOLDER go test ./tests/accuracy -run AccuracyConfidence -v -update   # docs/reliability.svg
func TestAccuracyConfidence(t *testing.T) {
	program.Measurement(t, "make accuracy")
	var all []belief
	hearTakes(t, doubtTakes(t), func(_ take, r recordings.Recording, h heard) { all = append(all, beliefsIn(r, h)...) })
	engine := engineUnderTest(t)
	for name, calls := range doubtSets(t) {
		for _, ratio := range doubtRatios {
			var sum tally
			eachOf(t, engine, name, calls, ratio, func(s scene, p played) { sum.add(s, p.calls) })
			all = append(all, sum.beliefs...)
		}
	}
	fmt.Printf("%d calls of numbers\n\n%s", len(all), reliability(all))
	if figures.Update() {
		if err := os.WriteFile(figures.Doc("reliability.svg"), []byte(picture(binned(all), 0.99)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
