package e2e

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"leadsman/chart"
	"leadsman/practice"
	"leadsman/speech"
)

// calls of an invented exam that stands on the way: pockets, flags, an implant, a doubt, missing teeth.
var someCalls = []string{
	"missing twelve", "three two four", "bleeding", "four three five", "bleeding all", "recession one two one",
	"three two three three two four", "plaque mesial", "all threes", "two one two", "three two three", "two two three", "three two three",
	"four three two", "bleeding", "two two three", "three two two", "three two four", "seven four ten", "suppuration", "bleeding distal", "mobility one",
	"five three six", "calculus mid", "four three four", "six four five", "bleeding all",
	"three three four four two three", "all twos", "two two two", "three two three", "two two three", "three two three",
	"three two three three two four", "five three six", "bleeding distal", "furcation two buccal", "four two five",
	"tooth thirty buccal", "implant", "six five eight", "suppuration", "nine four twelve", "recession two",
}

var shots = []struct {
	name, path string
	ready      string
}{
	{"live", "/exams/x1/live", `document.querySelector("ls-tape .cell") && (JSON.parse(localStorage.getItem("ls.prefs")).layout !== "far" || document.querySelectorAll(".profile").length === 4)`},
	{"review", "/exams/x1/review", `document.querySelectorAll("ls-review .profile").length >= 4`},
	{"findings", "/exams/x1/findings", `document.querySelectorAll("ls-findings .profile").length >= 4`},
	{"close", "/exams/x1/close", `document.querySelectorAll("ls-close .profile").length >= 4`},
	{"print", "/exams/x1/print", `document.querySelectorAll("ls-print .profile").length === 4`},
	{"due", "/due", `document.querySelector("ls-due .desk")`},
	{"card", "/card", `document.querySelector("ls-card h1")`},
	{"nowhere", "/no/such/page", `document.querySelector("ls-nowhere h1")`},
	{"patients", "/", `document.querySelector("ls-patients td")`},
	{"patient", "/patients/p1", `document.querySelector("ls-patient h1")`},
	{"practise", "/practise", `document.querySelector("ls-practise .choice button")`},
	{"settings", "/settings", `document.querySelector("ls-settings h1")`},
}

// Every screen, in both themes: axe-core (Deque Systems, MPL-2.0) finds no violation of the WCAG 2.2
// AA rules it can check, nor of its best practices. LEADSMAN_SHOTS=DIR also writes pictures there. Half a minute or more, for
// there are 32 of them.
func TestScreens(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.voices.examiners = []practice.Person{{ID: "ada", Name: "Ada Quill"}}
	w.voices.keep("ada", []byte("a profile"), speech.Enrolment{Takes: 42, Left: 1, Words: 118, WrongBefore: 9, WrongAfter: 3, Seconds: 2.4})
	w.begin("x1", chart.Universal, someCalls...)
	b := startBrowser(t)
	p := open(t, b, w.url+"/")
	for _, theme := range []string{"light", "dark"} {
		scan := inTheme[theme]
		for _, look := range []string{"sheet", "profile", "map", "calls", "far"} {
			for _, s := range shots {
				if look != "sheet" && s.name != "live" {
					continue
				}
				eval[bool](p, fmt.Sprintf(`localStorage.setItem("ls.prefs", JSON.stringify({theme: %q, look: %q, layout: %[2]q})), true`, theme, look))
				name := s.name
				if look != "sheet" {
					name += "-" + look
				}
				for _, size := range sizes() {
					if err := chromedp.Do(p.ctx, chromedp.EmulateViewport(size[0], size[1])); err != nil {
						t.Fatal(err)
					}
					p.goTo(w.url + s.path)
					p.until(s.name+" is drawn", s.ready)
					shot(t, p, fmt.Sprintf("%s-%s-%d", name, theme, size[0]))
					// Nothing may be wider than the screen: the page itself never scrolls sideways.
					if over := eval[int](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
						t.Errorf("%s, %s, %d px: the page is %d px too wide", name, theme, size[0], over)
					}
				}
				scan(t, p, name+", "+theme)
				if name == "live" { // not at a distance
					p.keys("?")
					p.until("the keys are shown", `document.querySelector("dialog.help").open`)
					scan(t, p, "keys and calls, "+theme)
					p.keys(kb.Escape)
					p.click(`td[data-key="16.DB"]`)
					p.keys(kb.Enter)
					p.until("the dialog of a site is shown", `document.querySelector("dialog.editor")?.open`)
					scan(t, p, "dialog of a site, "+theme)
				}
			}
		}
	}
}

// sizes are those that screens are looked at in, the last one staying: a phone and a desk; for pictures
// a tablet and a large screen as well.
func sizes() [][2]int64 {
	if os.Getenv("LEADSMAN_SHOTS") != "" {
		return [][2]int64{{390, 844}, {820, 1180}, {1920, 1080}, {1280, 720}}
	}
	return [][2]int64{{390, 844}, {1280, 720}}
}

// scan has axe-core look at what the page shows.
func scan(t *testing.T, p *page, where string) {
	t.Helper()
	scanFor(t, p, where, "")
}

// scanColours has it look again, in another theme, for what colours can break: only these of its rules read them.
func scanColours(t *testing.T, p *page, where string) {
	t.Helper()
	scanFor(t, p, where, `runOnly: ["color-contrast", "link-in-text-block"]`)
}

// inTheme is how a page is scanned in each of its themes: by all rules in the light one.
var inTheme = map[string]func(t *testing.T, p *page, where string){"light": scan, "dark": scanColours}

func scanFor(t *testing.T, p *page, where, which string) {
	t.Helper()
	if !eval[bool](p, "!!window.axe") {
		axe, err := os.ReadFile("testdata/axe.min.js")
		if err != nil {
			t.Fatal(err)
		}
		eval[bool](p, string(axe)+"; true")
	}
	found := eval[string](p, `axe.run(document, {resultTypes: ["violations"], `+which+`}).then((r) => JSON.stringify(r.violations.map((v) => [v.id, v.help, ...v.nodes.slice(0, 4).map((n) => n.html.slice(0, 200) + " :: " + (n.any[0]?.message || n.all[0]?.message || n.none[0]?.message || ""))])))`)
	var violations [][]string
	if err := json.Unmarshal([]byte(found), &violations); err != nil {
		t.Fatal(err)
	}
	for _, v := range violations {
		t.Errorf("%s: %s", where, strings.Join(v, "\n    "))
	}
}
