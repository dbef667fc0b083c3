// Live: the screen during probing, in two layouts. At a distance: the place, the last call, the question and the profile, to be
// read from two metres. For the assistant: the tape, the chart to be edited, and every call with its way back. Messages have one
// place of one height, so that nothing shifts.
import { h, put, attr, keep, order } from "../core/dom.js";
import { Part } from "../core/part.js";
import { get } from "../core/server.js";
import { prefs, setPrefs, onPrefs } from "../core/prefs.js";
import * as V from "../core/view.js";
import * as C from "../core/commands.js";
import { KEYS, press } from "../core/keys.js";
import { advice } from "../core/mic.js";
import "../tape/tape.js";
import "../sheet/sheet.js";
import "../map/map.js";
import { rowOf } from "../profile/profile.js";
import "./editor.js";
import "../question/question.js";
import { seat } from "../people/seat.js";
import "../practise/examiner.js";

const NOTE_MS = 6000; // a refused key stays in sight that long

const LOOKS = [["sheet", "Table"], ["profile", "Profile"], ["map", "Map"], ["calls", "Calls"]];

class Live extends Part {
  #picked = "";
  #wait = "";
  #undoWanted = false;
  #ahead = ""; // next site of the path after what was typed and is on its way
  #inputs = null;
  #frame = 0;
  #lines = new WeakMap(); // of the list of calls

