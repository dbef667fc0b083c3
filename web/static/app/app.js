// The frame of all screens: which one is shown, the exam that is open, and what is announced.
import { h, put } from "../core/dom.js";
import { get, Fault } from "../core/server.js";
import { prefs, setPrefs, onPrefs, showTheme } from "../core/prefs.js";
import { Session } from "../core/session.js";
import { Ear } from "../core/ear.js";
import "../live/live.js";
import "../desk/review.js";
import "../desk/findings.js";
import "../desk/time.js";
import "../desk/plan.js";
import "../desk/handout.js";
import "../desk/patients.js";
import "../desk/settings.js";
import "../practise/practise.js";

const SCREENS = [
  { pattern: /^\/$/, tag: "ls-patients", title: "Patients" },
  { pattern: /^\/patients\/([^/]+)$/, tag: "ls-patient", title: "Patient" },
  { pattern: /^\/practise$/, tag: "ls-practise", title: "Practise" },
  { pattern: /^\/settings$/, tag: "ls-settings", title: "Settings" },
  { pattern: /^\/exams\/([^/]+)\/live$/, tag: "ls-live", title: "Live", exam: true },
  { pattern: /^\/exams\/([^/]+)\/review$/, tag: "ls-review", title: "Review", exam: true },
  { pattern: /^\/exams\/([^/]+)\/findings$/, tag: "ls-findings", title: "Findings", exam: true },
  { pattern: /^\/exams\/([^/]+)\/time$/, tag: "ls-time", title: "Over time", exam: true },
  { pattern: /^\/exams\/([^/]+)\/plan$/, tag: "ls-plan", title: "Plan", exam: true },
  { pattern: /^\/exams\/([^/]+)\/handout$/, tag: "ls-handout", title: "Home care", exam: true },
];

class App extends HTMLElement {
  session = null;
  ear = null;
  visit = null;
  settings = null;
  about = null;
  #screen = null;
  #said = 0;
  #toSay = "";
  #sayTimer = 0;
  #route = 0;

  connectedCallback() {
    this.append(
      (this.head = h("header", { class: "top" })),
      (this.main = h("main", { id: "main", tabindex: "-1" })),
      (this.polite = h("div", { class: "unseen", "aria-live": "polite", role: "status" })),
    );
    document.addEventListener("click", (e) => {
      const a = e.target.closest?.("a[href]");
      if (!a || a.origin !== location.origin || e.metaKey || e.ctrlKey || e.shiftKey || a.target) return;
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
    this.show();
  }

  go(path) {
    if (path !== location.pathname) history.pushState(null, "", path);
    this.show(true);
  }

  async show(moved = false) {
    const turn = ++this.#route;
    const screen = SCREENS.find((s) => s.pattern.test(location.pathname)) || SCREENS[0];
    const id = decodeURIComponent(location.pathname.match(screen.pattern)?.[1] || "");
    try {
      this.about ??= await get("/api/about");
      this.settings ??= await get("/api/settings");
      if (screen.exam) await this.#openExam(id);
      else this.#closeExam();
    } catch (e) {
      if (turn !== this.#route) return;
      this.#header(screen);
      put(this.main, this.#failed(e));
      return;
    }
    if (turn !== this.#route) return;
    const el = document.createElement(screen.tag);
    el.app = this;
    el.recordID = id;
    this.#screen = screen;
    this.#header();
    put(this.main, el);
    const who = screen.exam ? this.visit.patient_name + " – " : "";
    document.title = `${who}${screen.title} – Leadsman`;
    if (moved) this.main.focus();
  }

  #failed(e) {
    const text = e instanceof Fault ? e.message : "This page failed: load it again.";
    if (!(e instanceof Fault)) console.error(e);
    return h("div", { class: "desk" }, h("div", { class: "note", role: "alert" }, h("p", {}, text)),
      h("p", {}, h("button", { class: "main", onclick: () => this.show() }, "Try again")));
  }

  async #openExam(id) {
    if (this.session?.exam === id) return;
    this.#closeExam();
    const visit = await get(`/api/exams/${encodeURIComponent(id)}/visit`);
    const session = new Session(id, { who: () => prefs().who });
    await session.open();
    this.visit = visit;
    this.session = session;
    this.ear = new Ear(session, this.about.voice);
    session.addEventListener("connection", () => this.#header());
    session.addEventListener("queue", () => this.#header());
    session.addEventListener("view", (e) => {
      if (!e.detail.change || e.detail.change.head) this.#header();
    });
    session.addEventListener("answer", (e) => this.announce(e.detail.text));
  }

  #closeExam() {
    this.ear?.close();
    this.session?.close();
    this.ear = this.session = this.visit = null;
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
    const link = (path, text) =>
      h("a", { href: path, "aria-current": location.pathname === path ? "page" : null }, text);
    const nav = [link("/", "Patients")];
    const facts = [];
    if (this.session) {
      const base = `/exams/${encodeURIComponent(this.session.exam)}`;
      nav.push(link(base + "/live", "Live"), link(base + "/review", "Review"), link(base + "/findings", "Findings"), link(base + "/time", "Over time"), link(base + "/plan", "Plan"));
      const v = this.session.view;
      facts.push(
        h("span", { class: "patient" }, this.visit.patient_name),
        h("span", { class: "numbering", title: v.numbering === "fdi" ? "Teeth are numbered 11 to 48 (ISO 3950)" : "Teeth are numbered 1 to 32 (Universal)" },
          v.numbering === "fdi" ? "FDI 11–48" : "Universal 1–32"),
      );
      const n = this.session.waiting.filter((w) => w.stuck).length;
      if (n) facts.push(h("span", { class: "state bad" }, `${n} unsent`));
      else if (!this.session.online) facts.push(h("span", { class: "state bad" }, "Connecting …"));
      else if (this.session.build && this.session.build !== this.about.build)
        facts.push(h("button", { class: "state bad", onclick: () => location.reload() }, "Program renewed: load again"));
    }
    nav.push(link("/practise", "Practise"), link("/settings", "Settings"));
    const dark = document.documentElement.dataset.theme === "dark";
    put(this.head,
      h("a", { class: "brand", href: "/", "aria-label": "Leadsman: patients" }, h("img", { src: "/icon.svg", alt: "", width: "26", height: "26" }), h("span", {}, "Leadsman")),
      h("nav", { "aria-label": "Screens" }, nav),
      h("div", { class: "facts" }, facts),
      h("button", { class: "plain theme", "aria-label": dark ? "Light colours" : "Dark colours", onclick: () => setPrefs({ theme: dark ? "light" : "dark" }) }, dark ? "Light" : "Dark"),
    );
  }
}

customElements.define("ls-app", App);
