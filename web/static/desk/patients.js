// Patients: find one, add one, begin an exam or a re-evaluation.
import { h, named, put } from "../core/dom.js";
import { Part } from "../core/part.js";
import { ask, get, page, post, putTo, newID } from "../core/server.js";
import { day } from "../core/view.js";
import { may, seat, loadSeat, begin, choose } from "../people/seat.js";
import "../profile/profile.js";
import { statement, numbers, figures } from "./summary.js";
import { born, planDate, isoDay } from "../core/dates.js";
import { FILTERS, stateOf } from "./due.js";
import { ageAt } from "./inputs.js";

/** patientForm asks for a patient's data; begin, if given, goes on with a first exam. */
function patientForm(p, done, submit, begin = null) {
  const f = {};
  const field = (name, label, attrs) => {
    const id = `p-${name}`;
    f[name] = attrs.area ? h("textarea", { id, maxlength: "2000", value: p[name] || "" }) : h("input", { id, ...attrs, value: p[name] || "" });
    return h("div", { class: attrs.area ? "field wide" : "field" }, h("label", { for: id }, label), f[name], attrs.hint ? h("span", { class: "small" }, attrs.hint) : null);
  };
  const fault = h("p", { class: "fault", role: "alert" });
  let twice = ""; // the name that was warned of
  return h("form", { class: "patientform", onsubmit: async (e) => {
    e.preventDefault();
    const then = e.submitter?.value === "begin" ? begin : done;
    try {
      // The same person twice is seldom meant.
      const name = f.name.value.trim();
      if (!p.id && twice !== name) {
        const same = (await get("/api/patients?search=" + encodeURIComponent(name))).filter((x) => x.name.toLowerCase() === name.toLowerCase());
        if (same.length) {
          twice = name;
          put(fault, `${same.length === 1 ? "A patient is" : `${same.length} patients are`} already called so: `, same.map((x, i) => [i ? ", " : "", h("a", { href: `/patients/${encodeURIComponent(x.id)}` }, [x.name, x.born && born(x.born), x.number].filter(Boolean).join(", "))]), ". Add another one with the same button.");
          return;
        }
      }
      await then(await submit({ name: f.name.value, born: f.born.value.trim(), number: f.number.value.trim(), phone: f.phone.value.trim(), note: f.note.value, version: p.version || 0 }));
    } catch (err) {
      put(fault, err.message);
    }
  } },
    h("div", { class: "fields" },
      field("name", "Name", { required: true, maxlength: "200", autocomplete: "off" }),
      field("born", "Born", { maxlength: "10", hint: "1971-03-28, or only the year", size: "12", autocomplete: "off" }),
      field("number", "File number", { maxlength: "80", autocomplete: "off" }),
      field("phone", "Phone", { maxlength: "80", type: "tel", autocomplete: "off" }),
      field("note", "Note", { area: true })),
    fault, h("p", {}, h("button", { class: "main" }, p.id ? "Save" : "Add patient"), begin ? [" ", h("button", { value: "begin" }, "Add and begin an exam")] : null));
}

/** examOf begins an exam as the practice does them by default, and shows it. */
async function examOf(app, patient, id = newID()) {
  const { numbering, path } = app.settings;
  const v = await post("/api/exams", { patient, earlier: "", numbering, path, id });
  app.go(`/exams/${encodeURIComponent(v.id)}/live`);
}

/** firstExam is the form of an empty start: who works here, whom the exam is of, and with one button the exam begins. What was added
 *  before something failed is not added again. */
