// Review: what deserves a second look before the examiner signs. Doubts first, then what is missing.
import { h, put } from "../core/dom.js";
import { prefs, setPrefs } from "../core/prefs.js";
import * as V from "../core/view.js";
import * as C from "../core/commands.js";
import { Clips } from "../core/clips.js";
import "../sheet/sheet.js";
import "../profile/profile.js";
import "../live/editor.js";

class Review extends HTMLElement {
  app = null;
  #end = new AbortController();

  connectedCallback() {
    const { session } = this.app;
    this.session = session;
    this.words = this.app.settings.site_words;
    this.clips = new Clips(session.exam);
    this.sound = h("p", { class: "note", role: "status" });
    this.remarks = h("section", { "aria-label": "Remarks" });
    this.doubts = h("section", { "aria-label": "Doubts" });
    this.missing = h("section", { "aria-label": "Missing" });
    this.rest = h("section", { "aria-label": "What was not called" });
    this.refused = h("div", { class: "unsent" });
    this.sheet = h("ls-sheet");
    this.sheet.words = this.words;
    this.sheet.onpick = () => {};
    this.profile = h("ls-profile");
    this.profile.words = this.words;
    this.profile.exam = session.exam;
    this.profile.onpick = (k) => this.editor.open(this.app, k);
    this.editor = h("ls-editor");
    this.calls = h("tbody");
    this.sign = h("section", { "aria-label": "Sign" });
    put(this, h("div", { class: "desk review" },
      h("div", { class: "title" }, h("h1", {}, "Review"), (this.lead = h("p", { class: "soft" }))),
      this.refused, this.sound, this.doubts, this.missing, this.rest, this.remarks,
      h("section", {}, h("h2", {}, "The chart"), h("p", { class: "soft" }, "Choose a value to change it or to see its history; the arrows move, Enter opens."), this.sheet, this.profile),
      this.sign,
      h("section", {}, h("h2", {}, "Calls, newest first"), h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Calls" },
        h("table", { class: "list" }, h("thead", {}, h("tr", {}, ["Time", "Who", "Said or typed", "Sound", "What it did"].map((t) => h("th", { scope: "col" }, t)))), this.calls))),
      this.editor));
    this.sheet.addEventListener("click", (e) => {
      const c = e.target.closest("td[data-key]");
      if (c) this.editor.open(this.app, c.dataset.key);
    });
    this.sheet.addEventListener("keydown", (e) => {
      const k = e.target.dataset?.key;
      if (!k) return;
      const d = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
      if (d) this.sheet.enter(V.step(session.view, k, ...d));
      else if (e.key === "Enter") this.editor.open(this.app, k);
      else return;
      e.preventDefault();
    });
    for (const n of ["view", "queue", "answered"]) session.addEventListener(n, () => this.#draw(), { signal: this.#end.signal });
    this.#draw();
    this.#listen();
  }
  disconnectedCallback() {
    this.#end.abort();
    clearTimeout(this.soundTimer);
  }

