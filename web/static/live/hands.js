// What the keys and buttons of Live do: each key is a deed (core/keys.js), each deed one of the methods in DEEDS.
import * as V from "../core/view.js";
import * as C from "../core/commands.js";
import { prefs } from "../core/prefs.js";
import { press } from "../core/keys.js";

// What can be done in a signed exam: it enters nothing.
const LOOKING = ["move", "row", "path", "open", "help", "layout", "nothing"];

export class Hands {
  #ahead = ""; // next site of the path after what was typed and is on its way
  #undoWanted = false;

  /** @param {import("./state.js").LiveState} state
   *  @param {{sheet: any, editor: any, help: any, words: () => HTMLElement}} on what is opened and gets the focus */
  constructor(state, on) {
    this.state = state;
    this.on = on;
  }

  /** arrived goes on with what had to wait for what was typed before it. */
  arrived() {
    const { pending } = this.state;
    if (!pending.some((p) => p.body.command?.acts?.some((a) => a.verb === "soundings"))) this.#ahead = "";
    if (!this.#undoWanted || pending.length) return;
    this.#undoWanted = false;
    this.undo();
  }

  /** key does what a key press asks for.
   *  @param {KeyboardEvent} e */
  key(e) {
    const { state } = this;
    const at = e.target instanceof Element ? e.target : document.body;
    if (at.closest("input, select, textarea, dialog, [contenteditable]")) {
      if (e.key === "Escape" && at instanceof HTMLElement && at.matches("#words, #path, #pass")) at.blur();
      return;
    }
    if (!prefs().keys && !this.on.sheet.focused) return;
    // A focused button or link keeps the keys that work it.
    if (at.closest("button, a, summary") && [" ", "Enter"].includes(e.key)) return;
    const { wait, act } = press(state.wait, e);
    if (!act) {
      if (!["Shift", "Control", "Alt", "Meta"].includes(e.key) && wait !== state.wait) state.set({ wait });
      return;
    }
    e.preventDefault();
    if (state.view.signed_by && !LOOKING.includes(act.do)) {
      state.say("The exam is signed: only remarks and the plan can be added.");
      return;
    }
    if (wait !== state.wait) state.set({ wait });
    DEEDS[act.do]?.call(this, act);
  }

  listen() {
    const verb = this.state.view.listening ? "stand by" : "go ahead";
    this.state.session.act(C.plain(verb), verb);
  }

  /** undo takes back the last own call, once what was typed before has arrived. */
  undo() {
    const { state } = this;
    if (state.pending.length) {
      this.#undoWanted = !state.session.waiting.some((w) => w.stuck);
      return;
    }
    const c = state.ownLast;
    if (c) state.session.act(C.takeBack(c), "take back " + (c.text || c.words));
    else state.say(C.lastCall(state.view) ? "Nothing of yours is there to take back. What others entered is under Calls." : "There is nothing to take back.");
  }

  /** pick puts the keys at a site, "" back on the path.
   *  @param {string} k */
  pick(k) {
    if (this.state.picked !== k) this.state.set({ picked: k });
  }
  /** @param {string} k */
  open(k) {
    this.on.sheet.arrive();
    this.on.editor.open(this.state.app, k);
  }

  /** @param {string} k
   *  @param {string} field
   *  @param {number | null} number
   *  @param {string | number} what it is called */
  put(k, field, number, what) {
    this.state.session.act(C.set(k, field, number, this.state.seen(k, field)), `${this.state.label(k)}: ${what}`);
  }

  /** here gives the site that a flag, a margin or a finding of the tooth belongs to, or says that there is none. */
  here() {
    const k = this.state.target;
    if (!k) this.state.say("Nothing was sounded yet: choose a site with the arrows.");
    return k;
  }

  /** goTo picks a site, and the table gets the focus where it is shown.
   *  @param {string} k */
  goTo(k) {
    this.pick(k);
    if (prefs().look === "sheet") this.on.sheet.enter(k);
  }

  /** depth enters a number at the site picked, else at the next one of the path.
   *  @param {Deed} act */
  depth({ number }) {
    const { state } = this;
    const { view } = state;
    if (state.picked) {
      this.put(state.picked, view.pass, number, number);
      const next = V.after(view, state.picked);
      if (!next) return;
      const had = this.on.sheet.focused;
      this.pick(next);
      if (had) this.on.sheet.enter(next);
      return;
    }
    const k = this.#ahead || V.nextKey(view);
    if (!k || this.#ahead === "end") {
      state.say("The path is at its end: choose a site with the arrows.");
      return;
    }
    this.#ahead = V.after(view, k) || "end";
    state.session.act(C.sounding(k, number), `${state.label(k)}: ${number}`);
  }

  /** correct replaces the number that is pointed at, else the one that is picked, and nothing else: which one was entered last is not
   *  asked, for while calls go on that is another one from moment to moment.
   *  @param {Deed} act */
  correct({ number }) {
    const { state } = this;
    const k = this.on.sheet.pointed || state.picked;
    const was = k && state.seen(k, state.view.pass);
    if (!was) {
      state.say(k ? `${state.label(k)} has no number to be corrected.` : "Point at a number in the table; Alt and a digit put it right.");
      return;
    }
    this.put(k, state.view.pass, number, `${number}, was ${was}`);
    state.say(`${state.label(k)}: ${was} corrected to ${number}. u takes it back.`);
  }
}

/** What each deed does, by its name in core/keys.js.
 *  @type {Record<string, (this: Hands, act: Deed) => void>} */
const DEEDS = {
  depth(act) { this.depth(act); },
  correct(act) { this.correct(act); },
  set({ field, number }) {
    const k = this.here();
    if (k) this.put(k, field, number, `${field} ${number}`);
  },
  tooth({ field, number }) {
    const k = this.here();
    if (k) this.put(C.toothKey(V.parts(k).tooth), field, number, `${V.fieldName(field)} ${number}`);
  },
  flag({ field, no }) {
    const k = this.here();
    if (!k) return;
    const want = no ? 0 : this.state.seen(k, field) === "1" ? null : 1;
    this.put(k, field, want, (want === 0 ? "no " : "") + field + (want == null ? " cleared" : ""));
  },
  clear() {
    const k = this.here();
    if (k) this.put(k, "depth", null, "cleared");
  },
  move({ dx, dy }) {
    const { view, picked, words, app, earlier } = this.state;
    const from = picked || V.nextKey(view) || (view.last || []).at(-1) || V.walk(view)[0];
    if (!from) return;
    const to = picked ? V.step(view, from, dx, dy) : from;
    this.goTo(to);
    app.announce(V.say(view, to, words, earlier));
  },
  row() {
    const { view, picked } = this.state;
    const from = picked || V.nextKey(view);
    const to = V.GRID.find((r) => r.includes(from))?.find((x) => V.probed(view.teeth[V.parts(x).tooth]));
    if (to) this.goTo(to);
  },
  path() {
    this.on.sheet.leave();
    this.pick("");
  },
  open() {
    const k = this.state.target;
    if (k) this.open(k);
  },
  go() {
    const { picked, view, session } = this.state;
    if (!picked) return;
    const { tooth, site } = V.parts(picked);
    session.act(C.go(tooth, V.aspectOf(site)), `go to ${view.teeth[tooth].label}`);
    this.on.sheet.leave();
    this.pick("");
  },
  undo() { this.undo(); },
  call({ verb }) { this.state.session.act(C.plain(verb), verb); },
  listen() { this.listen(); },
  layout() { this.state.layout(); },
  words() {
    if (this.state.far) this.state.layout();
    this.on.words().focus();
  },
  help() { this.on.help.open(); },
  misfit() { this.state.say("That key means nothing here. Escape starts anew."); },
};