function firstExam(app) {
  const field = (id, label, hint, attrs) => {
    const el = h("input", { id, autocomplete: "off", "aria-describedby": `${id}-hint`, ...attrs });
    return [el, h("div", { class: "field" }, h("label", { for: id }, label), el, h("span", { class: "small", id: `${id}-hint` }, hint))];
  };
  const [own, ownField] = field("ownname", "Your name", "Stands beside all that you enter.", { required: true, maxlength: "120", autocomplete: "name" });
  const [patient, patientField] = field("firstpatient", "The patient's name", "May follow; until then the record is called “Unnamed”.", { maxlength: "200" });
  const fault = h("p", { class: "fault", role: "alert" });
  const asks = !seat().person && !seat().people.length;
  const exam = newID();
  let added = null;
  return h("form", { class: "firstexam", onsubmit: async (e) => {
    e.preventDefault();
    put(fault, "");
    try {
      if (asks && !seat().person) await begin(own.value.trim());
      added ??= await post("/api/patients", { name: patient.value.trim() || `Unnamed, ${day(Date.now())}`, version: 0 });
      await examOf(app, added.id, exam);
    } catch (err) {
      put(fault, err.message);
    }
  } }, h("div", { class: "fields" }, asks ? ownField : null, patientField, h("button", { class: "main" }, "Begin the exam")), fault);
}

const DUE_NOW = 6; // names shown on the first page

/** whoIsDue is who is overdue or due in the next 30 days, the longest due first. */
const whoIsDue = () => page("/api/due?" + FILTERS.find(([v]) => v === "month")[2](isoDay(Date.now()))).catch(() => ({ list: [], next: "" })); // without it the list still serves

const FILL_MS = 120000; // an invented practice is hundreds of calls, each durable; a slow disk may take so long

const EXAMS = ["Date", "Kind", "Sites", "Signed by", "Open"];
const COLUMNS = ["Name", "Age", "File number", "Last exam", "Status"];

