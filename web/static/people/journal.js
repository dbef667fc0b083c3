// The journal: who changed or looked at what, searched and exported by administrators.
import { h, named, put } from "../core/dom.js";
import { Seated } from "../core/part.js";
import { get } from "../core/server.js";
import { day } from "../core/view.js";
import { may } from "./seat.js";

// The kinds of entries by how they begin, in the words of people.
const KINDS = [
  ["", "everything"], ["patient.read", "looks at a patient"], ["patient", "all of patients"], ["exam", "exams, signatures, amendments"], ["clip", "sound"], ["voice", "voice profiles"],
  ["session", "signing in"], ["account", "accounts"], ["setting", "settings"], ["program", "programs and their keys"], ["hook", "messages to programs"], ["journal", "the journal itself"], ["store", "the data file"],
];

// What entries say, in the words of people; others stand as they are kept.
const WORDS = {
  "patient.read": "looked at the record", "patients.listed": "looked at the list of patients", "patient.list": "looked at the list of patients", "patient.added": "added the patient", "patient.changed": "changed the record",
  "patient.merged": "merged the record into another", "patient.exported": "exported all of the record", "patients.exported": "exported all patients", "patient.erased": "erased the patient", "exam.begun": "began an exam", "exam.called": "entered in an exam",
  "exam.signed": "signed an exam", "exam.co-signed": "co-signed an exam", "exam.amended": "amended an exam", "exam.voided": "made an exam void", "exam.reinstated": "had an exam count again", "exam.moved": "moved an exam here",
  "exam.left": "moved an exam away", "exam.exported": "exported an exam", "exam.erased": "erased an exam", "exam.stands": "noted what stands for an exam", "clip.kept": "kept the sound of a call", "clip.deleted": "deleted the sound of a call",
  "session.began": "signed in", "session.refused": "was refused", "account.password": "changed a password", "account.code": "changed a short code", "account.roles": "set roles", "account.passkey": "registered a passkey", "passkey.used": "used a passkey", "passkey.removed": "removed a passkey",
  "examiner.changed": "changed a person", "settings.changed": "changed a setting", "voice.kept": "kept a voice profile", "voice.erased": "erased a voice profile", "journal.read": "searched the journal", "journal.exported": "exported the journal",
  "store.copied": "made a backup", "store.opened": "opened the data with a new version", "store.taken-over": "took a record over", "store.lost": "found confirmed changes lost", "record.accepted": "accepted a record",
  "program.made": "made a key for a program", "program.withdrawn": "withdrew the key of a program", "program.used": "came with a program's key", "program.refused": "was refused as a program",
  "hook.made": "added an address for messages", "hook.removed": "removed an address for messages", "hook.told": "sent a message to an address", "hook.gave-up": "gave up sending to an address", "hook.again": "had a message sent again",
  "exam.cosigned": "co-signed an exam", "exam.saved": "saved a damaged exam", "store.moved": "moved the data", "store.accepted": "accepted the data as it is",
};

class Journal extends Seated {
  #turn = 0;

  async draw() {
    if (!may("audit")) {
      put(this, h("div", { class: "desk" }, h("h1", {}, "Journal"), h("p", { class: "note", role: "alert" }, "The journal is for administrators.")));
      return;
    }
    this.what = h("select", { id: "jwhat" }, KINDS.map(([v, t]) => h("option", { value: v }, t)));
    this.who = h("select", { id: "jwho" }, h("option", { value: "" }, "anybody"), h("option", { value: "command line" }, "the command line"));
    this.text = h("input", { type: "search", id: "jtext", maxlength: "200", autocomplete: "off" });
    this.from = h("input", { type: "date", id: "jfrom" });
    this.to = h("input", { type: "date", id: "jto" });
    const field = (el, label) => h("div", { class: "field" }, h("label", { for: el.id }, label), el);
    put(this, h("div", { class: "desk journal" },
      h("div", { class: "title" }, (this.head = h("h1", {}, "Journal")), h("p", { class: "soft" }, "Every change and every look, the newest first. The numbers give the order, whatever the clock said. Searching is journalled too.")),
      h("form", { class: "row end", onsubmit: (e) => {
        e.preventDefault();
        this.#search();
      } }, field(this.what, "What"), field(this.who, "Who"), field(this.text, "With the words"), field(this.from, "From"), field(this.to, "To"), h("button", { class: "main" }, "Search"),
        (this.file = h("a", { class: "button", id: "jfile", download: "" }, "Export as table"))),
      this.recordID ? h("p", {}, h("a", { href: `/patients/${encodeURIComponent(this.recordID)}/record` }, "Record of this patient"), ", ", h("a", { href: "/journal" }, "journal of all")) : null,
      (this.fault = h("p", { class: "fault", role: "alert" })), (this.list = h("div", {})), (this.more = h("p", {}))));
    this.#search();
  }

