// Findings: what the published rules say about this chart, each with its reasons, its rule, its
// source and what is missing to be sure.
import { h, put } from "../core/dom.js";
import { get } from "../core/server.js";
import { day } from "../core/view.js";
import * as C from "../core/commands.js";
import { inputsForm, FIELDS } from "./inputs.js";

const NAMES = {
  "periodontitis.case": "Periodontitis",
  "periodontitis.stage": "Stage",
  "periodontitis.stage_by_severity": "Stage by severity alone",
  "periodontitis.extent": "Extent",
  "extent.stage_level_percent": "Teeth at the level of the stage",
  "extent.any_involved_percent": "Teeth with any detectable loss",
  "periodontitis.grade": "Grade",
  "periodontitis.status": "State after treatment",
  "gingiva.status": "Gingiva",
  "gingiva.periodontium": "Periodontium",
  "endpoint.reached": "End point of therapy",
  "implant.status": "Implant",
  "surveillance.cdc_aap_2012": "Surveillance class (CDC/AAP 2012)",
  "recession.type": "Recession type",
  "risk.progression": "Risk of progression",
  "risk.bleeding": "Risk: bleeding",
  "risk.pockets": "Risk: residual pockets",
  "risk.teeth_lost": "Risk: teeth lost",
  "risk.bone_loss_age": "Risk: bone loss for age",
  "risk.systemic": "Risk: systemic",
  "risk.smoking": "Risk: smoking",
  "score.bleeding_percent": "Bleeding on probing",
  "score.plaque_percent": "Plaque",
  "score.plaque_four_percent": "Plaque record, four surfaces",
  "score.plaque_six_percent": "Plaque record, six surfaces",
  "score.gingival_bleeding_percent": "Gingival bleeding index",
  "score.pesa_mm2": "Pocket surface",
  "score.pisa_mm2": "Inflamed pocket surface",
  "score.pesa_b_mm2": "Pocket surface, from depths alone",
  "score.pisa_b_mm2": "Inflamed surface, from depths alone",
  "depth.mean": "Mean depth",
  "attachment_loss.mean": "Mean attachment loss",
  "sites.suppuration": "Sites with pus",
  "mobility.max": "Greatest mobility",
  "furcation.max": "Greatest furcation grade",
  "chart.completeness": "Sites probed",
  "chart.doubts": "Doubts left open",
};

const UNITS = [[/percent$/, " %"], [/^chart\.completeness$/, " %"], [/mm2$/, " mm²"], [/\.mean$/, " mm"]];

function nameOf(code) {
  if (NAMES[code]) return NAMES[code];
  let m = code.match(/^(sites|teeth)\.ge(\d)(_percent)?$/);
  if (m) return `${m[1] === "sites" ? "Sites" : "Teeth with sites"} of ${m[2]} mm or more${m[3] ? ", share" : ""}`;
  m = code.match(/^attachment_loss\.ge(\d)(_percent|_teeth)?$/);
  if (m) return `${m[2] === "_teeth" ? "Teeth" : "Sites"} with attachment loss of ${m[1]} mm or more${m[2] === "_percent" ? ", share" : ""}`;
  return code.replace(/[._]/g, " ");
}

function shown(f) {
  if (f.value == null) return "not recorded";
  const v = f.shown ?? String(f.value).replace(/-/g, " ");
  return (f.atLeast ? "at least " : "") + v + (UNITS.find(([re]) => re.test(f.code))?.[1] || "");
}

const HEADLINE = ["periodontitis.case", "periodontitis.stage", "periodontitis.extent", "periodontitis.grade", "periodontitis.status", "gingiva.status"];
const GROUPS = [
  ["Classification", (c) => /^(periodontitis|gingiva|extent|endpoint)\./.test(c)],
  ["Implants", (c) => c.startsWith("implant.")],
  ["Scores", (c) => c.startsWith("score.")],
  ["Depth and attachment", (c) => /^(sites|teeth|depth|attachment_loss|mobility|furcation)\./.test(c)],
  ["Surveillance, recession, risk", (c) => /^(surveillance|recession|risk)\./.test(c)],
  ["The chart itself", () => true],
];

function evidence(e) {
  if (e.input) return `${inputName(e.input)}: ${e.value ?? "given"}`;
  const out = [];
  if (e.depth != null) out.push(`depth ${e.depth}`);
  if (e.recession != null) out.push(`recession ${e.recession}`);
  if (e.attachmentLoss != null) out.push(`loss ${e.attachmentLoss}`);
  for (const f of ["bleeding", "suppuration", "plaque", "calculus"]) if (e[f] != null) out.push(e[f] ? f : `no ${f}`);
  if (e.mobility != null) out.push(`mobility ${e.mobility}`);
  if (e.furcation != null) out.push(`furcation ${e.furcation}${e.entrance ? " " + e.entrance : ""}`);
  return `${[e.tooth, e.site].filter(Boolean).join(" ")}${out.length ? ": " + out.join(", ") : ""}`;
}

const inputName = (name) => FIELDS.find(([n]) => n === name)?.[1].toLowerCase() || name.replace(/_/g, " ");

function missing(m, value) {
  const what = m.question || (m.input ? inputName(m.input) : "");
  const few = (m.sites || []).map((s) => (typeof s === "string" ? s : `${s.tooth} ${s.site}`));
  const at = [few.length > 8 ? `${few.length} sites` : few.join(", "), m.teeth?.length ? `teeth ${m.teeth.join(", ")}` : ""].filter(Boolean).join(", ");
  return [what, at ? ` (${at})` : "", m.couldBe?.length > 1 || (m.couldBe?.length && m.couldBe[0] !== value) ? ` – could be ${m.couldBe.join(" or ")}` : ""].join("");
}

