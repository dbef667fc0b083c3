// What all screens, and the parts that screens are made of, have in common.
import { onSeat } from "../people/seat.js";

export class Part extends HTMLElement {
  /** @type {any} */
  app = null; // the frame: who shows it gives it
  recordID = ""; // of the patient that a screen's address names
  #end = new AbortController();

  /** signal ends what it listens to, when it is left. */
  get signal() {
    return this.#end.signal;
  }
  disconnectedCallback() {
    this.#end.abort();
  }
}

/** Seated is a part that depends on who sits here: it is drawn when it is shown, and when somebody else sits down. */
export class Seated extends Part {
  connectedCallback() {
    onSeat(() => this.draw(), this.signal);
    this.draw();
  }
  draw() {}
}
