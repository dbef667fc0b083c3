package e2e

import (
	"net/http"
	"strings"
	"testing"
	"time"
)

// The practice chooses the language of its patients and its numbers to call; the page for the patient is shown in it, the PDF follows the
// choice on the page, and a calendar address is made and withdrawn.
func TestPageInItsLanguage(t *testing.T) {
	t.Parallel()
	base := runProgram(t, "--engine", "none")
	p := open(t, startBrowser(t), base+"/")
	// A busy machine needs longer for hundreds of calls than a request is given else: it was said then that the service does not answer.
	eval[bool](p, `(() => { const real = AbortSignal.timeout.bind(AbortSignal); window.given = []; AbortSignal.timeout = (ms) => (window.given.push(ms), real(ms)); return true; })()`)
	p.clickText("Fill with an invented practice")
	p.within(2*time.Minute, "the patients are listed", `[...document.querySelectorAll("ls-patients tr")].some((r) => r.innerText.includes("Harriet Sallow"))`)
	if given := eval[int](p, `Math.max(...window.given)`); given < 60_000 {
		t.Errorf("filling the practice is given up after %d ms", given)
	}
	exam := eval[string](p, `(async () => {
		const open = await (await fetch("/api/session")).json();
		const ada = open.people.find((x) => x.name === "Ada Quill");
		await fetch("/api/session", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ person: ada.id }) });
		const found = await (await fetch("/fhir/Patient?name=sallow")).json();
		const exams = await (await fetch("/fhir/Encounter?patient=" + found.entry[0].resource.id)).json();
		return exams.entry.at(-1).resource.id;
	})()`)
	p.goTo(base + "/settings")
	p.until("the settings", `document.querySelector("#language option[value=de]")`)
	p.choose("#language", "de")
	eval[bool](p, `(document.querySelector("#phone").value = "555 0134", document.querySelector("#emergency").value = "112", true)`)
	p.clickText("Save")
	p.until("saved", `document.querySelector("ls-settings").innerText.includes("Saved.")`)
	p.click("#feed")
	p.until("an address, once", `document.querySelector("ls-settings code")?.innerText.includes("/api/feed/")`)
	address := eval[string](p, `document.querySelector("ls-settings code").innerText`)
	if r, err := http.Get(address); err != nil || r.StatusCode != http.StatusOK || !strings.HasPrefix(r.Header.Get("Content-Type"), "text/calendar") {
		t.Errorf("the feed: %v %v", r, err)
	}
	p.clickText("Withdraw")
	p.until("withdrawn", `document.querySelector("ls-settings").innerText.includes("no address works")`)
	if r, err := http.Get(address); err != nil || r.StatusCode != http.StatusNotFound {
		t.Errorf("the withdrawn feed: %v %v", r, err)
	}
	p.goTo(base + "/exams/" + exam + "/handout")
	p.until("the picture in German", `document.querySelector(".sheet .mouth svg")?.textContent.includes("Oben")`)
	p.until("the page in German, with the numbers to call", `document.querySelector('.sheet[lang="de"]')?.innerText.includes("Pflege für Zähne und Zahnfleisch") && document.querySelector(".sheet").innerText.includes("555 0134") && document.querySelector(".sheet").innerText.includes("112")`)
	shot(t, p, "handout-de")
	scan(t, p, "handout in German")
	eval[bool](p, `(document.querySelector(".mouth").scrollIntoView(), true)`)
	shot(t, p, "mouth-de")
	p.choose("#tongue", "en")
	p.until("in English with reasons", `document.querySelector('.sheet[lang="en"]')?.innerText.includes("Why: ")`)
	p.choose("#tongue", "fr")
	p.until("in French, and the PDF with it", `document.querySelector('.sheet[lang="fr"]')?.innerText.includes("Prenez soin") && document.querySelector("ls-handout a[download]").href.includes("language=fr")`)
	if kind := eval[string](p, `(async () => (await fetch(document.querySelector("ls-handout a[download]").href)).headers.get("Content-Type"))()`); kind != "application/pdf" {
		t.Errorf("the PDF is %s", kind)
	}
}

// An administrator makes a key, which lets a program in until it is withdrawn, and an address that is told of signed exams.
func TestProgramsOnSettings(t *testing.T) {
	t.Parallel()
	base := runProgram(t, "--engine", "none")
	p := open(t, startBrowser(t), base+"/")
	p.clickText("Fill with an invented practice")
	p.until("the patients are listed", `[...document.querySelectorAll("ls-patients tr")].some((r) => r.innerText.includes("Harriet Sallow"))`)
	eval[bool](p, `(async () => {
		const open = await (await fetch("/api/session")).json();
		const ada = open.people.find((x) => x.name === "Ada Quill");
		await fetch("/api/session", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ person: ada.id }) });
		return true;
	})()`)
	p.goTo(base + "/settings")
	p.until("the programs", `document.querySelector("#program")`)
	eval[bool](p, `(document.querySelectorAll("ls-programs summary").forEach((x) => x.click()), true)`)
	eval[bool](p, `(document.querySelector("#program").value = "records of the practice", document.querySelector("#scope-patients-read").click(), true)`)
	shot(t, p, "programs-form")
	p.clickText("Make the key")
	p.until("a key, once", `document.querySelector("#key")?.innerText.startsWith("leadsman_")`)
	ask := func(key string) int {
		r, err := http.NewRequest("GET", base+"/api/patients", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", "Bearer "+key)
		res, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		return res.StatusCode
	}
	key := eval[string](p, `document.querySelector("#key").innerText`)
	if got := ask(key); got != http.StatusOK {
		t.Errorf("with the key: %d", got)
	}
	eval[bool](p, `(document.querySelector("#hook").value = "http://127.0.0.1:9/in", document.querySelector("#told-exam-signed").click(), true)`)
	p.clickText("Add the address")
	p.until("a secret, once", `document.querySelector("#secret")?.innerText.startsWith("whsec_") && document.querySelector("[data-hook]")`)
	p.clickText("Send a test message")
	p.until("it says where to look", `document.querySelector("ls-programs").innerText.includes("Messages so far")`)
	scan(t, p, "programs")
	shot(t, p, "programs")
	eval[bool](p, `(document.querySelector("[data-program] button").click(), true)`)
	p.until("the key is withdrawn", `document.querySelector("[data-program]").innerText.includes("withdrawn") && !document.querySelector("[data-program] button")`)
	if got := ask(key); got != http.StatusUnauthorized {
		t.Errorf("with the withdrawn key: %d", got)
	}
	p.clickText("Remove the address")
	p.until("the address is gone", `!document.querySelector("[data-hook]")`)
}