class Patients extends Part {
  connectedCallback() {
    this.search = h("input", { type: "search", id: "search", placeholder: "Name or file number", oninput: () => this.#later() });
    this.list = h("tbody");
    this.none = h("p", { class: "soft", role: "status" });
    this.table = h("table", { class: "list stack" }, h("thead", {}, h("tr", {}, COLUMNS.map((t) => h("th", { scope: "col" }, t)))), this.list);
    put(this, h("div", { class: "desk" },
      h("div", { class: "title row" }, h("h1", { class: "grow" }, this.app.settings.practice || "Patients")),
      (this.due = h("section", { class: "duenow", "aria-label": "Who is due", hidden: true })),
      (this.find = h("div", { class: "row end" }, h("div", { class: "field grow" }, h("label", { for: "search" }, "Find a patient"), this.search))),
      this.none, (this.first = h("section", { class: "first", "aria-label": "To begin with" })), h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Patients" }, this.table),
      (this.more = h("p", { hidden: true }, h("button", { onclick: () => this.#more() }, "Show more"))),
      (this.waits = h("section", { "aria-label": "Waits for a co-signature" })),
      h("details", { class: "add", ontoggle: (e) => e.target.open && e.target.scrollIntoView({ block: "nearest" }) }, h("summary", {}, "Add a patient"), patientForm({}, (p) => this.app.go(`/patients/${encodeURIComponent(p.id)}`), (p) => post("/api/patients", p), async (p) => {
        await examOf(this.app, p.id);
      })),
      h("p", { class: "small soft foot" }, "Leadsman supports the decisions of licensed clinicians; it does not diagnose by itself. Local rules and the clinician's judgement go first.")));
    this.#load();
    if (may("co-sign")) this.#waiting();
  }
  /** #waiting lists what students signed and nobody has co-signed. */
  async #waiting() {
    const vs = await get("/api/waiting").catch(() => []);
    put(this.waits, vs.length ? [h("h2", {}, "Waits for a co-signature"), h("ul", { class: "dots" }, vs.map((v) => h("li", {}, h("a", { href: `/exams/${encodeURIComponent(v.id)}/review` }, `${v.patient_name}, ${day(v.began)}`), `, signed by ${v.signed_by}`)))] : null);
  }
  /** #status is what is next for a patient. */
  #status(p) {
    const d = p.next?.[0];
    if (d) return h("span", { class: d.day < isoDay(Date.now()) ? "late" : null }, `${d.what} ${stateOf(d.day, isoDay(Date.now()))}`);
    return p.last_exam ? "nothing decided" : "no exam yet";
  }
  #later() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.#load(), 150);
  }
  async #load() {
    const search = this.search.value.trim();
    try {
      // Who is due stands there from the first drawing on, so that nothing moves under a finger.
      const [{ list: ps, next }, due] = await Promise.all([page("/api/patients?search=" + encodeURIComponent(search)), this.asked ? null : whoIsDue()]);
      if (search !== this.search.value.trim()) return;
      if (due) this.#dueNow(due);
      this.next = next;
      this.more.hidden = !next;
      this.table.hidden = !ps.length;
      this.find.hidden = !ps.length && !search; // nothing to be found yet
      put(this.none, ps.length || !search ? "" : "Nobody is found under that.");
      put(this.first);
      if (!ps.length && !search) await this.#firstMinute();
      put(this.list, this.#rows(ps));
    } catch (e) {
      put(this.none, e.message);
    }
  }
  /** #dueNow names the first who are overdue or due soon. */
  #dueNow({ list, next }) {
    this.asked = true;
    const today = isoDay(Date.now());
    const few = list.slice(0, DUE_NOW);
    this.due.hidden = !few.length;
    put(this.due, h("h2", {}, "Due now"), h("ul", {}, few.map((d) => h("li", {}, h("a", { href: `/patients/${encodeURIComponent(d.patient)}` }, d.name), " ", h("span", { class: d.day < today ? "late" : null }, `${d.what} ${stateOf(d.day, today)}`)))),
      h("p", {}, h("a", { href: "/due" }, list.length > few.length || next ? `All who are due: ${next ? "more than " : ""}${list.length}` : "To the due list")));
  }
  #rows(ps) {
    return ps.map((p) => named(COLUMNS, h("tr", {}, h("th", { scope: "row" }, h("a", { href: `/patients/${encodeURIComponent(p.id)}` }, p.name)), h("td", {}, ageAt(p.born, Date.now()) ?? (p.born ? `born ${p.born}` : "")), h("td", {}, p.number || ""), h("td", {}, p.last_exam ? day(p.last_exam) : "none"), h("td", {}, this.#status(p)))));
  }
  /** #more adds the next page to the list. */
  async #more() {
    const from = this.next;
    try {
      const { list, next } = await page(from);
      if (from !== this.next) return; // another search
      this.next = next;
      this.more.hidden = !next;
      this.list.append(...this.#rows(list));
    } catch (e) {
      put(this.none, e.message);
    }
  }
  // The first minute: what can be done while there is nothing.
  async #firstMinute() {
    const about = await get("/api/about");
    const fault = h("p", { class: "fault", role: "alert" });
    const works = h("p", { role: "status" });
    const card = (title, text, act) => h("li", {}, h("button", { class: "card", onclick: async (e) => {
      e.currentTarget.disabled = true;
      try {
        await act();
      } catch (err) {
        put(fault, err.message);
      }
      e.target.disabled = false;
    } }, h("b", {}, title), h("span", {}, text)));
    const fill = async () => {
      const own = /** @type {HTMLInputElement | null} */ (this.querySelector("#ownname"))?.value.trim();
      if (own && !seat().person) await begin(own); // who has said it already is not one of the invented people
      put(works, "Inventing patients and their exams …");
      await ask("POST", "/api/invented", {}, { timeout: FILL_MS }).finally(() => put(works));
      this.app.settings = await get("/api/settings");
      const { person, people } = await loadSeat();
      if (!person && people.length) await choose(people[0].id);
    };
    put(this.first, h("h2", {}, "Begin your first exam"), firstExam(this.app), h("h2", {}, "Or look first"), h("ol", { class: "begin" },
      about.invent && about.demo ? card("Watch and hear an exam", "A recorded voice calls depths for an invented patient: you hear it, and see it written. Half a minute; invented patients are added.", async () => {
        await fill();
        await watch(this.app);
      }) : null,
      card("Try the microphone", "Say a call and see what is heard; nothing is kept.", () => this.app.go("/settings")),
      about.invent ? card("Fill with an invented practice", "Patients with exams, findings and plans to look around in.", async () => {
        await fill();
        this.app.go("/");
      }) : null), works, fault);
  }
}

/** watch begins an exam of an invented patient without one and has the recorded voice call it. */
export async function watch(app) {
  const all = await get("/api/patients?search=");
  const p = all.find((x) => !x.last_exam) || all[0];
  const v = await post("/api/exams", { patient: p.id, earlier: "", numbering: "universal", path: "arch", id: newID() });
  const sound = await (await fetch("/api/demo.wav")).arrayBuffer();
  history.pushState(null, "", `/exams/${encodeURIComponent(v.id)}/live`);
  await app.show(true);
  await app.ear.play(sound);
}

class PatientPage extends Part {
  connectedCallback() {
    this.#load();
  }
  async #load() {
    try {
      const id = encodeURIComponent(this.recordID);
      const [p, course, due] = await Promise.all([get(`/api/patients/${id}`), get(`/api/patients/${id}/course`), get(`/api/due?patient=${id}`)]);
      this.attendance = course.attendance;
      this.#draw(p, course.exams, due.filter((d) => d.day));
    } catch (e) {
      put(this, h("div", { class: "desk" }, h("div", { class: "note", role: "alert" }, e.message)));
    }
  }
  /** What was found last, and when the next visit is due. */
  #summary(p, course, due) {
    const last = course.at(-1);
    if (!last) return null;
    const find = (code) => last.findings.find((f) => f.code === code);
    const today = isoDay(Date.now());
    const visit = p.visits.find((v) => v.id === last.id);
    return h("section", { class: "answer", "aria-label": "Last exam" },
      h("p", { class: "statement" }, statement(find), last.findings.some((f) => f.provisional) ? h("span", { class: "mark" }, "provisional") : null),
      figures([...numbers(find), ["Due", due.length ? planDate(due[0].day) : "–", due.length ? `${due[0].what}, ${stateOf(due[0].day, today)}` : "nothing is decided"]]),
      this.attendance?.compliance ? h("p", { class: "soft" }, `Visits that were decided: ${this.attendance.kept} kept, ${this.attendance.late} late, ${this.attendance.missed} missed.`) : null,
      h("p", {}, `${last.kind === "exam" ? "Exam" : "Re-evaluation"} of ${day(last.began)}, ${visit?.signed_by ? `signed by ${visit.signed_by}` : "not signed"}. `, h("a", { href: `/exams/${encodeURIComponent(last.id)}/findings` }, "Findings"), " · ", h("a", { href: `/exams/${encodeURIComponent(last.id)}/time` }, "Over time")));
  }

  #draw(p, course, due) {
    document.title = `${p.name} – Leadsman`;
    const last = p.visits[0];
    const done = p.visits.find((v) => v.recorded > 0 && !v.void);
    const id = newID();
    const numbering = h("select", { id: "numbering" }, [["universal", "Universal 1–32"], ["fdi", "FDI 11–48 (ISO 3950)"]].map(([v, t]) => h("option", { value: v }, t)));
    numbering.value = last?.numbering || this.app.settings.numbering;
    const path = h("select", { id: "newpath" }, this.app.about.paths.filter((x) => done || !x.again).map((x) => h("option", { value: x.name }, x.title)));
    path.value = this.app.settings.path;
    const fault = h("p", { class: "fault", role: "alert" });
    let warned = false;
    const begin = async (earlier) => {
      if (open && !warned) {
        warned = true;
        put(fault, `The exam of ${day(open.began)} is still open. Go on with it, or begin another one with the same button.`);
        return;
      }
      try {
        const v = await post("/api/exams", { patient: p.id, earlier, numbering: numbering.value, path: path.value, id });
        this.app.go(`/exams/${encodeURIComponent(v.id)}/live`);
      } catch (e) {
        put(fault, e.message);
      }
    };
    const open = p.visits.find((v) => !v.signed_by && !v.void);
    const picture = h("ls-profile");
    picture.words = this.app.settings.site_words;
    picture.exam = done?.id;
    put(this, h("div", { class: "desk" },
      h("div", { class: "title" }, h("h1", {}, p.name), h("p", { class: "soft" }, [p.born && `born ${born(p.born)}`, ageAt(p.born, Date.now()) != null && `${ageAt(p.born, Date.now())} years`, p.number && `file ${p.number}`].filter(Boolean).join(", "))),
      p.merged ? h("p", { class: "note" }, "This record was merged with another one of the same person: ", h("a", { href: `/patients/${encodeURIComponent(p.merged)}` }, "open that one")) : null,
      this.#summary(p, course, due),
      p.note ? h("p", { class: "note calm" }, p.note) : null,
      h("section", {}, h("h2", {}, "Begin"),
        open ? h("p", {}, h("a", { class: "button main", href: `/exams/${encodeURIComponent(open.id)}/live` }, `Go on with the exam of ${day(open.began)}`)) : null,
        h("div", { class: "row end" },
          h("div", { class: "field" }, h("label", { for: "numbering" }, "Teeth are called by"), numbering),
          h("div", { class: "field" }, h("label", { for: "newpath" }, "Path"), path),
          h("button", { class: open ? null : "main", onclick: () => begin("") }, "New exam"),
          done ? h("button", { onclick: () => begin(done.id) }, `Re-evaluation of ${day(done.began)}`) : null), fault),
      done ? h("section", {}, h("h2", {}, `The mouth on ${day(done.began)}`), picture) : null,
      h("section", {}, h("h2", {}, "Exams"), p.visits.length
        ? h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Exams" }, h("table", { class: "list stack" }, h("thead", {}, h("tr", {}, EXAMS.map((t) => h("th", { scope: "col" }, t)))),
          h("tbody", {}, p.visits.map((v) => {
            const base = `/exams/${encodeURIComponent(v.id)}`;
            return named(EXAMS, h("tr", {}, h("th", { scope: "row" }, day(v.began), v.clock_back ? h("span", { class: "soft" }, " (the clock was set back: begun after the one below)") : null), h("td", {}, v.kind, v.title ? h("p", { class: "small" }, v.title) : null), h("td", {}, `${v.recorded} of ${v.sites}`), h("td", {}, v.void ? "void" : v.signed_by ? (v.amended ? `${v.signed_by}${v.waits ? ", waits for a supervisor" : ""}; ${v.amended} amended` : v.waits ? `${v.signed_by}, waits for a supervisor` : v.signed_by) : "not signed"),
              h("td", {}, h("span", { class: "row links" }, h("a", { href: base + "/live" }, "Live"), h("a", { href: base + "/review" }, "Review"), h("a", { href: base + "/findings" }, "Findings"), h("a", { href: base + "/time" }, "Over time"), h("a", { href: base + "/plan" }, "Plan")))));
          }))))
        : h("p", { class: "soft" }, "None yet.")),
      h("details", {}, h("summary", {}, "Change what is known of this patient"), patientForm(p, () => this.#load(), (x) => putTo(`/api/patients/${encodeURIComponent(p.id)}`, x))),
      ["export", "correct", "erase", "audit"].some(may) ? h("p", {}, h("a", { class: "button", href: `/patients/${encodeURIComponent(p.id)}/record` }, "The whole record: export, correct, erase")) : null));
    if (done) picture.show(null);
  }
}


customElements.define("ls-patients", Patients);
customElements.define("ls-patient", PatientPage);
