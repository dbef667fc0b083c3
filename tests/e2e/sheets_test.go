package e2e

import (
	"bytes"
	"cmp"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// view is a window that pages are looked at in, and how much smaller a contact sheet shows it. 640 by 360 is a window of 1280 by 720 at a
// zoom of 200 %.
type view struct {
	width, height int64
	scale         float64
}

var views = []view{{1920, 1080, 0.34}, {1280, 800, 0.45}, {768, 1024, 0.5}, {640, 360, 0.5}, {390, 844, 0.6}, {320, 640, 0.6}}

// papers are A4 and Letter less the margins of @page in desk.css, in CSS px.
var papers = []view{{710, 1039, 0.8}, {733, 973, 0.8}}

// media are what a screen is drawn with: the two themes, the colours that the system forces, and paper.
var media = map[string]emulation.SetEmulatedMediaParams{
	"light": {}, "dark": {},
	"forced": {Features: []*emulation.MediaFeature{{Name: "forced-colors", Value: "active"}}},
	"print":  {Media: "print"},
}

// Every page and every state of one, in each look and at each width, judged by js/pages.js and laid out on contact sheets, one for each page and
// look: in LEADSMAN_SHOTS, or in a folder that the log names. Look at them.
func TestMeasureScreensEverywhere(t *testing.T) {
	if os.Getenv("LEADSMAN_MEASURE") == "" {
		t.Skip("makes contact sheets of all screens: make screens")
	}
	dir := os.Getenv("LEADSMAN_SHOTS")
	if dir == "" {
		var err error
		if dir, err = os.MkdirTemp("", "leadsman-sheets-"); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("contact sheets are in %s", dir)
	b := startBrowser(t)
	empty := open(t, b, withScripts(t, runProgram(t, "--engine", "none"))+"/")
	empty.until("the empty start", `document.querySelectorAll("ls-patients .begin button").length === 3`)
	walked{page: empty}.everywhere(dir, "first", "light", "dark", "forced")
	w := walk(t, b)
	w.furnish()
	var todo []picture
	for _, path := range w.pages {
		todo = append(todo, picture{name: strings.NewReplacer(w.ids.Open, "open", w.ids.Signed, "signed", w.ids.Patient, "of", "/", "-").Replace(cmp.Or(strings.Trim(path, "/"), "patients")), page: path})
	}
	only := os.Getenv("LEADSMAN_ONLY")
	for _, s := range append(todo, states()...) {
		if !strings.Contains(s.name, only) {
			continue
		}
		t.Run(s.name, func(t *testing.T) {
			w := w
			w.page = &page{t: t, ctx: w.ctx}
			eval[bool](w.page, `(localStorage.removeItem("ls.prefs"), true)`)
			w.at(w.path(s.page), "light", 1280, 800)
			if s.do != nil {
				s.do(w)
			}
			all := []string{"light", "dark", "forced"}
			if s.do == nil && slices.ContainsFunc([]string{"/print", "/handout", "/card", "/due", "/findings"}, func(end string) bool { return strings.HasSuffix(w.path(s.page), end) }) {
				all = append(all, "print")
			}
			w.everywhere(dir, s.name, all...)
		})
	}
}

// everywhere judges what is shown in these looks at all widths, and writes a contact sheet for each look.
func (w walked) everywhere(dir, name string, all ...string) {
	w.t.Helper()
	for _, look := range all {
		eval[bool](w.page, fmt.Sprintf(`(document.documentElement.dataset.theme = %q, true)`, map[bool]string{true: "dark", false: "light"}[look == "dark"]))
		w.media(media[look])
		at := views
		if look == "print" {
			at = papers
		}
		var shots []image.Image
		for _, v := range at {
			w.size(v.width, v.height)
			w.until("it is drawn", `new Promise((ok) => requestAnimationFrame(() => requestAnimationFrame(() => ok(true))))`)
			where := fmt.Sprintf("%s, %s, %d px", name, look, v.width)
			for _, what := range []string{"overlaps", "cut", "clipped", "small"} {
				if look != "print" || what != "small" {
					w.faults(where, what)
				}
			}
			if v.width == 390 && look != "forced" { // as wide as desks, screens are scanned by TestEveryPage
				scan(w.t, w.page, where)
			}
			shots = append(shots, w.small(v))
		}
		w.media(emulation.SetEmulatedMediaParams{})
		write(w.t, filepath.Join(dir, name+"-"+look+".png"), beside(shots), 64)
	}
}

// small is what a page shows, from its top down for at most two windows, as much smaller as the view says.
func (w walked) small(v view) image.Image {
	w.t.Helper()
	high := min(eval[float64](w.page, `document.documentElement.scrollHeight`), 2*float64(v.height))
	shot, err := chromedp.Call(w.ctx, cdppage.CaptureScreenshot, cdppage.CaptureScreenshotParams{CaptureBeyondViewport: new(true), OptimizeForSpeed: new(true),
		Clip: &cdppage.Viewport{Width: float64(v.width), Height: high, Scale: v.scale}})
	if err != nil {
		w.t.Fatal(err)
	}
	m, err := png.Decode(bytes.NewReader(shot.Data))
	if err != nil {
		w.t.Fatal(err)
	}
	return m
}

// beside lays pictures out in two rows, on grey.
func beside(all []image.Image) image.Image {
	const gap = 12
	half := (len(all) + 1) / 2
	var at []image.Point
	size := image.Point{}
	for _, row := range [][]image.Image{all[:half], all[half:]} {
		x, y := gap, size.Y+gap
		for _, m := range row {
			at = append(at, image.Pt(x, y))
			x += m.Bounds().Dx() + gap
			size = image.Pt(max(size.X, x), max(size.Y, y+m.Bounds().Dy()))
		}
	}
	out := image.NewRGBA(image.Rect(0, 0, size.X, size.Y+gap))
	draw.Draw(out, out.Rect, image.NewUniform(color.Gray{128}), image.Point{}, draw.Src)
	for i, m := range all {
		draw.Draw(out, m.Bounds().Sub(m.Bounds().Min).Add(at[i]), m, m.Bounds().Min, draw.Src)
	}
	return out
}

// write keeps a picture in so many colours: flat screens need few.
func write(t *testing.T, file string, m image.Image, colours int) {
	t.Helper()
	few := image.NewPaletted(m.Bounds(), distinct(m, colours))
	draw.Draw(few, few.Rect, m, m.Bounds().Min, draw.Src)
	var out bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&out, few); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, out.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}
