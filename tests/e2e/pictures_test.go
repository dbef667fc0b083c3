package e2e

import (
	"bytes"
	"cmp"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"leadsman/tests/program"
)

// picture is one of docs/screens: a page or a state of it, as wide as given, in a theme or in the looks that the system asks for.
type picture struct {
	name, page, look string // look is light, dark, forced or print
	width, height    int64
	do               func(walked) // what leads to the state, nil for the page as it opens
}

// pictures are those of the README and of docs/screens. Pages are named as in the router's patterns; exams are "open" or "signed".
func pictures() []picture {
	live := func(look string) func(walked) {
		return func(w walked) {
			w.clickText(look)
			w.until(look+" is shown", fmt.Sprintf(`[...document.querySelectorAll("ls-live .tabs button")].find((b) => b.innerText === %q).ariaPressed === "true" && (%[1]q !== "Profile" || document.querySelectorAll("ls-live .profile").length === 4)`, look))
		}
	}
	far := func(w walked) {
		eval[bool](w.page, `(document.querySelector("ls-live button.layout").click(), true)`)
		w.until("the profile", `document.querySelector("ls-live").dataset.layout === "far" && document.querySelectorAll("ls-live .profile").length === 4`)
	}
	top := func(css string) func(walked) {
		return func(w walked) {
			eval[bool](w.page, fmt.Sprintf(`(document.querySelectorAll("main details").forEach((d) => (d.open = d.open || d.matches(%q))), document.querySelector(%[1]q).scrollIntoView(), scrollBy(0, -80), true)`, css))
		}
	}
	out := []picture{
		{name: "live-profile", page: "open live", do: live("Profile")},
		{name: "live-calls", page: "open live", do: live("Calls")},
		{name: "live-site", page: "open live", do: func(w walked) {
			w.click(`td[data-key="36.DB"]`)
			w.keys(kb.Enter)
			w.until("the dialog", `document.querySelector("dialog.editor[open]")`)
		}},
		{name: "live-far", page: "open live", width: 1920, height: 1080, do: far},
		{name: "live-phone", page: "open live", width: 390, height: 844},
		{name: "live-320", page: "open live", width: 320, height: 640},
		{name: "then", page: "signed live"},
		{name: "patients-phone", page: "/", width: 390, height: 844},
		{name: "findings-phone", page: "signed findings", width: 390, height: 844},
		{name: "plan-zoomed", page: "open plan", width: 640, height: 360},
		{name: "programs", page: "/settings", do: top("ls-programs details")},
		{name: "therapy", page: "signed plan", do: func(w walked) {
			w.unfold("done")
			w.click("[data-focus=done-add]")
			w.until("a line", `document.querySelector("#day0")`)
		}},
		{name: "chart-paper", page: "signed print", look: "print", width: 710, height: 1039},
		{name: "handout-paper", page: "signed handout", look: "print", width: 710, height: 1039},
	}
	for look, pages := range map[string][]string{"forced": {"open live", "open close"}, "dark": {"open live", "signed findings", "signed time"}} {
		for _, page := range pages {
			out = append(out, picture{name: strings.Fields(page)[1] + "-" + look, page: page, look: look})
		}
	}
	return out
}

// Every screen and state as pictures, with the invented practice: into docs/screens, or where LEADSMAN_SHOTS says. Look at them.
func TestMeasureScreens(t *testing.T) {
	program.Measurement(t, "make screens")
	dir := cmp.Or(os.Getenv("LEADSMAN_SHOTS"), "../../docs/screens")
	b := startBrowser(t)
	empty := open(t, b, runProgram(t, "--engine", "none")+"/")
	empty.until("the empty start", `document.querySelectorAll("ls-patients .begin button").length === 3`)
	take(t, empty, dir, "first")
	w := walk(t, b)
	w.furnish()
	todo := pictures()
	for _, path := range w.pages { // each page as it opens
		name := strings.ReplaceAll(strings.Trim(path, "/"), "/", "-")
		if parts := strings.Split(path, "/"); len(parts) > 2 && (parts[1] == "exams" || parts[1] == "patients") {
			name = cmp.Or(strings.Join(parts[3:], ""), "patient")
			if name == "print" || name == "handout" { // on paper, above
				continue
			}
			if parts[1] == "exams" && strings.Contains(path, w.ids.Signed) == slices.Contains([]string{"live", "review", "close"}, name) {
				continue
			}
		}
		todo = append(todo, picture{name: map[string]string{"": "patients", "no-such-page": "nowhere"}[name] + map[bool]string{true: name}[name != "" && name != "no-such-page"], page: path})
	}
	for _, s := range todo {
		w.shoot(s, dir)
	}
}

