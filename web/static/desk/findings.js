// Findings: first the answer (one sentence, three numbers, what is missing, what to do next), then what the published rules say
// about this chart, each with its reasons, its rule and its source folded under it.
import { h, put, within } from "../core/dom.js";
import { Part } from "../core/part.js";
import { get } from "../core/server.js";
import { day, unprobed } from "../core/view.js";
import * as C from "../core/commands.js";
import { inputsForm, toothForm, answersOf, decisions, carried, FIELDS } from "./inputs.js";
import { nameOf, shown, evidence, missing } from "./wording.js";
import { statement, numbers, figures } from "./summary.js";
import { uncalled, unlooked } from "./close.js";
import { amendedPart } from "../people/amended.js";
import "../profile/profile.js";

const HEADLINE = ["periodontitis.case", "periodontitis.stage", "periodontitis.extent", "periodontitis.grade", "periodontitis.status", "gingiva.status"];
/** @type {[name: string, has: (code: string) => boolean][]} */
const GROUPS = [
  ["Classification", (c) => /^(periodontitis|gingiva|extent|endpoint)\./.test(c)],
  ["Implants", (c) => c.startsWith("implant.")],
  ["Scores", (c) => c.startsWith("score.")],
  ["Depth and attachment", (c) => /^(sites|teeth|depth|attachment_loss|mobility|furcation)\./.test(c)],
  ["Surveillance, recession, risk", (c) => /^(surveillance|recession|risk)\./.test(c)],
  ["The chart itself", () => true],
];

/** known says how much of what a rule needs was recorded. */
function known(f) {
  if (!f.eligible) return "";
  const of = /plaque_(four|six)/.test(f.code) ? "surfaces" : /(pesa|pisa)/.test(f.code) ? "teeth" : "sites";
  return f.recorded < f.eligible ? ` ${f.recorded} of the ${f.eligible} ${of} that it looks at are known.` : ` All ${f.eligible} ${of} that it looks at are known.`;
}

class Findings extends Part {
  /** @type {any} */
  plan = null; // null where it cannot be read
  #mine = false; // an answer was sent from here: its findings are waited for

