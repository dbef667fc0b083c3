package e2e

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"leadsman/chart"
	"leadsman/exam"
)

// unfold opens a section of the plan.
func (p *page) unfold(name string) {
	p.t.Helper()
	p.until(name+" is there", fmt.Sprintf("document.querySelector('[data-fold=%s]')", name))
	eval[bool](p, fmt.Sprintf("(() => { const d = document.querySelector('[data-fold=%s]'); if (!d.open) d.querySelector('summary').click(); return true; })()", name))
	p.until(name+" is open", fmt.Sprintf("document.querySelector('[data-fold=%s]').open", name))
}

// fetched reads JSON from the service as a script would.
func fetched(t *testing.T, url string, into any) {
	t.Helper()
	res, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != 200 {
		t.Fatalf("%s: %s %s", url, res.Status, b)
	}
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatalf("%s: %v", url, err)
	}
}

// The way of a clinician after a re-evaluation, in the built program with its invented practice: from the
// list of patients to the two exams side by side, to a decision that is stored, to the due list and to
// the printed page for the patient. Each screen on the way is scanned by axe-core in both themes.
func TestClinic(t *testing.T) {
	t.Parallel()
	base := runProgram(t, "--engine", "none")
	p := open(t, startBrowser(t), base+"/")
	scanned := func(where string) {
		t.Helper()
		for _, theme := range []string{"dark", "light"} {
			p.click("header .theme")
			p.until(theme+" colours", fmt.Sprintf(`document.documentElement.dataset.theme === %q`, theme))
			inTheme[theme](t, p, where+", "+theme)
			for _, size := range sizes() {
				if err := chromedp.Do(p.ctx, chromedp.EmulateViewport(size[0], size[1])); err != nil {
					t.Fatal(err)
				}
				if over := eval[int](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
					t.Errorf("%s, %s, %d px: the page is %d px too wide", where, theme, size[0], over)
				}
				shot(t, p, fmt.Sprintf("%s-%s-%d", where, theme, size[0]))
			}
		}
	}
	p.clickText("Fill with an invented practice")
	p.until("the patients are listed, with what is next", `[...document.querySelectorAll("ls-patients tr")].some((r) => r.innerText.includes("Oskar Fenn") && r.innerText.includes("overdue by"))`)
	p.clickText("Due")
	p.until("the due list names who is overdue", `document.querySelector("ls-due tr.over")?.innerText.includes("Oskar Fenn") && document.querySelector("ls-due h1").innerText.includes("1 overdue")`)
	scanned("due")
	p.click("ls-due tr.over button")
	p.until("that he was contacted is kept, with the day", `document.querySelector("ls-due tr.over td:last-child").innerText.includes("20")`)
	p.clickText("Overdue and next six months")
	p.until("he stays in sight, for he was contacted from here", `document.querySelector("ls-due").innerText.includes("Oskar Fenn") && document.querySelector("ls-due button[aria-pressed=true]").value === "half"`)
	p.goTo(eval[string](p, `location.href`))
	p.until("and is not among those who were not contacted", `document.querySelector("ls-due label[for=open]").innerText.includes("(1)") && !document.querySelector("ls-due").innerText.includes("Oskar Fenn")`)
	p.click("#open")
	p.until("but with those who were", `document.querySelector("ls-due").innerText.includes("Oskar Fenn")`)
	p.clickText("Patients")
	p.clickText("Harriet Sallow")
	p.until("her exams are shown", `document.querySelectorAll("ls-patient tbody tr").length === 2`)
	p.clickText("Over time")
	p.until("both exams stand side by side", `document.querySelectorAll("ls-time .card").length === 8 && document.querySelectorAll("ls-time .course svg").length === 2`)
	p.until("what was closed, what is left and the cautions are said", `/closed\s+\d+ of \d+/i.test(document.querySelector("ls-time .card").innerText) && document.querySelector("ls-time").innerText.includes("4 to 8 weeks after therapy") && document.querySelector(".cautions").innerText.includes("Decision support")`)
	if n := eval[int](p, `document.querySelectorAll("ls-time table.pairs tbody tr").length`); n != 26 {
		t.Errorf("%d teeth are compared, want 26: 28 less the two missing ones", n)
	}
	// Tooth 3 (FDI 16) was 6 mm or more at interdental sites before, its label is that of the practice.
	if s := eval[string](p, `[...document.querySelectorAll("table.pairs tbody tr")].find((r) => r.cells[0].innerText === "3").innerText`); !strings.Contains(s, "→") {
		t.Errorf("tooth 3: %q", s)
	}
	p.clickText("Figures")
	p.until("agreement has limits", `document.querySelector("ls-time section[aria-label=Agreement]").innerText.includes("ICC(2,1)") && document.querySelector("ls-time section[aria-label=Agreement]").innerText.includes("may be healing or disease")`)
	improved := eval[int](p, `Number(document.querySelectorAll("ls-time .card .value")[2].innerText)`)
	eval[bool](p, `(() => { const s = document.querySelector("#by"); s.value = "1"; s.dispatchEvent(new Event("change")); return true; })()`)
	p.until("another examiner needs 3 mm", fmt.Sprintf(`document.querySelector("#by").value === "1" && Number(document.querySelectorAll("ls-time .card .value")[2].innerText) < %d && document.querySelector("ls-time").innerText.includes("a change counts from 3 mm on")`, improved))
	scanned("time")

	p.clickText("Findings")
	p.until("the earlier exam is taken as evidence", `document.querySelector("ls-findings")?.innerText.includes("is taken as direct evidence of progression")`)
	// A clinician reads words, never the keys and codes of files (but under Rule and in links).
	if inner := eval[string](p, `(() => { const f = document.querySelector("ls-findings"); f.querySelectorAll("details").forEach((d) => (d.open = true));
		return (f.innerText.match(/\S*([a-z0-9]_[a-z0-9]|(periodontitis|gingiva|risk|score|sites|teeth|extent|endpoint|factors)\.[a-z]|not-met|not-stable|gingivitis-|beyond-chance|undefined|\[object)\S*/g) || []).join(" "); })()`); inner != "" {
		t.Errorf("the findings show the program's own words: %s", inner)
	}

	p.clickText("Plan")
	p.until("a proposal, and that nothing is decided", `document.querySelector("ls-plan")?.innerText.includes("Nothing is decided yet") && document.querySelectorAll("ls-plan .proposed li").length > 5`)
	exam := eval[string](p, session+`.exam`)
	p.clickText("Home-care page")
	p.until("without a decision the page is a draft", `document.querySelector("ls-handout .note")?.innerText.includes("Draft") && document.querySelector("ls-handout .sheet").innerText.includes("Harriet Sallow")`)
	p.clickText("Back to the plan")
	p.until("the plan again", `document.querySelector("ls-plan .proposed li button")`)
	p.unfold("phases")
	p.click("ls-plan .phase .proposed li button")
	p.until("taken, as a line that can be edited", `document.querySelector("ls-plan .phase .decided textarea")?.value.length > 10 && document.activeElement.tagName === "TEXTAREA"`)
	p.keys(" In two sessions.")
	p.click(`[aria-label^="Take: recall every 3 months"]`)
	p.until("months and day are taken over", `document.querySelector("#recall_months").value === "3" && document.querySelector("#recall").value !== ""`)
	eval[bool](p, `(() => { const m = document.querySelector("#recall_months"); m.value = "4"; m.dispatchEvent(new Event("change")); return true; })()`)
	p.until("the day follows the months", `document.querySelector("#recall_months").value === "4"`)
	day := eval[string](p, `document.querySelector("#recall").value`)
	p.unfold("care")
	p.clickText("Take all but those for later")
	p.until("home care is taken over", `document.querySelectorAll('ls-plan [aria-label^="Home care, line"]').length > 5`)
	// Nothing is lost when the page is left before saving.
	p.clickText("Findings")
	p.until("elsewhere", `document.querySelector("ls-findings .card")`)
	p.clickText("Plan")
	p.until("the draft is kept", `document.querySelector("ls-plan")?.innerText.includes("Not saved yet") && document.querySelector("ls-plan .phase .decided textarea").value.endsWith("In two sessions.") && document.querySelector("#recall_months").value === "4"`)
	p.clickText("Add this decision")
	p.until("it is stored with name and time", `document.querySelector("ls-plan").innerText.includes("Decided by Ada Quill") && document.querySelector("ls-plan").innerText.includes("added after signing")`)
	var stored struct {
		Decisions []chart.Decision
	}
	fetched(t, base+"/api/exams/"+exam+"/plan", &stored)
	if len(stored.Decisions) != 1 {
		t.Fatalf("%+v", stored)
	}
	d := stored.Decisions[0]
	if d.Who != "Ada Quill" || d.RecallMonths != 4 || d.Recall != day || !d.Added || len(d.Phases) != 1 || !strings.HasSuffix(d.Phases[0].Items[0], "In two sessions.") || len(d.HomeCare) < 6 {
		t.Errorf("stored: %+v", d)
	}
	scanned("plan")

	p.clickText("Home-care page")
	p.until("the page says who checked it", `document.querySelector("ls-handout .sheet")?.innerText.includes("checked by Ada Quill") && !document.querySelector("ls-handout .note")`)
	text := eval[string](p, `document.querySelector("ls-handout .sheet").innerText`)
	for _, want := range []string{"Fathom Lane Dental (invented)", "Harriet Sallow", "Between the teeth", "every gap", "Why: ", "fluoride", "swelling", "does not diagnose by itself", "Your next regular visit is due"} {
		if !strings.Contains(text, want) {
			t.Errorf("the handout lacks %q:\n%s", want, text)
		}
	}
	for _, never := range []string{"Stage", "stage", "Grade", "grade C", "periodontitis", "undefined", "null", "NaN"} {
		if strings.Contains(text, never) {
			t.Errorf("the handout says %q:\n%s", never, text)
		}
	}
	scanned("handout")
	// On paper: no navigation and no buttons, all of the sheet, black on white whatever the theme.
	p.click("header .theme")
	if _, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
		t.Fatal(err)
	}
	onPaper := eval[string](p, `JSON.stringify([getComputedStyle(document.querySelector(".top")).display, getComputedStyle(document.querySelector(".handout .tools")).display, getComputedStyle(document.querySelector(".handout .sheet")).backgroundColor, getComputedStyle(document.querySelector(".handout .do")).color])`)
	if onPaper != `["none","none","rgb(255, 255, 255)","rgb(0, 0, 0)"]` {
		t.Errorf("on paper: %s", onPaper)
	}
	shot(t, p, "handout-paper")
	if _, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{}); err != nil {
		t.Fatal(err)
	}
	p.goTo(base + "/")
	p.clickText("Due")
	p.clickText("All with a day")
	p.until("she is on the due list now", `document.querySelector("ls-due")?.textContent.includes("Harriet Sallow") && [...document.querySelectorAll("ls-due tr")].some((r) => r.textContent.includes("Harriet Sallow") && r.textContent.includes("every 4 months") && r.textContent.includes("Ada Quill"))`)
}

