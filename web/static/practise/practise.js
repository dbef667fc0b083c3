// Practise: how well a voice is understood, and reading a script for a voice profile.
import { h, put, attr } from "../core/dom.js";
import { Part } from "../core/part.js";
import { ask, get, post, putTo } from "../core/server.js";
import { prefs } from "../core/prefs.js";
import { day } from "../core/view.js";
import { Microphone, advice } from "../core/mic.js";
import { Ring } from "../core/ring.js";
import { Uplink } from "../core/uplink.js";
import "./examiner.js";

const percent = (n, of) => (of ? `${Math.round((100 * n) / of)} %` : "");

const plural = (n, what) => `${n} ${what}${n === 1 ? "" : "s"}`;

/** result says what an enrolment came to. */
function result(r, learned) {
  return [
    h("p", {}, `Of ${r.words} words that were held back from learning, `, h("b", {}, `${r.wrong_before} were misheard ${r.onto ? "with the profile so far and" : "without the profile and"} ${r.wrong_after} ${r.onto ? "with the new one" : "with it"}`), "."),
    r.sure_before === undefined ? null : h("p", {}, `Heard right and surely: ${r.sure_before} of ${r.takes} lines before, ${r.sure_after} ${learned ? "with the profile" : "with it"}.`),
    r.corrected || r.confirmed ? h("p", {}, `Learned from exams: ${plural(r.corrected || 0, "call")} that you corrected or said again, ${r.confirmed || 0} that a signed exam confirmed.`) : null,
    learned ? null : h("p", {}, r.onto ? `The new profile is not used: ${r.why}. The one so far stays.` : `No profile is used: ${r.why}. Nothing changes for this voice.`),
    h("p", { class: "small soft" }, `${r.takes} takes were learned from${r.left ? `, ${r.left} did not fit and were left out` : ""}; ${r.seconds.toFixed(1)} s of computing.`),
  ];
}

class Practise extends Part {
  #mic = null;
  #uplink = null;
  #ring = null;
  #view = null;
  #poll = 0;

  connectedCallback() {
    this.who = h("ls-examiner", { class: "field" });
    this.who.always = true;
    this.who.addEventListener("pick", () => this.#about());
    this.name = h("input", { id: "newexaminer", maxlength: "120", autocomplete: "name" });
    this.fault = h("p", { class: "fault", role: "alert" });
    this.profile = h("div", { class: "profile" });
    this.choice = h("section", { class: "choice" });
    this.stage = h("section", { class: "stage", hidden: true });
    put(this, h("div", { class: "desk" },
      h("div", { class: "title" }, h("h1", {}, "Practise"), h("p", { class: "soft" }, "With an invented patient: nothing here touches a real exam.")),
      this.fault, this.choice, this.stage,
      h("section", {}, h("h2", {}, "Voice profile"),
        h("div", { class: "row end" }, this.who,
          h("form", { class: "row end", onsubmit: (e) => this.#add(e) }, h("div", { class: "field" }, h("label", { for: "newexaminer" }, "Add an examiner"), this.name), h("button", {}, "Add"))),
        this.profile)));
    this.#about(true);
  }

  disconnectedCallback() {
    super.disconnectedCallback();
    this.#end();
  }

  async #try(f) {
    put(this.fault, "");
    try {
      return await f();
    } catch (e) {
      put(this.fault, e.message);
    }
  }

  #add(e) {
    e.preventDefault();
    this.#try(async () => {
      const x = await post("/api/people", { name: this.name.value.trim(), roles: ["clinician"] });
      this.name.value = "";
      await this.who.load();
      this.who.pick(x.id);
      this.who.box.value = x.id;
    });
  }

