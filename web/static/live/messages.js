// The one place of all messages of Live, of one height: the one that matters most is shown, the others wait behind it.
import { h, put, attr, keep, hide } from "../core/dom.js";
import { Part } from "../core/part.js";
import * as V from "../core/view.js";
import * as C from "../core/commands.js";
import "../question/question.js";

class Messages extends Part {
  /** @type {import("./state.js").LiveState} */
  state = null;

  connectedCallback() {
    const { state } = this;
    this.setAttribute("role", "region");
    this.setAttribute("aria-label", "Messages");
    this.keyNote = h("p", { class: "note key", hidden: true });
    this.question = Object.assign(h("ls-question"), { app: state.app });
    this.trouble = h("div", { class: "note trouble", role: "alert", hidden: true });
    this.unsent = h("div", { class: "unsent", hidden: true });
    this.list = h("span");
    this.saying = h("section", { class: "saying", "aria-label": "What can be said now", hidden: true }, h("p", {}, h("b", {}, "What can be said now: "), this.list), h("button", { onclick: () => state.set({ saying: false }) }, "Close"));
    this.gate = h("div", { class: "note gate", hidden: true }, h("div", { class: "row" },
      h("p", { class: "grow" }, h("b", {}, "Medical history not confirmed for this exam. "),
        "Before probing, ask about heart valves and endocarditis risk, bleeding and blood thinners, weak immunity, radiotherapy of the jaws, recent surgery, acute infection, consent. Local guidance decides what follows."),
      h("button", { onclick: () => {
        state.session.act(C.patient({ medical_history_checked: true }), "medical history checked");
        state.set({ inputs: { ...state.inputs, medical_history_checked: true } });
      } }, "I have checked it")));
    this.quiet = h("p", { class: "quiet soft" });
    this.behind = h("p", { class: "behind soft" });
    put(this, this.keyNote, this.question, this.trouble, this.unsent, this.saying, this.gate, this.quiet, this.behind);
  }

  draw() {
    const { view, ear, note, saying, inputs } = this.state;
    hide(this.keyNote, !note);
    put(this.keyNote, note);
    this.question.show(view.question);
    hide(this.trouble, !ear.trouble);
    put(this.trouble, ear.trouble);
    this.#drawUnsent();
    const say = view.say || [];
    hide(this.saying, !saying);
    put(this.list, say.join(" · "));
    hide(this.gate, !inputs || inputs.medical_history_checked === true || !!view.signed_by);
    keep(this.quiet, say, () => say.slice(0, 5).map((t, i) => [i ? " · " : "Say or type: ", h("q", {}, t)]));

    const all = [this.keyNote, this.question, this.trouble, this.unsent, this.saying, this.gate];
    const there = all.filter((m) => !m.hidden);
    for (const m of all) attr(m, "data-behind", m !== there[0]);
    hide(this.quiet, !!there.length);
    put(this.behind, there.length > 1 ? `${there.length - 1} more` : "");
  }

  #drawUnsent() {
    const { session } = this.state;
    const stuck = session.waiting.filter((w) => w.stuck);
    /** @type {Refused | undefined} */
    const r = session.refused.at(-1);
    hide(this.unsent, !stuck.length && !r);
    keep(this.unsent, [stuck.map((w) => w.id).join(), r, session.refused.length, this.state.view, this.state.pending.length], () => [
      stuck.length ? h("div", { class: "note", role: "status" }, h("b", {}, `Not sent yet: ${stuck.map((w) => w.label).join(", ")}. `), "Kept here, and sent as soon as the service answers.") : null,
      r && !stuck.length ? h("div", { class: "note row", role: "alert" }, h("p", { class: "grow" }, h("b", {}, `Not entered: ${r.label}. `), ...this.#why(r)),
        this.#again(r) ? h("button", { onclick: () => this.#insist(r) }, "Enter all the same") : null,
        h("button", { onclick: () => session.dismiss(r.id) }, session.refused.length > 1 ? `Drop, ${session.refused.length - 1} more` : "Drop")) : null]);
  }

  /** Why it was refused; its own words are not said twice, and who typed words is told where to see which would do.
   *  @param {Refused} r */
  #why(r) {
    const own = `"${r.label}": `;
    const text = r.text.startsWith(own) ? r.text.slice(own.length) : r.text;
    return [text, r.item.path === "words" && text.endsWith("does not fit here") ? [". ", h("q", {}, "help"), " shows what does."] : null].flat();
  }

  /** A refused value can be entered all the same if something else stands where it was to go.
   *  @param {Refused} r
   *  @returns {Act[] | null} */
  #again(r) {
    const { state } = this;
    const acts = r.item.body.command?.acts;
    if (!acts) return null;
    const now = [];
    for (const a of acts) {
      if (!a.ref || (a.verb !== "set" && a.verb !== "soundings")) return null;
      const k = V.key(a.ref.tooth, a.ref.site);
      const field = a.verb === "set" ? a.field : state.view.pass;
      now.push(C.set(k, field, a.verb === "set" ? a.number : a.numbers[0], state.seen(k, field)));
    }
    const moved = acts.some((a, i) => a.verb === "soundings" || a.was !== now[i].was);
    return moved ? now : null;
  }
  /** @param {Refused} r */
  #insist(r) {
    const { session } = this.state;
    const acts = this.#again(r);
    session.dismiss(r.id);
    if (acts) session.act(acts, r.label);
  }
}

customElements.define("ls-messages", Messages);