// Two people decide about one patient: the later one sees the other's decision and nothing is overwritten
// unseen; what was typed is not lost.
func TestTwoPlans(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.begin("x1", chart.FDI, someCalls[1:12]...)
	b := startBrowser(t)
	decide := func(p *page, months string) {
		p.until("the plan", `document.querySelector("#recall_months")`)
		eval[bool](p, fmt.Sprintf(`(() => { const m = document.querySelector("#recall_months"); m.value = %q; m.dispatchEvent(new Event("change")); return true; })()`, months))
	}
	one, two := open(t, b, w.url+"/exams/x1/plan"), open(t, b, w.url+"/exams/x1/plan")
	two.is("Ben Oakley")
	two.goTo(w.url + "/exams/x1/plan")
	decide(two, "6")
	two.until("drafted", `document.querySelector("ls-plan").innerText.includes("Not saved yet")`)
	decide(one, "3")
	one.clickText("Save this decision")
	one.until("decided", `document.querySelector("ls-plan").innerText.includes("Decided by Ada Quill")`)
	two.until("the other one is told", `document.querySelector("ls-plan").innerText.includes("Ada Quill decided at another screen")`)
	two.clickText("Save this decision")
	two.until("refused, and kept", `document.querySelector("ls-plan").innerText.includes("Not saved: the plan was changed at another screen") && document.querySelector("#recall_months").value === "6"`)
	st, err := w.State(t.Context(), "x1")
	if d, ok := st.Plan(); err != nil || !ok || d.RecallMonths != 3 || d.Who != "Ada Quill" {
		t.Errorf("in force: %+v, %v", d, err)
	}
	two.clickText("Drop mine")
	two.until("the newer one is shown", `document.querySelector("#recall_months").value === "3"`)
	decide(two, "6")
	two.clickText("Save this decision")
	two.until("now it counts, the former one stays in the list", `document.querySelector("ls-plan").innerText.includes("Decided by Ben Oakley") && document.querySelector("ls-plan").innerText.includes("Earlier decisions")`)
}