  connectedCallback() {
    const { session, ear } = this.app;
    this.session = session;
    this.ear = ear;
    this.words = this.app.settings.site_words;
    this.#build();
    const on = (target, name, f) => target.addEventListener(name, f, { signal: this.signal });
    for (const name of ["view", "partial", "queue", "answered"]) on(session, name, () => this.#draw());
    for (const name of ["view", "queue"]) on(session, name, () => this.#arrived());
    on(session, "answer", (e) => {
      // Asked for by voice or in words, what can be said stands on the page until the next call.
      if (!e.detail.did) return;
      this.saying.hidden = e.detail.did !== "help";
      this.#arrange();
      if (e.detail.did === "exam complete" && this.ear.on) this.#close();
    });
    on(session, "answered", (e) => e.detail.answer.did === "exam complete" && this.#close());
    on(session, "mic", () => this.#ear());
    on(session, "connection", () => this.#ear());
    on(ear, "state", () => this.#ear());
    on(ear, "level", () => this.#level());
    on(document, "keydown", (e) => this.#key(e));
    onPrefs(() => this.#drawNow(), this.signal); // who chose a layout may go on in what it shows
    this.clock = setInterval(() => this.#time(), 1000);
    get(`/api/exams/${encodeURIComponent(session.exam)}/inputs`).then((p) => {
      this.#inputs = p;
      this.#gate();
    }, () => {}); // the note is only left out if the service does not answer; the header says so
    this.#drawNow();
  }

  disconnectedCallback() {
    super.disconnectedCallback();
    cancelAnimationFrame(this.#frame);
    clearInterval(this.clock);
    clearTimeout(this.noteTimer);
  }

  #build() {
    const say = (verb, label) => () => this.session.act(C.plain(verb), label);
    this.state = h("p", { class: "listen" });
    this.stateMore = h("p", { class: "small" });
    this.meter = h("div", { class: "meter", role: "img", "aria-label": "Microphone level" }, (this.bar = h("span", { class: "bar" })), (this.floor = h("span", { class: "floor" })));
    this.micButton = h("button", { class: "main", onclick: () => this.#toggleMic() });
    this.standButton = h("button", { onclick: () => this.#listen() });
    this.voice = h("ls-examiner");
    this.voice.addEventListener("pick", async () => {
      if (!this.ear.on) return;
      this.ear.off(); // the stream of another voice is another stream
      await this.ear.start();
    });
    this.place = h("p", { class: "place" });
    this.then = h("p", { class: "then" });
    this.progress = h("p", { class: "big" });
    this.progressBar = h("progress", { max: "1", "aria-label": "Sites recorded" });
    this.elapsed = h("p", { class: "big" });
    this.doubts = h("p", {});
    this.tape = h("ls-tape");
    this.partial = h("p", { class: "partial" });
    this.lastVoice = h("div", { class: "last" });
    this.lastTyped = h("div", { class: "last" });
    this.undoButton = h("button", { onclick: () => this.#undo() }, "Take back");
    this.keyNote = h("p", { class: "note key", hidden: true });
    this.quiet = h("p", { class: "quiet soft" });
    this.behind = h("p", { class: "behind soft" });
    this.wait = h("span", { class: "wait", role: "status" });
    this.wordsBox = h("input", { type: "text", id: "words", maxlength: "300", autocomplete: "off", spellcheck: "false", placeholder: "three two four", size: "18" });
    this.nowList = h("ul", { class: "say" });
    this.saying = h("section", { class: "saying", "aria-label": "What can be said now", hidden: true }, h("b", {}, "What can be said now"), this.nowList,
      h("button", { onclick: () => {
        this.saying.hidden = true;
        this.#arrange();
      } }, "Close"));
    this.question = h("ls-question");
    this.question.app = this.app;
    this.trouble = h("div", { class: "note trouble", role: "alert" });
    this.unsent = h("div", { class: "unsent" });
    this.gateNote = h("div", { class: "note gate", hidden: true });
    this.lower = h("div", { class: "lower" });
    this.sheet = h("ls-sheet");
    this.map = h("ls-map");
    this.profile = h("ls-profile");
    this.profile.exam = this.session.exam;
    this.calls = h("ol", { class: "calls" });
    const head = (text) => h("li", { class: "group" }, h("h2", {}, text));
    this.ownHead = head("Yours");
    this.othersHead = head("Of others");
    this.editor = h("ls-editor");
    for (const el of [this.tape, this.sheet, this.map, this.profile]) {
      el.words = this.words;
      el.onpick = (k) => this.#pick(k);
    }
    this.sheet.onopen = (k) => this.#open(k);
    this.looks = LOOKS.map(([id, name]) => h("button", { data: { look: id }, onclick: () => setPrefs({ look: id }) }, name));
    // Chosen with a pointer, the keys belong to the chart again at once; with the arrows one goes on choosing.
    const choice = (id, options, act) => {
      let pointer = false;
      const box = h("select", { id, onpointerdown: () => (pointer = true), onkeydown: () => (pointer = false), onchange: () => {
        act(box.value);
        if (pointer) box.blur();
      } }, options.map(([value, name]) => h("option", { value }, name)));
      return box;
    };
    this.pathBox = choice("path", this.app.about.paths.filter((p) => !p.again || this.app.visit.earlier).map((p) => [p.name, p.title]),
      (v) => this.session.act(C.path(v), "path " + v));
    this.passBox = choice("pass", [["depth", "depths"], ["recession", "margins"]],
      (v) => this.session.act(C.pass(v), v === "depth" ? "numbers are depths" : "numbers are margins"));
    this.help = this.#helpBox();
    put(this,
      h("h1", { class: "unseen" }, "Live chart"),
      h("section", { class: "station", "aria-label": "Where the exam stands" },
        h("div", { class: "hearing" }, this.state, this.meter, this.stateMore, h("div", { class: "row" }, this.micButton, this.standButton, this.voice, h("a", { class: "small", href: "/settings" }, "Try it"))),
        h("div", { class: "here" }, this.place, this.then),
        h("div", { class: "facts" },
          h("div", {}, this.progress, this.progressBar), h("div", {}, this.elapsed, this.doubts)),
        (this.layoutButton = h("button", { class: "layout", onclick: () => this.#layout() })),
      ),
      this.tape,
      h("section", { class: "heard", "aria-label": "Calls" },
        this.partial,
        h("div", { class: "lasts" }, this.lastVoice, this.lastTyped),
        h("form", { class: "type", onsubmit: (e) => this.#typedWords(e) }, h("label", { for: "words", class: "unseen" }, "Type a call in words"), this.wordsBox, h("button", {}, "Enter"), this.undoButton, this.wait),
      ),
      (this.messages = h("section", { class: "messages", "aria-label": "Messages" }, this.keyNote, this.question, this.trouble, this.unsent, this.saying, this.gateNote, this.quiet, this.behind)),
      h("div", { class: "tabs" },
        h("div", { class: "row", role: "group", "aria-label": "Show below" }, this.looks),
        h("div", { class: "row pathrow" }, this.app.earlier ? h("label", { class: "check", for: "then" }, (this.thenSwitch = h("input", { type: "checkbox", id: "then", onchange: (e) => setPrefs({ then: e.target.checked }) })), "Earlier exam") : null,
          h("label", { for: "path" }, "Path"), this.pathBox, h("label", { for: "pass" }, "Numbers are"), this.passBox,
          h("button", { onclick: say("exam complete", "exam complete") }, "Exam complete"),
          h("button", { onclick: () => this.help.showModal() }, "Keys and calls"))),
      this.lower, this.editor, this.help,
    );
  }

  #helpBox() {
    const close = () => this.help.close();
    this.sayList = h("ul", { class: "say" });
    this.keysSwitch = h("input", { type: "checkbox", id: "keys", onchange: (e) => setPrefs({ keys: e.target.checked }) });
    return h("dialog", { class: "help", "aria-labelledby": "helptitle" },
      h("div", { class: "row" }, h("h2", { id: "helptitle", class: "grow" }, "What can be said now"), h("button", { onclick: close }, "Close")),
      this.sayList,
      h("h2", {}, "Keys"),
      h("label", { class: "check", for: "keys" }, this.keysSwitch, "Single keys work everywhere on this screen. Off: only while the table has the focus."),
      h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Keys" }, h("table", { class: "list" }, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Key"), h("th", { scope: "col" }, "What it does"))),
        h("tbody", {}, KEYS.map(([k, what]) => h("tr", {}, h("th", { scope: "row" }, k), h("td", {}, what)))))),
    );
  }

  // -- drawing: everything below is a function of the session's state and of what is picked

  /** #draw has all of it drawn with the next frame, once for whatever happens until then. */
  #draw() {
    this.#frame ||= requestAnimationFrame(() => this.#drawNow());
  }

  #drawNow() {
    cancelAnimationFrame(this.#frame);
    this.#frame = 0;
    const { view, partial } = this.session;
    const pending = this.session.pending;
    const then = prefs().then && this.app.earlier;
    if (this.thenSwitch) this.thenSwitch.checked = prefs().then;
    const how = { picked: this.#picked, coming: C.coming(view, pending, partial), earlier: then };
    this.profile.with = then ? "" : "none";
    this.tape.show(view, how);
    const far = prefs().layout === "far";
    attr(this, "data-layout", far ? "far" : "near");
    put(this.layoutButton, far ? "At the keyboard (v)" : "At a distance (v)");
    const look = far ? "profile" : prefs().look;
    for (const b of this.looks) attr(b, "aria-pressed", b.dataset.look === look ? "true" : "false");
    const shown = { sheet: this.sheet, profile: this.profile, map: this.map, calls: this.calls }[look] || this.sheet;
    if (this.lower.firstChild !== shown) this.lower.replaceChildren(shown);
    this.profile.main = rowOf(view.place.tooth, view.place.aspect) || "";
    if (shown === this.calls) this.#drawCalls(view);
    else shown.show(view, how);

    const k = this.#picked;
    if (k) {
      const { tooth, site } = V.parts(k);
      put(this.place, h("b", {}, view.teeth[tooth].label), h("span", {}, V.siteName(site, tooth, this.words)));
      if (this.then.dataset.for !== k) {
        put(this.then, h("button", { onclick: () => this.#open(k) }, "More"), h("button", { onclick: () => this.#pick("") }, "Back to the path"));
        this.then.dataset.for = k;
      }
    } else if (view.at_end) {
      put(this.place, h("b", {}, "End"), h("span", {}, "of the path"));
      const what = view.pass === "depth" ? "depth" : "margin";
      put(this.then, view.recorded < view.sites ? `${view.sites - view.recorded} without a ${what}: next goes there` : `every site has a ${what}`);
    } else {
      put(this.place, h("b", {}, view.place.label), h("span", {}, V.aspectName(view.place.aspect, view.place.tooth, this.words)));
      const open = view.sites - view.recorded;
      const left = view.ended ? `left out, ${open} open; ` : "";
      put(this.then, left + (view.then ? `then ${view.then.label} ${V.aspectName(view.then.aspect, view.then.tooth, this.words)}` : "last place of the path"));
    }
    if (!k) delete this.then.dataset.for;
    attr(this.place, "data-picked", !!k);
    keep(this.progress, [view.recorded, view.sites], () => [`${view.recorded}`, h("small", {}, ` of ${view.sites} sites`)]);
    attr(this.progressBar, "value", view.sites ? view.recorded / view.sites : 0);
    const n = view.doubts.length;
    put(this.doubts, n ? h("a", { href: location.pathname.replace(/live$/, "review"), class: "doubt" }, n === 1 ? "1 doubt" : `${n} doubts`) : h("span", { class: "soft" }, "no doubts"));
    this.#follow(this.pathBox, view.path, "path");
    this.#follow(this.passBox, view.pass, "pass");

    put(this.partial, partial?.words || "");
    attr(this.partial, "data-on", !!partial?.words);
    const last = (by) => view.calls?.findLast((c) => c.source === by && c.did !== "start");
    const [spoken, typed] = [last("voice"), last("keyboard")];
    this.#drawLast(this.lastVoice, spoken, "Voice");
    this.#drawLast(this.lastTyped, typed, "Keyboard");
    attr(this.lastVoice, "data-latest", (spoken?.seq ?? 0) > (typed?.seq ?? 0));
    attr(this.lastTyped, "data-latest", (typed?.seq ?? 0) > (spoken?.seq ?? 0));
    const u = this.#ownLast();
    this.undoButton.disabled = !u || !!view.signed_by;
    attr(this.undoButton, "title", u ? u.text || u.words : null);
    this.wordsBox.disabled = !!view.signed_by;

    this.question.show(view.question);
    this.#drawUnsent();
    this.keysSwitch.checked = prefs().keys;
    const say = view.say || [];
    for (const list of [this.sayList, this.nowList]) keep(list, say, () => say.map((t) => h("li", {}, t)));
    keep(this.quiet, say, () => say.slice(0, 5).map((t, i) => [i ? " · " : "Say or type: ", h("q", {}, t)]));
    this.#time();
    this.#ear();
  }

  /** #arrived goes on with what had to wait for what was typed before it. */
  #arrived() {
    const { pending } = this.session;
    if (!pending.some((p) => p.body.command?.acts?.some((a) => a.verb === "soundings"))) this.#ahead = "";
    if (!this.#undoWanted || pending.length) return;
    this.#undoWanted = false;
    this.#undo();
  }

  /** #arrange shows the message that matters most in the one place that they all have; the others wait behind it. */
  #arrange() {
    const all = [this.keyNote, this.question, this.trouble, this.unsent, this.saying, this.gateNote];
    const there = all.filter((m) => !m.hidden);
    for (const m of all) attr(m, "data-behind", m !== there[0]);
    this.quiet.hidden = !!there.length;
    put(this.behind, there.length > 1 ? `${there.length - 1} more` : "");
  }

  /** #note tells why a key did nothing, in sight and aloud. */
  #note(text) {
    put(this.keyNote, text);
    this.keyNote.hidden = false;
    clearTimeout(this.noteTimer);
    this.noteTimer = setTimeout(() => {
      this.keyNote.hidden = true;
      this.#arrange();
    }, NOTE_MS);
    this.#arrange();
    this.app.announce(text);
  }

  /** #close leads to the list of what is open, once the exam was called complete on this screen. */
  #close() {
    this.app.go(location.pathname.replace(/live$/, "close"));
  }

  #layout() {
    setPrefs({ layout: prefs().layout === "far" ? "near" : "far" });
  }

  /** A choice shows what is in force, or what was chosen and is on its way: a path that is no longer offered, too. */
  #follow(box, value, verb) {
    if (this.session.pending.some((p) => p.body.command?.acts?.some((a) => a.verb === verb))) return;
    if (![...box.options].some((o) => o.value === value)) box.append(h("option", { value }, value));
    if (box.value !== value) box.value = value;
  }

  #drawLast(el, c, by) {
    el.hidden = !c;
    if (!c) return;
    keep(el, [c, by], () => [
      h("span", { class: "by" }, c.who ? `${by}, ${c.who}` : by),
      c.words && c.words !== c.text ? h("q", {}, c.words) : null,
      h("b", { class: c.undone ? "undone" : null }, c.refused || c.text),
      c.undone ? h("span", { class: "soft" }, "taken back") : null]);
  }

  /** #own says whether a call is this person's to take back: made by who sits here, or spoken into this page's microphone. */
  #own(c) {
    return !!c.person && c.person === seat().person?.id || c.source === "voice" && this.ear.on;
  }
  #ownLast() {
    return (this.session.view.calls || []).findLast((c) => c.effects && !c.undone && c.did !== "disregard" && this.#own(c)) || null;
  }

  /** The calls, own ones first, each with its way back; what others entered is named with them. */
  #drawCalls(view) {
    const all = (view.calls || []).filter((c) => c.did !== "start").reverse();
    const lines = all.map((c) => this.#callLine(c, !!view.signed_by));
    const own = lines.filter((_, i) => this.#own(all[i]));
    const others = lines.filter((_, i) => !this.#own(all[i]));
    put(this.othersHead.firstChild, own.length ? "Of others" : "Calls");
    order(this.calls, [own.length ? this.ownHead : null, ...own, others.length ? this.othersHead : null, ...others].filter(Boolean));
  }

  /** #callLine is the line of a call: made once, and anew only if the call changes, which makes it another object, or the exam is signed. */
  #callLine(c, locked) {
    const was = this.#lines.get(c);
    if (was?.locked === locked) return was.line;
    const line = h("li", { class: c.refused ? "refused" : c.undone ? "undone" : null },
      h("time", {}, new Date(c.time).toLocaleTimeString()),
      h("span", { class: "by" }, V.caller(c)),
      h("span", {}, c.words && c.words !== c.text ? h("q", {}, c.words) : null, h("span", { class: "did" }, c.refused || c.text), c.undone ? " (taken back)" : ""),
      c.effects && !c.undone && c.did !== "disregard" ? h("button", { disabled: locked, "aria-label": `Take back: ${c.text || c.words}`, onclick: () => this.session.act(C.takeBack(c), "take back " + (c.text || c.words)) }, "Take back") : h("span", {}));
    this.#lines.set(c, { line, locked });
    return line;
  }

  #drawUnsent() {
    const { waiting, refused } = this.session;
    const stuck = waiting.filter((w) => w.stuck);
    const r = refused.at(-1);
    // Typed words that were refused come back into the box, to be mended.
    if (r && r.item.path === "words" && r.id !== this.cameBack) {
      this.cameBack = r.id;
      if (!this.wordsBox.value) {
        // What is not finished is gone on with; what is wrong is written over.
        const unfinished = r.text.includes("not finished");
        this.wordsBox.value = unfinished ? r.label + " " : r.label;
        if (document.activeElement === this.wordsBox && !unfinished) this.wordsBox.select();
      }
    }
    this.unsent.hidden = !stuck.length && !r;
    put(this.unsent,
      stuck.length ? h("div", { class: "note", role: "status" }, h("b", {}, `Not sent yet: ${stuck.map((s) => s.label).join(", ")}. `), "Kept here, and sent as soon as the service answers.") : null,
      r && !stuck.length ? h("div", { class: "note row", role: "alert" }, h("p", { class: "grow" }, h("b", {}, `Not entered: ${r.label}. `), r.text),
        this.#again(r) ? h("button", { onclick: () => this.#insist(r) }, "Enter all the same") : null,
        h("button", { onclick: () => this.session.dismiss(r.id) }, refused.length > 1 ? `Drop, ${refused.length - 1} more` : "Drop")) : null);
    this.#arrange();
  }

  /** A refused value can be entered all the same if something else stands where it was to go. */
  #again(r) {
    const acts = r.item.body.command?.acts;
    if (!acts) return null;
    const now = [];
    for (const a of acts) {
      if (!a.ref || (a.verb !== "set" && a.verb !== "soundings")) return null;
      const k = V.key(a.ref.tooth, a.ref.site);
      const field = a.verb === "set" ? a.field : this.session.view.pass;
      now.push({ ...C.set(k, field, a.verb === "set" ? a.number : a.numbers[0], C.seen(this.session.view, this.session.pending, k, field)) });
    }
    const moved = acts.some((a, i) => a.verb === "soundings" || a.was !== now[i].was);
    return moved ? now : null;
  }
  #insist(r) {
    const acts = this.#again(r);
    this.session.dismiss(r.id);
    if (acts) this.session.act(acts, r.label);
  }

  #ear() {
    const { view, mic } = this.session;
    const here = this.ear.on;
    const elsewhere = !here && mic?.on;
    const on = here || elsewhere;
    put(this.state, !on ? "Microphone off" : view.listening ? "Listening" : "Standing by");
    attr(this.state, "data-state", !on ? "off" : view.listening ? "listening" : "standby");
    put(this.stateMore, elsewhere ? "to the microphone of another screen" : !view.listening ? (on ? "say go ahead" : "standing by: press Go ahead, until then no words are taken") : !on ? "keys and words work" : "");
    const state = this.ear.uplink?.state;
    put(this.micButton, state === "taken" ? "Take over here" : here || state === "broken" ? "Microphone off" : "Microphone on");
    put(this.standButton, view.listening ? "Stand by" : "Go ahead");
    this.standButton.disabled = this.micButton.disabled = !!view.signed_by;
    const t = this.ear.trouble;
    this.trouble.hidden = !t;
    put(this.trouble, t);
    this.#arrange();
    if (!on) {
      this.bar.style.transform = "scaleX(0)";
    }
    this.meter.hidden = !here;
  }

  #level() {
    const m = this.ear.mic;
    const share = (db) => Math.max(0, Math.min(1, (db + 70) / 70));
    this.bar.style.transform = `scaleX(${share(m.level).toFixed(3)})`;
    this.floor.style.left = `${(share(m.noise) * 100).toFixed(1)}%`;
    attr(this.meter, "data-hot", m.clipped > 0.01);
    const a = advice(m);
    if (a !== this.advised) {
      this.advised = a;
      this.#ear();
    }
  }

  #time() {
    if (!this.app.visit) return; // the page is being left
    const ms = Date.now() - this.app.visit.began;
    const long = ms > 6 * 3600e3;
    put(this.elapsed, long ? V.day(this.app.visit.began) : V.clock(ms), h("small", {}, long ? " begun" : " elapsed"));
  }

  #gate() {
    const ok = this.#inputs?.medical_history_checked === true || this.session.view.signed_by;
    this.gateNote.hidden = !this.#inputs || !!ok;
    this.#arrange();
    if (this.gateNote.hidden) return;
    put(this.gateNote, h("div", { class: "row" },
      h("p", { class: "grow" }, h("b", {}, "Medical history not confirmed for this exam. "),
        "Before probing, ask about heart valves and endocarditis risk, bleeding and blood thinners, weak immunity, radiotherapy of the jaws, recent surgery, acute infection, consent. Local guidance decides what follows."),
      h("button", { onclick: () => {
        this.session.act(C.patient({ medical_history_checked: true }), "medical history checked");
        this.#inputs = { ...this.#inputs, medical_history_checked: true };
        this.#gate();
      } }, "I have checked it")));
  }

  // -- acting

  async #toggleMic() {
    const state = this.ear.uplink?.state;
    if (state === "taken") await this.ear.start(true);
    else if (this.ear.on || state === "broken") this.ear.off();
    else {
      if (this.ear.uplink) this.ear.off();
      await this.ear.start();
    }
  }

  #listen() {
    const verb = this.session.view.listening ? "stand by" : "go ahead";
    this.session.act(C.plain(verb), verb);
  }

  #typedWords(e) {
    e.preventDefault();
    const text = this.wordsBox.value.trim();
    if (!text) return;
    this.wordsBox.value = "";
    // What was refused before is answered by what is typed now.
    for (const r of [...this.session.refused]) if (r.item.path === "words") this.session.dismiss(r.id);
    this.session.words(text);
  }

  #undo() {
    if (this.session.pending.length) {
      this.#undoWanted = !this.session.waiting.some((w) => w.stuck);
      return;
    }
    const c = this.#ownLast();
    if (c) this.session.act(C.takeBack(c), "take back " + (c.text || c.words));
    else this.#note(C.lastCall(this.session.view) ? "Nothing of yours is there to take back. What others entered is under Calls." : "There is nothing to take back.");
  }

  #pick(k) {
    if (this.#picked === k) return;
    this.#picked = k;
    this.#draw();
  }

  #label(k) {
    const { tooth, site } = V.parts(k);
    return `${this.session.view.teeth[tooth].label} ${site}`;
  }

