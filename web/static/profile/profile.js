// The profile: the service draws it (package profile); here it is shown, kept up to date row by row, and chosen from.
import { h, put, attr, under } from "../core/dom.js";
import { get } from "../core/server.js";
import { QUADRANTS, across, aspectName, key, nextKey, siteAt, day } from "../core/view.js";

/** ROWS are the rows from the top of the chart down: name, arch and aspect. */
export const ROWS = /** @type {[string, boolean, string][]} */ ([["upper-buccal", true, "buccal"], ["upper-lingual", true, "lingual"], ["lower-lingual", false, "lingual"], ["lower-buccal", false, "buccal"]])
  .map(([name, upper, aspect]) => ({ name, upper, aspect, teeth: QUADRANTS.filter((q) => q.upper === upper).flatMap((q) => q.teeth) }));

/** rowOf is the row that a place stands in. */
export const rowOf = (tooth, aspect) => ROWS.find((r) => r.aspect === aspect && r.teeth.includes(tooth))?.name;

/** signOf is what a row shows of a view: while it stays the same, the row need not be drawn again. */
export function signOf(view, row) {
  return JSON.stringify(row.teeth.map((t) => {
    const { label, state, mobility, furcation } = view.teeth[t];
    return [label, state, mobility, furcation, across(t, row.aspect).map((s) => siteAt(view, key(t, s)))];
  }));
}

// Under so many px a whole row is too small to be read: its smallest letters are 11 px at the picture's own width.
const NARROW = 1200;

class Profile extends HTMLElement {
  exam = "";
  words = "buccal-lingual";
  with = ""; // the exam drawn behind: "" the one before, an exam, or "none"
  onpick = null; // (key) a site was chosen
  main = ""; // the row that stands large over the others; "" all alike
  at = ""; // a tooth: of the large row, where it is halved, only the half with it is shown
  whole = false; // rows are never halved: on paper they are as wide as it is
  #rows = new Map(); // by name: {el, sign}
  #span = "";
  #timer = 0;
  #view = null;
  #marks = {};
  #stamp = /** @type {string | number | null} */ (null); // null: not shown yet
  #narrow = /** @type {boolean | null} */ (null); // null: not measured yet
  #wanted = new Set();

  // On a narrow screen a row is wider than its place: the arrow keys move it then.
  wide = new ResizeObserver((all) => {
    for (const { target } of all) attr(target, "tabindex", target.scrollWidth > target.clientWidth ? "0" : null);
  });

  // What is too narrow for whole rows shows the halves of each, one under the other.
  room = new ResizeObserver(() => {
    const was = this.#narrow;
    this.#measure();
    if (was !== this.#narrow && this.#stamp !== null) this.show(this.#view, { picked: this.#marks.picked, stamp: this.#stamp });
  });

  #measure() {
    if (this.clientWidth) this.#narrow = !this.whole && this.clientWidth < NARROW;
  }

