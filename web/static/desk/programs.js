// Programs of others: keys that let them in, and where they are told what became of exams. For administrators.
import { h, put } from "../core/dom.js";
import { Seated } from "../core/part.js";
import { ask, get, post } from "../core/server.js";
import { may } from "../people/seat.js";
import { day } from "../core/view.js";
import { planDate } from "../core/dates.js";

const SCOPES = {
  "patients:read": "names, birth dates, file numbers, phones, who is due",
  "patients:write": "add and change patients",
  "exams:read": "charts, findings, comparisons, plans",
  export: "exams as files, the calendar, FHIR",
  webhooks: "where it is told what became of exams",
};
const TIDINGS = {
  "exam.signed": "an exam was signed",
  "exam.awaiting": "a student signed or amended: a co-signature is awaited",
  "exam.cosigned": "it was co-signed",
  "exam.amended": "a signed exam was amended",
  "exam.voided": "an exam was made void",
  "exam.reinstated": "a void exam counts again",
  "exam.moved": "an exam was given to another patient",
};
const when = (t) => (t ? `${day(t)}, ${new Date(t).toLocaleTimeString()}` : "");

class Programs extends Seated {
  draw() {
    this.keys = h("div", { class: "rows" });
    this.hooks = h("div", { class: "rows" });
    this.told = h("p", { role: "status" });
    this.secret = h("p", { role: "status" });
    put(this, may("programs") ? h("section", {}, h("h2", {}, "Programs"),
      h("p", { class: "small soft" }, "A program of yours, such as the practice's records, is let in by a key. It does what its key is for, and never enters, signs or decides anything in an exam. Give each program a key of its own."),
      this.keys, this.#keyForm(), this.told) : null,
    may("webhooks") ? h("section", {}, h("h2", {}, "Messages to programs"),
      h("p", { class: "small soft" }, "A program of yours can be told when an exam is signed, amended or moved. Each message is signed, and sent again until the program confirms it. It names the exam by its id alone, unless you let more go along."),
      this.hooks, this.#hookForm(), this.secret) : null);
    this.#load();
  }

  /** #boxes are check boxes for what there is to choose; chosen reads them. */
  #boxes(name, of) {
    const boxes = Object.entries(of).map(([v, does]) => {
      const id = `${name}-${v.replace(/\W/g, "-")}`;
      const box = h("input", { type: "checkbox", id, value: v });
      return [box, h("label", { class: "check", for: id }, box, h("span", {}, h("b", {}, v), h("span", { class: "soft" }, `, ${does}`)))];
    });
    return { all: boxes.map(([, l]) => l), chosen: () => boxes.filter(([b]) => b.checked).map(([b]) => b.value), clear: () => boxes.forEach(([b]) => (b.checked = false)) };
  }

  #keyForm() {
    const name = h("input", { id: "program", maxlength: "80", required: true, autocomplete: "off" });
    const ends = h("input", { id: "ends", type: "date" });
    const scopes = this.#boxes("scope", SCOPES);
    return h("details", {}, h("summary", {}, "Make a key"), h("form", { onsubmit: (e) => {
      e.preventDefault();
      this.#do(this.told, async () => {
        const p = await post("/api/programs", { name: name.value, scopes: scopes.chosen(), ends: ends.value });
        name.value = ends.value = "";
        scopes.clear();
        return ["The key, shown this once: ", h("code", { id: "key" }, p.key)];
      });
    } }, h("div", { class: "fields" }, h("div", { class: "field" }, h("label", { for: "program" }, "What is it for"), name), h("div", { class: "field" }, h("label", { for: "ends" }, "Last day (none: no end)"), ends)),
      h("fieldset", {}, h("legend", {}, "It opens"), scopes.all), h("p", {}, h("button", { class: "main" }, "Make the key"))));
  }

  #hookForm() {
    const url = h("input", { id: "hook", type: "url", maxlength: "500", required: true, placeholder: "https://", autocomplete: "off" });
    const details = h("input", { id: "details", type: "checkbox" });
    const events = this.#boxes("told", TIDINGS);
    return h("details", {}, h("summary", {}, "Add an address"), h("form", { onsubmit: (e) => {
      e.preventDefault();
      this.#do(this.secret, async () => {
        const k = await post("/api/hooks", { url: url.value, events: events.chosen(), details: details.checked });
        url.value = "";
        details.checked = false;
        events.clear();
        return ["The secret that messages are signed with, shown this once: ", h("code", { id: "secret" }, k.secret)];
      });
    } }, h("div", { class: "field" }, h("label", { for: "hook" }, "Address"), url), h("fieldset", {}, h("legend", {}, "It is told that"), events.all),
      h("label", { class: "check", for: "details" }, details, "Name, file number and birth date of the patient and who signed go along"),
      h("p", {}, h("button", { class: "main" }, "Add the address"))));
  }

  async #do(told, f) {
    put(told, "");
    try {
      put(told, (await this.app.proven(f)) || "");
    } catch (e) {
      put(told, e.message);
    }
    this.#load();
  }

  async #load() {
    try {
      if (may("programs")) put(this.keys, (await get("/api/programs")).programs.map((p) => this.#key(p)));
      if (may("webhooks")) put(this.hooks, (await get("/api/hooks")).hooks.map((k) => this.#hook(k)));
    } catch (e) {
      // Whoever came by a short code proves who it is before anything is shown, and is asked when it is wanted.
      if (e.code === "prove") put(this.keys, h("button", { onclick: () => this.#do(this.told, () => get("/api/programs").then(() => "")) }, "Show them"));
      else put(this.told, e.message);
    }
  }

  #key(p) {
    const state = p.withdrawn ? `withdrawn ${when(p.withdrawn)}` : [p.used ? `used on ${planDate(p.used)}` : "never used", p.ends ? `until ${planDate(p.ends)}` : ""].filter(Boolean).join(", ");
    return h("div", { class: "row", data: { program: p.id } }, h("b", {}, p.name), h("span", { title: p.scopes.join(", ") }, p.scopes.map((s) => SCOPES[s] || s).join("; ")), h("span", { class: "soft" }, state),
      p.withdrawn ? null : h("button", { onclick: () => this.#do(this.told, async () => {
        await ask("DELETE", `/api/programs/${encodeURIComponent(p.id)}`);
        return `The key of ${p.name} is withdrawn.`;
      }) }, "Withdraw the key"));
  }

  #hook(k) {
    const at = `/api/hooks/${encodeURIComponent(k.id)}`;
    const letters = h("ol", { class: "plain" });
    const act = (name, f) => h("button", { onclick: () => this.#do(this.secret, f) }, name);
    return h("div", { class: "card", data: { hook: k.id } }, h("div", { class: "row" }, h("b", {}, k.url), h("span", { class: "soft" }, k.events.map((e) => TIDINGS[e] || e).join("; "), k.details ? ", with details" : "")),
      k.given_up ? h("p", { class: "fault" }, `${k.given_up} given up after days of trying: mend the receiver, then send again.`) : null,
      h("p", { class: "row" }, k.waiting ? h("span", {}, `${k.waiting} waiting`) : null,
        act("Send a test message", async () => { await post(`${at}/try`, {}); return "A message that tells of nothing is on its way: look under Messages so far."; }),
        k.given_up ? act("Send again", async () => { const r = await post(`${at}/again`, {}); return `${r.letters} on their way.`; }) : null,
        act("Remove the address", async () => { await ask("DELETE", at); return "Removed."; })),
      h("details", { ontoggle: async (e) => {
        if (!e.target.open) return;
        const ls = await get(`${at}/letters`).catch((f) => f);
        put(letters, ls instanceof Error ? h("li", {}, ls.message) : ls.length ? ls.map((l) => h("li", {}, `${when(l.time)} ${l.event} ${l.exam || ""}: `,
          l.sent ? `taken ${when(l.sent)}` : l.next ? (l.tries ? `tried ${l.tries} times, again ${when(l.next)}` : "on its way") : `given up after ${l.tries} tries`, l.fault ? `, ${l.fault}` : "")) : h("li", {}, "None yet."));
      } }, h("summary", {}, "Messages so far"), letters));
  }
}

customElements.define("ls-programs", Programs);
