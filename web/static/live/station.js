// Where the exam stands: whether it is listened to, the place, how far it has come.
import { h, put, attr, keep, hide } from "../core/dom.js";
import { Part } from "../core/part.js";
import * as V from "../core/view.js";
import { advice } from "../core/mic.js";
import "../practise/examiner.js";

const LONG_MS = 6 * 3600e3; // an exam that was begun longer ago shows its day

/** share is a level in dB as a part of the meter.
 *  @param {number} db */
const share = (db) => Math.max(0, Math.min(1, (db + 70) / 70));

class Station extends Part {
  /** @type {import("./state.js").LiveState} */
  state = null;
  /** @type {import("./hands.js").Hands} */
  hands = null;
  #clock = 0;
  #advised = "";

  connectedCallback() {
    const { state, hands } = this;
    this.setAttribute("role", "region");
    this.setAttribute("aria-label", "Where the exam stands");
    this.listens = h("p", { class: "listen" });
    this.more = h("p", { class: "small" });
    this.meter = h("div", { class: "meter", role: "img", "aria-label": "Microphone level" }, (this.bar = h("span", { class: "bar" })), (this.floor = h("span", { class: "floor" })));
    this.micButton = h("button", { class: "main", onclick: () => this.#toggle() });
    this.standButton = h("button", { onclick: () => hands.listen() });
    const voice = h("ls-examiner");
    voice.addEventListener("pick", async () => {
      if (!state.ear.on) return;
      state.ear.off(); // the stream of another voice is another stream
      await state.ear.start();
    });
    this.place = h("p", { class: "place" }, (this.tooth = h("b")), (this.rest = h("span")));
    this.then = h("p", { class: "then" });
    this.atKeys = h("p", { class: "then", hidden: true }, h("button", { onclick: () => hands.open(state.picked) }, "More"), h("button", { onclick: () => hands.pick("") }, "Back to the path"));
    this.progress = h("p", { class: "big" }, (this.done = h("span")), (this.of = h("small")));
    this.bars = h("progress", { max: "1", "aria-label": "Sites recorded" });
    this.elapsed = h("p", { class: "big" }, (this.since = h("span")), (this.begun = h("small")));
    this.doubts = h("p", {});
    this.layoutButton = h("button", { class: "layout", onclick: () => state.layout() });
    put(this,
      h("div", { class: "hearing" }, this.listens, this.meter, this.more, h("div", { class: "row" }, this.micButton, this.standButton, voice, h("a", { class: "small", href: "/settings" }, "Try it"))),
      h("div", { class: "here" }, this.place, this.then, this.atKeys),
      h("div", { class: "facts" }, h("div", {}, this.progress, this.bars), h("div", {}, this.elapsed, this.doubts)),
      this.layoutButton);
    state.ear.addEventListener("level", () => this.#level(), { signal: this.signal });
    this.#clock = setInterval(() => this.#time(), 1000);
  }

  disconnectedCallback() {
    super.disconnectedCallback();
    clearInterval(this.#clock);
  }

  draw() {
    const { view, far } = this.state;
    this.#drawEar(view);
    this.#drawPlace(view);
    put(this.done, String(view.recorded));
    put(this.of, ` of ${view.sites} sites`);
    attr(this.bars, "value", view.sites ? view.recorded / view.sites : 0);
    const n = view.doubts.length;
    keep(this.doubts, [n], () => [n ? h("a", { href: location.pathname.replace(/live$/, "review"), class: "doubt" }, n === 1 ? "1 doubt" : `${n} doubts`) : h("span", { class: "soft" }, "no doubts")]);
    put(this.layoutButton, far ? "At the keyboard (v)" : "At a distance (v)");
    this.#time();
  }

  /** @param {View} view */
  #drawEar(view) {
    const { ear, session } = this.state;
    const here = ear.on;
    const elsewhere = !here && session.mic?.on;
    const on = here || elsewhere;
    put(this.listens, !on ? "Microphone off" : view.listening ? "Listening" : "Standing by");
    attr(this.listens, "data-state", !on ? "off" : view.listening ? "listening" : "standby");
    put(this.more, elsewhere ? "to the microphone of another screen" : !view.listening ? (on ? "say go ahead" : "standing by: press Go ahead, until then no words are taken") : on || view.signed_by ? "" : "keys and words work");
    const how = ear.uplink?.state;
    put(this.micButton, how === "taken" ? "Take over here" : here || how === "broken" ? "Microphone off" : "Microphone on");
    put(this.standButton, view.listening ? "Stand by" : "Go ahead");
    this.standButton.disabled = this.micButton.disabled = !!view.signed_by;
    if (!on) this.bar.style.transform = "scaleX(0)";
    hide(this.meter, !here);
  }

  /** @param {View} view */
  #drawPlace(view) {
    const { picked: k, words } = this.state;
    attr(this.place, "data-picked", !!k);
    hide(this.then, !!k);
    hide(this.atKeys, !k);
    if (k) {
      const { tooth, site } = V.parts(k);
      this.#names(view.teeth[tooth].label, V.siteName(site, tooth, words));
      return;
    }
    const open = view.sites - view.recorded;
    let next = "";
    if (view.signed_by) {
      this.#names(view.void ? "Void" : "Signed", "");
      next = view.void ? "this exam counts no more" : `by ${view.signed_by}; choose a value to amend it`;
    } else if (view.at_end) {
      this.#names("End", "of the path");
      const what = view.pass === "depth" ? "depth" : "margin";
      next = open > 0 ? `${open} without a ${what}: next goes there` : `every site has a ${what}`;
    } else {
      this.#names(view.place.label, V.aspectName(view.place.aspect, view.place.tooth, words));
      next = (view.ended ? `left out, ${open} open; ` : "") + (view.then ? `then ${view.then.label} ${V.aspectName(view.then.aspect, view.then.tooth, words)}` : "last place of the path");
    }
    put(this.then, next);
  }
  #names(tooth, rest) {
    put(this.tooth, tooth);
    put(this.rest, rest);
  }

  #level() {
    const m = this.state.ear.mic;
    this.bar.style.transform = `scaleX(${share(m.level).toFixed(3)})`;
    this.floor.style.left = `${(share(m.noise) * 100).toFixed(1)}%`;
    attr(this.meter, "data-hot", m.clipped > 0.01);
    const a = advice(m);
    if (a === this.#advised) return;
    this.#advised = a;
    this.state.tell();
  }

  #time() {
    const { visit } = this.state.app;
    if (!visit) return; // the page is being left
    const ms = Date.now() - visit.began;
    const shown = ms > LONG_MS ? V.day(visit.began) : V.clock(ms);
    put(this.since, shown);
    put(this.begun, ms > LONG_MS ? " begun" : " elapsed");
  }

  async #toggle() {
    const { ear } = this.state;
    const how = ear.uplink?.state;
    if (how === "taken") await ear.start(true);
    else if (ear.on || how === "broken") ear.off();
    else {
      if (ear.uplink) ear.off();
      await ear.start();
    }
  }
}

customElements.define("ls-station", Station);