  connectedCallback() {
    this.room.observe(this);
    if (this.all) return; // it is moved, with its pictures
    put(this, (this.fault = h("p", { class: "soft", role: "status", hidden: true })), (this.all = h("div", { class: "rows" }, ROWS.map((r) => {
      const el = h("figure", { data: { row: r.name } }, h("figcaption", {}), h("div", { class: "scroll", role: "group" }));
      this.wide.observe(el.lastElementChild);
      this.#rows.set(r.name, { el, sign: "" });
      return el;
    }))), (this.legend = h("p", { class: "small soft legend" })));
    this.addEventListener("click", (e) => {
      const c = under(e, "[data-key]");
      if (c) this.onpick?.(c.dataset.key);
    });
  }
  /** show draws the rows of a view that have changed; picked and the next site of the path are framed. Without a view all
   *  rows are drawn, and again when stamp is another one. */
  /** @param {any} view
   *  @param {{picked?: string, coming?: any, earlier?: any, stamp?: string | number}} how */
  show(view, { picked, stamp = "" } = {}) {
    this.#view = view;
    this.#stamp = stamp;
    if (this.#narrow === null) this.#measure();
    for (const r of ROWS) {
      const sign = [this.exam, this.with, this.#names(r), view ? signOf(view, r) : stamp].join();
      const row = this.#rows.get(r.name);
      if (row.sign === sign) continue;
      row.sign = sign;
      this.#wanted.add(r.name);
    }
    this.#marks = { picked, next: view ? nextKey(view) : "" };
    for (const r of ROWS) {
      const { el } = this.#rows.get(r.name);
      const tooth = r.teeth[0];
      const name = `${r.upper ? "Upper" : "Lower"} ${aspectName(r.aspect, tooth, this.words)}`;
      put(el.firstElementChild, name);
      attr(el.lastElementChild, "aria-label", `Profile: ${name}`);
      attr(el, "data-main", r.name === this.main);
    }
    attr(this, "data-one", !!this.main);
    this.#mark();
    this.#later(0);
  }

  /** #names are the pictures that show a row: a small one under the one that stands large has no letters to be read, and is not halved. */
  #names(row) {
    if (!this.#narrow || (this.main && row.name !== this.main)) return [row.name];
    const half = this.main && this.at ? [row.teeth.indexOf(this.at) < 8 ? "right" : "left"] : ["right", "left"];
    return half.map((h) => `${row.name}-${h}`);
  }

  /** A row is asked for at most every 150 ms: calls come faster than eyes follow a picture. */
  #later(wait) {
    if (this.#timer || !this.#wanted.size) return;
    this.#timer = setTimeout(async () => {
      await this.#load();
      this.#timer = 0;
      this.#later(150);
    }, wait);
  }

  async #load() {
    const rows = ROWS.filter((r) => this.#wanted.has(r.name));
    this.#wanted.clear();
    const q = new URLSearchParams({ rows: rows.flatMap((r) => this.#names(r)).join() });
    if (this.with) q.set("with", this.with);
    let all;
    try {
      all = await get(`/api/exams/${encodeURIComponent(this.exam)}/profile?${q}`);
    } catch (e) {
      this.fault.hidden = false;
      put(this.fault, `The profile cannot be drawn: ${e.message}`);
      for (const r of rows) this.#rows.get(r.name).sign = ""; // asked for again with the next change
      return;
    }
    this.fault.hidden = true;
    const parser = new DOMParser();
    for (const r of rows) {
      const place = this.#rows.get(r.name).el.lastElementChild;
      place.replaceChildren(...all.rows.filter((p) => p.row.startsWith(r.name)).map((p) => document.importNode(parser.parseFromString(p.svg, "image/svg+xml").documentElement, true)));
      this.wide.unobserve(place); // observed anew it is measured anew
      this.wide.observe(place);
    }
    const span = JSON.stringify(all.span);
    if (this.#span && this.#span !== span) for (const r of ROWS) if (!rows.includes(r)) this.#wanted.add(r.name);
    this.#span = span;
    put(this.legend, "Millimetres from the CEJ (the level line); a column runs from the margin to the bottom of the pocket and is as long as the site is deep. ",
      h("b", {}, "b"), " bleeding, ", h("b", {}, "s"), " pus, – asked, no. A dashed margin was not called: only the depth can be read there. ",
      all.earlier ? `Dashed bottom: the exam of ${day(all.earlier.began)}; + and − are changes beyond the error of probing.` : "");
    this.#mark();
    this.dispatchEvent(new CustomEvent("drawn"));
  }

  #mark() {
    for (const c of this.querySelectorAll(".hit")) {
      const key = c.getAttribute("data-key");
      attr(c, "data-next", key === this.#marks.next && !!this.#view);
      attr(c, "data-picked", key === this.#marks.picked);
    }
  }
}

customElements.define("ls-profile", Profile);
