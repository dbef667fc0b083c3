// What is being heard, the last call by voice and by keyboard, and the box for calls in words.
import { h, put, attr, keep, hide } from "../core/dom.js";
import { Part } from "../core/part.js";
import { didText } from "../core/view.js";

const WAITS = { r: "recession …", "r-": "margin above the CEJ …", m: "mobility …", f: "furcation: b l m d …", "+": "ten and …" };

class Heard extends Part {
  /** @type {import("./state.js").LiveState} */
  state = null;
  /** @type {import("./hands.js").Hands} */
  hands = null;
  #cameBack = ""; // the refused words that stood in the box again

  connectedCallback() {
    this.setAttribute("role", "region");
    this.setAttribute("aria-label", "Calls");
    this.partial = h("p", { class: "partial" });
    this.voice = h("div", { class: "last" });
    this.typed = h("div", { class: "last" });
    this.undoButton = h("button", { onclick: () => this.hands.undo() }, "Take back");
    this.wait = h("span", { class: "wait", role: "status" });
    this.box = h("input", { type: "text", id: "words", maxlength: "300", autocomplete: "off", spellcheck: "false", placeholder: "three two four", size: "18" });
    put(this, this.partial, h("div", { class: "lasts" }, this.voice, this.typed),
      h("form", { class: "type", onsubmit: (e) => this.#enter(e) }, h("label", { for: "words", class: "unseen" }, "Type a call in words"), this.box, h("button", {}, "Enter"), this.undoButton, this.wait));
  }

  draw() {
    const { view, session, wait, ownLast } = this.state;
    const words = session.partial?.words || "";
    put(this.partial, words);
    attr(this.partial, "data-on", !!words);
    /** @param {string} by */
    const last = (by) => view.calls?.findLast((c) => c.source === by && c.did !== "start");
    const [spoken, typed] = [last("voice"), last("keyboard")];
    this.#last(this.voice, spoken, "Voice");
    this.#last(this.typed, typed, "Keyboard");
    attr(this.voice, "data-latest", (spoken?.seq ?? 0) > (typed?.seq ?? 0));
    attr(this.typed, "data-latest", (typed?.seq ?? 0) > (spoken?.seq ?? 0));
    this.undoButton.disabled = !ownLast || !!view.signed_by;
    attr(this.undoButton, "title", ownLast ? ownLast.text || ownLast.words : null);
    this.box.disabled = !!view.signed_by;
    put(this.wait, WAITS[wait] || (wait ? `furcation ${wait[1]} …` : ""));
    this.#comesBack(session.refused.at(-1));
  }

  /** @param {HTMLElement} el
   *  @param {CallView | undefined} c
   *  @param {string} by */
  #last(el, c, by) {
    hide(el, !c);
    if (!c) return;
    keep(el, [c], () => [
      h("span", { class: "by" }, c.who ? `${by}, ${c.who}` : by),
      c.words && c.words !== c.text ? h("q", {}, c.words) : null,
      h("b", { class: c.undone ? "undone" : null }, c.refused || didText(c.text)),
      c.undone ? h("span", { class: "soft" }, "taken back") : null]);
  }

  /** Typed words that were refused come back into the box, to be mended.
   *  @param {Refused | undefined} r */
  #comesBack(r) {
    if (!r || r.item.path !== "words" || r.id === this.#cameBack) return;
    this.#cameBack = r.id;
    if (this.box.value) return;
    // What is not finished is gone on with; what is wrong is written over.
    const unfinished = r.text.includes("not finished");
    this.box.value = unfinished ? r.label + " " : r.label;
    if (document.activeElement === this.box && !unfinished) this.box.select();
  }

  #enter(e) {
    e.preventDefault();
    const text = this.box.value.trim();
    if (!text) return;
    const { session } = this.state;
    this.box.value = "";
    // What was refused before is answered by what is typed now.
    for (const r of [...session.refused]) if (r.item.path === "words") session.dismiss(r.id);
    session.words(text);
  }
}

customElements.define("ls-heard", Heard);