class Findings extends HTMLElement {
  app = null;
  #end = new AbortController();

  connectedCallback() {
    const { session } = this.app;
    this.session = session;
    // Values may change while this is read: at another screen, or by voice.
    let timer = 0;
    session.addEventListener("view", (e) => {
      if (e.detail.change && !e.detail.change.head) return;
      clearTimeout(timer);
      timer = setTimeout(() => this.#load(), 400);
    }, { signal: this.#end.signal });
    put(this, h("div", { class: "desk" }, h("h1", {}, "Findings"), h("p", { class: "soft", role: "status" }, "Working out …")));
    this.#load();
  }
  disconnectedCallback() {
    this.#end.abort();
  }

  async #load() {
    let all;
    try {
      all = await get(`/api/exams/${encodeURIComponent(this.session.exam)}/findings`);
    } catch (e) {
      put(this, h("div", { class: "desk" }, h("h1", {}, "Findings"), h("div", { class: "note row", role: "alert" }, h("p", { class: "grow" }, e.message), h("button", { onclick: () => this.#load() }, "Try again"))));
      return;
    }
    if (!this.isConnected) return;
    this.#draw(all);
  }

  #draw(all) {
    const { view } = this.session;
    const list = all.findings?.findings || [];
    const open = new Set([...this.querySelectorAll("details[open][data-code]")].map((d) => d.dataset.code));
    const asked = new Set(list.flatMap((f) => f.missing || []).map((m) => m.input).filter((n) => FIELDS.some(([x]) => x === n)));
    const head = HEADLINE.map((c) => list.find((f) => f.code === c)).filter(Boolean);
    const left = list.filter((f) => !head.includes(f));
    const groups = GROUPS.map(([name, has]) => {
      const mine = left.filter((f) => has(f.code));
      for (const f of mine) left.splice(left.indexOf(f), 1);
      return [name, mine];
    }).filter(([, l]) => l.length);
    const doubts = all.open_doubts?.length || 0;
    put(this, h("div", { class: "desk findings" },
      h("div", { class: "title" }, h("h1", {}, "Findings"),
        h("p", { class: "soft" }, `Proposed by published rules, version ${all.findings?.rules || "?"}, for ${this.app.visit.patient_name}, exam of ${day(this.app.visit.began)}`)),
      doubts || view.recorded < view.sites
        ? h("div", { class: "note" },
          doubts ? h("p", {}, h("b", {}, `${doubts === 1 ? "One entry is" : doubts + " entries are"} in doubt`), ` (${all.open_doubts.map((d) => `${view.teeth[d.tooth]?.label ?? d.tooth} ${d.site}`).join(", ")}) and can change what follows.`) : null,
          view.recorded < view.sites ? h("p", {}, h("b", {}, `${view.sites - view.recorded} of ${view.sites} sites have no depth`), ": what follows may be too mild.") : null)
        : null,
      h("section", { class: "heads", "aria-label": "In short" }, head.map((f) => this.#card(f, open))),
      h("section", {}, h("h2", {}, "Questions that probing cannot answer"),
        inputsForm(all.patient || {}, asked, (changed) => this.session.act(C.patient(changed), "answers about the patient"), !!view.signed_by)),
      groups.map(([name, l]) => h("section", {}, h("h2", {}, name), h("div", { class: "rows" }, l.map((f) => this.#row(f, open))))),
      h("section", { class: "cautions" }, h("h2", {}, "To be kept in mind"), h("ul", {}, (all.findings?.cautions || []).map((c) => h("li", {}, c)))),
    ));
  }

  #more(f) {
    const because = f.because || [];
    return [
      f.text ? h("p", {}, f.text) : null,
      because.length ? h("div", {}, h("h3", {}, because.length > 24 ? `Because, the first 24 of ${because.length}` : "Because"), h("ul", { class: "because" }, because.slice(0, 24).map((e) => h("li", {}, evidence(e))))) : null,
      f.missing?.length ? h("div", {}, h("h3", {}, "Missing to be sure"), h("ul", { class: "dots" }, f.missing.map((m) => h("li", {}, missing(m, f.value))))) : null,
      f.notes?.length ? h("ul", { class: "dots soft" }, f.notes.map((n) => h("li", {}, n))) : null,
      h("p", { class: "source" }, h("b", {}, `Rule ${f.rule}. `), f.source.replace(/\.?$/, "."), f.eligible ? ` Rests on ${f.recorded} of ${f.eligible}.` : ""),
    ];
  }

  #marks(f) {
    return [
      f.provisional ? h("span", { class: "mark" }, "provisional") : null,
      f.missing?.length ? h("span", { class: "mark" }, `${f.missing.length} missing`) : null,
    ];
  }

  #card(f) {
    return h("article", { class: "card" }, h("h2", {}, nameOf(f.code)), h("p", { class: "value" }, shown(f)), h("p", { class: "marks" }, this.#marks(f)), this.#more(f));
  }

  #row(f, open) {
    const id = f.code + (f.tooth || "");
    return h("details", { data: { code: id }, open: open.has(id) },
      h("summary", {}, h("span", { class: "name" }, nameOf(f.code), f.tooth ? ` ${f.tooth}` : ""), h("b", {}, shown(f)), this.#marks(f)),
      h("div", { class: "inside" }, this.#more(f)));
  }
}

customElements.define("ls-findings", Findings);
