// The home-care page of one patient, to be printed. It carries what the clinician decided; until then
// the proposal, marked as a draft on paper too. It says nothing of stages.
import { h, put } from "../core/dom.js";
import { Part } from "../core/part.js";
import { get } from "../core/server.js";
import { day } from "../core/view.js";
import { planDate } from "../core/dates.js";
import { GROUPS } from "./plan.js";
import "../profile/profile.js";

/** mouth is the service's picture of where each step helps most. */
function mouth(svg) {
  const el = h("figure", { class: "mouth" });
  el.append(document.importNode(new DOMParser().parseFromString(svg, "image/svg+xml").documentElement, true));
  return el;
}

class Handout extends Part {
  async connectedCallback() {
    put(this, h("div", { class: "desk" }, h("h1", {}, "Home care"), h("p", { class: "soft", role: "status" }, "Working out …")));
    try {
      this.#draw(await get(`/api/exams/${encodeURIComponent(this.app.session.exam)}/plan`));
    } catch (e) {
      put(this, h("div", { class: "desk" }, h("h1", {}, "Home care"), h("div", { class: "note", role: "alert" }, e.message)));
    }
  }

  #draw(all) {
    const d = all.decisions.at(-1);
    const decided = !!d?.home_care;
    const items = decided ? d.home_care : all.home_care.items.filter((a) => !a.later);
    const known = new Set(GROUPS.map(([g]) => g));
    const groups = GROUPS.map(([g, title]) => [title, items.filter((a) => (known.has(a.group || "") ? a.group || "" : "") === g)]).filter(([, l]) => l.length);
    const { practice } = this.app.settings;
    const next = [d?.reevaluation ? `We would like to look at your gums again on or about ${planDate(d.reevaluation)}.` : "", d?.recall ? `Your next regular visit is due on or about ${planDate(d.recall)}.` : ""].filter(Boolean);
    const base = `/exams/${encodeURIComponent(this.app.session.exam)}`;
    const sheet = (language) => `/api${base}/export?as=handout&language=${encodeURIComponent(language)}`;
    const pdf = (this.pdf = h("a", { href: sheet(this.app.settings.language), download: "" }, "PDF, large print"));
    const tongue = h("select", { id: "tongue", onchange: (e) => this.#say(e.target.value, sheet) }, Object.entries(this.app.about.languages || {}).sort().map(([tag, name]) => h("option", { value: tag }, name)));
    tongue.value = this.app.settings.language;
    const picture = h("ls-profile");
    picture.words = this.app.settings.site_words;
    picture.exam = this.app.session.exam;
    put(this, h("div", { class: "desk handout" },
      h("div", { class: "row tools" }, h("button", { class: "main", onclick: () => print() }, "Print"),
        h("label", { class: "inline" }, "In ", tongue), pdf, h("a", { href: base + "/plan" }, "Back to the plan")),
      decided ? null : h("p", { class: "note", role: "note" }, h("b", {}, "Draft. "), "Your clinician has not checked this page yet; please wait for the final one."),
      (this.sheet = h("article", { class: "sheet", lang: "en" },
        h("header", {}, h("p", { class: "practice" }, practice || "Your practice"), h("h1", {}, "Caring for your teeth and gums at home"),
          h("p", {}, h("b", {}, all.visit.patient_name), `, from the exam of ${day(all.visit.began)}`, decided ? `; checked by ${d.who} on ${day(d.time)}` : "")),
        groups.length ? groups.map(([title, list]) => h("section", {}, h("h2", {}, title), h("ul", {}, list.map((a) => h("li", {}, h("p", { class: "do" }, a.text), a.where ? h("p", { class: "where" }, a.where, ".") : null, a.why && a.why !== "Always." ? h("p", { class: "why" }, "Why: ", a.why) : null)))))
          : h("p", {}, "There is no advice on this page."),
        h("section", { class: "picture" }, h("h2", {}, "Your gums in a picture"),
          h("p", {}, "Each column is one place beside a tooth where the gum was measured. The longer and darker it is, the deeper the pocket between tooth and gum; up to 3 mm is healthy if it does not bleed. b: it bled."), picture),
        next.length ? h("section", {}, h("h2", {}, "When we see you again"), next.map((t) => h("p", {}, t))) : null,
        h("footer", {}, h("p", {}, "This page was made for you alone, from what was measured in your mouth", decided ? "; your clinician chose what stands on it" : "", ". It does not replace a visit. Call us at once for swelling, fever, pus, a tooth that becomes loose, or bleeding that does not stop."),
          h("p", {}, "Prepared with Leadsman, a tool that supports licensed clinicians; it does not diagnose by itself, and the clinician's judgement and local rules go first."))))));
    picture.show(null);
    this.english = [...this.sheet.children];
    if (tongue.value && tongue.value !== "en") this.#say(tongue.value, sheet);
  }

  /** Shows the page in a language: in English with the reasons, in others as it is printed. */
  async #say(language, sheet) {
    this.pdf.href = sheet(language);
    if (language === "en") {
      this.sheet.lang = "en";
      put(this.sheet, this.english);
      return;
    }
    try {
      const page = await get(sheet(language).replace("as=handout", "as=page"));
      this.sheet.lang = page.language;
      put(this.sheet, h("header", {}, h("p", { class: "practice" }, page.practice), h("h1", {}, page.title), h("p", {}, page.for), page.draft ? h("p", {}, h("b", {}, page.draft)) : null),
        page.sections.map((s) => h("section", {}, h("h2", {}, s.title), h("ul", {}, s.lines.map((l) => h("li", {}, h("p", { class: "do" }, l.n ? h("span", { class: "n" }, `${l.n} `) : null, l.text), l.where.map((w) => h("p", { class: "where" }, w))))), s.picture ? mouth(s.picture) : null)),
        h("footer", {}, h("p", {}, page.foot), h("p", {}, page.grade)));
    } catch (e) {
      put(this.sheet, h("p", { role: "alert" }, e.message));
    }
  }
}

customElements.define("ls-handout", Handout);
