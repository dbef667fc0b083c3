// Close: the way from the last call to a signed, printed chart, in one list: what was not probed, what is in doubt, what was
// not called, who signs. A figure is shown only when it is known of which sites it speaks.
import { h, put, attr } from "../core/dom.js";
import { Part } from "../core/part.js";
import { get } from "../core/server.js";
import { seat, may, onSeat } from "../people/seat.js";
import * as V from "../core/view.js";
import * as C from "../core/commands.js";
import { Clips } from "../core/clips.js";
import { doubtTable } from "./doubts.js";
import "../live/editor.js";
import "../profile/profile.js";
import "../question/question.js";
import "../people/standing.js";

const REASONS = [["calculus", "calculus in the way"], ["band", "a band or bracket"], ["overhang", "an overhang"], ["pain", "too painful"]];
// What may have been called only where it was: field, its plural sentence for the others, and its name.
const CALLED = [["bleeding", "did not bleed", "Bleeding"], ["suppuration", "had no pus", "Pus"], ["plaque", "had no plaque", "Plaque"], ["calculus", "had no calculus", "Calculus"], ["recession", "have their margin at the CEJ", "Margins"]];
const UNSEEN = "Not looked for at the other sites: ";
const CALM_MS = 700; // "Sign" does nothing so long after it came in sight: a second click was meant for the button that stood there before

/** uncalled lists what stands at some probed sites and not at others, or at none: {field, rest, name, at, open}. */
export function uncalled(view) {
  const probed = V.walk(view).filter((k) => V.siteAt(view, k).depth != null);
  return CALLED.map(([field, rest, name]) => {
    const open = probed.filter((k) => V.siteAt(view, k)[field] == null).length;
    return { field, rest, name, open, at: probed.length - open };
  }).filter((x) => x.open);
}

/** unlooked reports whether it was said openly that a field was not looked for at the sites without it. */
export const unlooked = (view, name) => view.remarks.some((r) => r.text.startsWith(UNSEEN) && r.text.slice(UNSEEN.length).split(", ").includes(name));

class Close extends Part {
  #open = null; // the step that a person has opened; null: the first that is not done
  #signable = null; // the button that came in sight last
  #calm = 0;