  /** #about shows what is known of the examiner's voice and what can be done. */
  async #about(again) {
    this.#end();
    if (again) await this.#try(() => this.who.load());
    const x = this.who.chosen;
    // Before anything is drawn, so that no button moves under a finger.
    const lessons = `/api/examiners/${encodeURIComponent(x?.id)}/takes`;
    const learning = (x && (await this.#try(() => get(lessons)))) || { takes: 0, confirmed: 0, leave: false };
    if (x?.id !== this.who.chosen?.id || this.#view) return; // another one was chosen meanwhile
    this.stage.hidden = true;
    if (!x) {
      put(this.profile, h("p", { class: "soft" }, "For a voice profile choose whose voice it is, or add an examiner. A drill needs neither."));
      put(this.choice, h("ul", { class: "begin" }, this.#drill()));
      return;
    }
    const base = `/api/examiners/${encodeURIComponent(x.id)}/voice`;
    const file = h("input", { type: "file", id: "voicefile", hidden: true, onchange: () => this.#try(async () => {
      if (!file.files[0]) return;
      await ask("PUT", base, file.files[0]);
      await this.#about(true);
    }) });
    const importing = h("button", { onclick: () => file.click() }, "Import a profile from a file");
    const v = x.voice;
    put(this.profile,
      v ? [
        h("p", {}, `Made on ${day(v.made)}.`),
        v.remedy ? h("p", { class: "note" }, `It is not used: ${v.remedy}`) : v.report ? result(v.report, true) : h("p", {}, "It was imported."),
      ] : h("p", {}, "None yet: this voice is heard as anybody's. A profile helps most where an accent is far from what the recognizer knows; it is used only if it helps."),
      h("div", { class: "row" },
        v ? h("a", { class: "button", href: base, download: `${x.name}.voice` }, "Save the profile as a file") : null, importing, file,
        v ? h("button", { onclick: (e) => this.#sure(e.target, "Yes, erase it for good", () => ask("DELETE", base)) }, "Erase the profile") : null,
        h("button", { onclick: (e) => this.#sure(e.target, v ? "Yes, off the list, and erase the profile" : "Yes, off the list", () => putTo(`/api/people/${encodeURIComponent(x.id)}`, { name: x.name, roles: x.roles, retired: true })) }, `Take ${x.name} off the list`)),
      h("label", { class: "check", for: "leave" }, h("input", { type: "checkbox", id: "leave", checked: learning.leave, onchange: (e) => this.#try(async () => {
        e.target.disabled = true; // until the page stands anew
        await putTo(lessons, { leave: e.target.checked }).finally(() => this.#about());
      }) }), "Signed exams may teach my voice"),
      h("p", { class: "small soft" }, "Then the sound of calls that you corrected, or that stand as you called them, stays after signing, sealed like all sound, until it has been learned from: that happens by itself when an exam is signed, and the profile changes only if it helps. Taking this back deletes that sound. Erasing the profile does too, and goes back to the recognizer as it was shipped."),
      h("p", { class: "small soft" }, "A voice profile is personal data about the examiner's voice. It holds no recording: what is read is forgotten as soon as the profile is worked out. Exported files, and backups of the store made before, keep it until they are deleted too."));
    put(this.choice, h("ul", { class: "begin" }, this.#drill(),
      this.#card("enrol", v ? "Read for a new profile" : "Read for a voice profile", "You read known words for about two minutes. The profile is used only if fewer words are misheard with it."),
      learning.takes ? this.#card("teach", "Learn from my exams", `${plural(learning.takes, "take")} from your exams can be learned from: calls that you corrected or said again${learning.confirmed ? `, and ${learning.confirmed} that signed exams confirm` : ""}. The profile changes only if it helps.`) : null));
  }

  #card(kind, title, text, main = false) {
    return h("li", {}, h("button", { class: main ? `${kind} main` : kind, onclick: () => this.#begin(kind) }, h("b", {}, title), h("span", {}, text)));
  }
  #drill() {
    return this.#card("drill", "Drill with an invented patient", "You call 18 places and see how fast and how surely you are understood.", true);
  }

  // What cannot be taken back: the button asks once more, in other words.
  #sure(button, words, f) {
    if (!button.dataset.sure) {
      button.dataset.sure = "yes";
      put(button, words);
      return;
    }
    this.#try(async () => {
      await f();
      await this.#about(true);
    });
  }

  async #begin(kind) {
    await this.#try(async () => {
      this.#end();
      const x = this.who.chosen;
      this.#show(x ? await post(`/api/examiners/${encodeURIComponent(x.id)}/practise`, { kind }) : await post("/api/practise", {}));
      if (kind !== "teach") await this.#listen();
    });
  }

  async #listen() {
    this.#ring = new Ring();
    this.#mic = new Microphone((f) => {
      this.#ring.push(f.pcm);
      this.#uplink?.pump();
      this.#level();
    });
    this.#mic.addEventListener("state", () => this.#trouble());
    const uplink = new Uplink(`/api/practise/${encodeURIComponent(this.#view.id)}/sound`, this.#ring);
    uplink.addEventListener("state", () => this.#trouble());
    uplink.addEventListener("news", (/** @type {CustomEvent} */ e) => this.#show(e.detail));
    if (await this.#mic.start(prefs().device)) {
      this.#uplink = uplink;
      uplink.open();
    }
    this.#trouble();
  }

  #quiet() {
    this.#mic?.stop();
    this.#uplink?.close();
    this.#mic = this.#uplink = null;
  }

  #end() {
    clearTimeout(this.#poll);
    this.#quiet();
    const v = this.#view;
    this.#view = null;
    // A session that the service has forgotten already needs no ending.
    if (v) ask("DELETE", `/api/practise/${encodeURIComponent(v.id)}`).catch(() => {});
  }

  #send(what) {
    this.#try(async () => this.#show(await post(`/api/practise/${encodeURIComponent(this.#view.id)}/${what}`, {})));
  }

  #level() {
    const m = this.#mic;
    if (!m || !this.bar) return;
    const share = (db) => Math.max(0, Math.min(1, (db + 70) / 70));
    this.bar.style.transform = `scaleX(${share(m.level).toFixed(3)})`;
    this.floor.style.left = `${(share(m.noise) * 100).toFixed(1)}%`;
    attr(this.meter, "data-hot", m.clipped > 0.01);
    if (!m.trouble) put(this.troubleNote, advice(m));
  }