  #set(k, field, number, what) {
    const was = C.seen(this.session.view, this.session.pending, k, field);
    this.session.act(C.set(k, field, number, was), `${this.#label(k)}: ${what}`);
  }

  /** The site that flags and margins by key belong to: the one picked, else the last sounding. */
  #target() {
    if (this.#picked) return this.#picked;
    const sent = this.session.pending.flatMap((p) => p.body.command?.acts || []).findLast((a) => a.verb === "soundings");
    if (sent) return V.key(sent.ref.tooth, sent.ref.site);
    return (this.session.view.last || []).at(-1) || "";
  }

  #depth(number) {
    const { view } = this.session;
    if (this.#picked) {
      const k = this.#picked;
      this.#set(k, view.pass, number, number);
      const next = V.after(view, k);
      if (next) {
        const had = this.sheet.focused;
        this.#pick(next);
        if (had) this.sheet.enter(next);
      }
      return;
    }
    const k = this.#ahead || V.nextKey(view);
    if (!k || (this.#ahead === "end")) {
      this.#note("The path is at its end: choose a site with the arrows.");
      return;
    }
    this.#ahead = V.after(view, k) || "end";
    this.session.act(C.sounding(k, number), `${this.#label(k)}: ${number}`);
  }

  #open(k) {
    this.editor.open(this.app, k);
  }

  #key(e) {
    const inField = e.target.closest?.("input, select, textarea, dialog, [contenteditable]");
    if (inField) {
      if (e.key === "Escape" && [this.wordsBox, this.pathBox, this.passBox].includes(e.target)) e.target.blur();
      return;
    }
    const inSheet = this.sheet.focused;
    if (!prefs().keys && !inSheet) return;
    // A focused button or link keeps the keys that work it.
    if (e.target.closest?.("button, a, summary") && [" ", "Enter"].includes(e.key)) return;
    const { wait, act } = press(this.#wait, e);
    if (!act) {
      if (!["Shift", "Control", "Alt", "Meta"].includes(e.key) && wait !== this.#wait) this.#wait = wait;
      return;
    }
    const { view } = this.session;
    if (view.signed_by && !["move", "row", "path", "open", "help", "layout", "nothing"].includes(act.do)) {
      e.preventDefault();
      this.#note("The exam is signed: only remarks and the plan can be added.");
      return;
    }
    e.preventDefault();
    this.#wait = wait;
    put(this.wait, { r: "recession …", "r-": "margin above the CEJ …", m: "mobility …", f: "furcation: b l m d …", "+": "ten and …" }[wait] || (wait ? `furcation ${wait[1]} …` : ""));
    const k = this.#target();
    const need = () => {
      if (k) return true;
      this.#note("Nothing was sounded yet: choose a site with the arrows.");
      return false;
    };
    switch (act.do) {
      case "depth":
        this.#depth(act.number);
        break;
      case "set":
        if (need()) this.#set(k, act.field, act.number, `${act.field} ${act.number}`);
        break;
      case "tooth":
        if (need()) this.#set(C.toothKey(V.parts(k).tooth), act.field, act.number, `${V.fieldName(act.field)} ${act.number}`);
        break;
      case "flag":
        if (need()) {
          const was = C.seen(view, this.session.pending, k, act.field);
          const want = act.no ? 0 : was === "1" ? null : 1;
          this.#set(k, act.field, want, (want === 0 ? "no " : "") + act.field + (want == null ? " cleared" : ""));
        }
        break;
      case "clear":
        if (need()) this.#set(k, "depth", null, "cleared");
        break;
      case "move": {
        const from = this.#picked || V.nextKey(view) || (view.last || []).at(-1) || V.walk(view)[0];
        if (!from) break;
        const to = this.#picked ? V.step(view, from, act.dx, act.dy) : from;
        this.#pick(to);
        if (prefs().look === "sheet") this.sheet.enter(to);
        this.app.announce(V.say(view, to, this.words, prefs().then && this.app.earlier));
        break;
      }
      case "row": {
        const from = this.#picked || V.nextKey(view);
        const row = V.GRID.find((r) => r.includes(from));
        const to = row?.find((x) => V.probed(view.teeth[V.parts(x).tooth]));
        if (to) {
          this.#pick(to);
          if (prefs().look === "sheet") this.sheet.enter(to);
        }
        break;
      }
      case "path":
        if (inSheet) this.sheet.leave();
        this.#pick("");
        break;
      case "open":
        if (this.#picked || k) this.#open(this.#picked || k);
        break;
      case "go":
        if (this.#picked) {
          const { tooth, site } = V.parts(this.#picked);
          this.session.act(C.go(tooth, V.aspectOf(site)), `go to ${view.teeth[tooth].label}`);
          if (inSheet) this.sheet.leave();
          this.#pick("");
        }
        break;
      case "undo":
        this.#undo();
        break;
      case "call":
        this.session.act(C.plain(act.verb), act.verb);
        break;
      case "listen":
        this.#listen();
        break;
      case "layout":
        this.#layout();
        break;
      case "words":
        if (prefs().layout === "far") this.#layout();
        this.wordsBox.focus();
        break;
      case "help":
        this.help.showModal();
        break;
      case "misfit":
        this.#note("That key means nothing here. Escape starts anew.");
        break;
    }
  }
}

customElements.define("ls-live", Live);
