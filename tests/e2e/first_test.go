package e2e

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// The first minute, in the built program with its recognizer: an empty start says what to do, and one click has a recorded voice
// call an exam that sounds in the browser, is heard, and fills the chart.
func TestFirstMinute(t *testing.T) {
	t.Parallel()
	base := runProgram(t)
	p := open(t, startBrowser(t), base+"/")
	p.until("an exam to begin, three things to look at first", `document.querySelectorAll("ls-patients .begin button").length === 3`)
	shot(t, p, "first")
	scan(t, p, "empty start")
	began := time.Now()
	p.clickText("Watch and hear an exam")
	p.until("it is listened to", `document.querySelector("header .listening").dataset.state === "listening"`)
	// What the recording says: cmd/leadsman/page-joe.wav, "three two four, bleeding, four three five, correction four three six, ...".
	p.within(60*time.Second, "the last place is written", `(() => { const t = `+session+`?.view?.teeth; return t && ["DB", "B", "MB"].map((s) => t["17"].sites[s]?.depth).join() === "3,2,4" && t["17"].sites.MB.bleeding && ["DB", "B", "MB"].map((s) => t["16"].sites[s]?.depth).join() === "4,3,6" && ["DB", "B", "MB"].map((s) => t["13"].sites[s]?.depth).join() === "2,1,2"; })()`)
	t.Logf("%.0f s from the click to the last value", time.Since(began).Seconds())
	p.within(30*time.Second, "then the microphone is off again", `document.querySelector("header .listening").dataset.state === "off"`)
	shot(t, p, "first-heard")
}

// The first own exam begins with a name and Enter: who works here is added and sits down, the patient may be named later, and numbers go
// to the first site. With the patient's name it is one field more.
func TestFirstOwnExam(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	for patient, keys := range map[string]string{"Unnamed, ": kb.Enter, "Mara Lindqvist": kb.Tab + "Mara Lindqvist" + kb.Enter} {
		p := open(t, b, runProgram(t, "--engine", "none")+"/")
		p.until("who works here is asked once", `document.querySelector("#ownname") && !document.querySelector("#firstname").checkVisibility()`)
		p.clickText("Begin the exam")
		if path := eval[string](p, `location.pathname`); path != "/" {
			t.Fatalf("begun without a name: %s", path)
		}
		p.click("#ownname")
		p.keys("Ada Quill")
		p.keys(keys)
		p.until("Live", session+`?.online && document.querySelector("ls-sheet td[data-key]")`)
		p.sits("Ada Quill")
		p.keys("3")
		p.depth("17.DB", "3")
		p.until("of whom", fmt.Sprintf(`document.querySelector("header .patient").innerText.startsWith("exam of " + %q)`, patient))
		p.clickText("Patients")
		p.until("one patient, in whose name numbers stand", `document.querySelectorAll("ls-patients tbody tr").length === 1 && !document.querySelector("#ownname")`)
	}
}

// The printed chart says whose it is, when and by whom, and fits one page of either paper.
func TestPrintedChart(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", "fdi", someCalls[1:12]...)
	p := open(t, startBrowser(t), w.url+"/exams/x1/print")
	p.until("it is drawn", `document.querySelectorAll("ls-print .profile").length === 4 && document.querySelector("ls-print td[data-d]")`)
	text := eval[string](p, `document.querySelector("ls-print .sheet").textContent`)
	for _, want := range []string{"Fathom Lane Dental (invented)", "Harriet Sallow", "not signed", "FDI 11–48", "Legend", "Signature", "does not diagnose by itself", "not known at every site"} {
		if !strings.Contains(text, want) {
			t.Errorf("the chart lacks %q", want)
		}
	}
	if _, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
		t.Fatal(err)
	}
	// Paper less its margins of 11 mm, at 96 dots an inch: A4 is 210 by 297 mm (ISO 216), Letter 8.5 by 11 inches (ANSI Y14.1).
	for _, paper := range []struct {
		name          string
		width, height int64
	}{{"a4", 710, 1039}, {"letter", 733, 973}} {
		if err := chromedp.Do(p.ctx, chromedp.EmulateViewport(paper.width, paper.height)); err != nil {
			t.Fatal(err)
		}
		if over := eval[int](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
			t.Errorf("%s: %d px too wide", paper.name, over)
		}
		if high := eval[int](p, `Math.ceil(document.querySelector("ls-print .sheet").getBoundingClientRect().height)`); int64(high) > paper.height {
			t.Errorf("%s: %d px high, the page has %d", paper.name, high, paper.height)
		}
		// Every site is on paper, under the number of its tooth.
		if bad := eval[string](p, `(() => { const cells = [...document.querySelectorAll("ls-print td[data-key]")]; if (cells.length < 150) return "only " + cells.length; return cells.filter((c) => { const th = [...c.closest("table").querySelectorAll("th[scope=colgroup] > span:first-child")].find((x) => x.textContent === c.dataset.key.split(".")[0])?.parentElement.getBoundingClientRect(); const b = c.getBoundingClientRect(); return !th || b.width < 5 || b.left < th.left - 2 || b.right > th.right + 2; }).map((c) => c.dataset.key).join(" "); })()`); bad != "" {
			t.Errorf("%s: not under its tooth, or not there: %s", paper.name, bad)
		}
		shot(t, p, "print-"+paper.name)
	}
}

// The home-care page goes to the printer as one page of text and two of pictures, on either paper: the pages of the file are counted that the
// browser prints. Sizes as above, in inches.
func TestHomeCareFitsItsPaper(t *testing.T) {
	t.Parallel()
	w := walk(t, startBrowser(t))
	page := regexp.MustCompile(`/Type\s*/Page\b`) // ISO 32000-1, 7.7.3.3: each page is an object of this type
	for _, exam := range []string{"open", "signed"} {
		w.at(w.path(exam+" handout"), "light", 1280, 800)
		for name, size := range map[string][2]float64{"a4": {8.27, 11.69}, "letter": {8.5, 11}} {
			r, err := chromedp.Call(w.ctx, cdppage.PrintToPDF, cdppage.PrintToPDFParams{PaperWidth: size[0], PaperHeight: size[1]})
			if err != nil {
				t.Fatal(err)
			}
			if n := len(page.FindAll(r.Data, -1)); n < 2 || n > 3 {
				t.Errorf("%s, %s: %d pages, want 3 at most", exam, name, n)
			}
			if dir := os.Getenv("LEADSMAN_SHOTS"); dir != "" {
				if err := os.WriteFile(filepath.Join(dir, "home-care-"+exam+"-"+name+".pdf"), r.Data, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}
