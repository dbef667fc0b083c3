package e2e

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"math"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"leadsman/chart"
)

// depths lie from 1 to 15 mm at fifteen sites in a row, all others are healthy.
var depths = []string{"one two three", "four five six", "seven eight nine", "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen"}

// Where the fifteen sites stand on the page, by what shows them.
var depthViews = []struct {
	name, look, box string
	width           int64
}{
	{"tape", "sheet", `ls-tape .cell[data-key="%s"]`, 4200},
	{"table", "sheet", `ls-sheet td[data-key="%s"]`, 1280},
	{"profile", "profile", `ls-profile .hit[data-key="%s"]`, 1280},
}

// Seen without sharpness, a deeper site always stands out more: the mean light of its place differs more from that of the
// surface, whatever the theme, in print and where the system forces its two colours. The measure is the contrast ratio of
// WCAG 2.2, taken of the mean relative luminance over the site's place, which is what a blur of that size leaves of it.
func TestDepthStandsOutWhenBlurred(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI, depths...)
	p := open(t, startBrowser(t), w.url+"/")
	keys := eval[[]string](p, `import(document.querySelector("script[type=module]").src.replace("app/app.js", "core/view.js")).then((V) => fetch("/api/exams/x1").then((r) => r.json()).then((v) => V.walk(v).slice(0, 15)))`)
	for _, look := range []string{"light", "dark", "forced", "print"} {
		media := emulation.SetEmulatedMediaParams{}
		switch look {
		case "forced":
			media.Features = []*emulation.MediaFeature{{Name: "forced-colors", Value: "active"}}
		case "print":
			media.Media = "print"
		}
		for _, view := range depthViews {
			if look == "print" && view.name == "tape" {
				continue // not printed
			}
			theme := look
			if look != "dark" {
				theme = "light"
			}
			eval[bool](p, fmt.Sprintf(`localStorage.setItem("ls.prefs", JSON.stringify({theme: %q, look: %q, who: "Ada Quill"})), true`, theme, view.look))
			if err := chromedp.Do(p.ctx, chromedp.EmulateViewport(view.width, 1400)); err != nil {
				t.Fatal(err)
			}
			if _, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, media); err != nil {
				t.Fatal(err)
			}
			p.goTo(w.url + "/exams/x1/live")
			last := fmt.Sprintf(view.box, keys[14])
			p.until("the site is shown", fmt.Sprintf(`document.querySelector(%q)?.getBoundingClientRect().width > 5 && (%q !== "profile" || document.querySelectorAll(".profile .water").length >= 15)`, last, view.name))
			eval[bool](p, `new Promise((ok) => setTimeout(() => ok(true), 400))`) // the tape glides to its place
			var boxes [15][4]float64
			for i, k := range keys {
				css := fmt.Sprintf(view.box, k)
				b := eval[string](p, fmt.Sprintf(`(() => { const b = document.querySelector(%q).getBoundingClientRect(); return JSON.stringify([b.left, b.top, b.width, b.height]); })()`, css))
				if err := json.Unmarshal([]byte(b), &boxes[i]); err != nil {
					t.Fatal(err)
				}
				if boxes[i][2] < 5 || boxes[i][3] < 5 { // what is not there has no contrast, and no number fails a comparison
					t.Fatalf("%s, %s: %s is not shown", view.name, look, k)
				}
			}
			shot(t, p, "depth-"+view.name+"-"+look)
			picture, err := chromedp.Run(p.ctx, chromedp.CaptureScreenshot())
			if err != nil {
				t.Fatal(err)
			}
			img, err := png.Decode(bytes.NewReader(picture))
			if err != nil {
				t.Fatal(err)
			}
			var seen [15]float64
			ground := meanLight(img, eval[[]float64](p, fmt.Sprintf(`(() => { const b = document.querySelector(%q).getBoundingClientRect(); return [b.left, b.top, b.width, b.height]; })()`, groundOf(view.name))))
			for i, b := range boxes {
				l := meanLight(img, b[:])
				seen[i] = (max(l, ground) + 0.05) / (min(l, ground) + 0.05)
			}
			t.Logf("%s, %s: %.2f", view.name, look, seen)
			rises := func(from, to int, by float64) {
				if seen[to-1] < seen[from-1]*by {
					t.Errorf("%s, %s: %d mm stands out by %.3f, %d mm by %.3f", view.name, look, to, seen[to-1], from, seen[from-1])
				}
			}
			for mm := 2; mm <= 15; mm++ {
				rises(mm-1, mm, 0.97) // numerals differ in how much of them there is
			}
			for _, step := range [][2]int{{1, 4}, {2, 4}, {3, 4}, {5, 6}, {4, 6}, {6, 8}, {8, 10}, {10, 12}, {10, 15}, {6, 15}} {
				rises(step[0], step[1], 1.02)
			}
			// What the eye is drawn to: the sites of 6 mm and more, 10 of 15, get more than their share of all contrast.
			sum, deep := 0.0, 0.0
			for i, c := range seen {
				sum += math.Log(c)
				if i >= 5 {
					deep += math.Log(c)
				}
			}
			if share := deep / sum; share < 0.75 {
				t.Errorf("%s, %s: sites of 6 mm and more get %.0f %% of the contrast", view.name, look, 100*share)
			}
		}
	}
}

// groundOf is a place of the same kind at which nothing is recorded.
func groundOf(view string) string {
	return map[string]string{
		"tape":    `ls-tape .cell[data-empty]:not([data-next])`,
		"table":   `ls-sheet td[data-empty]:not([data-next]):not(.first)`,
		"profile": `ls-profile [data-row="lower-lingual"] .hit`,
	}[view]
}

// meanLight is the mean relative luminance (WCAG 2.2) of a box of a picture.
func meanLight(img image.Image, box []float64) float64 {
	lin := func(c uint32) float64 {
		v := float64(c) / 0xffff
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	sum, n := 0.0, 0
	for y := int(box[1]) + 2; y < int(box[1]+box[3])-2; y++ {
		for x := int(box[0]) + 2; x < int(box[0]+box[2])-2; x++ {
			r, g, b, _ := img.At(x, y).RGBA()
			sum += 0.2126*lin(r) + 0.7152*lin(g) + 0.0722*lin(b)
			n++
		}
	}
	return sum / float64(n)
}
