// The whole mouth as a real table, a quadrant each: what is written where, with a cell for every site
// that can be reached by arrows.
import { h, put, attr, under, hide } from "../core/dom.js";
import { tentative as notYet } from "../core/commands.js";
import { Drawn, FLAGS, QUADRANTS, across, amendedText, key, parts, probed, siteAt, stateText, thenAt, depthLevel, letters, nextKey, say, aspectName, marginText } from "../core/view.js";

class Sheet extends HTMLElement {
  words = "buccal-lingual";
  onpick = null; // (key) a cell was chosen
  onopen = null; // (key) more about it is wanted
  hint = ""; // how a number is changed, where that is so
  #cells = new Map();
  #heads = new Map();
  #shape = "";
  #teeth = null; // that the shape was made of
  #tab = ""; // the cell that Tab reaches
  #goes = ""; // the cell that gets the focus with the next draw,
  #from = /** @type {Element | null} */ (null); // if that is still where the focus is
  #drawn = new Drawn();
  #tables = [];

  connectedCallback() {
    this.addEventListener("click", (e) => {
      const c = under(e, "td[data-key]");
      if (c) this.onpick?.(c.dataset.key);
    });
    this.addEventListener("dblclick", (e) => {
      const c = under(e, "td[data-key]");
      if (c) this.onopen?.(c.dataset.key);
    });
    this.addEventListener("focusin", (e) => {
      const c = under(e, "td[data-key]");
      if (c) this.onpick?.(c.dataset.key);
    });
  }

