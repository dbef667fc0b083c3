// The frame of all screens: which one is shown, the exam that is open, whether it is listened to, and what is announced.
import { h, put, attr, keep, under, hide } from "../core/dom.js";
import { get, Fault } from "../core/server.js";
import { elsewhere, knows, node } from "../core/nodes.js";
import { prefs, setPrefs, onPrefs, showTheme } from "../core/prefs.js";
import { Session } from "../core/session.js";
import { Ear } from "../core/ear.js";
import { seat, onSeat, loadSeat } from "../people/seat.js";
import "../people/box.js";

// The code of a screen is fetched when it is first shown.
export const SCREENS = [
  { pattern: /^\/$/, tag: "ls-patients", from: "desk/patients", title: "Patients" },
  { pattern: /^\/patients\/([^/]+)$/, tag: "ls-patient", from: "desk/patients", title: "Patient" },
  { pattern: /^\/patients\/([^/]+)\/record$/, tag: "ls-record", from: "people/record", title: "Record" },
  { pattern: /^\/patients\/([^/]+)\/journal$/, tag: "ls-journal", from: "people/journal", title: "Journal" },
  { pattern: /^\/journal$/, tag: "ls-journal", from: "people/journal", title: "Journal" },
  { pattern: /^\/practise$/, tag: "ls-practise", from: "practise/practise", title: "Practise" },
  { pattern: /^\/people$/, tag: "ls-people", from: "people/people", title: "People" },
  { pattern: /^\/settings$/, tag: "ls-settings", from: "desk/settings", title: "Settings" },
  { pattern: /^\/due$/, tag: "ls-due", from: "desk/due", title: "Due" },
  { pattern: /^\/card$/, tag: "ls-card", from: "desk/card", title: "Call card" },
  { pattern: /^\/exams\/([^/]+)\/print$/, tag: "ls-print", from: "desk/print", title: "Chart", exam: true },
  { pattern: /^\/exams\/([^/]+)\/live$/, tag: "ls-live", from: "live/live", title: "Live", exam: true },
  { pattern: /^\/exams\/([^/]+)\/review$/, tag: "ls-review", from: "desk/review", title: "Review", exam: true },
  { pattern: /^\/exams\/([^/]+)\/close$/, tag: "ls-close", from: "desk/close", title: "Close the exam", exam: true },
  { pattern: /^\/exams\/([^/]+)\/findings$/, tag: "ls-findings", from: "desk/findings", title: "Findings", exam: true },
  { pattern: /^\/exams\/([^/]+)\/time$/, tag: "ls-time", from: "desk/time", title: "Over time", exam: true },
  { pattern: /^\/exams\/([^/]+)\/plan$/, tag: "ls-plan", from: "desk/plan", title: "Plan", exam: true },
  { pattern: /^\/exams\/([^/]+)\/handout$/, tag: "ls-handout", from: "desk/handout", title: "Home care", exam: true },
];

const NOWHERE = { pattern: /^/, tag: "ls-nowhere", title: "No such page" };

class Nowhere extends HTMLElement {
  connectedCallback() {
    put(this, h("div", { class: "desk" }, h("h1", {}, "There is no page at this address"), h("p", {}, "It may have been written wrongly, or belong to another version of the program."), h("p", {}, h("a", { class: "button main", href: "/" }, "To the patients"))));
  }
}
customElements.define("ls-nowhere", Nowhere);

const LISTENING = "ls.listening"; // in sessionStorage: the exam that this page's microphone heard for when the page went away

class App extends HTMLElement {
  session = null;
  ear = null;
  visit = null;
  person = null; // whose exam it is
  earlier = null;
  settings = null;
  about = null;
  #screen = null;
  #said = 0;
  #toSay = "";
  #sayTimer = 0;
  #route = 0;
  #away = false; // the page is going away: what ends now was not switched off by anybody
  #left = ""; // whose exam was left with the microphone on
  #out = false; // nobody is signed in: no screen is shown
  #again = false; // the microphone was on before the page was loaded again

