package e2e

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"

	"leadsman/chart"
	"leadsman/practice"
)

// An administrator hands out one patient's record, makes an exam void, moves another, merges two records, looks into the journal and
// erases, all on pages; a viewer is offered nothing of it.
func TestRecordAndJournal(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	w := newStaff(t)
	ada := w.person("Ada Quill")
	harriet, jonas := w.patient("Harriet Sallow"), w.patient("Jonas Merrow")
	for _, id := range []string{"x1", "x2", "x3"} {
		w.begin(harriet.ID, id, ada)
	}
	e, err := w.p.Open(ctx, "x1")
	if err == nil {
		_, err = e.Do(ctx, chart.Command{Acts: []chart.Act{{Verb: chart.VerbSign}}}, ada.Caller(), "sign")
	}
	if err != nil {
		t.Fatal(err)
	}
	b := startBrowser(t)
	p := open(t, b, w.url+"/patients/"+harriet.ID)
	p.signIn("Max Ledger")
	p.clickText("The whole record")
	p.until("the record is shown", `document.querySelectorAll("ls-record [data-exam]").length === 3`)
	if kind := eval[string](p, `(async () => { const r = await fetch(document.querySelector("#dossier").href); const b = new Uint8Array(await r.arrayBuffer()); return r.headers.get("Content-Type") + " " + b[0] + " " + b[1] + " " + (b.length > 2000); })()`); kind != "application/zip 80 75 true" {
		t.Errorf("the export is %s", kind)
	}
	fill := func(values ...string) {
		t.Helper()
		for i := 0; i < len(values); i += 2 {
			eval[bool](p, fmt.Sprintf(`(() => { const el = document.querySelector(%q); el.value = %q; el.dispatchEvent(new Event("input", {bubbles: true})); return true; })()`, values[i], values[i+1]))
		}
	}
	opened := func(id string) {
		t.Helper()
		eval[bool](p, fmt.Sprintf(`(document.querySelector('[data-exam=%q] details').open = true)`, id))
	}
	unfolded := func() {
		t.Helper()
		eval[bool](p, `(document.querySelectorAll("ls-record details").forEach((d) => (d.open = true)), true)`)
	}
	in := func(id, button string) string {
		return fmt.Sprintf(`(() => { [...document.querySelectorAll('[data-exam=%q] button')].find((b) => b.textContent === %q).click(); return true; })()`, id, button)
	}
	opened("x2")
	eval[bool](p, in("x2", "Make void")) // without a reason the browser refuses
	fill("#void-x2", "the wrong chair")
	eval[bool](p, in("x2", "Make void"))
	p.until("it is void", `/, void/.test(document.querySelector('[data-exam="x2"]').innerText)`)
	opened("x3")
	fill("#to-x3-search", "Merrow", "#move-x3", "begun in the wrong record")
	p.until("the right patient is found", fmt.Sprintf(`document.querySelector("#to-x3").value === %q`, jonas.ID))
	shots4(t, p, "record")
	eval[bool](p, in("x3", "Move it there"))
	p.until("the exam has gone", `document.querySelectorAll("ls-record [data-exam]").length === 2`)
	if x, err := w.store.Exam(ctx, "x3"); err != nil || x.Patient != jonas.ID {
		t.Errorf("moved to %q, %v", x.Patient, err)
	}
	p.goTo(w.url + "/patients/" + jonas.ID + "/record")
	p.until("the exam is here", `document.querySelector('ls-record [data-exam="x3"]')`)
	unfolded()
	fill("#mergeinto-search", "Sallow", "#mergereason", "one person, two records")
	p.until("the other record is found", fmt.Sprintf(`document.querySelector("#mergeinto").value === %q`, harriet.ID))
	p.clickText("Merge")
	p.until("all exams are together", `document.querySelector("h1").innerText.includes("Harriet") && document.querySelectorAll("ls-record [data-exam]").length === 3`)

	p.clickText("Journal of this patient")
	p.until("who did what", `(() => { const t = document.querySelector("ls-journal tbody")?.innerText || ""; return t.includes("Ada Quill") && t.includes("Max Ledger") && t.includes("exported all of the record") && t.includes("signed an exam"); })()`)
	shots4(t, p, "journal")
	p.clickText("journal of all")
	p.until("everybody's", `location.pathname === "/journal" && document.querySelector("#jwho option:nth-child(3)")`)
	p.choose("#jwhat", "patient")
	fill("#jtext", "one person, two")
	p.clickText("Search")
	p.until("the merger with its reason", `document.querySelectorAll("ls-journal tbody tr").length === 1 && /Jonas Merrow/.test(document.querySelector("ls-journal tbody").innerText)`)
	if text := eval[string](p, `(async () => (await fetch(document.querySelector("#jfile").href)).text())()`); len(text) < 100 || text[:7] != "n,time," {
		t.Errorf("the table: %q", text)
	}

	p.goTo(w.url + "/patients/" + harriet.ID + "/record")
	p.until("the rule is said", `/kept for 10 years after the last signed exam.*this one until/.test(document.querySelector("#keeping")?.textContent)`)
	unfolded()
	fill("#erasereason", "asked for in writing", "#erasename", "Harriet")
	p.clickText("Erase for good")
	if gone := eval[bool](p, `document.querySelector("#erasename").validationMessage === ""`); gone {
		t.Error("half a name is enough to erase")
	}
	fill("#erasename", "Harriet Sallow")
	p.clickText("Erase for good")
	p.until("it is to be kept", `/still to be kept until/.test(document.querySelector("ls-record .fault:last-of-type, ls-record form > .fault").innerText) || [...document.querySelectorAll("ls-record .fault")].some((f) => /still to be kept until/.test(f.innerText))`)
	p.click("#erasedespite")
	p.clickText("Erase for good")
	p.until("all of it is gone", `/3 exams, \d+ entries/.test(document.querySelector("ls-record [role=status]")?.innerText)`)
	if _, err := w.p.Patient(ctx, harriet.ID); err == nil {
		t.Error("the patient is still there")
	}
	es, err := w.p.Journal(ctx, practice.JournalQuery{What: "patient.erased"})
	if err != nil || len(es) != 2 || es[0].Who != w.person("Max Ledger").ID || es[0].Detail == "" {
		t.Errorf("%+v, %v", es, err)
	}
	p.goTo(w.url + "/journal")
	p.until("erased ones have no name", `/erased \(/.test(document.querySelector("ls-journal tbody")?.innerText) && !document.querySelector("ls-journal tbody").innerText.includes("Harriet")`)

	v := open(t, b, w.url+"/journal")
	v.signIn("Vic Sound")
	v.until("a viewer is told", `/for administrators/.test(document.querySelector("ls-journal")?.innerText)`)
	other := w.patient("Odo Reef")
	v.goTo(w.url + "/patients/" + other.ID + "/record")
	v.until("and offered nothing", `document.querySelector("ls-record h1") && !document.querySelector("ls-record button, ls-record form, #dossier")`)
}

// shots4 has axe-core look at a page in both themes and two widths; nothing is wider than the screen.
func shots4(t *testing.T, p *page, name string) {
	t.Helper()
	for _, theme := range []string{"light", "dark"} {
		eval[bool](p, fmt.Sprintf(`(document.documentElement.dataset.theme = %q, true)`, theme))
		for _, size := range sizes() {
			if err := chromedp.Do(p.ctx, chromedp.EmulateViewport(size[0], size[1])); err != nil {
				t.Fatal(err)
			}
			if over := eval[int](p, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
				t.Errorf("%s, %s, %d px: the page is %d px too wide", name, theme, size[0], over)
			}
			shot(t, p, fmt.Sprintf("%s-%s-%d", name, theme, size[0]))
		}
		inTheme[theme](t, p, name+", "+theme)
	}
	eval[bool](p, `(document.documentElement.dataset.theme = "light", true)`)
}