  /** @param {any} view
   *  @param {{picked?: string, coming?: ReturnType<typeof import("../core/commands.js").coming>, earlier?: any}} how */
  show(view, { picked, coming, earlier } = {}) {
    const shape = this.#teeth === view.teeth ? this.#shape : this.words + Object.values(view.teeth).map((t) => t.label + t.state + !!t.assumed).join();
    if (shape !== this.#shape) this.#build(view, shape);
    this.#teeth = view.teeth;
    const next = nextKey(view);
    const tab = picked || next || this.#cells.keys().next().value;
    const { teeth, sites } = this.#drawn.touched(view, coming, earlier, [next, picked]);
    for (const k of sites) {
      const c = this.#cells.get(k);
      if (!c) continue;
      const s = siteAt(view, k);
      const tentative = coming?.depth.get(k);
      const margin = coming?.recession.get(k);
      put(c.num, String(tentative ?? s.depth ?? "·"));
      put(c.flags, letters(s));
      put(c.margin, marginText(margin ?? s.recession));
      const was = thenAt(earlier, view, k);
      put(c.then, was ? `${was.depth}${was.change ? (was.worse ? "▾" : "▴") : ""}` : "");
      attr(c.then, "data-change", was?.change ? (was.worse ? "worse" : "better") : null);
      c.num.classList.toggle("doubt", !!s.doubt);
      c.num.classList.toggle("amended", !!s.amended);
      attr(c.el, "title", s.amended ? amendedText(s) : null);
      attr(c.el, "data-d", tentative == null ? depthLevel(s.depth) : null);
      attr(c.el, "data-tentative", tentative == null ? null : coming.why.get(`${k} depth`));
      attr(c.el, "data-tentative-margin", margin == null ? null : coming.why.get(`${k} recession`));
      attr(c.el, "data-next", k === next);
      attr(c.el, "data-wide", String(tentative ?? s.depth ?? "").length > 1);
      attr(c.el, "data-empty", s.depth == null && tentative == null);
      attr(c.el, "aria-selected", k === picked ? "true" : "false");
      const waits = notYet(coming, k);
      put(c.said, say(view, k, this.words, earlier) + (waits ? `; ${waits}` : "") + (k === next ? ", next" : ""));
    }
    hide(this.thenLegend, !earlier);
    for (const t of this.#tables) attr(t, "data-two", !!picked && !!next && picked !== next);
    for (const tooth of teeth) {
      const t = view.teeth[tooth];
      const el = this.#heads.get(tooth);
      const more = [];
      if (t.mobility != null) more.push(`m${t.mobility}`);
      for (const [e, g] of Object.entries(t.furcation || {})) more.push(`f${e}${g}`);
      put(el.more, more.join(" "));
      attr(el.more, "aria-label", more.length ? `mobility ${t.mobility ?? "not recorded"}${Object.entries(t.furcation || {}).map(([e, g]) => `, furcation ${e} ${g}`).join("")}` : null);
      attr(el.more, "role", more.length ? "img" : null);
    }
    // Last of all: the browser asks at once whether a cell may have or keep the focus, and lays the page out for that.
    if (picked && this.#goes !== picked) this.#goes = ""; // something else was chosen meanwhile
    this.arrive();
    if (this.#tab === tab) return;
    for (const [k, stop] of [[this.#tab, "-1"], [tab, "0"]]) if (this.#cells.has(k)) attr(this.#cells.get(k).el, "tabindex", stop);
    this.#tab = tab;
  }

  /** enter puts the focus on a cell, after what is drawn with the next frame: the page is laid out once for both. */
  enter(k) {
    this.#goes = k;
    this.#from = document.activeElement;
    requestAnimationFrame(() => this.arrive());
  }
  /** arrive does so at once, for what has to come back to the cell. */
  arrive() {
    const k = this.#goes;
    this.#goes = "";
    if (k && this.#from === document.activeElement) this.#cells.get(k)?.el.focus();
  }
  /** leave takes the focus off the cell that has it. */
  leave() {
    this.#goes = "";
    if (this.focused && document.activeElement instanceof HTMLElement) document.activeElement.blur();
  }
  /** pointed is the site that the pointer is at, or "". */
  get pointed() {
    return this.querySelector("td[data-key]:hover")?.getAttribute("data-key") || "";
  }
  get focused() {
    return !!this.#goes || this.contains(document.activeElement);
  }

  #build(view, shape) {
    const had = (this.contains(document.activeElement) && document.activeElement.getAttribute("data-key")) || "";
    this.#shape = shape;
    this.#drawn = new Drawn();
    this.#cells.clear();
    this.#heads.clear();
    this.#tab = "";
    put(this, h("div", { class: "mouth" }, QUADRANTS.map((q) => this.#quadrant(view, q))),
      h("p", { class: "legend small soft" }, "Large: depth, mm. Small above: margin from the CEJ, minus above it (a healthy margin lies 1 to 3 mm above). ", FLAGS.map(([f, l], i) => [i ? ", " : "", h("b", {}, l), ` ${f}`]), ". m mobility, f furcation.", (this.thenLegend = h("span", { hidden: true }, " Small below: the earlier depth; ▴ shallower since, ▾ deeper, by more than error.")), this.hint && ` ${this.hint}`));
    this.#tables = [...this.querySelectorAll("table")];
    if (had) this.#cells.get(had)?.el.focus();
  }

  #quadrant(view, q) {
    const teeth = q.teeth;
    const head = h("tr", {}, h("td", { class: "corner" }), teeth.map((tooth) => {
      const t = view.teeth[tooth];
      const more = h("span", { class: "more" });
      this.#heads.set(tooth, { more });
      return h("th", { scope: "colgroup", colspan: "3", class: probed(t) ? null : "gone" }, h("span", {}, t.label), t.state === "implant" ? h("span", { class: "more" }, "implant") : null, more);
    }));
    const rows = (q.upper ? ["buccal", "lingual"] : ["lingual", "buccal"]).map((aspect, i) =>
      h("tr", {}, h("th", { scope: "row" }, h("span", {}, aspectName(aspect, teeth[0], this.words))), teeth.map((tooth) => {
        const t = view.teeth[tooth];
        if (!probed(t)) return i === 0 ? h("td", { colspan: "3", rowspan: "2", class: "gone" }, h("span", {}, stateText(t))) : null;
        return across(tooth, aspect).map((site, j) => {
          const k = key(tooth, site);
          // Eyes get numerals and letters, ears a sentence.
          const mark = (name) => h("span", { class: name, "aria-hidden": "true" });
          const c = { num: mark("num"), flags: mark("flags"), margin: mark("margin"), then: mark("before"), said: h("span", { class: "aloud" }) };
          c.el = h("td", { role: "gridcell", data: { key: k }, class: j === 0 ? "first" : null, tabindex: "-1" }, c.said, c.margin, c.num, c.then, c.flags);
          this.#cells.set(k, c);
          return c.el;
        });
      })));
    const parts = q.upper ? [head, ...rows] : [...rows, head];
    return h("div", { class: "quadrant" }, h("table", { role: "grid", "aria-label": `${q.name}: depths, margins and flags` }, h("colgroup", {}, h("col", { class: "corner" }), Array.from({ length: 24 }, () => h("col"))), h("tbody", {}, parts)));
  }
}

customElements.define("ls-sheet", Sheet);
