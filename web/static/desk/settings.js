// Settings: what the practice decides (kept by the service) and what this screen does (kept here).
import { h, put, attr } from "../core/dom.js";
import { Part } from "../core/part.js";
import { ask, get, post, putTo } from "../core/server.js";
import { prefs, setPrefs } from "../core/prefs.js";
import { Microphone, devices, advice } from "../core/mic.js";
import { Ring } from "../core/ring.js";
import { Uplink } from "../core/uplink.js";
import { may } from "../people/seat.js";
import "./programs.js";
import { Answers, MODES, TONES, TONE_NAMES } from "../core/answers.js";

const select = (id, options, value, onchange) => {
  const el = h("select", { id, onchange }, options.map(([v, t]) => h("option", { value: v }, t)));
  el.value = value;
  return el;
};
const field = (id, label, el, hint) => h("div", { class: "field" }, h("label", { for: id }, label), el, hint ? h("span", { class: "small" }, hint) : null);

const ROOM = 64; // frames that the room is measured over: two seconds
const KEPT = 8; // calls shown

class Settings extends Part {
  #mic = null;
  #uplink = null;

  /** The calendar of who is due, at a secret address for calendar programs. */
  #feed() {
    const told = h("p", { role: "status" });
    const change = (how, say) => async () => {
      try {
        put(told, say(await how()));
      } catch (e) {
        put(told, e.message);
      }
    };
    return h("section", {}, h("h2", {}, "Calendar feed"),
      h("p", { class: "small soft" }, "A calendar program can follow who is due at a secret address. Whoever knows it reads names and days: give it to nobody else, and withdraw it when it is no longer needed. A new address ends the one before."),
      h("p", { class: "row" }, h("button", { id: "feed", onclick: change(() => post("/api/feed", {}), (f) => ["The address, shown this once: ", h("code", {}, f.address)]) }, "Make an address"),
        h("button", { onclick: change(() => ask("DELETE", "/api/feed"), () => "Withdrawn: no address works.") }, "Withdraw the address")), told);
  }

  connectedCallback() {
    const s = this.app.settings;
    const p = prefs();
    const name = h("input", { id: "practice", maxlength: "200", value: s.practice });
    const numbering = select("snumbering", [["universal", "Universal 1–32"], ["fdi", "FDI 11–48 (ISO 3950)"]], s.numbering);
    const path = select("spath", this.app.about.paths.filter((x) => !x.again).map((x) => [x.name, x.title]), s.path);
    const words = select("swords", [["buccal-lingual", "buccal, lingual"], ["facial-palatal", "facial, palatal or lingual"]], s.site_words);
    const phone = h("input", { id: "phone", type: "tel", maxlength: "80", value: s.phone });
    const emergency = h("input", { id: "emergency", type: "tel", maxlength: "80", value: s.emergency });
    const language = select("language", Object.entries(this.app.about.languages || {}).sort(), s.language);
    const paper = select("paper", [["a4", "A4"], ["letter", "Letter"]], s.paper);
    const keep = h("input", { id: "retention", type: "number", min: "0", max: "100", required: true, value: s.retention_years ?? 10 });
    const sounds = h("input", { type: "checkbox", id: "sounds", checked: s.keep_clips });
    const told = h("p", { role: "status" });
    this.answers = new Answers();
    const volume = h("input", { id: "volume", type: "range", min: "0", max: "1", step: "0.1", value: p.volume, onchange: (e) => setPrefs({ volume: Number(e.target.value) }) });
    this.device = select("device", [["", "the browser's default"]], "", (e) => {
      setPrefs({ device: e.target.value });
      if (this.#mic) this.#test();
    });
    this.meter = h("div", { class: "meter wide", role: "img", "aria-label": "Microphone level" }, (this.bar = h("span", { class: "bar" })), (this.floor = h("span", { class: "floor" })));
    this.room = h("p", { class: "room" });
    this.result = h("p", { role: "status" });
    this.partial = h("p", { class: "partial" });
    this.heard = h("ol", { class: "heard", "aria-label": "Calls heard" });
    this.testButton = h("button", { onclick: () => (this.#mic ? this.#stop() : this.#test()) }, "Test the microphone");
    const keys = h("input", { type: "checkbox", id: "skeys", checked: p.keys, onchange: (e) => setPrefs({ keys: e.target.checked }) });
    put(this, h("div", { class: "desk settings" },
      h("div", { class: "title" }, h("h1", {}, "Settings"), h("p", { class: "soft" }, `Leadsman ${this.app.about.version || ""}`)),
      h("section", {}, h("h2", {}, "The practice"),
        h("form", { onsubmit: async (e) => {
          e.preventDefault();
          try {
            this.app.settings = await putTo("/api/settings", { practice: name.value.trim(), numbering: numbering.value, path: path.value, site_words: words.value, keep_clips: sounds.checked, phone: phone.value.trim(), emergency: emergency.value.trim(), language: language.value, paper: paper.value, retention_years: Number(keep.value), version: this.app.settings.version });
            put(told, "Saved.");
          } catch (err) {
            put(told, err.message);
          }
        } },
          h("div", { class: "fields" }, field("practice", "Name", name, "on every page that is printed"), field("snumbering", "Teeth are numbered", numbering), field("spath", "Path of new exams", path, "the order of the places"), field("swords", "Rows of sites are called", words, "on screen; every word is understood"),
            field("phone", "Phone", phone, "on what patients are given"), field("emergency", "Emergency number", emergency, "on what patients are given"), field("language", "Patients read", language), field("paper", "Paper", paper), field("retention", "Records are kept, years", keep, "after the last signed exam; local law decides")),
          h("label", { class: "check", for: "sounds" }, sounds, "Keep the sound of calls after an exam is signed (off: it is deleted then; spoken remarks stay)"),
          (this.use = h("p", { class: "small soft" })),
          h("p", { class: "row" }, h("button", { class: "main" }, "Save"), told))),
      this.#feed(),
      Object.assign(h("ls-programs", {}), { app: this.app }),
      h("p", { class: "row" }, h("a", { class: "button", href: "/people" }, "People, passwords and codes"), may("audit") ? h("a", { class: "button", href: "/journal" }, "Journal") : null),
      h("section", {}, h("h2", {}, "This screen"),
        h("div", { class: "fields" },
          field("theme", "Colours", select("theme", [["", "as the system"], ["light", "light"], ["dark", "dark"]], p.theme, (e) => setPrefs({ theme: e.target.value }))),
          field("answers", "Calls are answered by", select("answers", MODES, p.answers, (e) => setPrefs({ answers: e.target.value })), "at the screen whose microphone is on"),
          field("volume", "Loudness", volume)),
        h("label", { class: "check", for: "skeys" }, keys, "Single keys work everywhere on Live (off: only while the chart has the focus)"),
        h("div", { class: "row tones" }, h("span", {}, "Hear the tones:"), Object.keys(TONES).map((t) => h("button", { onclick: () => this.answers.tone(t, prefs().volume) }, TONE_NAMES[t] || t)))),
      h("section", {}, h("h2", {}, "Microphone"),
        h("p", { class: "soft" }, "A headset or lapel microphone works best. It is used only while it is switched on; the sound stays on the machine that runs Leadsman."),
        h("div", { class: "row end" }, field("device", "Microphone", this.device), this.testButton), this.meter, this.room, this.result, this.partial, this.heard)));
    this.#list();
    get("/api/clips").then((u) => {
      const mb = (n) => Math.ceil(n / (1 << 20));
      if (u.limit) put(this.use, `Sound of all exams: ${mb(u.bytes)} of at most ${mb(u.limit)} MiB. When that is full, signed exams give theirs up first.`);
    }, () => {});
  }
  disconnectedCallback() {
    super.disconnectedCallback();
    this.#stop();
  }

  async #list() {
    const ds = await devices().catch(() => []);
    put(this.device, h("option", { value: "" }, "the browser's default"), ds.filter((d) => d.id && d.id !== "default").map((d) => h("option", { value: d.id }, d.name)));
    this.device.value = prefs().device;
    if (this.device.selectedIndex < 0) this.device.value = "";
  }

  /** #test measures the room, then shows what is heard, as in an exam that is kept nowhere. */
  async #test() {
    this.#stop();
    put(this.heard);
    put(this.room, "Be quiet for two seconds: the room is measured.");
    const seen = { loud: -96, frames: 0, quiet: [], room: 0 };
    const ring = new Ring();
    const mic = new Microphone((f) => {
      ring.push(f.pcm);
      this.#uplink?.pump();
      this.#level(mic, seen);
    });
    this.#mic = mic;
    mic.addEventListener("state", () => {
      if (mic.trouble) put(this.result, mic.trouble);
    });
    const uplink = new Uplink(`/api/trial/sound?voice=${encodeURIComponent(prefs().examiner)}`, ring);
    uplink.addEventListener("state", () => {
      if (uplink.state === "open") put(this.heard); // after a broken connection all is heard anew
      put(this.partial, { "no-engine": "No speech recognizer is loaded: only the sound can be tested.", gone: "Load the page again.", refused: uplink.trouble, broken: "The connection is broken. It is tried again by itself." }[uplink.state] || "");
    });
    uplink.addEventListener("news", (/** @type {CustomEvent} */ e) => {
      put(this.partial, e.detail.partial);
      for (const c of e.detail.heard) this.heard.append(h("li", { class: c.tone }, h("q", {}, c.words || "…"), h("span", {}, c.text)));
      while (this.heard.children.length > KEPT) this.heard.firstChild.remove();
    });
    put(this.testButton, "End the test");
    if (!(await mic.start(prefs().device))) {
      put(this.room);
      put(this.testButton, "Test the microphone");
      this.#mic = null;
      return;
    }
    if (this.#mic !== mic) return; // ended while the browser asked
    this.#uplink = uplink;
    uplink.open();
    this.#list();
  }

  #level(m, seen) {
    const share = (db) => Math.max(0, Math.min(1, (db + 70) / 70));
    this.bar.style.transform = `scaleX(${share(m.level).toFixed(3)})`;
    this.floor.style.left = `${(share(m.noise) * 100).toFixed(1)}%`;
    attr(this.meter, "data-hot", m.clipped > 0.01);
    seen.frames++;
    if (seen.frames <= ROOM) {
      seen.quiet.push(m.level);
      if (seen.frames < ROOM) return;
      // A word or a chair in between must not count: the quieter part is the room.
      seen.room = seen.quiet.sort((a, b) => a - b)[Math.floor(ROOM / 4)];
      put(this.room, `The room: ${Math.round(-seen.room)} dB below full scale. `, advice({ clipped: 0, noise: seen.room, level: -96 }) || "Quiet enough.");
      put(this.result, "Say three two four.");
    }
    seen.loud = Math.max(m.level, seen.loud - 0.1);
    if (seen.frames % 30) return;
    const over = Math.round(seen.loud - seen.room);
    put(this.result, m.trouble || advice(m) || (over > 20 ? `Good: speech stands ${over} dB above the room.` : "Say three two four."), ` Loudest ${Math.round(-seen.loud)} dB below full scale.`);
  }

  #stop() {
    this.#mic?.stop();
    this.#uplink?.close();
    this.#mic = this.#uplink = null;
    if (this.testButton) put(this.testButton, "Test the microphone");
  }
}

customElements.define("ls-settings", Settings);
