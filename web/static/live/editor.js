// Everything about one site and its tooth in a dialog: for mouse, touch and keyboard alike.
import { h, put } from "../core/dom.js";
import * as V from "../core/view.js";
import * as C from "../core/commands.js";
import { get } from "../core/server.js";
import { Clips } from "../core/clips.js";
import { may } from "../people/seat.js";
import { told } from "../people/amended.js";

let count = 0;

const clockTime = (ms) => new Date(ms).toLocaleTimeString();

class Editor extends HTMLElement {
  #fields = [];

  open(app, k) {
    this.app = app;
    this.k = k;
    const { session } = app;
    const { view } = session;
    const { tooth, site } = V.parts(k);
    const t = view.teeth[tooth];
    const s = V.siteAt(view, k);
    const words = app.settings.site_words;
    // What was signed is changed by an amendment, with its reason.
    const amends = !!view.signed_by && !view.void && may("amend");
    const locked = !!view.void || !!view.signed_by && !amends;
    this.reason = amends ? h("input", { id: "edreason", maxlength: "500", autocomplete: "off", oninput: (e) => e.target.setCustomValidity("") }) : null;
    this.#fields = [];
    const id = () => `ed${++count}`;
    // Every field remembers what it showed when the dialog opened: that is what the person saw.
    const keep = (at, field, el, read) => {
      this.#fields.push({ at, field, was: C.seen(view, session.pending, at, field), read });
      el.disabled = locked;
      return el;
    };
    const number = (name, field, min, max, step, v, hint) => {
      const i = id();
      const el = h("input", { id: i, type: "number", min, max, step, value: v ?? "", inputmode: "decimal" });
      keep(k, field, el, () => (el.value === "" ? null : Number(el.value)));
      return h("div", { class: "field" }, h("label", { for: i }, name), el, hint ? h("span", { class: "small" }, hint) : null);
    };
    const choice = (name, at, field, options, v) => {
      const i = id();
      const el = h("select", { id: i }, options.map(([val, text]) => h("option", { value: val }, text)));
      el.value = v;
      keep(at, field, el, () => (el.value === "" ? null : Number(el.value)));
      return h("div", { class: "field" }, h("label", { for: i }, name), el);
    };
    const yesNo = [["", "not recorded"], ["1", "yes"], ["0", "no"]];
    const grades = [["", "not recorded"], ["0", "0"], ["1", "1"], ["2", "2"], ["3", "3"]];
    const toothKey = C.toothKey(tooth);
    const value = (at, field) => C.seen(view, session.pending, at, field);
    const there = V.probed(t);
    const parts = [];
    if (there) {
      parts.push(h("fieldset", {}, h("legend", {}, `Site ${V.siteName(site, tooth, words)}`),
        number("Depth, mm", "depth", 0, 15, 0.5, s.depth), number("Recession, mm", "recession", -8, 15, 0.5, s.recession, "minus: margin above the CEJ"),
        V.FLAGS.map(([f]) => choice(f[0].toUpperCase() + f.slice(1), k, f, yesNo, value(k, f)))));
    }
    parts.push(h("fieldset", {}, h("legend", {}, `Tooth ${t.label}`),
      choice("State", toothKey, "presence", C.STATES.slice(1).map((x, i) => [String(i + 1), x]), value(toothKey, "presence")),
      there ? choice("Mobility", toothKey, "mobility", grades, value(toothKey, "mobility")) : null,
      t.state === "present" ? (t.entrances || []).map((e) => choice(`Furcation ${V.ENTRANCES[e]}`, toothKey, "furcation." + e, grades, value(toothKey, "furcation." + e))) : null));
    const doubt = s.doubt ? h("div", { class: "note row" }, h("p", { class: "grow" }, h("b", {}, "Doubt: "), s.doubt),
      h("button", { type: "button", disabled: locked, onclick: () => {
        session.act(C.settle(k), `${t.label} ${site}: settled`);
        this.dialog.close();
      } }, "It is right")) : null;
    const form = h("form", { method: "dialog", onsubmit: (e) => this.#save(e) },
      h("div", { class: "row" }, h("h2", { class: "grow", id: "edtitle" }, `Tooth ${t.label} ${V.siteName(site, tooth, words)}`)),
      doubt, locked ? h("p", { class: "note" }, view.void ? "The exam is void: values stay as they are." : "The exam is signed: values stay as they are.") : null,
      amends ? h("div", { class: "field note" }, h("label", { for: "edreason" }, "The exam is signed: give the reason for an amendment. The value that was signed stays beside it."), this.reason) : null, parts, (this.history = h("section", { "aria-label": "History" })),
      h("div", { class: "row" }, h("button", { class: "main", disabled: locked }, amends ? "Amend" : "Save"), h("button", { type: "button", onclick: () => this.dialog.close() }, "Cancel")));
    this.dialog = h("dialog", { class: "editor", "aria-labelledby": "edtitle" }, form);
    put(this, this.dialog);
    const back = document.activeElement;
    this.dialog.addEventListener("close", () => {
      put(this);
      if (back instanceof HTMLElement) back.focus();
    });
    this.dialog.showModal();
    this.#tell(tooth, site);
    form.querySelector("input, select, button")?.focus();
  }

  /** Who entered what here, how, what was heard, and what it replaced; newest first. */
  async #tell(tooth, site) {
    const { session } = this.app;
    const into = this.history;
    const clips = new Clips(session.exam);
    try {
      const [entries] = await Promise.all([get(`/api/exams/${encodeURIComponent(session.exam)}/history?tooth=${tooth}&site=${site}`), clips.load()]);
      put(into, h("h3", {}, "History"), entries.length ? h("ol", { class: "history" }, entries.reverse().map((e) => this.#entry(e, clips))) : h("p", { class: "soft" }, "Nothing was entered here yet."));
    } catch (err) {
      put(into, h("p", { class: "soft" }, `The history cannot be shown: ${err.message}`));
    }
  }

  #entry(e, clips) {
    const by = e.source === "tool" ? "from before" : [e.source, e.who].filter(Boolean).join(", ");
    const heard = e.words ? h("span", {}, e.source === "voice" ? "heard " : "typed ", h("q", {}, e.words), e.source === "voice" ? ` with ${Math.round(100 * e.confidence)} %` : "") : null;
    return h("li", { class: e.taken_back ? "undone" : null },
      h("time", {}, clockTime(e.time)), h("span", { class: "by" }, by),
      h("span", { class: "what" }, h("b", {}, `${V.fieldName(e.field)} ${told(e.field, e.value)}`), `, before: ${told(e.field, e.was)}`),
      h("span", { class: "more" }, heard, e.reason ? h("span", { class: "doubt" }, e.reason) : null, e.rival ? h("span", {}, "perhaps ", h("q", {}, e.rival)) : null,
        e.amends ? h("span", {}, h("b", {}, "amended: "), e.amends) : null, e.clock_back ? h("span", {}, "the clock was set back before this; the order is that of the log") : null,
        e.taken_back ? h("span", {}, `taken back at ${clockTime(e.taken_back.time)} by ${[e.taken_back.source, e.taken_back.who].filter(Boolean).join(", ")}`) : null,
        clips.button(e.seq, `${V.fieldName(e.field)} ${told(e.field, e.value)}`)));
  }

  #save(e) {
    const acts = [];
    const said = [];
    for (const f of this.#fields) {
      const v = f.read();
      if ((v == null ? "" : String(v)) === f.was) continue;
      acts.push(C.set(f.at, f.field, v, f.was));
      said.push(`${V.fieldName(f.field)} ${v ?? "cleared"}`);
    }
    if (!acts.length) return;
    if (this.reason) {
      const reason = this.reason.value.trim();
      this.reason.setCustomValidity(reason ? "" : "Say why the value is changed.");
      if (!this.reason.reportValidity()) {
        e.preventDefault();
        return;
      }
      acts.unshift({ verb: "amend", text: reason });
    }
    const { tooth, site } = V.parts(this.k);
    this.app.session.act(acts, `${this.app.session.view.teeth[tooth].label} ${site}: ${said.join(", ")}`);
  }
}

customElements.define("ls-editor", Editor);