  connectedCallback() {
    const { session } = this.app;
    this.session = session;
    this.profile = h("ls-profile");
    this.profile.words = this.app.settings.site_words;
    this.profile.exam = session.exam;
    // Values may change while this is read: at another screen, or by voice.
    session.settled(() => this.#load(), this.signal);
    put(this, h("div", { class: "desk" }, h("h1", {}, "Findings"), h("p", { class: "soft", role: "status" }, "Working out …")));
    this.#load();
  }
  async #load() {
    let all;
    const exam = `/api/exams/${encodeURIComponent(this.session.exam)}`;
    try {
      [all, this.plan] = await Promise.all([get(exam + "/findings"), get(exam + "/plan").catch(() => null)]); // without a plan its lines are left out
    } catch (e) {
      put(this, h("div", { class: "desk" }, h("h1", {}, "Findings"), h("div", { class: "note row", role: "alert" }, h("p", { class: "grow" }, e.message), h("button", { onclick: () => this.#load() }, "Try again"))));
      return;
    }
    if (!this.isConnected) return;
    this.#show(all);
  }

  /** #show draws the findings anew, unless somebody is in the middle of an answer: then it offers to. */
  #show(all) {
    const at = document.activeElement;
    if (this.#mine || !this.contains(at) || !/^(INPUT|SELECT|TEXTAREA)$/.test(at.tagName)) {
      this.#mine = false;
      this.#draw(all);
      return;
    }
    put(this.changed, h("span", { class: "grow" }, "The chart changed meanwhile. What you are typing is kept. "), h("button", { onclick: () => this.#draw(all) }, "Show the new findings"));
    this.changed.hidden = false;
  }

  #draw(all) {
    const { view } = this.session;
    const list = all.findings?.findings || [];
    const open = new Set(within(this, "details[open][data-code]").map((d) => d.dataset.code));
    const gaps = list.flatMap((f) => f.missing || []);
    const asked = new Set(gaps.flatMap((m) => m.input.split(",")).filter((n) => FIELDS.some(([x]) => x === n)));
    // What single teeth are asked for: implants, and losses that may have another cause.
    const waits = [...new Set(gaps.filter((m) => m.input.startsWith("implant.") || m.input === "exclude").flatMap((m) => m.teeth || (m.sites || []).map((s) => s.split(".")[0])))];
    const first = Object.keys(view.teeth).find((t) => view.teeth[t].label === waits[0]);
    const head = HEADLINE.map((c) => list.find((f) => f.code === c)).filter(Boolean);
    const left = list.filter((f) => !head.includes(f));
    const groups = GROUPS.map(([name, has]) => {
      const mine = left.filter((f) => has(f.code));
      for (const f of mine) left.splice(left.indexOf(f), 1);
      return [name, mine];
    }).filter(([, l]) => l.length);
    const doubts = all.open_doubts?.length || 0;
    const blank = unprobed(view).length;
    const patient = all.patient || {};
    const locked = !!view.signed_by;
    const told = answersOf(patient.teeth, view);
    const chosen = [patient.margin_default === 0 ? "margins that were not called are taken at the CEJ" : "", patient.by_exception?.length ? `${patient.by_exception.join(", ")} was called wherever it was: probed sites without the call count as no` : ""].filter(Boolean);
    put(this, h("div", { class: "desk findings" },
      h("div", { class: "title" }, h("h1", {}, "Findings"),
        h("p", { class: "soft" }, `Proposed by published rules, version ${all.findings?.rules || "?"}, for ${this.app.visit.patient_name}, exam of ${day(this.app.visit.began)}`)),
      (this.changed = h("p", { class: "note row", role: "status", hidden: true })),
      this.#answerFirst(view, list, gaps),
      amendedPart(view.amendments),
      doubts || blank
        ? h("div", { class: "note" },
          doubts ? h("p", {}, h("b", {}, `${doubts === 1 ? "One entry is" : doubts + " entries are"} in doubt`), ` (${all.open_doubts.map((d) => `${view.teeth[d.tooth]?.label ?? d.tooth} ${d.site}`).join(", ")}) and can change what follows.`) : null,
          blank ? h("p", {}, h("b", {}, `${blank} of ${view.sites} sites have no depth`), ": what follows may be too mild.") : null)
        : null,
      chosen.length ? h("p", { class: "note calm" }, h("b", {}, "Chosen openly for this chart: "), chosen.join("; "), ".") : null,
      all.earlier ? h("p", { class: "note calm" }, `The exam of ${day(all.earlier.began)} is taken as direct evidence of progression. `, h("a", { href: location.pathname.replace(/findings$/, "time") }, "Compare the two exams")) : null,
      h("section", { "aria-label": "Profile" }, this.profile),
      h("section", {}, h("h2", {}, "The classification and why"), h("div", { class: "heads" }, head.map((f) => this.#card(f, open)))),
      h("section", {}, h("h2", {}, "Questions that probing cannot answer"),
        carried(patient, this.#known(), (x) => this.#answer(x), locked),
        decisions(patient, list, view, (x) => this.#answer(x), locked),
        inputsForm(patient, asked, (x) => this.#answer(x), locked),
        h("details", { data: { code: "teeth" }, open: open.has("teeth") }, h("summary", {}, ["About single teeth", waits.length ? `findings wait for ${waits.length === 1 ? "tooth" : "teeth"} ${waits.join(", ")}` : "", told.length ? `${told.length} answered` : ""].filter(Boolean).join("; ")),
          told.length ? h("ul", { class: "because" }, told.map((t) => h("li", {}, t))) : null,
          toothForm(patient.teeth || {}, view, (x) => this.#answer(x, Object.keys(x.teeth)[0]), locked, this.app.settings.site_words, this.tooth || first))),
      groups.map(([name, l]) => h("section", {}, h("h2", {}, name), h("div", { class: "rows" }, l.map((f) => this.#row(f, open))))),
      h("section", { class: "cautions" }, h("h2", {}, "To be kept in mind"), h("ul", {}, (all.findings?.cautions || []).map((c) => h("li", {}, c)))),
    ));
    this.profile.show(view);
  }

  /** The answer first: one statement, three numbers, what is missing, what to do. */
  #answerFirst(view, list, gaps) {
    const find = (code) => list.find((f) => f.code === code);
    const open = uncalled(view).filter((x) => x.at && !unlooked(view, x.name));
    const main = HEADLINE.map(find).filter(Boolean);
    const wanted = [...new Set(main.flatMap((f) => f.missing || []).map((m) => missing({ ...m, couldBe: null })))];
    const base = location.pathname.replace(/findings$/, "");
    const todo = [
      open.length ? [h("a", { href: base + "close" }, "Say whether "), `${open.map((x) => x.name.toLowerCase()).join(", ")} ${open.length === 1 && open[0].field !== "recession" ? "was" : "were"} called only where present`] : null,
      ...(this.plan?.phases || []).filter((p) => p.items?.length).slice(0, 2).map((p) => [h("b", {}, `${p.title}: `), p.items[0].text, p.items.length > 1 ? ` (and ${p.items.length - 1} more)` : ""]),
      this.plan?.recall?.months ? [h("b", {}, "Recall: "), `every ${this.plan.recall.months} months`] : null,
    ].filter(Boolean);
    return h("section", { class: "answer", "aria-label": "In short" },
      h("p", { class: "statement" }, statement(find), main.some((f) => f.provisional) ? h("span", { class: "mark" }, "provisional") : null),
      figures(numbers(find, open.map((x) => x.field))),
      h("div", { class: "pair" },
        h("div", {}, h("h2", {}, wanted.length ? `Missing to be sure: ${wanted.length}` : "Nothing is missing to be sure"),
          wanted.length ? h("ul", { class: "dots" }, wanted.slice(0, 3).map((w) => h("li", {}, w))) : null,
          wanted.length > 3 ? h("details", {}, h("summary", {}, `${wanted.length - 3} more`), h("ul", { class: "dots" }, wanted.slice(3).map((w) => h("li", {}, w)))) : null),
        h("div", {}, h("h2", {}, "To do"), todo.length ? h("ul", { class: "dots" }, todo.map((t) => h("li", {}, t))) : h("p", { class: "soft" }, "Nothing is proposed."),
          h("p", {}, h("a", { class: "button", href: base + "plan" }, "Plan")))));
  }

  /** #known lists what may be taken over: [name, value, where it is from]. */
  #known() {
    const { earlier } = this.app;
    return Object.entries(earlier?.patient || {}).map(([n, v]) => [n, v, day(earlier.visit.began)]);
  }

  #answer(changed, tooth) {
    this.tooth = tooth || this.tooth;
    this.#mine = true;
    this.session.act(C.patient(changed), "answers about the patient");
  }

  #more(f) {
    const because = f.because || [];
    return [
      f.text ? h("p", {}, f.text) : null,
      because.length ? h("div", {}, h("h3", {}, because.length > 24 ? `Because, the first 24 of ${because.length}` : "Because"), h("ul", { class: "because" }, because.slice(0, 24).map((e) => h("li", {}, evidence(e))))) : null,
      f.missing?.length ? h("div", {}, h("h3", {}, "Missing to be sure"), h("ul", { class: "dots" }, f.missing.map((m) => h("li", {}, missing(m, f.value))))) : null,
      f.notes?.length ? h("ul", { class: "dots soft" }, f.notes.map((n) => h("li", {}, n))) : null,
      h("p", { class: "source" }, h("b", {}, `Rule ${f.rule}. `), f.source.replace(/\.?$/, "."), known(f)),
    ];
  }

  #marks(f) {
    return [
      f.provisional ? h("span", { class: "mark" }, "provisional") : null,
      f.missing?.length ? h("span", { class: "mark" }, `${f.missing.length} missing`) : null,
    ];
  }

  #card(f, open) {
    return h("details", { class: "card", data: { code: f.code }, open: open.has(f.code) },
      h("summary", {}, h("span", { class: "name" }, nameOf(f.code)), h("b", { class: "value" }, shown(f)), this.#marks(f)), this.#more(f));
  }

  #row(f, open) {
    const id = f.code + (f.tooth || "");
    return h("details", { data: { code: id }, open: open.has(id) },
      h("summary", {}, h("span", { class: "name" }, nameOf(f.code), f.tooth ? ` ${f.tooth}` : ""), h("b", {}, shown(f)), this.#marks(f)),
      h("div", { class: "inside" }, this.#more(f)));
  }
}

customElements.define("ls-findings", Findings);
