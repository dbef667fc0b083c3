// What can be said now, and what the keys do.
import { h, put, keep } from "../core/dom.js";
import { Part } from "../core/part.js";
import { prefs, setPrefs } from "../core/prefs.js";
import { KEYS } from "../core/keys.js";

class Help extends Part {
  connectedCallback() {
    this.say = h("ul", { class: "say" });
    this.single = h("input", { type: "checkbox", id: "keys", onchange: (e) => setPrefs({ keys: e.target.checked }) });
    this.dialog = h("dialog", { class: "help", "aria-labelledby": "helptitle" },
      h("div", { class: "row" }, h("h2", { id: "helptitle", class: "grow" }, "What can be said now"), h("button", { onclick: () => this.dialog.close() }, "Close")),
      this.say,
      h("h2", {}, "Keys"),
      h("label", { class: "check", for: "keys" }, this.single, "Single keys work everywhere on this screen. Off: only while the table has the focus."),
      h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Keys" }, h("table", { class: "list" }, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Key"), h("th", { scope: "col" }, "What it does"))),
        h("tbody", {}, KEYS.map(([k, what]) => h("tr", {}, h("th", { scope: "row" }, k), h("td", {}, what)))))));
    put(this, this.dialog);
  }

  /** @param {View} view */
  draw(view) {
    this.single.checked = prefs().keys;
    keep(this.say, view.say || [], () => (view.say || []).map((t) => h("li", {}, t)));
  }
  open() {
    this.dialog.showModal();
  }
}

customElements.define("ls-help", Help);
