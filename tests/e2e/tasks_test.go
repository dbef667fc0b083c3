package e2e

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"

	"leadsman/tests/figures"
	"leadsman/tests/program"
)

// user does what a new user would, and counts: a step is a click, a key, or a field filled in.
type user struct {
	*page
	steps int
	began time.Time
	told  *[][]string // a line for each task
}

func (u *user) presses(text string)     { u.steps++; u.clickText(text) }
func (u *user) clicks(css string)       { u.steps++; u.click(css) }
func (u *user) key(k string)            { u.steps++; u.keys(k) }
func (u *user) fills(css, value string) { u.steps++; u.click(css); u.keys(value) }

// corrects presses Alt and a digit, which is one key as Shift and a digit is. Pointing is part of a click and no step of its own.
func (u *user) corrects(digit int) { u.steps++; u.alt(digit) }

func (u *user) start() { u.steps, u.began = 0, time.Now() }

// done tells how a task went; most is how many steps it may take.
func (u *user) done(task string, most int) {
	u.t.Helper()
	took := fmt.Sprintf("%.1f s", time.Since(u.began).Seconds())
	u.t.Logf("%-60s %d steps, %s", task, u.steps, took)
	*u.told = append(*u.told, []string{task, fmt.Sprint(u.steps), took})
	if u.steps > most {
		u.t.Errorf("%s takes %d steps, at most %d", task, u.steps, most)
	}
}

// The tasks of a practice by a scripted new user in Chromium, in steps and seconds; docs/measurements.md has them beside those of the pages
// before they were made anew.
func TestMeasureTasks(t *testing.T) {
	program.Measurement(t, "make accuracy")
	b := startBrowser(t)
	var told [][]string
	u := &user{told: &told, page: open(t, b, runProgram(t)+"/")}
	u.until("the empty start", `document.querySelectorAll("ls-patients .begin button").length === 3`)
	u.start()
	u.presses("Watch and hear an exam")
	u.within(120*time.Second, "a first place is heard and written", `["DB", "B", "MB"].every((s) => `+session+`?.view?.teeth["17"].sites[s]?.depth != null)`)
	u.done("see a first exam heard and charted, from nothing", 1)

	u = &user{told: &told, page: open(t, b, runProgram(t, "--engine", "none")+"/")}
	u.until("the empty start", `document.querySelectorAll("ls-patients .begin button").length === 3`)
	u.start()
	u.fills("#ownname", "Ada Quill")
	u.key(kb.Enter)
	u.until("Live", session+`?.online && document.querySelector("ls-sheet td[data-key]")`)
	u.key("3")
	u.depth("17.DB", "3")
	u.done("first own exam from nothing, to the first value", 3)

	named := &user{told: &told, page: open(t, b, runProgram(t, "--engine", "none")+"/")}
	eval[bool](named.page, `(async () => {
		const send = async (at, body) => (await fetch(at, {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(body)})).json();
		await send("/api/session", {person: (await send("/api/people", {name: "Ada Quill", roles: ["clinician"]})).id});
		return true;
	})()`)
	named.goTo(eval[string](named.page, `location.href`))
	named.until("who sits there is known", `document.querySelector("ls-patients .firstexam") && !document.querySelector("#ownname")`)
	named.start()
	named.presses("Begin the exam")
	named.until("Live", session+`?.online && document.querySelector("ls-sheet td[data-key]")`)
	named.key("3")
	named.depth("17.DB", "3")
	named.done("the same by who already sits there", 2)

	eval[bool](u.page, `[..."24324"].forEach((key) => document.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}))), true`)
	u.depth("16.MB", "4")
	u.start()
	u.point(`td[data-key="17.B"]`)
	u.corrects(5)
	u.depth("17.B", "5")
	u.done("correct a value while calls go on", 1)

	w := walk(t, b)
	u = &user{told: &told, page: w.page}
	u.start()
	w.at("/", "light", 1280, 800)
	u.until("who is due", `document.querySelector("ls-patients .duenow")?.innerText.includes("Oskar Fenn recall overdue by")`)
	u.done("find who is due, on the page that opens", 0)
	u.start()
	u.presses("Harriet Sallow")
	u.presses("Re-evaluation of")
	u.until("then stands beside now", `document.querySelector('ls-sheet td[data-key="17.DB"] .before')?.innerText !== ""`)
	u.done("begin a re-evaluation, the earlier readings beside", 2)

	w.at(fmt.Sprintf("/exams/%s/live", w.ids.Open), "light", 1280, 800)
	u.start()
	u.presses("Exam complete")
	u.until("what is open", `document.querySelector("ls-close .steps")`)
	u.presses("Yes to all 2")
	u.until("it is answered, and a moment has passed", `document.querySelector('ls-close [data-step="called"]').hasAttribute("data-done") && document.querySelector('[data-step="sign"] form button:enabled')`)
	u.clicks(`[data-step="sign"] form button`)
	u.until("signed", session+`.view.signed_by`)
	u.done("close an exam: answer what was not called, sign", 3)
	u.start()
	u.presses("Print the chart")
	u.until("the chart", `document.querySelectorAll("ls-print .profile").length === 4`)
	eval[bool](u.page, `(window.print = () => (window.printed = true), true)`)
	u.presses("Print")
	u.until("it goes to the printer", `window.printed`)
	u.done("print the chart", 2)
	u.start()
	u.presses("Due")
	u.until("who is due", `document.querySelector("ls-due tr.over")?.innerText.includes("Oskar Fenn")`)
	u.done("find who is due, from another page", 1)
	u.start()
	u.presses("Overdue and next six months")
	u.until("who is due in half a year and was not contacted", `document.querySelector("ls-due button[value=half]").ariaPressed === "true" && document.querySelectorAll("ls-due tbody tr").length > 1 && !document.querySelector("#open").checked`)
	u.done("find who is due in a span of days and not contacted", 1)
	figures.Write(t, "measurements.md", "tasks", figures.Table([]string{"task", "steps", "time"}, told)+figures.Conditions())
}