// Every question can be answered on the page, is kept, and can be taken back: about the mouth, single
// teeth and sites, implants, gaps, and the factors that wait for the clinician.
func TestQuestions(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	e := w.begin("x1", chart.Universal, "missing twelve", "tooth thirty buccal", "implant", "six five eight", "bleeding")
	// Depths of 6 mm with 4 mm of lost attachment: stage II by loss, which depth may raise to III
	// (Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 3).
	var acts []chart.Act
	for _, tooth := range []chart.Tooth{16, 26} {
		for field, mm := range map[chart.Field]int{chart.FieldDepth: 6, chart.FieldRecession: -2} {
			n := chart.Millimetres(mm)
			acts = append(acts, chart.Act{Verb: chart.VerbSet, Ref: &chart.SiteRef{Tooth: tooth, Site: chart.DB}, Field: field, Number: &n})
		}
	}
	if _, err := e.Do(t.Context(), chart.Command{Acts: acts}, exam.Caller{Who: "Ada Quill"}, "pockets"); err != nil {
		t.Fatal(err)
	}
	p := open(t, startBrowser(t), w.url+"/exams/x1/findings")
	p.until("they are shown", `document.querySelector("ls-findings .card")`)
	answers := func(want string) {
		t.Helper()
		p.until("stored: "+want, fmt.Sprintf(`fetch("/api/exams/x1/inputs").then((r) => r.json()).then((x) => (window.in = x)) && (() => { const x = window.in; return %s; })()`, want))
	}
	set := func(label, value string) {
		t.Helper()
		p.until(label+" is asked", fmt.Sprintf(`[...document.querySelectorAll("main label, main legend")].some((l) => l.textContent === %q)`, label))
		eval[bool](p, fmt.Sprintf(`(() => { const l = [...document.querySelectorAll("main label")].find((l) => l.textContent === %q); const e = document.getElementById(l.htmlFor); if (e.type === "checkbox") e.checked = %q === "true"; else e.value = %q; e.dispatchEvent(new Event("change")); return true; })()`, label, value, value))
	}
	set("Age", "52")
	set("Smoking", "former")
	set("HbA1c", "6.5")
	set("Margins that were not called", "0")
	set("bleeding", "true")
	set("Conditions of probing", "local anaesthesia")
	set("Active therapy finished on", "2026-10-01")
	p.clickText("Save answers")
	answers(`x.age === 52 && x.smoking_status === "former" && x.hba1c_percent === 6.5 && x.margin_default === 0 && x.by_exception[0] === "bleeding" && x.probing_conditions === "local anaesthesia" && x.therapy_finished === "2026-10-01"`)
	p.until("what was chosen openly is said", `document.querySelector("ls-findings").innerText.includes("Chosen openly for this chart: margins that were not called are taken at the CEJ; bleeding was called wherever it was")`)
	// Taken back, words and lists too.
	set("Smoking", "")
	set("bleeding", "false")
	set("Margins that were not called", "")
	p.clickText("Save answers")
	answers(`x.smoking_status === undefined && x.by_exception === undefined && x.margin_default === undefined && x.age === 52`)

	p.until("the implant is waited for", `[...document.querySelectorAll("ls-findings summary")].some((s) => s.innerText.includes("findings wait for") && s.innerText.includes("30"))`)
	p.clickText("About single teeth")
	p.until("the teeth are offered", `document.querySelector("ls-findings details[data-code=teeth]").open`)
	tooth := func(fdi string) { set("Tooth", fdi) }
	tooth("24")
	set("Why it is missing", "other")
	p.clickText("Save for this tooth")
	answers(`x.teeth?.["24"]?.lost_to === "other"`)
	p.until("it is listed under its label", `[...document.querySelectorAll("details[data-code=teeth] li")].some((l) => l.innerText === "12: lost to: other")`)
	tooth("46")
	set("Bone loss beyond first remodelling", "true")
	p.clickText("Save for this tooth")
	answers(`x.teeth?.["46"]?.implant?.bone_loss === true`)
	tooth("16")
	set("Vertical defect of this tooth", "3.5")
	set("Gingiva bleeds: buccal", "true")
	set("One of its sites", "DB")
	set("CEJ hidden or lost", "true")
	p.clickText("Save for this tooth")
	answers(`x.teeth?.["16"]?.vertical_loss_mm === 3.5 && x.teeth["16"].gingival_bleeding.B === true && x.teeth["16"].sites.DB.cej_unknown === true`)

	p.click(`[aria-label^="Confirm: depth of 6 mm"]`)
	answers(`Object.entries(x.factors || {}).some(([k, v]) => k.startsWith("depth_6") && v === "confirmed")`)
	p.click(`[aria-label^="Take back: depth of 6 mm"]`)
	answers(`!Object.keys(x.factors || {}).some((k) => k.startsWith("depth_6"))`)

	p.clickText("Plan")
	set("Dry mouth", "true")
	p.clickText("Save answers")
	answers(`x.dry_mouth === true`)
	set("Gap", "17-16")
	set("Brush that passes snugly", "0.9")
	p.clickText("Save for this gap")
	answers(`x.gaps?.["17-16"]?.brush_mm === 0.9`)
	p.until("the brush and the dry mouth are advised", `document.querySelector("ls-plan").textContent.includes("With a dry mouth")`)
	p.unfold("asked")
}

