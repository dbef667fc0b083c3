package e2e

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// walked is the built program with its invented practice, at a page where Ada Quill sits, who may do everything; and every address to
// be looked at, made from the patterns of the page's own router, so that a new page cannot be left out.
type walked struct {
	*page
	base  string
	pages []string
	ids   ids
}

// ids of what the invented practice has: a patient with two signed exams, of which the second is a re-evaluation, and an exam that
// is open.
type ids struct{ Patient, Signed, Open string }

func walk(t *testing.T, b context.Context) walked {
	t.Helper()
	base := withScripts(t, runProgram(t, "--engine", "none"))
	p := open(t, b, base+"/")
	p.clickText("Fill with an invented practice")
	p.until("the patients are listed", `[...document.querySelectorAll("ls-patients tr")].some((r) => r.innerText.includes("Harriet Sallow"))`)
	is := eval[ids](p, `(async () => {
		const ask = async (at, method = "GET", body) => (await fetch(at, {method, headers: {"Content-Type": "application/json"}, body: body && JSON.stringify(body)})).json();
		const seat = await ask("/api/session");
		await ask("/api/session", "POST", {person: seat.people.find((x) => x.name === "Ada Quill").id});
		const exams = async (who) => { const [x] = await ask("/api/patients?search=" + who); return [x.id, (await ask("/api/patients/" + x.id + "/course")).exams]; };
		const [harriet, hers] = await exams("Sallow");
		const [, his] = await exams("Brack");
		return {patient: harriet, signed: hers.toSorted((a, b) => b.began - a.began)[0].id, open: his[0].id};
	})()`)
	patterns := eval[[]string](p, `import(document.querySelector("script[type=module]").src).then((m) => m.SCREENS.map((s) => s.pattern.source))`)
	w := walked{page: p, base: base, ids: is, pages: []string{"/no/such/page"}}
	for _, pattern := range patterns {
		at := strings.ReplaceAll(strings.TrimSuffix(strings.TrimPrefix(pattern, "^"), "$"), `\/`, `/`)
		if !strings.Contains(at, "([^/]+)") {
			w.pages = append(w.pages, at)
			continue
		}
		kinds := []string{is.Patient}
		if strings.HasPrefix(at, "/exams/") {
			kinds = []string{is.Open, is.Signed}
		}
		for _, id := range kinds {
			w.pages = append(w.pages, strings.Replace(at, "([^/]+)", id, 1))
		}
	}
	if len(w.pages) < 25 {
		t.Fatalf("the router has only %q", patterns)
	}
	return w
}

// withScripts serves the tests' own scripts beside a service, so that its pages may import them.
func withScripts(t *testing.T, base string) string {
	t.Helper()
	to, err := url.Parse(base)
	if err != nil {
		t.Fatal(err)
	}
	proxy := &httputil.ReverseProxy{FlushInterval: -1, Rewrite: func(r *httputil.ProxyRequest) {
		r.SetURL(to)
		if r.In.Header.Get("Origin") != "" {
			r.Out.Header.Set("Origin", base)
		}
	}}
	mux := http.NewServeMux()
	mux.Handle("/js/", http.StripPrefix("/js/", http.FileServer(http.Dir("js"))))
	mux.Handle("/", proxy)
	srv := httptest.NewServer(mux)
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close() })
	return srv.URL
}

// at shows a page, in a theme, as wide and as high as given.
func (w walked) at(path, theme string, width, height int64) {
	w.t.Helper()
	eval[bool](w.page, fmt.Sprintf(`localStorage.setItem("ls.prefs", JSON.stringify({...JSON.parse(localStorage.getItem("ls.prefs") || "{}"), theme: %q})), true`, theme))
	w.size(width, height)
	w.goTo(w.base + path)
	w.drawn(path)
}

func (w walked) size(width, height int64) {
	w.t.Helper()
	if err := chromedp.Do(w.ctx, chromedp.EmulateViewport(width, height)); err != nil {
		w.t.Fatal(err)
	}
}

