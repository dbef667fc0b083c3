// Joins the microphone of this page to an exam: sound goes up, answers come out of the loudspeaker.
import { Microphone, advice } from "./mic.js";
import { Ring } from "./ring.js";
import { Uplink } from "./uplink.js";
import { Answers } from "./answers.js";
import { prefs } from "./prefs.js";

export class Ear extends EventTarget {
  mic;
  uplink = null;
  answers;
  #session;
  #ring = null;
  #last = { head: 0, at: 0 };
  #behind = 0; // whole seconds, once they are worth telling
  #lost = 0; // samples of this stream that were given up
  #told = 0; // of them those told before the last call that was heard
  #end = new AbortController();
  #asked = 0;

  /** voice says that the service can speak where the browser cannot. */
  constructor(session, voice = false) {
    super();
    this.#session = session;
    this.mic = new Microphone((f) => this.#frame(f));
    this.mic.addEventListener("state", () => this.#tell());
    this.answers = new Answers({
      begin: (text, at) => this.uplink?.speaks(this.#position(at), text),
      end: (a, b) => this.uplink?.spoke(this.#position(a), this.#position(b)),
    }, voice);
    const on = (name, f) => session.addEventListener(name, f, { signal: this.#end.signal });
    on("partial", () => session.partial && this.answers.hush());
    on("answer", (e) => {
      // One loudspeaker answers: the one beside the open microphone, or, without one, this page
      // for what was typed here.
      if (this.mic.on) this.#sound(e.detail);
    });
    on("answer", (e) => {
      if (this.#behind || !e.detail.end_ms || this.#lost === this.#told) return; // what is heard late was said before the loss
      this.#told = this.#lost;
      this.#tell();
    });
    on("answered", (e) => {
      if (!this.mic.on && !session.mic?.on) this.#sound(e.detail.answer);
    });
    on("view", () => {
      const q = session.view.question;
      const asked = this.#asked;
      this.#asked = q?.id || 0;
      if (!q || q.id === asked || !this.mic.on) return;
      // The answer to the same call comes first.
      queueMicrotask(() => this.answers.ask(q, prefs().answers, prefs().volume));
    });
    // A page that goes away gives the microphone free for the next one.
    addEventListener("pagehide", () => this.off(), { signal: this.#end.signal });
    addEventListener("pointerdown", () => this.mic.resume(), { signal: this.#end.signal });
    addEventListener("keydown", () => this.mic.resume(), { signal: this.#end.signal });
  }

  #tell() {
    this.dispatchEvent(new Event("state"));
  }

  #sound(answer) {
    const p = prefs();
    this.answers.answer(answer, p.answers, p.volume);
  }

  get on() {
    return this.mic.on;
  }

  /** state in one line: what is wrong and what to do, or "". */
  get trouble() {
    if (this.mic.trouble) return this.mic.trouble;
    switch (this.uplink?.state) {
      case "taken":
        return "Another microphone is connected to this exam. Switch it off there, or take over here.";
      case "no-engine":
        return "No speech recognizer is loaded: only the keyboard works. Run leadsman doctor on the machine that runs the service.";
      case "gone":
        return this.uplink.old ? "This page is older than the program. Load the page again." : "This exam is no longer open. Load the page again.";
      case "refused":
        return `The sound was refused: ${this.uplink.trouble}.`;
      case "broken":
        return `The connection is broken${this.uplink.trouble && ": " + this.uplink.trouble}. What you say is kept for 90 seconds and sent when it is back.`;
    }
    if (this.#lost > this.#told) return `${Math.ceil((this.#lost - this.#told) / 16000)} s of sound were lost while the connection was broken: look where the chart stands, and say those calls again.`;
    if (this.#behind) return `Listening is ${this.#behind} s behind: the machine that runs Leadsman is busy. What you say is kept and heard in its order; wait for the answers.`;
    if (this.mic.on) {
      const a = advice(this.mic);
      if (a) return a;
      if (this.#session.mic?.trouble) return this.#session.mic.trouble;
    }
    return "";
  }

  /** play has a recording sound here and heard for the exam, then switches off. */
  async play(sound) {
    this.mic.addEventListener("played", () => this.off(), { once: true });
    await this.start(false, sound);
  }

  async start(takeover = false, sound = null) {
    this.answers.wake();
    if (this.uplink && !takeover) return;
    this.uplink?.close();
    this.#ring = new Ring();
    this.#last = { head: 0, at: performance.now() };
    this.#lost = this.#told = this.#behind = 0;
    const path = `/api/exams/${encodeURIComponent(this.#session.exam)}/sound?voice=${encodeURIComponent(prefs().examiner)}`;
    this.uplink = new Uplink(path, this.#ring);
    this.uplink.addEventListener("state", () => {
      if (["taken", "no-engine", "gone", "refused"].includes(this.uplink?.state)) this.mic.stop();
      this.#tell();
    });
    if (await (sound ? this.mic.play(sound) : this.mic.start(prefs().device))) this.uplink.open(takeover);
    else this.uplink = null;
    this.#tell();
  }

  off() {
    if (!this.uplink) return;
    this.mic.stop();
    this.uplink.close();
    this.uplink = null;
    this.#tell();
  }

  close() {
    this.off();
    this.answers.hush();
    this.#end.abort();
  }

  #frame(f) {
    this.#ring.push(f.pcm);
    this.#last = { head: this.#ring.head, at: performance.now() };
    this.uplink?.pump();
    const late = this.uplink?.state === "open" ? Math.floor(this.uplink.behind) : 0;
    const behind = late < 3 ? 0 : late;
    const lost = this.uplink?.lost ?? 0;
    if (this.#behind !== behind || this.#lost !== lost) {
      this.#behind = behind;
      this.#lost = lost;
      this.#tell();
    }
    this.dispatchEvent(new Event("level"));
  }

  #position(ms) {
    return Math.max(0, Math.round(this.#last.head - (this.#last.at - ms) * 16));
  }
}