  #trouble() {
    if (!this.troubleNote || !this.#view) return;
    const t = this.#mic?.trouble || (this.#uplink?.state === "broken" ? "The connection is broken. It is tried again by itself; read on when this line is gone." : "")
      || (this.#uplink?.state === "gone" ? (this.#uplink.old ? "This page is older than the program. Load the page again." : "This session has ended. Begin another one.") : "") || (["no-engine", "refused"].includes(this.#uplink?.state) ? this.#uplink.trouble : "");
    put(this.troubleNote, t);
    this.again.hidden = !!this.#uplink || this.#view.state !== "reading";
  }

  /** #show draws the session as the service sees it. */
  #show(v) {
    if (this.#view && (v.id !== this.#view.id || v.version < this.#view.version)) return;
    const first = !this.#view;
    this.#view = v;
    if (first) this.#stage(v);
    const line = v.lines[v.at];
    put(this.where, line?.where || "");
    put(this.line, line ? line.words : "");
    put(this.heard, v.partial ? v.partial : "");
    this.progress.value = v.lines.length ? v.at / v.lines.length : 0;
    put(this.count, `${Math.min(v.at + 1, v.lines.length)} of ${v.lines.length}`);
    this.#last(v);
    put(this.note, v.note || "");
    if (v.state === "learning") {
      this.#quiet();
      put(this.line, "Working out the profile …");
      put(this.told);
      this.buttons.hidden = v.kind !== "teach"; // it takes a while, and may be ended
      clearTimeout(this.#poll);
      this.#poll = setTimeout(() => this.#try(async () => this.#view && this.#show(await get(`/api/practise/${encodeURIComponent(this.#view.id)}`))), 400);
    } else if (v.state !== "reading") {
      this.#quiet();
      this.#done(v);
    }
  }

  #stage(v) {
    const enrol = v.kind === "enrol";
    this.where = h("p", { class: "where" });
    this.line = h("p", { class: "line", "aria-live": "polite" });
    this.heard = h("p", { class: "partial" });
    this.told = h("p", { class: "told", role: "status" });
    this.note = h("p", { class: "small soft" });
    this.count = h("span", {});
    this.progress = h("progress", { max: "1", value: "0", "aria-label": "Lines read" });
    this.troubleNote = h("p", { class: "fault", role: "alert" });
    this.meter = h("div", { class: "meter wide", role: "img", "aria-label": "Microphone level" }, (this.bar = h("span", { class: "bar" })), (this.floor = h("span", { class: "floor" })));
    this.again = h("button", { onclick: () => this.#try(() => this.#listen()) }, "Microphone on");
    this.buttons = h("div", { class: "row" }, this.again, h("button", { onclick: () => this.#send("skip") }, "Leave this line out"),
      enrol ? h("button", { onclick: () => this.#send("learn") }, "That is enough: work it out") : null,
      h("button", { onclick: () => this.#about(true) }, "End"));
    this.after = h("div", { class: "after" });
    this.stage.hidden = false;
    put(this.profile);
    put(this.choice);
    put(this.stage, h("h2", {}, enrol ? "Read this, as you would call it" : v.kind === "drill" ? "Call this" : "Learn from exams"),
      (this.card = h("div", { class: "prompt" }, this.where, this.line, this.heard, this.told)),
      (this.counted = h("div", { class: "row" }, this.count, h("div", { class: "grow" }, this.progress))),
      this.meter, this.troubleNote, this.note, this.buttons, this.after);
    if (v.kind === "teach") {
      put(this.buttons, h("button", { onclick: () => this.#about(true) }, "End"));
      this.meter.hidden = this.counted.hidden = true;
    }
  }

  // What became of the line before.
  #last(v) {
    const t = v.tries[v.tries.length - 1];
    if (!t) {
      put(this.told, "");
      return;
    }
    const said = v.lines[t.line].words;
    if (t.ok) put(this.told, `“${said}” was understood${v.kind === "drill" ? ` after ${(t.wait_ms / 1000).toFixed(2)} s` : ""}.`);
    else if (t.line === v.at) put(this.told, `${t.heard ? `Heard “${t.heard}”: ` : ""}${t.why}.`);
    else if (v.kind === "enrol") put(this.told, `“${said}” was left out.`);
    else put(this.told, t.heard ? `“${said}” was heard as “${t.heard}”.` : `“${said}” was not taken for a call.`);
  }

  #done(v) {
    this.buttons.hidden = true;
    this.meter.hidden = true;
    this.counted.hidden = true;
    attr(this.card, "data-done", true);
    put(this.where, "");
    put(this.told);
    put(this.line, v.state === "failed" ? "Nothing was learned." : v.kind === "drill" ? "Done." : v.result.why ? (v.kind === "teach" ? "Nothing changes." : "No profile is needed.") : "The voice profile is in use.");
    const back = h("p", { class: "row" }, h("button", { class: "main", onclick: () => this.#about(true) }, "Back"), v.kind === "drill" ? h("button", { onclick: () => this.#begin("drill") }, "Once more") : null);
    if (v.state === "failed") {
      put(this.after, h("p", { class: "note" }, v.error), back);
      return;
    }
    if (v.kind !== "drill") {
      put(this.after, result(v.result, !v.result.why), back);
      return;
    }
    put(this.after, this.#figures(v), back);
  }

  #figures(v) {
    const d = v.drill;
    const facts = [
      ["Calls understood", `${d.right} of ${d.calls} (${percent(d.right, d.calls)})`],
      ["Words misheard", `${d.words_wrong} of ${d.words}`],
      ["From the last word to the answer", `${(d.median_ms / 1000).toFixed(2)} s (median)`],
      ["A word takes you", `${(d.word_ms / 1000).toFixed(2)} s`],
      ["Sure of the least sure word", percent(d.sure, 1)],
      ["Heard with", v.profile ? "your voice profile" : "no voice profile"],
    ];
    const wrong = v.tries.filter((t) => !t.ok);
    return [
      h("table", { class: "list figures" }, h("tbody", {}, facts.map(([k, x]) => h("tr", {}, h("th", { scope: "row" }, k), h("td", {}, x))))),
      d.confused.length
        ? h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Confused words" }, h("table", { class: "list confused" },
          h("caption", {}, "Words that were confused"),
          h("thead", {}, h("tr", {}, ["Said", "Heard", "Times"].map((t) => h("th", { scope: "col" }, t)))),
          h("tbody", {}, d.confused.map((c) => h("tr", {}, h("th", { scope: "row" }, c.said || "nothing"), h("td", {}, c.heard || "nothing"), h("td", { class: "num" }, String(c.times)))))))
        : h("p", {}, "No word was confused."),
      wrong.length ? h("details", {}, h("summary", {}, `Calls that went wrong: ${wrong.length}`), h("ul", {}, wrong.map((t) => h("li", {}, `${v.lines[t.line].words}: ${t.heard ? `heard as ${t.heard}` : "not taken for a call"}`)))) : null,
      d.words_wrong > 1 && !v.profile ? h("p", { class: "note calm" }, "Reading for a voice profile may help.") : null,
    ];
  }
}

customElements.define("ls-practise", Practise);
