// Plan: what the rules propose after an exam, and beside it what the clinician decides. Only the
// decision is stored, with who and when; until it is saved it is kept in this browser as a draft.
import { h, put, within } from "../core/dom.js";
import { Part } from "../core/part.js";
import { get } from "../core/server.js";
import { seat } from "../people/seat.js";
import { day } from "../core/view.js";
import { planDate, addMonths, isoDay } from "../core/dates.js";
import * as C from "../core/commands.js";
import { inputsForm, gapForm, gapsOf, CARE_FIELDS } from "./inputs.js";
import { nameOf, shown } from "./wording.js";

/** GROUPS are the headings of the home-care page, in its order. */
export const GROUPS = [["technique", "Brushing"], ["interdental", "Between the teeth"], ["risk", "Your health"], ["extra", "If you like"], ["always", "Every day"], ["", "Also"]];

/** draftOf is a decision as the page edits it: every part is there, empty where nothing was decided. */
export function draftOf(d) {
  return { phases: structuredClone(d?.phases || []), phase_one_done: d?.phase_one_done || "", reevaluation: d?.reevaluation || "", recall_months: d?.recall_months || 0,
    recall: d?.recall || "", home_care: structuredClone(d?.home_care || []), achieved: [...(d?.achieved || [])], done: structuredClone(d?.done || []), note: d?.note || "" };
}

/** planOf is what is stored of a draft: empty parts are left out, since they are not decided. A list
 *  that the decision before had is stored as empty when all was taken out of it. */
export function planOf(draft, before) {
  const out = {};
  const text = (s) => s.trim().replace(/\s+/g, " ");
  const phases = draft.phases.map((p) => ({ id: p.id, title: p.title, items: p.items.map(text).filter(Boolean) })).filter((p) => p.items.length);
  const care = draft.home_care.map((c) => ({ ...c, text: text(c.text) })).filter((c) => c.text);
  if (phases.length || before?.phases) out.phases = phases;
  if (care.length || before?.home_care) out.home_care = care;
  for (const k of ["phase_one_done", "reevaluation", "recall", "note"]) if (draft[k].trim()) out[k] = draft[k].trim();
  if (draft.recall_months) out.recall_months = draft.recall_months;
  if (draft.achieved.length) out.achieved = draft.achieved;
  const done = (draft.done || []).filter((t) => t.day);
  if (done.length || before?.done) out.done = done.toSorted((a, b) => a.day.localeCompare(b.day));
  return out;
}

class Plan extends Part {
  #turn = 0;
  #told = "";
  #sent = ""; // id of the command on its way
  #draftSent = "";
  #focus = "";
  #unfolded = new Set(); // the sections that are open
  #fresh = false; // something was sent from here: what comes of it is shown at once