// furnish gives the practice what the invented one lacks: a program with a key, an address that is told, and therapy done.
func (w walked) furnish() {
	w.t.Helper()
	eval[bool](w.page, `(async () => {
		const send = async (at, body) => { const r = await fetch(at, {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(body)}); if (!r.ok) throw new Error(at + ": " + (await r.text())); };
		await send("/api/programs", {name: "records of the practice", scopes: ["patients:read", "exams:read"]});
		await send("/api/hooks", {url: "https://127.0.0.1:9/in", events: ["exam.signed"]});
		return true;
	})()`)
}

// path is the address of a page that is named by what it is of: "open live", "signed plan", "patient record".
func (w walked) path(page string) string {
	kind, screen, _ := strings.Cut(page, " ")
	switch kind {
	case "open":
		return "/exams/" + w.ids.Open + "/" + screen
	case "signed":
		return "/exams/" + w.ids.Signed + "/" + screen
	case "patient":
		return strings.TrimSuffix("/patients/"+w.ids.Patient+"/"+screen, "/")
	}
	return page
}

func (w walked) shoot(s picture, dir string) {
	w.t.Helper()
	theme := "light"
	if s.look == "dark" {
		theme = "dark"
	}
	eval[bool](w.page, `(localStorage.removeItem("ls.prefs"), true)`)
	w.at(w.path(s.page), theme, cmp.Or(s.width, 1280), cmp.Or(s.height, 800))
	switch s.look {
	case "forced":
		w.media(emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "forced-colors", Value: "active"}}})
	case "print":
		w.media(emulation.SetEmulatedMediaParams{Media: "print"})
	}
	if s.do != nil {
		s.do(w)
	}
	eval[bool](w.page, `new Promise((ok) => setTimeout(() => ok(true), 400))`) // the tape glides, focus rings settle
	take(w.t, w.page, dir, s.name)
	w.media(emulation.SetEmulatedMediaParams{})
}

// take writes what a page shows as a picture.
func take(t *testing.T, p *page, dir, name string) {
	t.Helper()
	raw, err := chromedp.Run(p.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		t.Fatal(err)
	}
	shown, err := png.Decode(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, name+".png"), shown, 16)
}

// distinct takes the colours of a picture that are there most often and are not nearly one that is taken: so a depth that stands at one
// site alone keeps its colour.
func distinct(m image.Image, most int) color.Palette {
	count := map[color.RGBA]int{}
	for y := m.Bounds().Min.Y; y < m.Bounds().Max.Y; y++ {
		for x := m.Bounds().Min.X; x < m.Bounds().Max.X; x++ {
			count[color.RGBAModel.Convert(m.At(x, y)).(color.RGBA)]++
		}
	}
	all := slices.SortedFunc(maps.Keys(count), func(a, b color.RGBA) int {
		return cmp.Or(count[b]-count[a], int(a.R)-int(b.R), int(a.G)-int(b.G), int(a.B)-int(b.B))
	})
	apart := func(a, b uint8) int { return max(int(a), int(b)) - min(int(a), int(b)) }
	var out color.Palette
	for near := 24; near >= 0; near -= 12 {
		for _, c := range all {
			if len(out) < most && !slices.ContainsFunc(out, func(o color.Color) bool {
				x := o.(color.RGBA)
				return apart(x.R, c.R)+apart(x.G, c.G)+apart(x.B, c.B) <= near
			}) {
				out = append(out, c)
			}
		}
	}
	return out
}
