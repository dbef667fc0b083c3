// The calls of the exam, own ones first, each with its way back; what others entered is named with them.
import { h, put, order } from "../core/dom.js";
import { Part } from "../core/part.js";
import * as V from "../core/view.js";
import * as C from "../core/commands.js";

class Calls extends Part {
  /** @type {import("./state.js").LiveState} */
  state = null;
  /** @type {WeakMap<CallView, {line: HTMLElement, locked: boolean}>} */
  #lines = new WeakMap();

  connectedCallback() {
    if (this.list) return; // shown again
    this.list = h("ol", { class: "calls" });
    /** @param {string} text */
    const head = (text) => h("li", { class: "group" }, h("h2", {}, text));
    this.ownHead = head("Yours");
    this.othersHead = head("Of others");
    put(this, this.list);
  }

  draw() {
    const { state } = this;
    const { view } = state;
    const all = (view.calls || []).filter((c) => c.did !== "start").reverse();
    const lines = all.map((c) => this.#line(c, !!view.signed_by));
    const own = lines.filter((_, i) => state.own(all[i]));
    const others = lines.filter((_, i) => !state.own(all[i]));
    put(this.othersHead.firstChild, own.length ? "Of others" : "Calls");
    order(this.list, [own.length ? this.ownHead : null, ...own, others.length ? this.othersHead : null, ...others].filter(Boolean));
  }

  /** #line is the line of a call: made once, and anew only if the call changes, which makes it another object, or the exam is signed.
   *  @param {CallView} c
   *  @param {boolean} locked */
  #line(c, locked) {
    const was = this.#lines.get(c);
    if (was?.locked === locked) return was.line;
    const name = c.text || c.words;
    const line = h("li", { class: c.refused ? "refused" : c.undone ? "undone" : null },
      h("time", {}, new Date(c.time).toLocaleTimeString()),
      h("span", { class: "by" }, V.caller(c)),
      h("span", {}, c.words && c.words !== c.text ? h("q", {}, c.words) : null, h("span", { class: "did" }, c.refused || V.didText(c.text)), c.undone ? " (taken back)" : ""),
      c.effects && !c.undone && c.did !== "disregard" ? h("button", { disabled: locked, "aria-label": `Take back: ${name}`, onclick: () => this.state.session.act(C.takeBack(c), "take back " + name) }, "Take back") : h("span", {}));
    this.#lines.set(c, { line, locked });
    return line;
  }
}

customElements.define("ls-calls", Calls);