  connectedCallback() {
    const { session } = this.app;
    this.session = session;
    this.words = this.app.settings.site_words;
    this.clips = new Clips(session.exam);
    this.editor = h("ls-editor");
    this.profile = h("ls-profile");
    this.profile.words = this.words;
    this.profile.exam = session.exam;
    this.profile.onpick = (k) => this.editor.open(this.app, k);
    this.steps = ["complete", "sites", "doubts", "called", "sign", "print"].map((name) => {
      const el = h("li", { data: { step: name } }, h("button", { class: "head", "aria-expanded": "false", onclick: () => {
        this.#open = this.#open === name ? "" : name;
        this.#draw();
      } }, h("span", { class: "what" }), h("span", { class: "how" })), h("div", { class: "body" }));
      return { name, el, head: el.firstChild, body: el.lastChild, sign: "" };
    });
    this.question = Object.assign(h("ls-question"), { app: this.app });
    put(this, h("div", { class: "desk close" },
      h("div", { class: "title" }, h("h1", {}, "Close the exam"), (this.lead = h("p", { class: "soft" }))), this.question,
      h("ol", { class: "steps" }, this.steps.map((s) => s.el)), (this.standing = Object.assign(h("ls-standing"), { app: this.app })), this.profile, this.editor));
    for (const n of ["view", "queue", "answered"]) session.addEventListener(n, () => this.#draw(), { signal: this.signal });
    session.addEventListener("answer", (e) => this.#follow(e.detail), { signal: this.signal });
    onSeat(() => this.#draw(), this.signal);
    this.clips.load().then(() => this.#draw(), () => {}); // without sound the list has no buttons for it
    session.settled(() => this.#answers(), this.signal);
    this.#answers();
    this.#draw();
  }
  /** #answers reads what was asked about the patient: there it is said why a site could not be probed. */
  async #answers() {
    try {
      this.inputs = await get(`/api/exams/${encodeURIComponent(this.session.exam)}/inputs`);
      this.drawn = "";
      this.#draw();
    } catch {
      // the header says that the service does not answer; the sites stay among those that are open
    }
  }

  disconnectedCallback() {
    super.disconnectedCallback();
    clearTimeout(this.#calm);
  }

  /** #follow goes to Live with whoever answers "go there" aloud, or that the exam is not complete. */
  #follow({ did }) {
    if (this.app.ear.on && (did === "go" || did === "disregard" && !this.session.view.complete)) this.app.go(this.#base("live"));
  }

  #draw() {
    const { view } = this.session;
    this.question.show(view.question);
    const left = V.unprobed(view).filter((k) => !this.#reason(k));
    const out = V.unprobed(view).length - left.length;
    const open = uncalled(view).filter((x) => !unlooked(view, x.name));
    const probed = view.sites - V.unprobed(view).length;
    const signed = !!view.signed_by;
    put(this.lead, `${this.app.visit.patient_name}, ${this.app.visit.kind} of ${V.day(this.app.visit.began)}: ${probed} of ${view.sites} sites probed${this.app.visit.title ? `; ${this.app.visit.title}` : ""}`);
    const state = {
      complete: [view.complete || signed, "Exam complete", view.complete || signed ? "said" : "not said yet"],
      sites: [!left.length, "Sites not probed", [left.length ? `${left.length} open` : "", out ? `${out} left out with a reason` : "", !left.length && !out ? "none" : ""].filter(Boolean).join(", ")],
      doubts: [!view.doubts.length, "Doubts", view.doubts.length ? `${view.doubts.length} open` : "none"],
      called: [!open.length && probed > 0, "Called only where it was?", open.length ? open.map((x) => x.name.toLowerCase()).join(", ") : probed ? "answered" : "nothing is probed yet"],
      sign: [signed, "Sign", signed ? `by ${view.signed_by}` : "not signed"],
      print: [false, "The chart on paper", ""],
    };
    const first = signed ? "print" : this.steps.find((s) => !state[s.name][0])?.name;
    for (const s of this.steps) {
      const [done, what, how] = state[s.name];
      attr(s.el, "data-done", done);
      put(s.head.firstChild, what);
      put(s.head.lastChild, `${done ? "✓ " : ""}${how}`);
      const shown = s.name === (this.#open ?? first);
      attr(s.head, "aria-expanded", String(shown));
      s.body.hidden = !shown;
    }
    const sign = JSON.stringify([view.teeth, view.doubts, view.remarks, view.complete, view.signed_by, view.waits, seat().person, seat().rights, this.session.refused.length, this.session.waiting.length, [...this.clips.calls]]);
    if (sign !== this.drawn) {
      // Somebody may be typing in a step that stays as it is.
      this.drawn = sign;
      const body = (name, key, ...inside) => {
        const s = this.steps.find((x) => x.name === name);
        if (s.sign === key) return;
        s.sign = key;
        put(s.body, ...inside);
      };
      body("complete", JSON.stringify([view.complete, signed, probed, view.sites]), this.#complete(view, probed, signed));
      body("sites", JSON.stringify([left, out, signed]), this.#sites(view, left, out, signed));
      body("doubts", JSON.stringify([view.doubts, signed, [...this.clips.calls]]), view.doubts.length ? doubtTable(this, view.doubts, signed) : h("p", { class: "soft" }, "No value is in doubt."));
      body("called", JSON.stringify([uncalled(view), view.remarks, signed]), this.#called(view, signed));
      body("sign", JSON.stringify([view.signed_by, view.waits, left.length, view.doubts.length, open.length, seat().person, seat().rights]), this.#sign(view, left, open));
      body("print", "once", h("p", { class: "row" }, h("a", { class: "button main", href: this.#base("print") }, "Print the chart"), h("a", { class: "button", href: this.#base("findings") }, "Findings"), h("a", { class: "button", href: this.#base("plan") }, "Plan")));
    }
    this.#arm();
    this.profile.show(view);
  }

  /** #arm lets "Sign" be used a moment after it came in sight. */
  #arm() {
    const { body } = this.steps.find((s) => s.name === "sign");
    const button = body.hidden ? null : body.querySelector("form button");
    if (button === this.#signable) return;
    this.#signable = button;
    clearTimeout(this.#calm);
    if (!button) return;
    button.disabled = true;
    this.#calm = setTimeout(() => (button.disabled = !may("sign")), CALM_MS);
  }

  #base(screen) {
    return `/exams/${encodeURIComponent(this.session.exam)}/${screen}`;
  }

  /** #reason is why a site could not be probed, if that was said. */
  #reason(k) {
    const { tooth, site } = V.parts(k);
    return this.inputs?.teeth?.[tooth]?.sites?.[site]?.not_assessable;
  }

  #complete(view, probed, signed) {
    return [h("p", { class: "counts" }, h("b", {}, `${probed} of ${view.sites}`), " sites probed; ", h("b", {}, String(view.sites - probed)), " not; ", h("b", {}, String(view.doubts.length)), " in doubt."),
      view.complete || signed ? null : h("p", {}, h("button", { class: "main", onclick: () => this.session.act(C.plain("exam complete"), "exam complete") }, "Exam complete"), h("span", { class: "soft" }, " or say it"))];
  }

  #sites(view, left, out, signed) {
    if (!left.length) return h("p", { class: "soft" }, out ? "Every other site has a depth." : "Every site of every tooth that is there has a depth.");
    const by = Map.groupBy(left, (k) => {
      const { tooth, site } = V.parts(k);
      return `${tooth} ${V.aspectOf(site)}`;
    });
    const leave = (keys, why) => {
      const teeth = {};
      for (const k of keys) {
        const { tooth, site } = V.parts(k);
        ((teeth[tooth] ??= { sites: {} }).sites[site] = { not_assessable: why });
      }
      this.session.act(C.patient({ teeth }), `${keys.length} sites left out: ${why}`);
    };
    const why = (id, keys, name) => {
      const box = h("select", { id, disabled: signed, "aria-label": `Leave out ${name}, because of`, onchange: () => box.value && leave(keys, box.value) }, h("option", { value: "" }, "Leave out, because of …"), REASONS.map(([v, t]) => h("option", { value: v }, t)));
      return box;
    };
    return [h("p", { class: "soft" }, "A site that is left out with a reason is not counted as probed nor as healthy. What stays open is named in the findings."),
      h("ul", { class: "rows" }, [...by].map(([place, keys], i) => {
        const [tooth, aspect] = place.split(" ");
        const name = `${view.teeth[tooth].label} ${V.aspectName(aspect, tooth, this.words)}`;
        return h("li", { class: "row" }, h("b", {}, name), h("span", { class: "soft grow" }, keys.length < 3 ? keys.map((k) => V.parts(k).site).join(" ") : ""),
          h("button", { disabled: signed, onclick: () => {
            this.session.act(C.go(tooth, aspect), `go to ${view.teeth[tooth].label}`);
            this.app.go(this.#base("live"));
          } }, "Go there"), why(`why${i}`, keys, name));
      })),
      by.size > 1 ? h("p", { class: "row" }, h("b", {}, `All ${left.length}: `), why("whyall", left, "all of them")) : null];
  }

  #called(view, signed) {
    const rows = uncalled(view);
    const ask = rows.filter((x) => !unlooked(view, x.name));
    if (!rows.length) return h("p", { class: "soft" }, "Every probed site has an answer to everything.");
    return [h("p", { class: "soft" }, "Blank is not the same as no. As long as this is open, no share is shown: it would be counted of the wrong sites."),
      h("ul", { class: "rows" }, rows.map((x) => {
        const said = unlooked(view, x.name);
        return h("li", { class: "row" }, h("b", {}, x.name), h("span", { class: "grow" }, x.at ? `called at ${x.at} sites, not at ${x.open}` : `called nowhere`, said ? "; not looked for at the others" : ""),
          h("span", { class: "row" }, h("button", { class: said ? null : "main", disabled: signed, onclick: () => this.session.act(C.rest(x.field), `uncalled sites ${x.rest}`) }, `The other ${x.open} sites ${x.rest}`),
            h("button", { disabled: signed || said, onclick: () => this.session.act({ verb: "remark", text: UNSEEN + x.name }, `${x.name} not looked for`) }, said ? "Left unknown" : "Not looked for there")));
      })),
      ask.length > 1 ? h("p", { class: "row" }, h("b", { class: "grow" }, `All ${ask.length} at once: the other sites ${ask.map((x) => x.rest).join(", ")}?`),
        h("button", { class: "main", disabled: signed, onclick: () => this.session.act(ask.map((x) => C.rest(x.field)), "uncalled sites answered") }, `Yes to all ${ask.length}`)) : null];
  }

  #sign(view, left, open) {
    if (view.signed_by) return h("p", {}, `Signed by ${view.signed_by}${view.waits ? "; it waits for a supervisor" : ""}. Remarks and the plan can be added; a value is changed by an amendment.`);
    const rest = [left.length ? `${left.length} sites have no depth` : "", view.doubts.length ? `${view.doubts.length} doubts are open` : "", open.length ? `${open.map((x) => x.name.toLowerCase()).join(", ")}: unknown where not called` : ""].filter(Boolean);
    return [h("p", { class: "soft" }, "After signing, a value is changed by an amendment alone, which gives its reason.", rest.length ? h("b", {}, ` ${rest.join("; ")}: the findings will say so.`) : ""),
      h("form", { class: "row end", onsubmit: (e) => {
        e.preventDefault();
        this.#open = null;
        this.session.act(C.plain("sign"), "sign");
      } },
        h("p", { class: "signer" }, "You sign as ", h("b", {}, seat().person?.name || "nobody"), seat().person?.roles.includes("student") ? ", a student: it waits for a supervisor" : "", rest.length ? "" : ", and answer for this chart: nothing is open"),
        // What is open is confirmed by a step of its own; where nothing is, the button says all.
        rest.length ? h("label", { class: "check", for: "sure" }, h("input", { type: "checkbox", id: "sure", required: true }), "I have seen what is open, and answer for this chart.") : null,
        h("button", { class: "main", disabled: true }, "Sign"))];
  }
}

customElements.define("ls-close", Close);