  /** Sound is stored a moment after its call, and goes with the signing: ask when the calls change. */
  async #listen() {
    clearTimeout(this.soundTimer);
    try {
      if (await this.clips.load()) this.#draw();
    } catch {
      // without the list there are no buttons; the header says that the service does not answer
    }
  }

  #draw() {
    const { view } = this.session;
    const locked = !!view.signed_by;
    put(this.lead, locked ? `Signed by ${view.signed_by}. Only remarks and the plan can be added.` : `${view.sites - V.unprobed(view).length} of ${view.sites} sites recorded, ${view.doubts.length} in doubt.`);
    this.refused.hidden = !this.session.refused.length;
    put(this.refused, this.session.refused.map((r) => h("div", { class: "note row", role: "alert" }, h("p", { class: "grow" }, h("b", {}, `Not entered: ${r.label}. `), r.text), h("button", { onclick: () => this.session.dismiss(r.id) }, "Drop"))));
    this.#drawDoubts(view, locked);
    this.#drawMissing(view, locked);
    this.#drawRest(view, locked);
    this.sheet.show(view, { coming: C.coming(view, this.session.pending), earlier: this.app.earlier });
    this.profile.show(view);
    this.#drawSign(view, locked);
    this.#drawRemarks(view);
    this.sound.hidden = !this.clips.note;
    put(this.sound, this.clips.note);
    const last = view.calls?.at(-1)?.seq;
    if (last !== this.lastCall || locked !== this.wasLocked) {
      this.lastCall = last;
      this.wasLocked = locked;
      clearTimeout(this.soundTimer);
      this.soundTimer = setTimeout(() => this.#listen(), 700);
    }
    // The list is left alone while it is the same: a button in it may have the focus.
    const sign = JSON.stringify([view.calls, [...this.clips.calls]]);
    if (sign === this.callSign) return;
    this.callSign = sign;
    put(this.calls, [...(view.calls || [])].reverse().map((c) => h("tr", { class: c.undone ? "undone" : null },
      h("td", {}, new Date(c.time).toLocaleTimeString()), h("td", {}, V.caller(c)),
      h("td", {}, c.words || c.did, c.confidence && c.confidence < 0.9 ? h("span", { class: "soft" }, ` (heard with ${Math.round(c.confidence * 100)} %)`) : null),
      h("td", {}, this.clips.button(c.seq, c.words || c.text)),
      h("td", {}, c.refused ? `refused: ${c.refused}` : c.text, c.undone ? " (taken back)" : ""))));
  }

  #drawDoubts(view, locked) {
    // Rows are kept while they are the same: somebody may be typing into one.
    const sign = JSON.stringify([view.doubts, locked, view.doubts.map((d) => this.clips.calls.has(d.call))]);
    if (sign === this.doubtSign) return;
    this.doubtSign = sign;
    if (!view.doubts.length) {
      put(this.doubts, h("h2", {}, "Doubts"), h("p", { class: "soft" }, "None is open."));
      return;
    }
    put(this.doubts, h("h2", {}, `Doubts: ${view.doubts.length}`),
      h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Doubts" }, h("table", { class: "list" },
        h("thead", {}, h("tr", {}, ["Site", "Entered", "Heard", "Why", "Perhaps", "Decide"].map((t) => h("th", { scope: "col" }, t)))),
        h("tbody", {}, view.doubts.map((d, i) => {
          const k = V.key(d.tooth, d.site);
          const input = h("input", { type: "number", id: `dv${i}`, min: d.field === "recession" ? -8 : 0, max: 15, step: 0.5, "aria-label": `New value for ${d.label} ${d.site}`, disabled: locked });
          return h("tr", {},
            h("th", { scope: "row" }, `${d.label} ${V.siteName(d.site, d.tooth, this.words)}`, d.field === "depth" ? "" : ` ${d.field}`),
            h("td", {}, h("span", { class: "doubt big" }, d.value == null ? "–" : String(d.value))),
            h("td", {}, h("div", { class: "row" }, this.clips.button(d.call, `${d.label} ${d.site}`), h("button", { type: "button", class: "play", "aria-label": `History of ${d.label} ${d.site}`, onclick: () => this.editor.open(this.app, k) }, "History"))),
            h("td", {}, d.reason), h("td", {}, d.rival || "–"),
            h("td", {}, h("form", { class: "row", onsubmit: (e) => {
              e.preventDefault();
              if (input.value === "") return;
              const was = C.seen(this.session.view, this.session.pending, k, d.field);
              this.session.act(C.set(k, d.field, Number(input.value), was), `${d.label} ${d.site}: ${input.value}`);
            } }, h("button", { type: "button", class: "main", disabled: locked, onclick: () => this.session.act(C.settle(k), `${d.label} ${d.site}: settled`) }, "It is right"), input, h("button", { disabled: locked }, "Change"))));
        })))));
  }

  #drawMissing(view, locked) {
    const list = V.unprobed(view);
    if (!list.length) {
      put(this.missing, h("h2", {}, "Sites without a depth"), h("p", { class: "soft" }, "None: every site of every tooth that is there has one."));
      return;
    }
    const by = new Map();
    for (const k of list) {
      const { tooth, site } = V.parts(k);
      const place = tooth + V.aspectOf(site);
      if (!by.has(place)) by.set(place, { tooth, aspect: V.aspectOf(site), sites: [] });
      by.get(place).sites.push(site);
    }
    const base = location.pathname.replace(/review$/, "live");
    put(this.missing, h("h2", {}, `Sites without a depth: ${list.length}`),
      h("details", { open: by.size <= 12 }, h("summary", {}, `${by.size} places on the path`),
        h("ul", { class: "chips" }, [...by.values()].map((p) => h("li", {}, h("button", { disabled: locked, onclick: () => {
          this.session.act(C.go(p.tooth, p.aspect), `go to ${view.teeth[p.tooth].label}`);
          this.app.go(base);
        } }, `${view.teeth[p.tooth].label} ${V.aspectName(p.aspect, p.tooth, this.words)}`, p.sites.length < 3 ? h("small", {}, p.sites.join(" ")) : null))))));
  }

  #drawRest(view, locked) {
    const open = (field) => V.walk(view).filter((k) => V.siteAt(view, k).depth != null && V.siteAt(view, k)[field] == null).length;
    const rows = [["bleeding", "did not bleed"], ["suppuration", "had no pus"], ["plaque", "had no plaque"], ["calculus", "had no calculus"]]
      .map(([f, what]) => [f, what, open(f)]).filter(([, , n]) => n);
    const margins = open("recession");
    if (margins) rows.push(["recession", "have their margin at the CEJ", margins]);
    put(this.rest, h("h2", {}, "What was not called"),
      rows.length
        ? [h("p", { class: "soft" }, "Blank is not the same as no. If you called a finding wherever it was, say so here: the probed sites without an answer then get it, as one call that can be taken back."),
          h("ul", { class: "chips" }, rows.map(([f, what, n]) => h("li", {}, h("button", { disabled: locked, onclick: () => this.session.act(C.rest(f), `uncalled sites ${what}`) }, `The other ${n} sites ${what}`))))]
        : h("p", { class: "soft" }, V.unprobed(view).length < view.sites ? "Every probed site has an answer." : "Nothing is probed yet."));
  }

  #drawRemarks(view) {
    const sign = JSON.stringify([view.remarks, view.remarks.map((r) => this.clips.calls.has(r.call))]);
    if (sign === this.remarkSign) return;
    this.remarkSign = sign;
    const text = h("input", { id: "remark", required: true, maxlength: "500", autocomplete: "off" });
    put(this.remarks, h("h2", {}, "Remarks"),
      view.remarks.length
        ? h("ol", { class: "remarks" }, view.remarks.map((r) => h("li", { class: "row" }, h("span", { class: "soft" }, `${V.day(r.time)} ${new Date(r.time).toLocaleTimeString()}${r.who ? ", " + r.who : ""}, ${r.place}`), h("span", { class: "grow" }, r.text), this.clips.button(r.call, `remark at ${r.place}`))))
        : h("p", { class: "soft" }, "None."),
      h("form", { class: "row end", onsubmit: (e) => {
        e.preventDefault();
        this.session.act({ verb: "remark", text: text.value.trim() }, "remark");
      } }, h("div", { class: "field grow" }, h("label", { for: "remark" }, "Add a remark"), text), h("button", {}, "Add")));
  }

  #drawSign(view, locked) {
    if (locked) {
      put(this.sign, h("h2", {}, "Signed"), h("p", {}, `By ${view.signed_by}. Values stay as they are; remarks and the plan can still be added.`));
      this.signForm = null;
      return;
    }
    if (this.signForm) return this.#signText(view);
    const name = h("input", { id: "signer", required: true, maxlength: "120", value: prefs().who, autocomplete: "name" });
    const sure = h("input", { type: "checkbox", id: "sure", required: true });
    this.signNote = h("p", { class: "soft" });
    this.signForm = h("form", { class: "row end", onsubmit: (e) => {
      e.preventDefault();
      setPrefs({ who: name.value.trim() });
      this.session.act(C.plain("sign"), "sign");
    } },
      h("div", { class: "field" }, h("label", { for: "signer" }, "Examiner"), name),
      h("label", { class: "check", for: "sure" }, sure, "I have seen the doubts and the missing sites, and answer for this chart."),
      h("button", { class: "main" }, "Sign"));
    put(this.sign, h("h2", {}, "Sign"), this.signNote, this.signForm);
    this.#signText(view);
  }
  #signText(view) {
    const blank = V.unprobed(view).length;
    const left = [view.doubts.length ? `${view.doubts.length} doubts are open` : "", blank ? `${blank} sites have no depth` : ""].filter(Boolean);
    put(this.signNote, "After signing, values cannot be changed any more.", left.length ? h("b", {}, ` ${left.join(", ")}: the findings will say so.`) : "");
  }
}

customElements.define("ls-review", Review);