  #query(before) {
    const q = new URLSearchParams();
    const asked = { patient: this.recordID, who: this.who.value, what: this.what.value, text: this.text.value.trim(), from: this.from.value, to: this.to.value, before };
    for (const [k, v] of Object.entries(asked)) if (v) q.set(k, v);
    return q;
  }

  async #search(before = "") {
    const turn = ++this.#turn;
    put(this.fault, "");
    try {
      const got = await this.app.proven(() => get(`/api/journal?${this.#query(before)}`));
      if (turn !== this.#turn) return;
      this.file.href = `/api/journal.csv?${this.#query("")}`;
      this.#show(got, !!before);
    } catch (e) {
      if (turn === this.#turn) put(this.fault, e.message);
    }
  }

  #show({ entries, more, people, patients }, further) {
    if (this.who.options.length === 2) {
      this.who.append(...Object.entries(people).sort((a, b) => a[1].localeCompare(b[1])).map(([id, name]) => h("option", { value: id }, name)));
    }
    if (this.recordID) put(this.head, `Journal of ${patients[this.recordID] || "a patient"}`);
    if (!further) {
      this.rows = h("tbody");
      put(this.list, entries.length ? h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Entries" },
        h("table", { class: "list stack" }, h("thead", {}, h("tr", {}, this.#columns.map((t) => h("th", { scope: "col" }, t)))), this.rows)) : h("p", { class: "soft", role: "status" }, "No entry is so."));
    }
    this.rows.append(...entries.map((e) => this.#row(e, people, patients)));
    put(this.more, more ? h("button", { onclick: () => this.#search(String(entries.at(-1).n)) }, "Older ones") : null);
  }

  /** #of leads to the exam that an entry is about; what else it is about is named where there is no better word. */
  #of(e) {
    if (!e.table || !e.key || e.key === e.patient) return null;
    if (e.table === "exams" && !e.erased && e.what !== "exam.erased") return [e.detail ? " " : "", h("a", { href: `/exams/${encodeURIComponent(e.key)}/review`, title: e.key }, "the exam")];
    return e.detail ? null : h("span", { class: "soft" }, e.key);
  }

  get #columns() {
    return ["Entry", "Time", "Who", "What", this.recordID ? null : "Patient", "Details"].filter(Boolean);
  }

  #row(e, people, patients) {
    const at = new Date(e.time);
    return named(this.#columns, h("tr", {}, h("th", { scope: "row", class: "num" }, String(e.n)),
      h("td", { class: "time" }, `${day(e.time)}, ${at.toLocaleTimeString()}`, e.clock_back ? h("span", { class: "soft" }, " (the clock was set back)") : null),
      h("td", {}, people[e.who] || e.who || "–"), h("td", {}, WORDS[e.what] || e.what),
      this.recordID ? null : h("td", {}, e.patient ? (patients[e.patient] ? h("a", { href: `/patients/${encodeURIComponent(e.patient)}/journal` }, patients[e.patient]) : `erased (${e.patient})`) : "–"),
      h("td", {}, e.detail || (e.erased ? h("span", { class: "soft" }, "erased with the patient") : ""), this.#of(e))));
  }
}

customElements.define("ls-journal", Journal);
