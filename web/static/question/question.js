// What the tool asks, with its answers as buttons: the same on every screen of a running exam.
import { h, put, hide } from "../core/dom.js";
import { Part } from "../core/part.js";
import * as C from "../core/commands.js";

class Question extends Part {
  #asked = 0;

  connectedCallback() {
    this.classList.add("question");
    this.setAttribute("role", "group");
    this.setAttribute("aria-label", "Question");
    this.hidden = true;
  }

  /** show draws a question, or none; it is announced once. */
  show(q) {
    hide(this, !q);
    if (q && q.id !== this.#asked) {
      const { session } = this.app;
      put(this, h("p", {}, h("b", {}, q.text)),
        h("button", { class: "main", onclick: () => session.act(C.plain("affirm"), "yes") }, "Yes (y)"),
        h("button", { onclick: () => session.act(C.plain("negative"), "no") }, "No (n)"),
        q.site ? h("span", { class: "soft" }, "or say the right number") : null);
      this.app.announce(q.text);
    }
    this.#asked = q?.id || 0;
  }
}
customElements.define("ls-question", Question);
