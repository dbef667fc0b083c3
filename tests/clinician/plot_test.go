package clinician

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The drawing: a panel for each way of answering, silent errors over the noise, a line for each voice. The height is
// logarithmic from a tenth of an error on; an exam without one stands on the ground line.
const (
	plotLeft, plotTop   = 64.0, 40.0
	panelWidth, panelUp = 300.0, 320.0
	panelGap, nameWidth = 60.0, 150.0
	mostSilent          = 168.0
	leastSilent         = 0.1
)

// rise is how high a mean number of silent errors stands over the ground line.
func rise(silent float64) float64 {
	if silent <= 0 {
		return 0
	}
	least := math.Log10(leastSilent / 2)
	return panelUp * (math.Log10(max(leastSilent, min(mostSilent, silent))) - least) / (math.Log10(mostSilent) - least)
}

var noiseSteps = []string{"quiet", "20", "15", "10", "5"}

// stepOf is where a room stands along the noise: quiet and 20 to 5 dB of one kind; -1 if it is another kind.
func stepOf(room, kind string) int {
	if room == "quiet" {
		return 0
	}
	db, ok := strings.CutPrefix(room, kind)
	if !ok {
		return -1
	}
	return slices.Index(noiseSteps, db)
}

var dashes = []string{"", "8 4", "2 3", "10 3 2 3", "14 4", "4 2", "1 5", "12 2 2 2 2 2"}

// picture draws the cells with the habit of a place at a time, of quiet rooms and of one kind of noise.
func picture(cells []cell, kind string) string {
	modes := []string{"tone", "numbers"}
	width := plotLeft + 2*panelWidth + panelGap + nameWidth
	height := plotTop + panelUp + 64
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" width="%[1]g" height="%[2]g" role="img" aria-labelledby="t d">
<title id="t">Silent errors over noise</title>
<desc id="d">Wrong sites without a mark in an exam of 168 sites, by voice, in quiet and in noise (%s) of 20 to 5 dB, answered by tones and by numbers read back.</desc>
<style>
svg { font: 13px "Atkinson Hyperlegible Next", "Segoe UI", "Helvetica Neue", "DejaVu Sans", sans-serif; }
.ground { fill: #fffdf6; }
text { fill: #101923; }
.grid { stroke: #cfc7b2; }
.voice { stroke: #101923; fill: none; stroke-width: 1.6; }
.point { fill: #101923; }
@media (prefers-color-scheme: dark) {
.ground { fill: #131d28; }
text { fill: #f3f0e6; }
.grid { stroke: #334354; }
.voice { stroke: #f3f0e6; }
.point { fill: #f3f0e6; }
}
</style>
<rect class="ground" width="100%%" height="100%%"/>
`, width, height, kind)
	bottom := plotTop + panelUp
	var names []string
	for _, c := range cells {
		if !slices.Contains(names, c.voice) {
			names = append(names, c.voice)
		}
	}
	for m, mode := range modes {
		left := plotLeft + float64(m)*(panelWidth+panelGap)
		x := func(step int) float64 { return left + panelWidth*float64(step)/float64(len(noiseSteps)-1) }
		fmt.Fprintf(&b, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">answers: %s</text>\n", left+panelWidth/2, plotTop-16, mode)
		for _, v := range []float64{0, 0.1, 0.3, 1, 3, 10, 30, 100} {
			fmt.Fprintf(&b, "<path class=\"grid\" d=\"M%.1f %.1fH%.1f\"/>\n<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"end\">%g</text>\n", left, bottom-rise(v), left+panelWidth, left-8, bottom-rise(v)+4.5, v)
		}
		for i, s := range noiseSteps {
			if i > 0 {
				s += " dB"
			}
			fmt.Fprintf(&b, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">%s</text>\n", x(i), bottom+20, s)
		}
		for v, name := range names {
			means := make([]float64, len(noiseSteps))
			for i := range means {
				means[i] = -1
			}
			for _, c := range cells {
				if i := stepOf(c.room, kind); c.voice == name && c.mode == mode && c.habit == ByPlace && i >= 0 {
					sum := 0
					for _, r := range c.results {
						sum += r.Silent
					}
					means[i] = float64(sum) / float64(len(c.results))
				}
			}
			path, at := "", "M"
			for i, mean := range means {
				if mean >= 0 {
					path += fmt.Sprintf("%s%.1f %.1f", at, x(i), bottom-rise(mean))
					fmt.Fprintf(&b, "<circle class=\"point\" cx=\"%.1f\" cy=\"%.1f\" r=\"3\"><title>%s, %s: %.1f</title></circle>\n", x(i), bottom-rise(mean), name, noiseSteps[i], mean)
					at = "L"
				}
			}
			if path == "" {
				continue
			}
			fmt.Fprintf(&b, "<path class=\"voice\" stroke-dasharray=\"%s\" d=\"%s\"/>\n", dashes[v%len(dashes)], path)
		}
	}
	for v, name := range names {
		at, y := width-nameWidth+10, plotTop+12+22*float64(v)
		fmt.Fprintf(&b, "<path class=\"voice\" stroke-dasharray=\"%s\" d=\"M%.1f %.1fh28\"/>\n<text x=\"%.1f\" y=\"%.1f\">%s</text>\n", dashes[v%len(dashes)], at, y, at+34, y+4.5, name)
	}
	fmt.Fprintf(&b, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">noise under the voice (%s)</text>\n", plotLeft+panelWidth+panelGap/2, bottom+46, kind)
	fmt.Fprintf(&b, "<text transform=\"translate(18 %.1f) rotate(-90)\" text-anchor=\"middle\">silent errors an exam</text>\n</svg>\n", plotTop+panelUp/2)
	return b.String()
}

// The picture is well-formed; more errors stand higher, none on the ground, and a room of another noise is not drawn.
func TestPicture(t *testing.T) {
	svg := picture([]cell{
		{"a", "quiet", "tone", ByPlace, []Result{{Silent: 0}}},
		{"a", "tap10", "tone", ByPlace, []Result{{Silent: 1}, {Silent: 3}}},
		{"a", "tap5", "tone", ByPlace, []Result{{Silent: 100}}},
		{"a", "saw5", "tone", ByPlace, []Result{{Silent: 50}}},
		{"a", "tap5", "tone", OneByOne, []Result{{Silent: 50}}},
	}, "tap")
	var heights []float64
	for d := xml.NewDecoder(strings.NewReader(svg)); ; {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if el, ok := tok.(xml.StartElement); ok && el.Name.Local == "circle" {
			for _, a := range el.Attr {
				if y, err := strconv.ParseFloat(a.Value, 64); a.Name.Local == "cy" && err == nil {
					heights = append(heights, y)
				}
			}
		}
	}
	if len(heights) != 3 || heights[0] != plotTop+panelUp || heights[1] >= heights[0] || heights[2] >= heights[1] || heights[2] < plotTop {
		t.Errorf("points stand at %v", heights)
	}
}
