// What stands for an exam: who signed, what waits, what was amended, whether it counts. Shown wherever the exam is read.
import { h, put } from "../core/dom.js";
import { get, post, newID } from "../core/server.js";
import * as V from "../core/view.js";
import { seat, may, onSeat } from "./seat.js";

const when = (ms) => `${V.day(ms)}, ${new Date(ms).toLocaleTimeString()}`;
/** said writes a value that was amended for people. */
const said = (v) => (v === "" ? "not recorded" : v.replace("-", "−"));

class Standing extends HTMLElement {
  app = null;
  #end = new AbortController();
  #drawn = "";

  connectedCallback() {
    const { session } = this.app;
    session.addEventListener("view", () => this.#draw(), { signal: this.#end.signal });
    onSeat(() => this.#draw(), this.#end.signal);
    this.#draw();
  }
  disconnectedCallback() {
    this.#end.abort();
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
      view.amendments?.length ? h("section", { "aria-label": "Amendments" }, h("h2", {}, "Amendments"), h("ul", { class: "dots amendments" }, view.amendments.map((a) => h("li", {},
        a.place ? [h("b", {}, `${a.place} ${V.fieldName(a.field)}`), `: ${said(a.was)} → ${said(a.value)}`] : h("b", {}, "Answers about the patient"), `; ${a.reason} (${a.who}, ${when(a.time)})`)))) : null,
      may("correct") ? this.#corrections(view) : null);
  }

  /** #corrections are for an exam that was made for the wrong person, or by mistake. */
  #corrections(view) {
    const reason = h("input", { id: "standreason", required: true, maxlength: "500", autocomplete: "off" });
    const to = h("select", { id: "standpatient" }, h("option", { value: "" }, "choose"));
    const fault = h("p", { class: "fault", role: "alert" });
    const act = (verb) => reason.reportValidity() && this.app.session.act({ verb, text: reason.value.trim() }, verb);
    const move = async () => {
      if (!reason.reportValidity()) return;
      put(fault, to.value ? "" : "Choose the patient whose exam it is.");
      if (!to.value) return;
      try {
        const exam = this.app.session.exam;
        const v = await this.app.proven(() => post(`/api/exams/${encodeURIComponent(exam)}/move`, { patient: to.value, reason: reason.value.trim(), id: newID() }));
        this.app.visit = v;
        this.app.go(`/patients/${encodeURIComponent(v.patient)}`);
      } catch (e) {
        put(fault, e.message);
      }
    };
    return h("details", { ontoggle: async (e) => {
      if (!e.target.open || to.options.length > 1) return;
      const ps = await get("/api/patients?search=").catch(() => []);
      to.append(...ps.filter((p) => p.id !== this.app.visit.patient).map((p) => h("option", { value: p.id }, [p.name, p.born, p.number].filter(Boolean).join(", "))));
    } }, h("summary", {}, view.void ? "Have it count again" : "A wrong exam, or of another patient"),
      h("div", { class: "row end" }, h("div", { class: "field grow" }, h("label", { for: "standreason" }, "Reason; it stays beside the exam"), reason),
        view.void ? h("button", { onclick: () => act("reinstate") }, "It counts again") : h("button", { onclick: () => act("void") }, "Make void")),
      h("div", { class: "row end" }, h("div", { class: "field" }, h("label", { for: "standpatient" }, "It is an exam of"), to), h("button", { onclick: move }, "Move it there")), fault);
  }
}

customElements.define("ls-standing", Standing);
