// The box in the header that shows who sits here and speaks, and changes it: by choice, by short code or card, by password.
import { h, put } from "../core/dom.js";
import { seat, onSeat, loadSeat, begin, choose, switchTo, signIn, signOut, prove, byPasskey } from "./seat.js";
import { able, noName } from "./passkeys.js";

class SeatBox extends HTMLElement {
  #end = new AbortController();
  #asking = null; // what waits for the dialog: {why, done}

  connectedCallback() {
    this.button = h("button", { class: "seat", onclick: () => this.#open() });
    this.dialog = h("dialog", { class: "seat", "aria-label": "Who sits here" });
    this.dialog.addEventListener("close", () => this.#answer(false));
    this.first = h("section", { class: "first", "aria-label": "Who sits here" });
    put(this, this.button, this.dialog);
    onSeat(() => this.#draw(), this.#end.signal);
    this.#draw();
  }
  disconnectedCallback() {
    this.#end.abort();
  }

  /** need has somebody sign in ("sign_in") or prove to be who sits here ("prove"), and tells whether it was done. */
  need(why) {
    this.#asking?.done.resolve(false);
    const done = Promise.withResolvers();
    this.#asking = { why, done };
    this.#open(why);
    return done.promise;
  }

  #answer(ok) {
    const a = this.#asking;
    this.#asking = null;
    a?.done.resolve(ok);
  }

  #draw() {
    const { person, open, people } = seat();
    put(this.button, person ? person.name : "Nobody");
    this.button.setAttribute("aria-label", person ? `${person.name} sits here and speaks: change` : "Nobody sits here: change");
    this.button.dataset.who = person ? person.id : "";
    // A practice that has nobody yet, or more than one, asks before anything is entered.
    const fault = h("p", { class: "fault", role: "alert" });
    const name = h("input", { id: "firstname", required: true, maxlength: "120", autocomplete: "name" });
    put(this.first, person || !open ? null : people.length
      ? h("div", { class: "note row" }, h("p", { class: "grow" }, h("b", {}, "Who sits here?"), " What is entered carries a name."), people.map((p) => h("button", { onclick: () => this.#try(fault, () => choose(p.id)) }, p.name)), fault)
      : h("form", { class: "note row end", onsubmit: (e) => {
        e.preventDefault();
        this.#try(fault, () => begin(name.value));
      } }, h("div", { class: "field grow" }, h("label", { for: "firstname" }, "Who works here? Your name stands beside what you enter"), name), h("button", { class: "main" }, "That is me"), fault));
    if (person && this.dialog.open && !this.#asking) this.dialog.close();
  }

  /** #try does something and says what went wrong, if it did. */
  async #try(fault, f) {
    put(fault, "");
    try {
      await f();
      return true;
    } catch (e) {
      put(fault, e.message);
      return false;
    }
  }

  #open(why = "") {
    const { person, open, people, proof } = seat();
    const fault = h("p", { class: "fault", role: "alert" });
    const after = (f) => async (e) => {
      e?.preventDefault();
      if (!(await this.#try(fault, f))) return;
      this.#answer(true);
      this.dialog.close();
    };
    const field = (id, label, attrs) => {
      const el = h("input", { id, ...attrs });
      return [el, h("div", { class: "field" }, h("label", { for: id }, label), el)];
    };
    const [password, passwordField] = field("seatpassword", "Password", { type: "password", required: true, autocomplete: "current-password", maxlength: "1000" });
    const parts = [];
    if (why === "prove") {
      parts.push(h("h2", {}, person.name), proof
        ? [h("p", {}, "This is done in your name: type your password once more."), h("form", { class: "row end", onsubmit: after(() => prove(password.value)) }, passwordField, h("button", { class: "main" }, "It is me"), this.#passkey(after(() => byPasskey(true))))]
        : h("p", {}, "This takes a password, and you have none yet. Sign in as somebody who has one, or ask who manages people."));
    } else {
      parts.push(h("h2", {}, person ? `${person.name} sits here` : "Sign in"));
      if (why === "sign_in") parts.push(h("p", {}, "The session has ended. What you typed waits and is entered when you are back."));
      if (open) parts.push(h("div", { class: "row" }, people.map((p) => h("button", { type: "button", "aria-pressed": String(p.id === person?.id), onclick: after(() => choose(p.id)) }, p.name))));
      if (person || open) {
        const [code, codeField] = field("seatcode", "Short code, or card", { type: "password", maxlength: "64", autocomplete: "off", required: true });
        parts.push(h("form", { class: "row end", onsubmit: after(() => switchTo(code.value)) }, codeField, h("button", {}, "Sit down")));
      }
      if (!open) {
        const [name, nameField] = field("seatname", "Name", { required: true, autocomplete: "username", maxlength: "120", value: why === "sign_in" ? person?.name || "" : "" });
        parts.push(h("form", { class: "row end", onsubmit: after(() => signIn(name.value, password.value)) }, nameField, passwordField, h("button", { class: "main" }, "Sign in"), this.#passkey(after(() => byPasskey(false)))));
      }
      if (person && !open) parts.push(h("p", {}, h("button", { type: "button", onclick: after(signOut) }, "Sign out")));
      if (person) parts.push(h("p", {}, h("a", { href: "/people", onclick: () => this.dialog.close() }, "People, passwords and codes")));
    }
    parts.push(fault, h("p", {}, h("button", { type: "button", onclick: () => this.dialog.close() }, "Close")));
    put(this.dialog, parts);
    if (!this.dialog.open) this.dialog.showModal();
    this.dialog.querySelector("input")?.focus();
  }

  /** #passkey is the button for who has one; null where the browser or the address allows none. */
  #passkey(onclick) {
    return able() && !noName() ? h("button", { type: "button", class: "passkey", onclick }, "With a passkey") : null;
  }

  /** load asks the service who sits here. */
  load = loadSeat;
}

customElements.define("ls-seat", SeatBox);
