package e2e

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// lowers is a path of an invented practice's own: two lower molars.
func lowers(t *testing.T) chart.Path {
	t.Helper()
	p, err := chart.ParsePath("lowers", "buccal 36-37, lingual 37-36", chart.FDI)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// choose takes an option of a select with the pointer.
func (p *page) choose(css, value string) {
	p.t.Helper()
	p.until(value+" is offered", fmt.Sprintf(`[...document.querySelector(%q).options].some((o) => o.value === %q)`, css, value))
	eval[bool](p, fmt.Sprintf(`(() => { const s = document.querySelector(%q); s.focus(); s.dispatchEvent(new PointerEvent("pointerdown", {bubbles: true})); s.value = %q; s.dispatchEvent(new Event("change", {bubbles: true})); return true; })()`, css, value))
}

// call types a call in words.
func (p *page) call(words string) {
	p.t.Helper()
	p.click("#words")
	p.keys(words)
	p.keys(kb.Enter)
	p.keys(kb.Escape)
}

// stands waits until the line marks a site as the next one, "" at the end of the path, and both choices show what they should.
func (p *page) stands(next, path, pass string) {
	p.t.Helper()
	p.until(fmt.Sprintf("it stands at %q on %q with %q", next, path, pass), fmt.Sprintf(`%s.pending.length === 0 && (document.querySelector("ls-tape .cell[data-next]")?.dataset.key ?? "") === %q &&
		document.querySelector("#path").selectedOptions[0].innerText === %q && document.querySelector("#pass").selectedOptions[0].innerText === %q`, session, next, path, pass))
}

// line is the sites that the line shows, in its order.
func (p *page) line(n int) string {
	p.t.Helper()
	return eval[string](p, fmt.Sprintf(`[...document.querySelectorAll("ls-tape .cell")].slice(0, %d).map((c) => c.dataset.key).join(" ")`, n))
}

// did lists what the calls of the log did, in words, without the exam's start.
func (w *world) did() string {
	w.t.Helper()
	v, err := w.exams["x1"].View(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	var out []string
	for _, c := range v.Calls[1:] {
		text := c.Text
		if c.Undone {
			text = "(" + text + ")"
		}
		out = append(out, text)
	}
	return strings.Join(out, " | ")
}

const arch, byTooth = "by arch: upper buccal, upper lingual, lower buccal, lower lingual", "tooth by tooth, both aspects"

// The path is changed in the middle: with the keyboard, with the pointer, in words. The line shows the new one, the exam goes
// on where it stands if the path comes there, and what is left out comes at its end. Orders are worked out by hand.
func TestPathOnLive(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil, lowers(t))
	w.begin("x1", chart.FDI)
	p := w.live(startBrowser(t), "Ann", w.url)
	p.keys("324")
	p.stands("16.DB", arch, "depths")
	if s := text(p, ".then"); s != "then 15 buccal" {
		t.Error(s)
	}
	eval[bool](p, `document.querySelector("#path").focus(), true`)
	p.keys("t")
	p.stands("16.DB", byTooth, "depths")
	p.until("the next place is that of the new path", `document.querySelector(".then").textContent.trim() === "then 16 lingual"`)
	if s, l := text(p, ".then"), p.line(12); s != "then 16 lingual" || l != "17.DB 17.B 17.MB 17.DL 17.L 17.ML 16.DB 16.B 16.MB 16.DL 16.L 16.ML" {
		t.Errorf("%s; the line begins %s", s, l)
	}
	p.keys(kb.Escape) // the keys are the chart's again
	p.keys("333")
	p.stands("16.DL", byTooth, "depths")

	// A path of the practice's own, which does not come here: it is taken up at its first site. The exam starts in its middle.
	p.choose("#path", "lowers")
	p.stands("36.MB", "lowers", "depths")
	if s, l := text(p, "ls-live .facts"), p.line(99); !strings.Contains(s, "0 of 12 sites") || l != "36.MB 36.B 36.DB 37.MB 37.B 37.DB 37.DL 37.L 37.ML 36.DL 36.L 36.ML" {
		t.Errorf("%s; the line %s", s, l)
	}
	p.call("tooth 37 buccal")
	p.stands("37.MB", "lowers", "depths")
	p.keys("444555")
	p.keys("666")
	p.stands("36.MB", "lowers", "depths")
	p.until("it says that this was left out", `document.querySelector(".then").innerText === "left out, 3 open; last place of the path"`)
	p.keys("22")
	p.call("skip")
	p.stands("", "lowers", "depths")
	if s := text(p, ".here"); !strings.Contains(s, "End") || !strings.Contains(s, "1 without a depth: next goes there") {
		t.Errorf("at the end: %s", s)
	}
	p.call("next")
	p.stands("36.DB", "lowers", "depths")
	p.keys("2")
	p.until("the end", `document.querySelector(".here").innerText.includes("every site has a depth")`)

	// From the end of one path, another is taken up where it lacks something; taken back, the former one stands there again.
	p.choose("#path", "arch")
	p.stands("15.DB", arch, "depths")
	p.keys("u")
	p.stands("", "lowers", "depths")
	p.call("path quadrant")
	p.stands("15.DB", "quadrant by quadrant, buccal then lingual", "depths")

	// There is no exam before: its pockets are not offered, and refused in words. The choice stays at what is in force.
	if eval[bool](p, `[...document.querySelector("#path").options].some((o) => o.value === "pockets")`) {
		t.Error("pockets are offered")
	}
	p.call("path pockets")
	p.until("it is refused with the reason", `document.querySelector(".unsent").innerText.includes("there is no earlier exam whose pockets could be walked")`)
	eval[bool](p, `document.querySelector("#path").append(new Option("nowhere", "nowhere")), true`)
	p.choose("#path", "nowhere")
	p.until("so is a path that is gone", `document.querySelector(".unsent").innerText.includes('path "nowhere": use one of arch, tooth, quadrant, sweep, sextant, lowers')`)
	p.stands("15.DB", "quadrant by quadrant, buccal then lingual", "depths")

	p.clickText("Calls")
	p.until("the list of calls tells it", `document.querySelector("ol.calls").innerText.includes("path lowers; to 36 buccal")`)
	want := "17 buccal: 3 | 17 buccal: 2 | 17 buccal: 4 | path tooth | 16 buccal: 3 | 16 buccal: 3 | 16 buccal: 3 | path lowers; to 36 buccal | to 37 buccal | " +
		"37 buccal: 4 | 37 buccal: 4 | 37 buccal: 4 | 37 lingual: 5 | 37 lingual: 5 | 37 lingual: 5 | 36 lingual: 6 | 36 lingual: 6 | 36 lingual: 6 | " +
		"36 buccal: 2 | 36 buccal: 2 | to 36 buccal | to 36 buccal | 36 buccal: 2 | (path arch; to 15 buccal) | took back: path arch; to 15 buccal | path quadrant; to 15 buccal"
	got, _, _ := strings.Cut(w.did(), " | there is no earlier")
	if got != want {
		t.Errorf("the log tells\n%s\nwant\n%s", got, want)
	}
}

// A re-evaluation of the pockets alone: the line has no other site.
func TestPocketsOnLive(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.earlier = &chart.NewState().Chart
	for ref, mm := range map[chart.SiteRef]int{{Tooth: 16, Site: chart.MB}: 5, {Tooth: 16, Site: chart.B}: 3, {Tooth: 26, Site: chart.DL}: 7} {
		w.earlier.Site(ref).Depth = chart.Millimetres(mm)
	}
	w.begin("x1", chart.FDI)
	p := w.live(startBrowser(t), "Ann", w.url)
	p.keys("3")
	p.choose("#path", "pockets")
	p.stands("16.MB", "only pockets: sites of 4 mm and more at the earlier exam", "depths")
	if l := p.line(99); l != "16.MB 26.DL" {
		t.Error(l)
	}
	p.keys("45")
	p.until("both are recorded", `document.querySelector(".here").innerText.includes("every site has a depth") && document.querySelector("ls-live .facts").innerText.includes("2 of 2 sites")`)
	if d := w.did(); d != "17 buccal: 3 | path pockets; to 16 buccal | 16 buccal: 4 | 26 lingual: 5" {
		t.Error(d)
	}
}

// Depths and margins in one pass or in two. In a pass of margins numbers stand where margins do, at the line and in the table,
// tentative ones too; the end of the path tells of margins.
func TestPassOnLive(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil, lowers(t))
	w.begin("x1", chart.FDI)
	p := w.live(startBrowser(t), "Ann", w.url)
	p.choose("#path", "lowers")
	p.stands("36.MB", "lowers", "depths")
	// shows is what the line and the table show at a site as entered: depth and margin.
	shows := func(key, line, table string) {
		t.Helper()
		p.until(key+" shows "+line, fmt.Sprintf(`(() => {
			const both = (e) => e.matches("[data-tentative], [data-tentative-margin]") ? "" : e.querySelector(".num").innerText + "/" + e.querySelector(".margin").innerText;
			return both(document.querySelector('ls-tape .cell[data-key="%[1]s"]')) === %[2]q && both(document.querySelector('ls-sheet td[data-key="%[1]s"]')) === %[3]q;
		})()`, key, line, table))
	}
	p.keys("324")
	p.stands("37.MB", "lowers", "depths")
	p.call("margin one two minus one")
	shows("36.DB", "4/−1", "4/−1")
	shows("36.B", "2/r2", "2/2")

	eval[bool](p, `document.querySelector("#pass").focus(), true`)
	p.keys("m")
	p.stands("37.MB", "lowers", "margins")
	if s := text(p, "ls-live .facts"); !strings.Contains(s, "3 of 12 sites") {
		t.Error(s)
	}
	p.keys(kb.Escape)
	p.keys("0")
	p.keys("1")
	shows("37.MB", "·/r0", "·/0")
	p.stands("37.DB", "lowers", "margins")

	// Back to depths in the middle of it: what was a margin stays one.
	p.choose("#pass", "depth")
	p.stands("37.MB", "lowers", "depths")
	p.keys("5")
	shows("37.MB", "5/r0", "5/0")
	p.until("the attachment loss is worked out", session+`.view.teeth["37"].sites.MB.attachment_loss === 5`)

	// The second pass again, to its end: one margin is left out, and comes there.
	p.choose("#pass", "recession")
	p.stands("37.DB", "lowers", "margins") // where it was left
	p.call("skip")
	p.stands("37.DL", "lowers", "margins")
	p.keys("111222")
	p.stands("37.DB", "lowers", "margins")
	p.until("it says what lacks", `document.querySelector(".then").innerText === "left out, 1 open; last place of the path"`)
	p.call("minus one")
	p.until("the end", `document.querySelector(".here").innerText.includes("every site has a margin") && document.querySelector("ls-live .facts").innerText.includes("12 of 12 sites")`)
	shows("37.DB", "·/−1", "·/−1")

	// A number typed at a site that was picked is a margin, too.
	p.keys(kb.ArrowRight)
	p.until("the last one is picked", `document.querySelector('td[aria-selected="true"]')?.dataset.key === "37.DB"`)
	p.keys("3")
	shows("37.DB", "·/r3", "·/3")

	st, err := w.State(t.Context(), "x1")
	if err != nil {
		t.Fatal(err)
	}
	got := ""
	for r := range st.Walked() {
		rec := st.Chart.Site(r)
		depth, margin := "-", "-"
		if rec.Depth.Known() {
			depth = rec.Depth.String()
		}
		if rec.Recession.Known() {
			margin = rec.Recession.String()
		}
		got += depth + "/" + margin + " "
	}
	if want := "3/1 2/2 4/-1 5/0 -/1 -/3 -/1 -/1 -/1 -/2 -/2 -/2 "; got != want {
		t.Errorf("the chart has %s, want %s", got, want)
	}
}

