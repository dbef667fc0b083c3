// Live: the screen during probing, in two layouts. At a distance: the place, the last call, the question and the profile, to be
// read from two metres. For the assistant: the tape, the chart to be edited, and every call with its way back. Here its parts are put
// together and drawn, once a frame, from one store (state.js); each part touches the page only where what it shows has changed.
import { h, put, attr, hide } from "../core/dom.js";
import { Part } from "../core/part.js";
import { prefs, setPrefs, onPrefs } from "../core/prefs.js";
import * as C from "../core/commands.js";
import { LiveState } from "./state.js";
import { Hands } from "./hands.js";
import "./station.js";
import "./heard.js";
import "./messages.js";
import "./calls.js";
import "./help.js";
import "./editor.js";
import "../tape/tape.js";
import "../sheet/sheet.js";
import "../map/map.js";
import { rowOf } from "../profile/profile.js";

const LOOKS = [["sheet", "Table"], ["profile", "Profile"], ["map", "Map"], ["calls", "Calls"]];

/** choice is a select. Chosen with a pointer, the keys belong to the chart again at once; with the arrows one goes on choosing.
 *  @param {string} id
 *  @param {string[][]} options
 *  @param {(value: string) => void} act */
function choice(id, options, act) {
  let pointer = false;
  const box = h("select", { id, onpointerdown: () => (pointer = true), onkeydown: () => (pointer = false), onchange: () => {
    act(box.value);
    if (pointer) box.blur();
  } }, options.map(([value, name]) => h("option", { value }, name)));
  return box;
}

class Live extends Part {
  #frame = 0;

  connectedCallback() {
    this.state = new LiveState(this.app, this.signal);
    this.sheet = h("ls-sheet");
    this.map = h("ls-map");
    this.profile = h("ls-profile");
    this.tape = h("ls-tape");
    this.editor = h("ls-editor");
    this.help = h("ls-help");
    this.hands = new Hands(this.state, { sheet: this.sheet, editor: this.editor, help: this.help, words: () => this.heard.box });
    this.#build();
    const { signal } = this;
    const { session, ear } = this.state;
    this.state.addEventListener("change", () => this.#draw(), { signal });
    for (const name of ["view", "queue"]) session.addEventListener(name, () => this.hands.arrived(), { signal });
    session.addEventListener("answer", (/** @type {CustomEvent} */ e) => e.detail.did === "exam complete" && ear.on && this.#close(), { signal });
    session.addEventListener("answered", (/** @type {CustomEvent} */ e) => e.detail.answer.did === "exam complete" && this.#close(), { signal });
    onPrefs(() => this.#drawNow(), signal); // who chose a layout may go on in what it shows
    document.addEventListener("keydown", (e) => this.hands.key(e), { signal });
    this.#drawNow();
  }

  disconnectedCallback() {
    super.disconnectedCallback();
    cancelAnimationFrame(this.#frame);
  }

  #build() {
    const { state, hands } = this;
    const part = (/** @type {string} */ tag, /** @type {string} */ name) => Object.assign(h(tag, { class: name }), { state, hands });
    this.station = part("ls-station", "station");
    this.heard = part("ls-heard", "heard");
    this.messages = part("ls-messages", "messages");
    this.calls = part("ls-calls", null);
    this.profile.exam = state.session.exam;
    for (const el of [this.tape, this.sheet, this.map, this.profile]) {
      el.words = state.words;
      el.onpick = (/** @type {string} */ k) => hands.pick(k);
    }
    this.sheet.hint = state.view.signed_by ? "" : "To correct one: point at it, then Alt and the right digit.";
    this.sheet.onopen = (/** @type {string} */ k) => hands.open(k);
    this.lower = h("div", { class: "lower" });
    put(this, h("h1", { class: "unseen" }, "Live chart"), this.station, this.tape, this.heard, this.messages, this.#tabs(), this.lower, this.editor, this.help);
  }

  #tabs() {
    const { session } = this.state;
    this.looks = LOOKS.map(([id, name]) => h("button", { data: { look: id }, onclick: () => setPrefs({ look: id }) }, name));
    this.pathBox = choice("path", this.app.about.paths.filter((p) => !p.again || this.app.visit.earlier).map((p) => [p.name, p.title]), (v) => session.act(C.path(v), "path " + v));
    this.passBox = choice("pass", [["depth", "depths"], ["recession", "margins"]], (v) => session.act(C.pass(v), v === "depth" ? "numbers are depths" : "numbers are margins"));
    this.then = this.app.earlier ? h("input", { type: "checkbox", id: "then", onchange: (e) => setPrefs({ then: e.target.checked }) }) : null;
    this.probing = [h("label", { for: "path" }, "Path"), this.pathBox, h("label", { for: "pass" }, "Numbers are"), this.passBox,
      h("button", { onclick: () => session.act(C.plain("exam complete"), "exam complete") }, "Exam complete")];
    return h("div", { class: "tabs" },
      h("div", { class: "row", role: "group", "aria-label": "Show below" }, this.looks),
      h("div", { class: "row pathrow" }, this.then ? h("label", { class: "check", for: "then" }, this.then, "Earlier exam") : null, this.probing,
        h("button", { onclick: () => this.help.open() }, "Keys and calls")));
  }

  /** #draw has what changed drawn with the next frame, once for whatever happens until then. */
  #draw() {
    this.#frame ||= requestAnimationFrame(() => this.#drawNow());
  }

  #drawNow() {
    cancelAnimationFrame(this.#frame);
    this.#frame = 0;
    const { view, pending, session, picked, earlier, far, look } = this.state;
    const how = { picked, coming: C.coming(view, pending, session.partial), earlier };
    attr(this, "data-layout", far ? "far" : "near");
    this.station.draw();
    this.tape.show(view, how);
    this.heard.draw();
    this.messages.draw();
    this.help.draw(view);
    if (this.then) this.then.checked = prefs().then;
    for (const el of this.probing) hide(el, !!view.signed_by);
    this.#follow(this.pathBox, view.path, "path");
    this.#follow(this.passBox, view.pass, "pass");
    for (const b of this.looks) attr(b, "aria-pressed", b.dataset.look === look ? "true" : "false");
    const shown = { sheet: this.sheet, profile: this.profile, map: this.map, calls: this.calls }[look] || this.sheet;
    if (this.lower.firstChild !== shown) this.lower.replaceChildren(shown);
    this.profile.with = earlier ? "" : "none";
    this.profile.main = rowOf(view.place.tooth, view.place.aspect) || "";
    this.profile.at = far ? String(view.place.tooth) : "";
    if (shown === this.calls) this.calls.draw();
    else shown.show(view, how);
  }

  /** A choice shows what is in force, or what was chosen and is on its way: a path that is no longer offered, too.
   *  @param {HTMLSelectElement} box
   *  @param {string} value
   *  @param {string} verb */
  #follow(box, value, verb) {
    if (this.state.pending.some((p) => p.body.command?.acts?.some((a) => a.verb === verb))) return;
    if (![...box.options].some((o) => o.value === value)) box.append(h("option", { value }, value));
    if (box.value !== value) box.value = value;
  }

  /** #close leads to the list of what is open, once the exam was called complete on this screen. */
  #close() {
    this.app.go(location.pathname.replace(/live$/, "close"));
  }
}

customElements.define("ls-live", Live);
