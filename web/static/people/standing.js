// What stands for an exam: who signed, what waits, what was amended, whether it counts. Shown wherever the exam is read.
import { h, put } from "../core/dom.js";
import { Part } from "../core/part.js";
import { get } from "../core/server.js";
import { seat, may, onSeat } from "./seat.js";
import { examForms } from "./correct.js";
import { amendedPart, when } from "./amended.js";

class Standing extends Part {
  #drawn = "";

  connectedCallback() {
    const { session } = this.app;
    session.addEventListener("view", () => this.#draw(), { signal: this.signal });
    onSeat(() => this.#draw(), this.signal);
    this.#draw();
  }
  #draw() {
    const { view } = this.app.session;
    const sign = JSON.stringify([view.signatures, view.waits, view.amendments, view.void, seat().rights, seat().person]);
    if (sign === this.#drawn) return;
    this.#drawn = sign;
    const list = view.signatures || [];
    put(this,
      view.void ? h("p", { class: "note void" }, h("b", {}, "This exam is void."), ` ${view.void.who}, ${when(view.void.time)}: ${view.void.reason}`) : null,
      list.length ? h("section", { "aria-label": "Signatures" }, h("h2", {}, "Signatures"), h("ul", { class: "dots" }, list.map((s) => h("li", {}, `${s.co ? "Co-signed" : "Signed"} by ${s.who}, ${when(s.time)}`)))) : null,
      view.waits ? h("div", { class: "note row" }, h("p", { class: "grow" }, h("b", {}, "Waits for a supervisor's co-signature."), " Until then it is a student's work."),
        may("co-sign") ? h("button", { class: "main", onclick: () => this.app.session.act({ verb: "co-sign" }, "co-sign") }, "Co-sign") : null) : null,
      amendedPart(view.amendments),
      may("correct") ? this.#corrections(view) : null);
  }

  /** #corrections are for an exam that was made for the wrong person, or by mistake. */
  #corrections(view) {
    const { app } = this;
    const { patient } = app.visit;
    return h("details", {}, h("summary", {}, view.void ? "Have it count again" : "This exam is wrong, or belongs to another patient"),
      examForms(app, { exam: app.session.exam, patient, isVoid: !!view.void }, async (now) => {
        if (now === patient) return;
        app.visit = await get(`/api/exams/${encodeURIComponent(app.session.exam)}/visit`);
        app.go(`/patients/${encodeURIComponent(now)}`);
      }));
  }
}

customElements.define("ls-standing", Standing);