// By voice: the path and the pass change on the page as they are called, the practice's own path by its name, and what is
// heard in a pass of margins stands there as a margin before it is entered.
func TestPathByVoiceOnLive(t *testing.T) {
	t.Parallel()
	clear := speech.Signal{LevelDB: -20, NoiseDB: -60}
	var script []scripted.Utterance
	for i, text := range []string{"three two four", "path tooth", "four four four", "path lowers", "two two", "margin pass", "one two minus one", "depth pass", "five"} {
		at := int64(800 + 1800*i)
		script = append(script, scripted.Utterance{StartMS: at, EndMS: at + 900, Text: text, Signal: clear})
	}
	script[6].EndMS += 800 // slow enough to be seen while it is spoken
	w := newWorld(t, scripted.New(script...), lowers(t))
	terms, err := grammar.NewTerms(nil, []string{"lowers"})
	if err != nil {
		t.Fatal(err)
	}
	w.terms = terms
	w.begin("x1", chart.FDI)
	wav, _ := recording(t, "page-joe")
	p := w.live(withMic(t, wav), "Ann", w.url)
	p.clickText("Microphone on")
	p.stands("16.DB", byTooth, "depths")
	p.stands("16.DL", byTooth, "depths")
	p.stands("36.MB", "lowers", "depths")
	p.stands("36.DB", "lowers", "depths")
	p.stands("36.MB", "lowers", "margins")
	p.until("a margin is tentative", `document.querySelector('ls-tape .cell[data-tentative-margin] .margin')?.innerText === "r1"`)
	p.stands("37.MB", "lowers", "margins")
	p.stands("36.DB", "lowers", "depths")
	p.stands("37.MB", "lowers", "depths")
	p.until("the last call stands there", `document.querySelector(".lasts").innerText.includes("36 buccal: 5")`)
	if d, want := w.did(), "17 buccal: 3 2 4 | path tooth | 16 buccal: 4 4 4 | path lowers; to 36 buccal | 36 buccal: 2 2 | numbers are margins; to 36 buccal | "+
		"36 buccal: recession 1 2 -1 | numbers are depths; to 36 buccal | 36 buccal: 5"; d != want {
		t.Errorf("the log tells\n%s\nwant\n%s", d, want)
	}
}