// drawn waits until a page has what it is made of: nothing is worked out any more, and pictures of the mouth are there.
func (w walked) drawn(path string) {
	w.t.Helper()
	w.until(path+" is drawn", `document.querySelector("main h1, main h2") && !/Working out/.test(document.querySelector("main").innerText) && [...document.querySelectorAll("ls-profile")].every((x) => !x.checkVisibility() || x.querySelector("svg")) && document.fonts.status === "loaded"`)
}

// faults asks js/pages.js.
func (w walked) faults(where, what string) {
	w.t.Helper()
	var list []string
	if err := json.Unmarshal([]byte(eval[string](w.page, fmt.Sprintf(`import("/js/pages.js").then((m) => JSON.stringify(m.%s()))`, what))), &list); err != nil {
		w.t.Fatal(err)
	}
	for _, f := range list {
		w.t.Errorf("%s: %s", where, f)
	}
}

func (w walked) media(m emulation.SetEmulatedMediaParams) {
	w.t.Helper()
	if _, err := chromedp.Call(w.ctx, emulation.SetEmulatedMedia, m); err != nil {
		w.t.Fatal(err)
	}
}

// judged looks at what is shown. axe-core finds nothing in either theme; nothing is written over anything, cut, small, or wider than the screen, down
// to 320 px and at a zoom of 200 % (WCAG 2.2, 1.4.4, 1.4.10); Tab comes to all that can be used and shows where it is (2.1.1, 2.4.7, 2.4.11); and where
// the system forces its colours everything is still told apart.
func (w walked) judged() {
	w.t.Helper()
	for _, theme := range []string{"dark", "light"} {
		eval[bool](w.page, fmt.Sprintf(`(document.documentElement.dataset.theme = %q, true)`, theme))
		inTheme[theme](w.t, w.page, theme)
	}
	for _, size := range [][2]int64{{1920, 1080}, {768, 1024}, {640, 360}, {390, 844}, {320, 640}, {1280, 720}} { // 640 by 360 is a window of 1280 by 720 at 200 %
		w.size(size[0], size[1])
		w.drawn("at another width")
		for _, what := range []string{"overlaps", "cut", "clipped", "small"} {
			w.faults(fmt.Sprintf("%d px", size[0]), what)
		}
	}
	w.media(emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "forced-colors", Value: "active"}}})
	w.faults("forced colours", "forced")
	w.media(emulation.SetEmulatedMediaParams{})
	stops := eval[int](w.page, `import("/js/pages.js").then((m) => m.watchFocus())`)
	for range stops + 8 { // some more: a browser stops at what scrolls too, and once outside of the page
		w.keys(kb.Tab)
	}
	w.faults("by keyboard", "focusFaults")
}

// Every page that the router knows, with a filled practice, is as judged wants it. A minute: there are 25, in six widths, and each key of Tab is pressed.
func TestEveryPage(t *testing.T) {
	t.Parallel()
	w := walk(t, startBrowser(t))
	for _, path := range w.pages {
		name := path
		if parts := strings.Split(path, "/"); len(parts) == 4 {
			name = parts[1] + "/" + parts[3]
		}
		t.Run(strings.ReplaceAll(strings.Trim(name, "/"), "/", "-"), func(t *testing.T) {
			w := w
			w.page = &page{t: t, ctx: w.ctx}
			w.at(path, "light", 1280, 720)
			// Two forms of a date on a page make one wonder which is which; fields alone have the browser's own.
			if m := regexp.MustCompile(`.{0,60}(\b\d{1,2}/\d{1,2}/\d{4}|\b(19|20)\d\d-\d\d-\d\d\b)`).FindString(text(w.page, "main")); m != "" && !strings.HasSuffix(m, "1971-03-28") { // how a birth date is typed
				t.Errorf("a date in another form: %s", m)
			}
			w.judged()
		})
	}
}