  connectedCallback() {
    this.nav = h("nav", { "aria-label": "Screens" });
    this.facts = h("div", { class: "facts" });
    this.heard = h("a", { class: "heard", href: "/" }, (this.hears = h("b", {})), (this.patient = h("span", { class: "patient" })), (this.toLive = h("span", { class: "unseen" })));
    this.offButton = h("button", { class: "off", "aria-label": "Switch the microphone off", onclick: () => this.ear?.off() }, "Off");
    this.onButton = h("button", { class: "on", "aria-label": "Listen: switch the microphone on", hidden: true, onclick: () => this.ear?.start() }, "Listen");
    this.theme = h("button", { class: "plain theme", onclick: () => setPrefs({ theme: document.documentElement.dataset.theme === "dark" ? "light" : "dark" }) });
    this.append(
      (this.head = h("header", { class: "top" },
        h("a", { class: "brand", href: "/", "aria-label": "Leadsman: patients" }, h("img", { src: "/icon.svg", alt: "", width: "26", height: "26" }), h("span", {}, "Leadsman")),
        this.nav, this.facts,
        (this.ears = h("div", { class: "listening", role: "group", "aria-label": "Microphone" }, this.heard, this.onButton, this.offButton)),
        (this.seatBox = h("ls-seat")), this.theme)),
      (this.notice = h("section", { class: "notice", "aria-label": "Message" })),
      (this.firstSlot = h("div")),
      (this.main = h("main", { id: "main", tabindex: "-1" })),
      (this.polite = h("div", { class: "unseen", "aria-live": "polite", role: "status" })),
    );
    document.addEventListener("click", (e) => {
      const a = under(e, "a[href]");
      if (!(a instanceof HTMLAnchorElement) || a.origin !== location.origin || e.metaKey || e.ctrlKey || e.shiftKey || a.target) return;
      if (!SCREENS.some((s) => s.pattern.test(a.pathname))) return;
      e.preventDefault();
      this.go(a.pathname);
    });
    addEventListener("popstate", () => this.show());
    addEventListener("beforeunload", (e) => {
      if (this.session?.waiting.length) e.preventDefault();
    });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", showTheme);
    onPrefs(() => this.#header());
    // Before the ear's own listeners, which end its stream.
    addEventListener("pagehide", () => (this.#away = true));
    addEventListener("pageshow", (e) => {
      this.#away = false;
      if (e.persisted && this.session) this.#wasOn();
    });
    this.firstSlot.append(this.seatBox.first);
    let sat = "";
    onSeat(async ({ person }) => {
      if ((person?.id || "") === sat) return;
      const before = sat;
      sat = person?.id || "";
      if (before && this.ear?.on) { // the stream of another voice is another stream
        this.ear.off();
        if (person) await this.ear.start();
      }
      if (this.#out || before && !person) this.show(); // the screen itself asks the service who sits here before it is first shown
      this.announce(person ? `${person.name} sits here.` : "Nobody sits here.");
    });
    this.show();
  }

  /** proven does what may need somebody to sign in, or to prove to be who sits here; it is done again after that. */
  async proven(f) {
    for (;;) {
      try {
        return await f();
      } catch (e) {
        if (!(e instanceof Fault) || !["sign_in", "prove"].includes(e.code) || !(await this.seatBox.need(e.code))) throw e;
      }
    }
  }

  /** #wasOn finds out whether the microphone was on for this exam when the page went away. */
  #wasOn() {
    this.#again = sessionStorage.getItem(LISTENING) === this.session.exam;
    if (this.#again) this.announce("The microphone is off since the page was loaded again.");
    this.#listening();
  }

  go(path) {
    if (elsewhere() && !this.ear?.on) {
      location.href = node() + path; // nothing is lost by it, and the page comes from a node that answers
      return;
    }
    if (path !== location.pathname) history.pushState(null, "", path);
    this.show(true);
  }

  async show(moved = false) {
    const turn = ++this.#route;
    const screen = SCREENS.find((s) => s.pattern.test(location.pathname)) || NOWHERE;
    const id = decodeURIComponent(location.pathname.match(screen.pattern)?.[1] || "");
    try {
      // Beside what the service is asked; the screen waits for it.
      const code = screen.from && import(`../${screen.from}.js`).catch(() => {
        throw new Fault("code", "This screen cannot be loaded: the service does not answer, or the program was renewed. Load the page again.");
      });
      code?.catch(() => {});
      this.about ??= await get("/api/about");
      knows(this.about.nodes);
      if (!seat().person) await loadSeat();
      if (!seat().person && !seat().open) {
        this.#out = true;
        this.#screen = null;
        this.#closeExam();
        put(this.main, h("div", { class: "desk" }, h("h1", {}, "Leadsman"), h("p", {}, h("button", { class: "main", onclick: () => this.seatBox.need("") }, "Sign in"))));
        this.seatBox.need("");
        return;
      }
      this.settings ??= await get("/api/settings");
      this.#out = false;
      if (screen.exam) await this.#openExam(id);
      else this.#closeExam();
      await code;
    } catch (e) {
      if (turn !== this.#route) return;
      this.#header(screen);
      put(this.main, this.#failed(e));
      return;
    }
    if (turn !== this.#route) return;
    const el = /** @type {import("../core/part.js").Part} */ (document.createElement(screen.tag));
    el.app = this;
    el.recordID = id;
    this.#screen = screen;
    this.#header();
    document.documentElement.dataset.screen = screen.tag;
    put(this.main, el);
    const who = screen.exam ? this.visit.patient_name + " – " : "";
    document.title = `${who}${screen.title} – Leadsman`;
    if (!moved) return;
    // To the top, so that a message over the screen is in sight too.
    scrollTo(0, 0);
    this.main.focus({ preventScroll: true });
  }

  #failed(e) {
    const text = e instanceof Fault ? e.message : "This page failed: load it again.";
    if (!(e instanceof Fault)) console.error(e);
    return h("div", { class: "desk" }, h("div", { class: "note", role: "alert" }, h("p", {}, text)),
      h("p", {}, h("button", { class: "main", onclick: () => (e.code === "code" ? location.reload() : this.show()) }, "Try again")));
  }

  async #openExam(id) {
    if (this.session?.exam === id) return;
    this.#closeExam();
    const visit = await get(`/api/exams/${encodeURIComponent(id)}/visit`);
    const earlier = visit.earlier ? await get(`/api/exams/${encodeURIComponent(id)}/earlier`).catch(() => null) : null;
    const person = await get(`/api/patients/${encodeURIComponent(visit.patient)}`).catch(() => null); // what they add is left out if it cannot be read
    const session = new Session(id, { who: () => seat().person, need: (why) => this.seatBox.need(why) });
    await session.open();
    this.visit = visit;
    this.person = person;
    this.earlier = earlier; // what was read and answered at the exam that a re-evaluation follows
    this.session = session;
    this.ear = new Ear(session, this.about.voice);
    this.ear.addEventListener("state", () => {
      if (this.ear?.on) {
        this.#left = "";
        this.#again = false;
        sessionStorage.setItem(LISTENING, id);
      } else if (!this.#away) sessionStorage.removeItem(LISTENING);
      this.#listening();
    });
    session.addEventListener("mic", () => this.#listening());
    this.#wasOn();
    session.addEventListener("connection", () => this.#header());
    session.addEventListener("queue", () => this.#header());
    session.addEventListener("view", (/** @type {CustomEvent} */ e) => {
      if (!e.detail.change || e.detail.change.head) this.#header();
    });
    session.addEventListener("answer", (/** @type {CustomEvent} */ e) => this.announce(e.detail.text));
  }

  #closeExam() {
    if (this.ear?.on) {
      this.#left = this.visit.patient_name;
      this.announce(`The microphone was switched off: the exam of ${this.#left} was left.`);
    }
    this.#again = false;
    this.ear?.close();
    this.session?.close();
    this.ear = this.session = this.visit = this.person = this.earlier = null;
  }

  /** announce tells screen readers, politely and at most once a second; the newest counts. */
  announce(text) {
    this.#toSay = text;
    clearTimeout(this.#sayTimer);
    const wait = Math.max(0, this.#said + 1000 - Date.now());
    this.#sayTimer = setTimeout(() => {
      this.#said = Date.now();
      this.polite.textContent = this.#toSay;
    }, wait);
  }

  #header(screen = this.#screen) {
    if (!screen) return;
    const { session } = this;
    const v = session?.view;
    const link = (path, text) => h("a", { href: path, "aria-current": location.pathname === path ? "page" : null }, text);
    keep(this.nav, [location.pathname, session?.exam, !!v?.signed_by], () => {
      const base = session && `/exams/${encodeURIComponent(session.exam)}`;
      return [link("/", "Patients"), link("/due", "Due"),
        session && [link(base + "/live", "Live"), link(base + "/review", "Review"), v.signed_by ? null : link(base + "/close", "Close"), link(base + "/findings", "Findings"), link(base + "/time", "Over time"), link(base + "/plan", "Plan")],
        link("/practise", "Practise"), link("/settings", "Settings")];
    });
    // One waits for the service, and those typed after it wait for that one.
    const unsent = session?.waiting.some((w) => w.stuck) ? session.waiting.length : 0;
    const renewed = !!session?.build && session.build !== this.about.build;
    keep(this.facts, [v?.numbering, unsent, session?.online, renewed], () => session && [
      h("span", { class: "numbering", title: v.numbering === "fdi" ? "Teeth are numbered 11 to 48 (ISO 3950)" : "Teeth are numbered 1 to 32 (Universal)" }, h("span", { class: "word" }, v.numbering === "fdi" ? "FDI " : "Universal "), v.numbering === "fdi" ? "11–48" : "1–32"),
      unsent ? h("span", { class: "state bad" }, `${unsent} unsent`)
        : !session.online ? h("span", { class: "state bad" }, "Connecting …")
        : renewed ? h("button", { class: "state bad", onclick: () => location.reload() }, "Program renewed: load again") : null]);
    const dark = document.documentElement.dataset.theme === "dark";
    attr(this.theme, "aria-label", dark ? "Light colours" : "Dark colours");
    put(this.theme, dark ? "Light" : "Dark");
    this.#listening();
  }

  /** #listening shows in the same place on every screen whether a microphone is heard, for whose exam, the way to it, and the switch. */
  #listening() {
    const s = this.session;
    const here = !!this.ear?.on;
    const broken = here && this.ear.uplink?.state === "broken";
    const state = broken ? "broken" : here ? (s.view.listening ? "listening" : "standby") : s?.mic?.on ? "elsewhere" : "off";
    put(this.hears, { broken: "Connection broken", listening: "Listening", standby: "Standing by", elsewhere: "Listening elsewhere", off: "Not listening" }[state]);
    attr(this.ears, "data-state", state);
    const whose = s ? `exam of ${this.visit.patient_name}` : "no exam is open";
    put(this.patient, whose);
    const live = s && `/exams/${encodeURIComponent(s.exam)}/live`;
    attr(this.heard, "href", live);
    attr(this.heard, "title", s ? whose : null);
    put(this.toLive, s ? ", to Live" : "");
    this.offButton.disabled = !here;
    hide(this.onButton, !s || here || broken || !!s.view.signed_by);
    attr(this.offButton, "data-yields", !this.onButton.hidden);
    // A message that belongs to what has just happened stands over the screen, and stays until it is dealt with.
    const said = this.#again && !here ? "again" : this.#left && !here ? this.#left : "";
    if ((this.notice.dataset.said || "") === said) return;
    this.notice.dataset.said = said;
    const note = (text, ...more) => h("div", { class: "note row" }, h("p", { class: "grow" }, h("b", {}, text)), more);
    put(this.notice, said === "again"
      ? note("The microphone is off since the page was loaded again.", h("button", { class: "main", onclick: () => this.ear?.start() }, "Switch it on"))
      : said ? note(`The microphone was switched off: the exam of ${said} was left.`, h("button", { onclick: () => {
        this.#left = "";
        this.#listening();
      } }, "Close")) : null);
  }
}

customElements.define("ls-app", App);
