// A page's connection to one exam: the view, kept up to date by numbered changes, and the commands
// on their way. Nothing that was typed is lost: a command waits, visibly, until the service has
// answered it, and its identity makes sending it again harmless.
import { ask, get, newID, Fault } from "./server.js";
import { addressed, elsewhere, lost, moved } from "./nodes.js";
import { apply } from "./view.js";

const SILENCE = 40000; // no sign of life for so long: connect anew

export class Session extends EventTarget {
  /** @type {View} */
  view = null;
  /** @type {Heard | null} */
  partial = null;
  /** @type {Mic | null} */
  mic = null;
  online = false;
  build = ""; // of the service's pages; another one than ours means the program was renewed
  /** @type {Waiting[]} */
  waiting = []; // commands without an answer
  /** @type {Waiting[]} */
  settling = []; // entered, but the change that shows it has not arrived yet
  /** @type {Refused[]} */
  refused = []; // what could not be entered
  lastAnswer = null;
  #base;
  #events = null;
  #closed = false;
  #gone = new AbortController();
  #loading = null;
  #held = [];
  #sending = false;
  #retry = 0;
  #alive = 0;
  #watch = 0;
  #store;
  #who;
  #need;

  /** exam is its id; who() is the person at this screen, need(why) has one sign in or prove it; store keeps unsent commands. */
  constructor(exam, { who = () => null, need = async (/** @type {string} */ why) => !why, store = localStorage } = {}) {
    super();
    this.exam = exam;
    this.#base = `/api/exams/${encodeURIComponent(exam)}`;
    this.#who = who;
    this.#need = need;
    this.#store = store;
    const prefix = this.#prefix;
    for (let i = 0; i < store.length; i++) {
      const k = store.key(i);
      if (!k.startsWith(prefix)) continue;
      try {
        this.waiting.push(JSON.parse(store.getItem(k)));
      } catch {
        store.removeItem(k); // half-written: it was never shown as entered
      }
    }
    this.waiting.sort((a, b) => a.since - b.since);
  }

