package e2e

import (
	"bytes"
	"cmp"
	"image"
	"image/color"
	"image/gif"
	"image/png"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// The moving picture of the README: the built program hears the recorded voice, and the page is photographed while it does.
// LEADSMAN_MOVING=FILE.gif makes it.
func TestMovingPicture(t *testing.T) {
	file := os.Getenv("LEADSMAN_MOVING")
	if file == "" {
		t.Skip("SKIPPED: LEADSMAN_MOVING=FILE.gif makes the moving picture")
	}
	p := open(t, startBrowser(t), runProgram(t)+"/")
	if err := chromedp.Do(p.ctx, chromedp.EmulateViewport(1280, 600)); err != nil {
		t.Fatal(err)
	}
	p.until("an exam to begin, three things to look at first", `document.querySelectorAll("ls-patients .begin button").length === 3`)
	p.clickText("Watch and hear an exam")
	p.within(30*time.Second, "it is listened to", `document.querySelector("header .listening").dataset.state === "listening"`)
	p.clickText("I have checked it") // the medical history
	var frames []image.Image
	var at []time.Duration
	const last = `(() => { const t = ` + session + `?.view?.teeth; return t && t["13"].sites.MB?.depth === 2; })()`
	for began, end := time.Now(), time.Minute; time.Since(began) < end; {
		if end == time.Minute && eval[bool](p, last) {
			end = time.Since(began) + 1500*time.Millisecond
		}
		raw, err := chromedp.Run(p.ctx, chromedp.CaptureScreenshot())
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(raw))
		if err != nil {
			t.Fatal(err)
		}
		frames, at = append(frames, img), append(at, time.Since(began))
		time.Sleep(300 * time.Millisecond)
	}
	if n := len(frames); n < 20 {
		t.Fatalf("%d pictures: the machine is too busy", n)
	}
	raw := moving(t, frames, at)
	t.Logf("%d pictures in %v, %d bytes", len(frames), at[len(at)-1].Round(time.Second), len(raw))
	if err := os.WriteFile(file, raw, 0o644); err != nil {
		t.Fatal(err)
	}
}

// moving makes a GIF that repeats. A picture has only what differs from the one before; the last one stands for two seconds more.
func moving(t *testing.T, frames []image.Image, at []time.Duration) []byte {
	t.Helper()
	colours := palette(frames)
	nearest := map[color.RGBA]uint8{}
	index := func(c color.RGBA) uint8 {
		i, ok := nearest[c]
		if !ok {
			i = uint8(colours[1:].Index(c) + 1)
			nearest[c] = i
		}
		return i
	}
	var out gif.GIF
	var before *image.Paletted
	for i, f := range frames {
		b := f.Bounds()
		whole, differs, box := image.NewPaletted(b, colours), image.NewPaletted(b, colours), image.Rectangle{}
		for y := b.Min.Y; y < b.Max.Y; y++ {
			for x := b.Min.X; x < b.Max.X; x++ {
				c := index(color.RGBAModel.Convert(f.At(x, y)).(color.RGBA))
				whole.SetColorIndex(x, y, c)
				if before == nil || before.ColorIndexAt(x, y) != c {
					differs.SetColorIndex(x, y, c)
					box = box.Union(image.Rect(x, y, x+1, y+1))
				}
			}
		}
		if before = whole; box.Empty() {
			continue
		}
		out.Image = append(out.Image, differs.SubImage(box).(*image.Paletted))
		out.Disposal = append(out.Disposal, gif.DisposalNone)
		out.Delay = append(out.Delay, int(at[i].Milliseconds()/10)) // when it begins; made a length below
	}
	for i := range out.Delay {
		end := int(at[len(at)-1].Milliseconds()/10) + 200
		if i+1 < len(out.Delay) {
			end = out.Delay[i+1]
		}
		out.Delay[i] = end - out.Delay[i]
	}
	var b bytes.Buffer
	if err := gif.EncodeAll(&b, &out); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// palette has the colours that are most frequent, behind one that is seen through.
func palette(frames []image.Image) color.Palette {
	count := map[color.RGBA]int{}
	for i := 0; i < len(frames); i += 4 {
		b := frames[i].Bounds()
		for y := b.Min.Y; y < b.Max.Y; y++ {
			for x := b.Min.X; x < b.Max.X; x++ {
				count[color.RGBAModel.Convert(frames[i].At(x, y)).(color.RGBA)]++
			}
		}
	}
	all := make([]color.RGBA, 0, len(count))
	for c := range count {
		all = append(all, c)
	}
	slices.SortFunc(all, func(a, b color.RGBA) int {
		return cmp.Or(count[b]-count[a], int(a.R)-int(b.R), int(a.G)-int(b.G), int(a.B)-int(b.B))
	})
	out := color.Palette{color.RGBA{}}
	for _, c := range all[:min(len(all), 31)] {
		out = append(out, c)
	}
	return out
}