// A practice file and the built program: an exam begins on the practice's own path, takes its own words, and goes on on that
// path when the file is gone.
func TestPracticeFileOnLive(t *testing.T) {
	t.Parallel()
	data, file := t.TempDir(), filepath.Join(t.TempDir(), "ours.txt")
	if err := os.WriteFile(file, []byte("numbering universal\nsynonym spots = bleeding\nsound spots = S P AA T S\npath lowers: buccal 18-19, lingual 19-18\nsound lowers = L OW ER Z\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	b := startBrowser(t)
	base, stop := startProgram(t, "--engine", "none", "--data", data, "--practice", file)
	p := open(t, b, base+"/")
	p.clickText("Fill with an invented practice")
	p.clickText("Harriet Sallow")
	p.until("her exams are shown", `document.querySelectorAll("ls-patient tbody tr").length === 2`)
	p.choose("#newpath", "lowers")
	p.clickText("New exam")
	p.until("Live of the new exam", session+`?.online && document.querySelector("ls-tape .cell")`)
	p.stands("37.DB", "lowers", "depths")
	p.keys("345")
	p.stands("36.DB", "lowers", "depths")
	p.call("spots")
	p.until("the practice's own word is understood", session+`.view.teeth["37"].sites.MB.bleeding === true && document.querySelector('ls-tape .cell[data-key="37.MB"] .flags').innerText === "b"`)
	path := eval[string](p, `location.pathname`)
	stop()

	base, _ = startProgram(t, "--engine", "none", "--data", data)
	p = open(t, b, base+path)
	p.until("the exam goes on", session+`?.online && document.querySelector("ls-tape .cell")`)
	p.click(".first button") // another browser: nobody sits there yet
	p.sits("Ada Quill")
	p.stands("36.DB", "lowers", "depths")
	p.keys("2")
	p.stands("36.B", "lowers", "depths")
	if l := p.line(99); l != "37.DB 37.B 37.MB 36.DB 36.B 36.MB 36.ML 36.L 36.DL 37.ML 37.L 37.DL" {
		t.Error(l)
	}
	p.choose("#path", "arch")
	p.stands("36.B", arch, "depths")
	p.keys("u")
	p.stands("36.B", "lowers", "depths")
}