  get #prefix() {
    return `ls.unsent.${this.exam}.`;
  }

  async open() {
    await this.#load();
    this.#listen();
    // A page that the browser keeps for the way back must not hold a connection: it allows six in all.
    addEventListener("pagehide", () => this.#events?.close(), { signal: this.#gone.signal });
    addEventListener("pageshow", (e) => e.persisted && this.#listen(), { signal: this.#gone.signal });
    moved.addEventListener("moved", () => {
      this.#listen();
      this.#send();
    }, { signal: this.#gone.signal });
    this.#watch = setInterval(() => {
      if (this.#events && Date.now() - this.#alive > SILENCE) this.#listen();
    }, 5000);
    this.#send();
  }

  close() {
    this.#closed = true;
    clearInterval(this.#watch);
    this.#gone.abort();
    this.#events?.close();
  }

  /** settled calls f a moment after the chart has changed, once for changes that come close together,
   *  until signal ends it: for what the service works out of the whole chart. */
  settled(f, signal) {
    let timer = 0;
    this.addEventListener("view", (/** @type {CustomEvent} */ e) => {
      if (e.detail.change && !e.detail.change.head) return;
      clearTimeout(timer);
      timer = setTimeout(f, 400);
    }, { signal });
    signal.addEventListener("abort", () => clearTimeout(timer));
  }

  #tell(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail }));
  }

  #setOnline(on) {
    if (this.online === on) return;
    this.online = on;
    this.#tell("connection");
    if (on) this.#send();
  }

  /** #load reads the whole view; changes that arrive meanwhile wait for it. */
  #load() {
    this.#loading ??= (async () => {
      try {
        this.view = await get(this.#base);
        this.settling = this.settling.filter((x) => x.call > this.view.seq);
      } finally {
        this.#loading = null;
      }
      const held = this.#held.splice(0);
      this.#tell("view", {});
      for (const c of held) this.#take(c);
    })();
    return this.#loading;
  }

  #listen() {
    this.#events?.close();
    if (this.#closed) return;
    this.#alive = Date.now();
    const es = new EventSource(addressed(`${this.#base}/changes?from=${this.view.seq}`), { withCredentials: elsewhere() });
    this.#events = es;
    es.addEventListener("hello", (e) => {
      this.#alive = Date.now();
      this.build = JSON.parse(e.data).build;
      this.#setOnline(true);
    });
    es.addEventListener("beat", () => (this.#alive = Date.now()));
    es.addEventListener("change", (e) => {
      this.#alive = Date.now();
      this.#take(JSON.parse(e.data));
    });
    es.addEventListener("tentative", (e) => {
      this.#alive = Date.now();
      const c = JSON.parse(e.data);
      if (c.partial) {
        this.partial = c.partial.words ? c.partial : null;
        this.#tell("partial");
      }
      if (c.mic) {
        this.mic = c.mic;
        this.#tell("mic");
      }
    });
    es.addEventListener("error", () => {
      this.#setOnline(false);
      lost();
      if (es.readyState === EventSource.CLOSED && !this.#closed && this.#events === es) {
        // The service answered with an error instead of a stream: ask again, not too often.
        setTimeout(() => this.#events === es && this.#listen(), 1500);
      }
    });
  }

  #take(c) {
    if (this.#loading) {
      this.#held.push(c);
      return;
    }
    const next = apply(this.view, c);
    if (!next) {
      this.#held.push(c);
      this.#load().catch(() => this.#listen());
      return;
    }
    this.settling = this.settling.filter((x) => x.call > next.seq);
    const teeth = next === this.view ? [] : Object.keys(c.teeth || {});
    const fresh = next !== this.view;
    this.view = next;
    if (c.partial) this.partial = c.partial.words ? c.partial : null;
    else if (c.answer) this.partial = null;
    if (c.mic) this.mic = c.mic;
    if (fresh || c.answer) this.#tell("view", { teeth, change: c });
    if (c.answer) {
      this.lastAnswer = c.answer;
      this.#tell("answer", c.answer);
    }
  }

  /** words sends typed words, act a command of one or more acts. label says what it is, in words,
   *  for the list of what waits. Both give the id. */
  words(/** @type {string} */ text) {
    return this.#queue("words", { text }, text);
  }
  act(/** @type {Act | Act[]} */ acts, /** @type {string} */ label) {
    return this.#queue("do", { command: { acts: [].concat(acts) } }, label);
  }

  #queue(path, body, label) {
    const id = newID();
    const item = { id, path, body: { ...body, id }, person: this.#who()?.id, label, since: Date.now() };
    try {
      this.#store.setItem(this.#prefix + id, JSON.stringify(item));
    } catch {
      // a full or closed store: the command still waits in this page
    }
    this.waiting.push(item);
    this.#tell("queue");
    this.#send();
    return id;
  }

  #drop(item) {
    this.waiting = this.waiting.filter((x) => x !== item);
    this.#store.removeItem(this.#prefix + item.id);
  }

  /** #send sends what waits, one after the other, in the order in which it was typed. */
  async #send() {
    if (this.#sending || this.#closed) return;
    this.#sending = true;
    clearTimeout(this.#retry);
    try {
      while (this.waiting.length) {
        const item = this.waiting[0];
        let answer;
        // What one person typed is not entered as another's.
        if (item.person && this.#who() && this.#who().id !== item.person) {
          this.#drop(item);
          this.#refuse(item, "somebody else has sat down here since it was typed: type it again");
          continue;
        }
        try {
          answer = await ask("POST", `${this.#base}/${item.path}`, item.body);
        } catch (e) {
          if (!(e instanceof Fault)) throw e;
          if (e.passing) {
            item.stuck = true;
            this.#tell("queue");
            this.#retry = setTimeout(() => this.#send(), 1000);
            return;
          }
          if (e.code === "sign_in" || e.code === "prove") {
            item.stuck = true;
            this.#tell("queue");
            if (await this.#need(e.code)) continue;
          }
          this.#drop(item);
          this.#refuse(item, e.message);
          continue;
        }
        this.#drop(item);
        if (answer.tone === "refused" || answer.tone === "misfit") this.#refuse(item, answer.text);
        else if (answer.call > this.view.seq) this.settling.push({ ...item, call: answer.call });
        this.#tell("queue");
        this.#tell("answered", { id: item.id, answer });
      }
    } finally {
      this.#sending = false;
    }
  }

  #refuse(item, text) {
    this.refused.push({ id: item.id, label: item.label, text, item });
    this.#tell("queue");
  }

  /** pending lists commands whose effect is not in the view yet, in the order typed. */
  get pending() {
    return [...this.settling, ...this.waiting];
  }

  /** dismiss takes a refused entry off the list. */
  dismiss(id) {
    this.refused = this.refused.filter((x) => x.id !== id);
    this.#tell("queue");
  }
}
