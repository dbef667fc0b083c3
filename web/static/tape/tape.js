// The line view: the path as a marked line that runs past a fixed station. Readable from two metres.
import { h, put, attr, keep, under } from "../core/dom.js";
import { Drawn, amendedText, key, parts, probed, siteAt, stateText, thenAt, depthLevel, letters, nextKey, aspectName, marginText } from "../core/view.js";

class Tape extends HTMLElement {
  words = "buccal-lingual";
  onpick = null;
  #cells = new Map();
  #steps = [];
  #line = null;
  #window = null; // what the line runs past
  #shape = "";
  #teeth = null; // that the shape was made of, and the line
  #way = null;
  #at = ""; // what stands in the middle
  #drawn = new Drawn();
  #middles = null; // of the steps, in px; measuring costs a layout

  connectedCallback() {
    // The table below holds the same data in a form that can be read aloud.
    this.setAttribute("aria-hidden", "true");
    this.addEventListener("click", (e) => {
      const c = under(e, ".cell");
      if (c) this.onpick?.(c.dataset.key);
    });
    this.resize = new ResizeObserver(() => {
      this.#at = "";
      this.#middles = null;
      this.#center();
    });
    this.resize.observe(this);
  }
  disconnectedCallback() {
    this.resize.disconnect();
  }

  /** show draws the view; coming are values that are being heard or on their way; picked is a selected site. */
  /** @param {any} view
   *  @param {{picked?: string, coming?: ReturnType<typeof import("../core/commands.js").coming>, earlier?: any}} how */
  show(view, { picked, coming, earlier } = {}) {
    const shape = this.#teeth === view.teeth && this.#way === view.line ? this.#shape : view.line.map((s) => s.tooth + s.sites.join("") + s.aspect[0] + stateText(view.teeth[s.tooth] || { state: "" })).join() + this.words;
    if (shape !== this.#shape) this.#build(view, shape);
    this.#teeth = view.teeth;
    this.#way = view.line;
    const next = nextKey(view);
    for (const k of this.#drawn.touched(view, coming, earlier, [next, picked]).sites) {
      const c = this.#cells.get(k);
      if (!c) continue; // a site that the path does not come to
      const s = siteAt(view, k);
      const tentative = coming?.depth.get(k);
      const margin = coming?.recession.get(k);
      const mm = margin ?? s.recession;
      put(c.num, String(tentative ?? s.depth ?? "·"));
      attr(c.el, "data-wide", String(tentative ?? s.depth ?? "").length > 1);
      attr(c.el, "data-empty", tentative == null && s.depth == null);
      attr(c.el, "data-d", tentative == null ? depthLevel(s.depth) : null);
      attr(c.el, "data-tentative", tentative == null ? null : coming.why.get(`${k} depth`));
      attr(c.el, "data-tentative-margin", margin == null ? null : coming.why.get(`${k} recession`));
      attr(c.el, "data-doubt", !!s.doubt);
      c.num.classList.toggle("doubt", !!s.doubt && tentative == null);
      c.num.classList.toggle("amended", !!s.amended);
      attr(c.el, "title", s.amended ? amendedText(s) : null);
      put(c.flags, letters(s));
      const was = thenAt(earlier, view, k);
      keep(c.then, [was?.depth, was?.change], () => was && [h("span", { class: "word" }, "was "), `${was.depth}${was.change ? ` ${was.change}` : ""}`]);
      attr(c.el, "data-then", !!was);
      attr(c.then, "data-change", was?.change ? (was.worse ? "worse" : "better") : null);
      put(c.margin, (typeof mm === "number" && mm >= 0 ? "r" : "") + marginText(mm));
      attr(c.el, "data-next", k === next);
      attr(c.el, "data-picked", k === picked);
    }
    for (const st of this.#steps) {
      attr(st.el, "data-here", !view.at_end && st.tooth === view.place.tooth && st.aspect === view.place.aspect);
    }
    attr(this.#window, "data-two", !!picked && !!next && picked !== next);
    this.#focus = picked || next || (view.last || []).at(-1) || "";
    this.#center();
  }
  #focus = "";

  #build(view, shape) {
    this.#shape = shape;
    this.#at = "";
    this.#middles = null;
    this.#drawn = new Drawn();
    this.#cells.clear();
    this.#steps = [];
    const items = [];
    let row = "";
    for (const step of view.line) {
      const t = view.teeth[step.tooth];
      const name = `${parts(step.tooth + ".").tooth[0] < "3" ? "upper" : "lower"} ${aspectName(step.aspect, step.tooth, this.words)}`;
      if (name !== row) {
        row = name;
        items.push(h("div", { class: "rowmark" }, h("span", {}, name)));
      }
      if (!probed(t)) {
        items.push(h("div", { class: "step gone" }, h("div", { class: "label" }, t.label), h("div", { class: "why" }, stateText(t))));
        continue;
      }
      const cells = step.sites.map((site) => {
        const k = key(step.tooth, site);
        const c = { num: h("span", { class: "num" }), flags: h("span", { class: "flags" }), margin: h("span", { class: "margin" }), then: h("span", { class: "before" }) };
        c.el = h("div", { class: "cell", data: { key: k } }, h("span", { class: "where" }, site[0] === "D" || site[0] === "M" ? site[0].toLowerCase() : "·"), c.then, c.num, h("span", { class: "marks" }, c.margin, c.flags));
        c.step = this.#steps.length;
        this.#cells.set(k, c);
        return c.el;
      });
      const el = h("div", { class: "step" }, h("div", { class: "label" }, t.label, t.state === "implant" ? h("small", {}, " implant") : null), h("div", { class: "cells" }, cells));
      el.style.setProperty("--sites", String(cells.length));
      this.#steps.push({ el, tooth: step.tooth, aspect: step.aspect });
      items.push(el);
    }
    this.#line = h("div", { class: "line" }, items);
    put(this, (this.#window = h("div", { class: "window" }, this.#line)));
  }

  #center() {
    const c = this.#cells.get(this.#focus);
    const w = this.#window;
    if (!c || !w || this.#at === this.#focus) return;
    this.#middles ??= { of: this.#steps.map(({ el }) => el.offsetLeft + el.offsetWidth / 2), line: this.#line.scrollWidth, window: w.clientWidth };
    const m = this.#middles;
    this.#at = m.window ? this.#focus : "";
    const x = Math.max(0, Math.min(m.of[c.step] - m.window * 0.5, m.line - m.window));
    this.#line.style.transform = `translateX(${-Math.round(x)}px)`;
    // It glides from place to place, but begins where it is.
    if (!w.dataset.ready) requestAnimationFrame(() => requestAnimationFrame(() => (w.dataset.ready = "1")));
  }
}

customElements.define("ls-tape", Tape);