  connectedCallback() {
    const { session } = this.app;
    this.session = session;
    this.key = `ls.plan.${session.exam}`;
    session.settled(() => this.#load(), this.signal);
    session.addEventListener("queue", () => {
      const no = this.#sent && session.refused.find((r) => r.id === this.#sent);
      if (!no) return;
      this.#sent = "";
      session.dismiss(no.id); // said here, where it was decided
      this.#told = `Not saved: ${no.text}`;
      this.#draw();
    }, { signal: this.signal });
    session.addEventListener("answered", (e) => {
      if (e.detail.id !== this.#sent) return;
      this.#sent = "";
      this.#told = "Saved.";
      this.was = String(e.detail.answer.call);
      // What was typed since it was sent is not saved yet.
      if (JSON.stringify(this.draft) === this.#draftSent) {
        this.#fresh = true;
        this.#forget();
      } else this.#keep();
      this.#load();
    }, { signal: this.signal });
    put(this, h("div", { class: "desk" }, h("h1", {}, "Plan"), h("p", { class: "soft", role: "status" }, "Working out …")));
    this.#load();
  }
  async #load() {
    const turn = ++this.#turn;
    try {
      const all = await get(`/api/exams/${encodeURIComponent(this.session.exam)}/plan`);
      if (turn !== this.#turn || !this.isConnected) return;
      this.all = all;
    } catch (e) {
      if (turn !== this.#turn) return;
      put(this, h("div", { class: "desk" }, h("h1", {}, "Plan"), h("div", { class: "note row", role: "alert" }, h("p", { class: "grow" }, e.message), h("button", { onclick: () => this.#load() }, "Try again"))));
      return;
    }
    this.last = this.all.decisions.at(-1);
    if (!this.draft) {
      try {
        const kept = JSON.parse(localStorage.getItem(this.key) || "null");
        if (kept) [this.draft, this.was] = [kept.draft, kept.was];
      } catch {
        localStorage.removeItem(this.key); // half-written: it was never shown as kept
      }
    }
    if (!this.draft || this.#clean()) {
      this.draft = draftOf(this.last);
      this.was = String(this.last?.call || "");
    }
    // Somebody is typing here: what is proposed can wait until it is asked for.
    if (this.contains(document.activeElement) && /^(TEXTAREA|INPUT|SELECT)$/.test(document.activeElement.tagName) && this.status && !this.#fresh) {
      this.#state();
      put(this.status, "Something changed at another screen meanwhile. What you are typing is kept. ", h("button", { type: "button", onclick: () => this.#draw() }, "Show what is proposed now"));
      return;
    }
    this.#fresh = false;
    this.#draw();
  }

  #clean() {
    return localStorage.getItem(this.key) == null;
  }
  /** #forget lets go of the draft: the next load shows what is decided. */
  #forget() {
    localStorage.removeItem(this.key);
  }
  #keep() {
    localStorage.setItem(this.key, JSON.stringify({ draft: this.draft, was: this.was }));
  }

  /** #edit keeps a change of the draft; again draws the page anew and puts the focus where it belongs. */
  #edit(f, focus) {
    f(this.draft);
    this.#told = "";
    this.#keep();
    if (focus == null) {
      this.#state();
      return;
    }
    this.#focus = focus;
    this.#draw();
  }

  #label(tooth) {
    return this.session.view.teeth[String(tooth)]?.label ?? String(tooth);
  }
  #places(item) {
    const sites = [...Map.groupBy(item.sites || [], (s) => s.tooth)].map(([t, l]) => `${this.#label(t)} ${l.map((s) => s.site).join(" ")}`);
    const teeth = (item.teeth || []).map((t) => this.#label(t));
    const gaps = (item.gaps || []).map((g) => g.split("-").map((t) => this.#label(t)).join("–"));
    return [teeth.length ? `tooth ${teeth.join(", ")}` : "", gaps.length ? `gap ${gaps.join(", ")}` : "", gaps.length ? "" : sites.join("; ")].filter(Boolean).join("; ");
  }

  #draw() {
    const { all, draft } = this;
    const { view } = this.session;
    const reeval = all.phases.find((p) => p.from);
    this.status = h("p", { role: "status" });
    const base = `/exams/${encodeURIComponent(this.session.exam)}`;
    put(this, h("div", { class: "desk plan" },
      h("div", { class: "title" }, h("h1", {}, "Plan"),
        h("p", { class: "soft" }, `${all.visit.patient_name}, ${all.visit.kind} of ${day(all.visit.began)}. Proposals come from published rules; what you decide goes beside the dark line. Only your decision is stored.`)),
      h("p", { class: "row" }, (all.findings || []).map((f) => h("span", { class: "mark" }, `${nameOf(f.code)}: ${shown(f)}`)), h("a", { href: base + "/findings" }, "Findings"), all.visit.earlier ? h("a", { href: base + "/time" }, "Over time") : null),
      this.last
        ? h("p", { class: "note calm" }, h("b", {}, `Decided by ${this.last.who}`), ` on ${day(this.last.time)}, ${new Date(this.last.time).toLocaleTimeString()}`, this.last.added ? ", added after signing." : ".")
        : h("p", { class: "note calm" }, h("b", {}, "Nothing is decided yet."), " A proposal is not a plan."),
      (this.conflict = h("div", { class: "note row", role: "alert" })),
      h("form", { class: "decide", onsubmit: (e) => {
        e.preventDefault();
        if (this.#sent) return; // on its way
        this.#told = "Saving …";
        this.#state();
        this.#draftSent = JSON.stringify(this.draft);
        this.#sent = this.session.act(C.plan(planOf(this.draft, this.last), this.was), "plan");
      } },
        this.#phases(),
        h("div", { class: "dates" },
        h("section", {}, h("h2", {}, "Re-evaluation"), h("div", { class: "pair" },
          h("div", { class: "proposed" }, reeval ? h("p", {}, "Usual window: ", h("b", {}, `${planDate(reeval.from)} to ${planDate(reeval.to)}`), draft.phase_one_done && draft.phase_one_done === (this.last?.phase_one_done || "") ? ", 4 to 8 weeks after the end of phase one." : ", 4 to 8 weeks after phase one, counted from this exam until its end is known.") : h("p", { class: "soft" }, "None is proposed: no non-surgical therapy is planned from this exam."), h("p", { class: "source" }, "Common practice, no source; texts disagree.")),
          h("div", { class: "decided row end" },
            this.#day("phase_one_done", "Phase one was finished on"), this.#day("reevaluation", "Re-evaluation on")))),
        this.#recall()),
        this.#care(),
        this.#done(),
        this.#fold("note", "Note", draft.note.trim() ? draft.note.trim().slice(0, 60) : "none", h("div", { class: "field wide" }, h("label", { for: "plannote" }, "For the practice, not for the patient's page"), h("textarea", { id: "plannote", maxlength: "2000", value: draft.note, oninput: (e) => this.#edit((d) => (d.note = e.target.value)) }))),
        h("section", { class: "save" }, h("div", { class: "row end" },
          h("p", { class: "planner" }, "You decide as ", h("b", {}, seat().person?.name || "nobody")),
          h("button", { class: "main" }, view.signed_by ? "Add this decision" : "Save this decision"),
          h("a", { class: "button", href: base + "/handout" }, "Home-care page"),
          this.last?.recall || this.last?.reevaluation ? h("a", { class: "button", href: `/api/exams/${encodeURIComponent(this.session.exam)}/due.ics`, download: "" }, "Days as calendar file") : null, this.status),
          view.signed_by ? h("p", { class: "small soft" }, "The exam is signed: a decision is added with its date, earlier ones stay.") : null)),
      this.#fold("asked", "Asked for home care", "",
        inputsForm(all.patient, new Set(), (changed) => this.#answer(changed), !!view.signed_by, CARE_FIELDS),
        gapForm(all.patient.gaps || {}, gapsOf(view), view, (changed) => this.#answer(changed), !!view.signed_by)),
      all.decisions.length > 1 ? h("section", {}, h("h2", {}, "Earlier decisions"), h("ul", { class: "dots" }, all.decisions.slice(0, -1).reverse().map((d) => h("li", {}, `${day(d.time)}, ${new Date(d.time).toLocaleTimeString()}: ${d.who}`, d.recall_months ? `, recall every ${d.recall_months} months` : "", d.recall ? `, recall on ${planDate(d.recall)}` : "", d.reevaluation ? `, re-evaluation on ${planDate(d.reevaluation)}` : "", d.phases ? `, ${d.phases.reduce((n, p) => n + p.items.length, 0)} steps` : "")))) : null,
      this.#fold("cautions", "To be kept in mind", "decision support, not a decision", h("ul", { class: "dots" }, all.cautions.map((c) => h("li", {}, c)))),
    ));
    this.#state();
    if (this.#focus) within(this, `[data-focus="${this.#focus}"]`)[0]?.focus();
    this.#focus = "";
  }

  #state() {
    const older = this.was !== String(this.last?.call || "");
    this.conflict.hidden = !older;
    put(this.conflict, older ? [h("p", { class: "grow" }, `${this.last?.who || "Somebody"} decided at another screen meanwhile. What you have here is older.`),
      h("button", { onclick: () => { this.#fresh = true; this.#forget(); this.#load(); } }, "Drop mine, show the newer one")] : "");
    put(this.status, this.#told || (this.#clean() ? "" : "Not saved yet; kept in this browser."));
  }

  #answer(changed) {
    this.#fresh = true;
    this.session.act(C.patient(changed), "answers about home care");
  }

  #day(field, label) {
    return h("div", { class: "field" }, h("label", { for: field }, label), h("input", { id: field, type: "date", value: this.draft[field], onchange: (e) => this.#edit((d) => (d[field] = e.target.value)) }));
  }

  /** #fold is a section that shows in one line how it stands, and opens to be read and decided. */
  #fold(name, title, state, ...inside) {
    return h("details", { class: "fold", data: { fold: name }, open: this.#unfolded.has(name) },
      h("summary", { data: { focus: `${name}-fold` }, onclick: (e) => this.#unfolded[e.currentTarget.parentElement.open ? "delete" : "add"](name) }, h("h2", {}, title), h("span", { class: "soft" }, state)), h("section", {}, inside));
  }

  #take(label, taken, onclick) {
    return h("button", { type: "button", disabled: taken, "aria-label": taken ? `Taken: ${label}` : `Take: ${label}`, onclick }, taken ? "taken" : "Take");
  }

  #phases() {
    const { draft } = this;
    const ids = [...new Set([...this.all.phases.map((p) => p.id), ...draft.phases.map((p) => p.id)])];
    const own = (id) => draft.phases.find((p) => p.id === id);
    const into = (d, id, title) => {
      let p = d.phases.find((x) => x.id === id);
      if (!p) d.phases.push((p = { id, title, items: [] }));
      return p;
    };
    const steps = this.all.phases.flatMap((p) => (p.items || []).map((item) => [p, item]));
    const chosen = draft.phases.reduce((n, p) => n + p.items.length, 0);
    const rest = steps.filter(([p, item]) => !(own(p.id)?.items || []).includes(item.text));
    return this.#fold("phases", "Phases of therapy", `${steps.length} steps proposed, ${chosen || "none"} decided`,
      rest.length > 1 ? h("button", { type: "button", onclick: () => this.#edit((d) => { for (const [p, item] of rest) into(d, p.id, p.title).items.push(item.text); }, "phases-fold"), class: "all" }, "Take every step") : null, ids.map((id) => {
      const proposed = this.all.phases.find((p) => p.id === id);
      const title = proposed?.title || own(id).title;
      const lines = own(id)?.items || [];
      return h("div", { class: "phase" }, h("h3", {}, title), h("div", { class: "pair" },
        h("ul", { class: "proposed" }, (proposed?.items || []).map((item) => {
          const at = this.#places(item);
          return h("li", {}, h("div", { class: "row" }, h("p", { class: "grow" }, item.text), this.#take(item.text, lines.includes(item.text), () => this.#edit((d) => into(d, id, title).items.push(item.text), `${id}-${lines.length}`))),
            h("p", { class: "source" }, at ? [h("span", { class: "at" }, at), ". "] : "", item.why?.length ? `Because of: ${item.why.map((c) => nameOf(c).toLowerCase()).join(", ")}. ` : "", item.source, "."));
        }), proposed ? null : h("li", { class: "soft" }, "Nothing is proposed here any more.")),
        h("div", { class: "decided" }, lines.map((line, i) => h("div", { class: "line row" },
          h("textarea", { rows: "2", maxlength: "900", value: line, "aria-label": `${title}, line ${i + 1}`, data: { focus: `${id}-${i}` }, oninput: (e) => this.#edit((d) => (into(d, id, title).items[i] = e.target.value)) }),
          h("button", { type: "button", "aria-label": `Remove line ${i + 1} of ${title}`, onclick: () => this.#edit((d) => into(d, id, title).items.splice(i, 1), `${id}-add`) }, "Remove"))),
          h("button", { type: "button", class: "plain", data: { focus: `${id}-add` }, "aria-label": `+ a line of your own to ${title}`, onclick: () => this.#edit((d) => into(d, id, title).items.push(""), `${id}-${lines.length}`) }, "+ a line of your own"))));
    }));
  }

  #recall() {
    const { recall } = this.all;
    const { draft } = this;
    const exam = isoDay(this.all.visit.began);
    const months = h("input", { id: "recall_months", type: "number", min: "1", max: "24", step: "1", value: draft.recall_months || "", inputmode: "numeric", onchange: (e) => {
      const n = Number(e.target.value) || 0;
      this.#edit((d) => {
        d.recall_months = n;
        d.recall = n ? addMonths(exam, n) : "";
      }, "recall_day");
    } });
    const due = this.#day("recall", "Recall on");
    due.querySelector("input").dataset.focus = "recall_day";
    return h("section", {}, h("h2", {}, "Recall"), h("div", { class: "pair" },
      h("div", { class: "proposed" }, recall.months
        ? [h("div", { class: "row" }, h("p", { class: "grow" }, "Proposed: ", h("b", {}, `every ${recall.months} months`), `, first on ${planDate(this.all.recall_day)}.`),
          this.#take(`recall every ${recall.months} months`, draft.recall_months === recall.months && draft.recall === this.all.recall_day, () => this.#edit((d) => { d.recall_months = recall.months; d.recall = this.all.recall_day; }, "recall_day"))),
          h("details", {}, h("summary", {}, "Why: the shortest of these counts"), h("ul", { class: "dots" }, recall.lines.map((l) => h("li", {}, h("b", {}, `${l.months} months`), `: ${l.text} `, h("span", { class: "soft" }, l.source, ".")))))]
        : h("p", { class: "soft" }, "No interval is proposed: stage, grade and gingival status are unknown."),
        recall.retreatment ? h("p", {}, h("b", {}, "Decide on re-treatment first.")) : null,
        h("ul", { class: "dots small soft" }, (recall.notes || []).map((n) => h("li", {}, n)))),
      h("div", { class: "decided row end" }, h("div", { class: "field" }, h("label", { for: "recall_months" }, "Every … months"), months), due)));
  }

  /** #done lists what was done, where and when: re-evaluation, comparison and plan take it into account. */
  #done() {
    const list = this.draft.done || [];
    const box = (i, key, label, attrs) => h("div", { class: "field" }, h("label", { for: `${key}${i}` }, label), h("input", { id: `${key}${i}`, value: list[i][key] || "", maxlength: "300", ...attrs, onchange: (e) => this.#edit((d) => (d.done[i][key] = e.target.value)) }));
    const pick = (i, key, label, words) => h("div", { class: "field" }, h("label", { for: `${key}${i}` }, label), h("select", { id: `${key}${i}`, onchange: (e) => this.#edit((d) => (d.done[i][key] = e.target.value)) }, words.map((w) => h("option", { value: w, selected: (list[i][key] || "") === w }, w || "not said"))));
    return this.#fold("done", "Therapy done", list.length ? [`${list.length} recorded`, ...list.map((t) => t.day).filter(Boolean).toSorted().slice(-1).map((d) => `last on ${planDate(d)}`)].join(", ") : "nothing recorded",
      list.map((t, i) => h("div", { class: "row end" }, box(i, "day", "On", { type: "date" }), pick(i, "what", "What", ["subgingival", "supragingival", "surgery", "implant", "extraction", "other"]),
        box(i, "where", "Where (empty: whole mouth)", {}), pick(i, "by", "By", ["", "hand", "ultrasonic", "both"]), box(i, "adjunct", "Adjunct", {}), box(i, "who", "Who", {}),
        h("button", { type: "button", "aria-label": `Remove treatment ${i + 1}`, onclick: () => this.#edit((d) => d.done.splice(i, 1), "done-add") }, "Remove"))),
      h("button", { type: "button", class: "plain", data: { focus: "done-add" }, onclick: () => this.#edit((d) => (d.done = [...(d.done || []), { day: "", what: "subgingival", where: "" }]), "done-add") }, "+ a treatment"));
  }

  #care() {
    const { draft } = this;
    const care = this.all.home_care;
    const before = this.all.earlier?.home_care || [];
    const as = (a) => ({ id: a.id, group: a.group, text: a.text, why: a.why, where: a.where });
    const has = (a) => draft.home_care.some((c) => c.id === a.id && (c.where || "") === (a.where || ""));
    return this.#fold("care", "Home care", `${care.items.filter((a) => !a.later).length} items proposed, ${draft.home_care.length || "none"} decided`,
      before.length ? h("div", {}, h("p", {}, "Advised at the exam before. What is achieved needs no more teaching and is not proposed again:"), h("div", { class: "row" }, before.map((c, i) => h("label", { class: "check", for: `ach${i}` },
        h("input", { type: "checkbox", id: `ach${i}`, checked: draft.achieved.includes(c.id), onchange: (e) => this.#edit((d) => (d.achieved = e.target.checked ? [...new Set([...d.achieved, c.id])] : d.achieved.filter((x) => x !== c.id))) }), c.text.length > 60 ? c.text.slice(0, 60) + " …" : c.text)))) : null,
      (care.questions || []).length ? h("div", { class: "note calm" }, h("p", {}, h("b", {}, "To choose better")), h("ul", { class: "dots" }, care.questions.map((q) => h("li", {}, q.question)))) : null,
      h("div", { class: "pair" },
        h("div", { class: "proposed" },
          h("p", {}, h("button", { type: "button", onclick: () => this.#edit((d) => { for (const a of care.items) if (!a.later && !has(a)) d.home_care.push(as(a)); }, "care-add") }, "Take all but those for later")),
          h("ul", {}, care.items.map((a) => h("li", {}, h("div", { class: "row" }, h("p", { class: "grow" }, a.later ? h("span", { class: "mark" }, "later") : null, " ", a.text), this.#take(a.text, has(a), () => this.#edit((d) => d.home_care.push(as(a)), `care-${draft.home_care.length}`))),
            h("p", { class: "source" }, h("b", {}, a.why), this.#places(a) ? [" ", h("span", { class: "at" }, this.#places(a)), "."] : "", ` ${a.source}.`))))),
        h("div", { class: "decided" }, draft.home_care.map((c, i) => h("div", { class: "line row" },
          h("div", { class: "grow" }, h("textarea", { rows: "3", maxlength: "900", value: c.text, "aria-label": `Home care, line ${i + 1}`, data: { focus: `care-${i}` }, oninput: (e) => this.#edit((d) => (d.home_care[i].text = e.target.value)) }), c.where ? h("p", { class: "small soft" }, c.where) : null),
          h("button", { type: "button", "aria-label": `Remove line ${i + 1} of home care`, onclick: () => this.#edit((d) => d.home_care.splice(i, 1), "care-add") }, "Remove"))),
          h("button", { type: "button", class: "plain", data: { focus: "care-add" }, "aria-label": "+ a line of your own to home care", onclick: () => this.#edit((d) => d.home_care.push({ id: "own", text: "" }), `care-${draft.home_care.length}`) }, "+ a line of your own"))),
      h("ul", { class: "dots small soft" }, care.cautions.map((c) => h("li", {}, c))));
  }
}

customElements.define("ls-plan", Plan);