// Mouths at the edge on every screen: nothing fails and each says what cannot be said.
func TestUnusualMouthsOnScreen(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	everything := "one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen twenty twenty one twenty two twenty three twenty four twenty five twenty six twenty seven twenty eight twenty nine thirty thirty one thirty two"
	w.begin("none", chart.Universal, "missing "+everything)
	w.begin("one", chart.Universal, "missing "+everything, "tooth three", "present", "three two four")
	w.begin("two", chart.Universal, "missing "+everything, "tooth three", "present", "three two four", "tooth fourteen", "present", "three two four", "bleeding")
	w.begin("implants", chart.Universal, "implant "+everything)
	child := w.begin("child", chart.Universal, "three two four", "bleeding")
	if _, err := child.Do(t.Context(), chart.Command{Acts: []chart.Act{{Verb: chart.VerbPatient, Text: `{"age":9}`}}}, exam.Caller{Who: "Ada Quill"}, "age"); err != nil {
		t.Fatal(err)
	}
	p := open(t, startBrowser(t), w.url+"/")
	for _, c := range []struct{ id, findings string }{
		{"none", "There is no natural tooth"},
		{"one", "no"},
		{"two", ""},
		{"implants", "Implant"},
		{"child", "A patient under 18: this tool proposes no classification"},
	} {
		for screen, want := range map[string]string{"findings": c.findings, "time": "", "plan": "Nothing is decided yet", "handout": "Draft", "live": "", "review": ""} {
			eval[bool](p, fmt.Sprintf(`document.querySelector("ls-app").go("/exams/%s/%s"), true`, c.id, screen))
			p.until("it is on its way", fmt.Sprintf(`document.querySelector("main").firstElementChild.localName === "ls-%s"`, screen))
			p.until(fmt.Sprintf("%s, %s is shown", c.id, screen), fmt.Sprintf(`document.querySelector("main h1, main ls-tape") && !document.querySelector("main").innerText.includes("Working out") && !document.querySelector("main").innerText.includes("This page failed") && document.querySelector("main").textContent.includes(%q)`, want))
			if text := eval[string](p, `document.querySelector("main").innerText`); strings.Contains(text, "undefined") || strings.Contains(text, "NaN") || strings.Contains(text, "[object") {
				t.Errorf("%s, %s:\n%s", c.id, screen, text)
			}
		}
	}
}