// states are what a page becomes when something is done on it. Pages are named as in pictures.
func states() []picture {
	press := func(keys string) func(walked) { return func(w walked) { w.keys(keys) } }
	look := func(name string) func(walked) {
		return func(w walked) {
			w.clickText(name)
			w.until(name+" is shown", fmt.Sprintf(`[...document.querySelectorAll("ls-live .tabs button")].find((b) => b.innerText === %q).ariaPressed === "true"`, name))
		}
	}
	editor := func(w walked) {
		w.click(`td[data-key="36.DB"]`)
		w.keys(kb.Enter)
		w.until("the dialog of a site", `document.querySelector("dialog.editor[open] .history")`)
	}
	step := func(name string) func(walked) {
		return func(w walked) {
			eval[bool](w.page, fmt.Sprintf(`(() => { const b = document.querySelector('[data-step=%s] .head'); if (b.ariaExpanded !== "true") b.click(); return true; })()`, name))
			w.until(name+" is open", fmt.Sprintf(`!document.querySelector('[data-step=%s] .body').hidden && ![...document.querySelectorAll("[data-step=sign] form button")].some((b) => b.disabled && b.checkVisibility())`, name))
		}
	}
	out := []picture{
		{name: "at-a-distance", page: "open live", do: press("v")},
		{name: "profile", page: "open live", do: look("Profile")},
		{name: "map", page: "open live", do: look("Map")},
		{name: "calls", page: "open live", do: look("Calls")},
		{name: "then-beside-now-profile", page: "signed live", do: look("Profile")},
		{name: "site-picked", page: "open live", do: press(kb.ArrowLeft)},
		{name: "keys-and-calls", page: "open live", do: press("?")},
		{name: "key-refused", page: "signed live", do: press("5")},
		{name: "value", page: "open live", do: editor},
		{name: "value-signed", page: "signed live", do: editor},
		{name: "who-sits-here", page: "/", do: func(w walked) { eval[bool](w.page, `(document.querySelector("button.seat").click(), true)`) }},
		{name: "nobody-found", page: "/", do: func(w walked) {
			w.click("#search")
			w.keys("zzz")
			w.until("it is said", `document.querySelector("ls-patients").innerText.includes("Nobody is found")`)
		}},
		{name: "therapy", page: "signed plan", do: func(w walked) {
			w.unfold("done")
			w.click("[data-focus=done-add]")
		}},
	}
	for _, name := range []string{"complete", "sites", "doubts", "called", "sign", "print"} {
		out = append(out, picture{name: "close-" + name, page: "open close", do: step(name)})
	}
	// All that unfolds.
	for _, page := range []string{"/", "patient", "patient record", "/people", "/settings", "open findings", "signed findings", "signed time", "open plan", "signed plan", "open review"} {
		out = append(out, picture{name: "unfolded-" + strings.ReplaceAll(strings.Trim(page, "/"), " ", "-"), page: page, do: func(w walked) {
			eval[bool](w.page, `(document.querySelectorAll("main details").forEach((d) => (d.open = true)), true)`)
		}})
	}
	return out
}

// Every state of a page that is not there as it opens: the layouts of Live, its dialogs, the steps of closing, what unfolds. More than
// a minute, for there are 33.
func TestEveryState(t *testing.T) {
	t.Parallel()
	w := walk(t, startBrowser(t))
	w.furnish()
	for _, s := range states() {
		t.Run(s.name, func(t *testing.T) {
			w := w
			w.page = &page{t: t, ctx: w.ctx}
			eval[bool](w.page, `(localStorage.removeItem("ls.prefs"), true)`)
			w.at(w.path(s.page), "light", 1280, 720)
			s.do(w)
			w.until("it is drawn", `new Promise((ok) => requestAnimationFrame(() => ok(true)))`)
			w.judged()
		})
	}
}
