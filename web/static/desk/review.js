// Review: the chart and its calls, to be looked at again: doubts first, then the whole chart, then every call with its sound.
import { h, put } from "../core/dom.js";
import { Part } from "../core/part.js";
import * as V from "../core/view.js";
import * as C from "../core/commands.js";
import { Clips } from "../core/clips.js";
import { doubtTable } from "./doubts.js";
import "../sheet/sheet.js";
import "../profile/profile.js";
import "../live/editor.js";
import "../people/standing.js";

class Review extends Part {
  connectedCallback() {
    const { session } = this.app;
    this.session = session;
    this.words = this.app.settings.site_words;
    this.clips = new Clips(session.exam);
    this.sound = h("p", { class: "note", role: "status" });
    this.remarks = h("section", { "aria-label": "Remarks" });
    this.doubts = h("section", { "aria-label": "Doubts" });
    this.refused = h("div", { class: "unsent" });
    this.sheet = h("ls-sheet");
    this.sheet.words = this.words;
    this.sheet.onpick = () => {};
    this.profile = h("ls-profile");
    this.profile.words = this.words;
    this.profile.exam = session.exam;
    this.profile.onpick = (k) => this.editor.open(this.app, k);
    this.editor = h("ls-editor");
    this.calls = h("tbody");
    put(this, h("div", { class: "desk review" },
      h("div", { class: "title row" }, h("div", { class: "grow" }, h("h1", {}, "Review"), (this.lead = h("p", { class: "soft" }))), (this.toClose = h("a", { class: "button main", href: `/exams/${encodeURIComponent(session.exam)}/close` }, "Close the exam"))),
      this.refused, Object.assign(h("ls-standing"), { app: this.app }), this.sound, this.doubts, this.remarks,
      h("section", {}, h("h2", {}, "The chart"), h("p", { class: "soft" }, "Choose a value to change it or to see its history; the arrows move, Enter opens."), this.sheet, this.profile),
      h("section", {}, h("h2", {}, "Calls, newest first"), h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Calls" },
        h("table", { class: "list" }, h("thead", {}, h("tr", {}, ["Time", "Who", "Said or typed", "Sound", "What it did"].map((t) => h("th", { scope: "col" }, t)))), this.calls))),
      this.editor));
    this.sheet.addEventListener("click", (e) => {
      const c = e.target.closest("td[data-key]");
      if (c) this.editor.open(this.app, c.dataset.key);
    });
    this.sheet.addEventListener("keydown", (e) => {
      const k = e.target.dataset?.key;
      if (!k) return;
      const d = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
      if (d) this.sheet.enter(V.step(session.view, k, d[0], d[1]));
      else if (e.key === "Enter") this.editor.open(this.app, k);
      else return;
      e.preventDefault();
    });
    for (const n of ["view", "queue", "answered"]) session.addEventListener(n, () => this.#draw(), { signal: this.signal });
    this.#draw();
    this.#listen();
  }
  disconnectedCallback() {
    super.disconnectedCallback();
    clearTimeout(this.soundTimer);
  }

  /** Sound is stored a moment after its call, and goes with the signing: ask when the calls change. */
  async #listen() {
    clearTimeout(this.soundTimer);
    try {
      if (await this.clips.load()) this.#draw();
    } catch {
      // without the list there are no buttons; the header says that the service does not answer
    }
  }

  #draw() {
    const { view } = this.session;
    const locked = !!view.signed_by;
    put(this.lead, locked ? `Signed by ${view.signed_by}. Remarks and the plan can be added; a value is changed by an amendment.` : `${view.sites - V.unprobed(view).length} of ${view.sites} sites recorded, ${view.doubts.length} in doubt.`);
    this.toClose.hidden = locked;
    this.refused.hidden = !this.session.refused.length;
    put(this.refused, this.session.refused.map((r) => h("div", { class: "note row", role: "alert" }, h("p", { class: "grow" }, h("b", {}, `Not entered: ${r.label}. `), r.text), h("button", { onclick: () => this.session.dismiss(r.id) }, "Drop"))),
      this.session.refused.length > 1 ? h("p", {}, h("button", { onclick: () => [...this.session.refused].forEach((r) => this.session.dismiss(r.id)) }, `Drop all ${this.session.refused.length}`)) : null);
    this.#drawDoubts(view, locked);
    this.sheet.show(view, { coming: C.coming(view, this.session.pending), earlier: this.app.earlier });
    this.profile.show(view);
    this.#drawRemarks(view);
    this.sound.hidden = !this.clips.note;
    put(this.sound, this.clips.note);
    const last = view.calls?.at(-1)?.seq;
    if (last !== this.lastCall || locked !== this.wasLocked) {
      this.lastCall = last;
      this.wasLocked = locked;
      clearTimeout(this.soundTimer);
      this.soundTimer = setTimeout(() => this.#listen(), 700);
    }
    // The list is left alone while it is the same: a button in it may have the focus.
    const sign = JSON.stringify([view.calls, [...this.clips.calls]]);
    if (sign === this.callSign) return;
    this.callSign = sign;
    put(this.calls, [...(view.calls || [])].reverse().map((c) => h("tr", { class: c.undone ? "undone" : null },
      h("td", {}, new Date(c.time).toLocaleTimeString()), h("td", {}, V.caller(c)),
      h("td", {}, c.words || h("span", { class: "soft" }, "by key"), c.confidence && c.confidence < 0.9 ? h("span", { class: "soft" }, ` (heard with ${Math.round(c.confidence * 100)} %)`) : null),
      h("td", {}, this.clips.button(c.seq, c.words || c.text)),
      h("td", {}, c.refused ? `refused: ${c.refused}` : V.didText(c.text), c.undone ? " (taken back)" : ""))));
  }

  #drawDoubts(view, locked) {
    // Rows are kept while they are the same: somebody may be typing into one.
    const sign = JSON.stringify([view.doubts, locked, view.doubts.map((d) => this.clips.calls.has(d.call))]);
    if (sign === this.doubtSign) return;
    this.doubtSign = sign;
    if (!view.doubts.length) {
      put(this.doubts, h("h2", {}, "Doubts"), h("p", { class: "soft" }, "None is open."));
      return;
    }
    put(this.doubts, h("h2", {}, `Doubts: ${view.doubts.length}`), doubtTable(this, view.doubts, locked));
  }

  #drawRemarks(view) {
    const sign = JSON.stringify([view.remarks, view.remarks.map((r) => this.clips.calls.has(r.call))]);
    if (sign === this.remarkSign) return;
    this.remarkSign = sign;
    const text = h("input", { id: "remark", required: true, maxlength: "500", autocomplete: "off" });
    put(this.remarks, h("h2", {}, "Remarks"),
      view.remarks.length
        ? h("ol", { class: "remarks" }, view.remarks.map((r) => h("li", { class: "row" }, h("span", { class: "soft" }, `${V.day(r.time)} ${new Date(r.time).toLocaleTimeString()}${r.who ? ", " + r.who : ""}, ${r.place}`), h("span", { class: "grow" }, r.text), this.clips.button(r.call, `remark at ${r.place}`))))
        : h("p", { class: "soft" }, "None."),
      h("form", { class: "row end", onsubmit: (e) => {
        e.preventDefault();
        this.session.act({ verb: "remark", text: text.value.trim() }, "remark");
      } }, h("div", { class: "field grow" }, h("label", { for: "remark" }, "Add a remark"), text), h("button", {}, "Add")));
  }
}

customElements.define("ls-review", Review);
