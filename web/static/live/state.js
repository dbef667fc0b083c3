// The one store of Live: what its parts draw from and its keys write to. What is true of the exam stands in the session, what this
// browser remembers in its preferences; here is what belongs to the screen, and one event for whatever of all that changes.
import { get } from "../core/server.js";
import { prefs, setPrefs } from "../core/prefs.js";
import * as V from "../core/view.js";
import * as C from "../core/commands.js";
import { seat } from "../people/seat.js";

const NOTE_MS = 6000; // a refused key stays in sight that long

export class LiveState extends EventTarget {
  picked = ""; // the site that the keys are at, "" on the path
  wait = ""; // keys that wait for more (core/keys.js)
  note = ""; // why the last key did nothing, or what it corrected
  saying = false; // what can be said was asked for
  /** @type {{medical_history_checked?: boolean} | null} */
  inputs = null; // what was asked about the patient
  #noteTimer = 0;

  /** @param {any} app the frame
   *  @param {AbortSignal} signal ends it */
  constructor(app, signal) {
    super();
    this.app = app;
    /** @type {import("../core/session.js").Session} */
    this.session = app.session;
    /** @type {import("../core/ear.js").Ear} */
    this.ear = app.ear;
    /** @type {string} */
    this.words = app.settings.site_words;
    for (const name of ["view", "partial", "queue", "answered", "mic", "connection"]) this.session.addEventListener(name, () => this.tell(), { signal });
    this.ear.addEventListener("state", () => this.tell(), { signal });
    // Asked for by voice or in words, what can be said stands on the page until the next call.
    this.session.addEventListener("answer", (/** @type {CustomEvent} */ e) => e.detail.did && this.set({ saying: e.detail.did === "help" }), { signal });
    signal.addEventListener("abort", () => clearTimeout(this.#noteTimer));
    // What they add is only left out if the service does not answer; the header says so.
    get(`/api/exams/${encodeURIComponent(this.session.exam)}/inputs`).then((inputs) => this.set({ inputs }), () => {});
  }

  /** tell has everything drawn that has changed. */
  tell() {
    this.dispatchEvent(new Event("change"));
  }

  /** set changes parts of the store.
   *  @param {Partial<Pick<LiveState, "picked" | "wait" | "saying" | "inputs">>} parts */
  set(parts) {
    Object.assign(this, parts);
    this.tell();
  }

  /** say shows a line for a moment, in sight and aloud.
   *  @param {string} text */
  say(text) {
    this.note = text;
    clearTimeout(this.#noteTimer);
    this.#noteTimer = setTimeout(() => {
      this.note = "";
      this.tell();
    }, NOTE_MS);
    this.app.announce(text);
    this.tell();
  }

  /** @returns {View} */
  get view() {
    return this.session.view;
  }
  /** @returns {Waiting[]} */
  get pending() {
    return this.session.pending;
  }
  /** earlier is the exam that stands beside this one, if it is to be seen. */
  get earlier() {
    return prefs().then && this.app.earlier;
  }
  get far() {
    return prefs().layout === "far";
  }
  /** look is what stands in the lower half: sheet, profile, map or calls. */
  get look() {
    return this.far ? "profile" : prefs().look;
  }
  layout() {
    setPrefs({ layout: this.far ? "near" : "far" });
  }

  /** own says whether a call is this person's to take back: made by who sits here, or spoken into this page's microphone.
   *  @param {CallView} c */
  own(c) {
    return !!c.person && c.person === seat().person?.id || c.source === "voice" && this.ear.on;
  }
  /** ownLast is the call that "take back" takes back. */
  get ownLast() {
    return (this.view.calls || []).findLast((c) => c.effects && !c.undone && c.did !== "disregard" && this.own(c)) || null;
  }

  /** target is the site that flags and margins by key belong to: the one picked, else the last sounding. */
  get target() {
    if (this.picked) return this.picked;
    const sent = this.pending.flatMap((p) => p.body.command?.acts || []).findLast((a) => a.verb === "soundings");
    if (sent) return V.key(String(sent.ref.tooth), sent.ref.site);
    return (this.view.last || []).at(-1) || "";
  }

  /** label names a site, short.
   *  @param {string} k */
  label(k) {
    const { tooth, site } = V.parts(k);
    return `${this.view.teeth[tooth].label} ${site}`;
  }

  /** seen is what stands at a field for the person at this page.
   *  @param {string} k
   *  @param {string} field
   *  @returns {string} */
  seen(k, field) {
    return C.seen(this.view, this.pending, k, field);
  }
}
