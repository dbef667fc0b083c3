package e2e

import (
	"fmt"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/exam"
)

// At a re-evaluation the earlier reading stands beside the new one, and a change is marked from 2 mm on (within 1 mm is error:
// Andrade et al. 2012, doi:10.1590/S1806-83242012000100010; as diagnosis.ChangeClass has it). What was answered then is offered.
func TestThenAndNow(t *testing.T) {
	t.Parallel()
	w := newWorld(t, nil)
	w.patients[0].Born = "1969-04-17"
	then := w.begin("x0", chart.FDI, "seven three four")
	if _, err := then.Do(t.Context(), chart.Command{Acts: []chart.Act{{Verb: chart.VerbPatient, Text: `{"diabetes":true,"hba1c_percent":7.2,"margin_default":0}`}}}, exam.Caller{Who: "Ada Quill"}, "a"); err != nil {
		t.Fatal(err)
	}
	earlier, _, err := then.Chart(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	w.earlier = earlier
	w.begin("x1", chart.FDI, "four three six")
	p := w.live(startBrowser(t), "Ada Quill", w.url)
	cell := func(k, class string) string {
		return fmt.Sprintf(`document.querySelector('ls-sheet td[data-key="%s"] .%s').textContent`, k, class)
	}
	p.until("7 then, 4 now is shallower", cell("17.DB", "before")+` === "7▴"`)
	p.until("3 then, 3 now is the same", cell("17.B", "before")+` === "3"`)
	p.until("4 then, 6 now is deeper", cell("17.MB", "before")+` === "4▾"`)
	p.until("the tape says it too", `document.querySelector('ls-tape .cell[data-key="17.MB"] .before').textContent === "was 4 +2"`)
	p.until("it is said aloud", `document.querySelector('ls-sheet td[data-key="17.DB"] .aloud').textContent.includes("before 7, −3 is more than error")`)
	p.clickText("Profile")
	p.until("the profile has both", `document.querySelector('[data-row="upper-buccal"] .was') && [...document.querySelectorAll('[data-row="upper-buccal"] .worse')].map((x) => x.textContent).join() === "+2"`)
	shot(t, p, "then-profile")
	p.clickText("Table")
	shot(t, p, "then-table")
	p.click("#then")
	p.until("without the earlier exam nothing of it is left", cell("17.DB", "before")+` === ""`)
	p.click("#then")
	p.clickText("Findings")
	p.until("what was answered then is offered", `document.querySelector(".carried")?.innerText.includes("Diabetes: yes")`)
	if said := eval[string](p, `document.querySelector(".carried").innerText`); strings.Contains(said, "margin") {
		t.Errorf("what belongs to the day of the exam is offered: %s", said)
	}
	shot(t, p, "then-findings")
	p.clickText("All 2 still hold")
	p.until("it is answered", `fetch("/api/exams/x1/inputs").then((r) => r.json()).then((x) => x.diabetes === true && x.hba1c_percent === 7.2)`)
	p.until("and offered no more", `!document.querySelector(".carried")`)
}
