// What was begun for the wrong person or by mistake: an exam made void or moved, two records of one person made one.
import { born } from "../core/dates.js";
import { h, put } from "../core/dom.js";
import { get, post, newID, Fault } from "../core/server.js";

const at = (...parts) => "/api/" + parts.map(encodeURIComponent).join("/");
const MATCHES = 50; // patients offered at once

/** patientText tells patients of the same name apart. */
const patientText = (p) => [p.name, p.born && born(p.born), p.number].filter(Boolean).join(", ");

/** picker chooses a patient other than one: a search and what it finds. value() is the id, "" for none. */
function picker(id, label, other) {
  const found = h("select", { id, required: true }, h("option", { value: "" }, "search first"));
  let timer = 0;
  let turn = 0;
  const look = async (text) => {
    const mine = ++turn;
    const ps = text ? await get("/api/patients?search=" + encodeURIComponent(text)).catch(() => []) : [];
    if (mine !== turn) return;
    const some = ps.filter((p) => p.id !== other && !p.merged);
    put(found, h("option", { value: "" }, !text ? "search first" : some.length ? `choose (${some.length} found)` : "nobody is found"), some.slice(0, MATCHES).map((p) => h("option", { value: p.id }, patientText(p))));
    if (some.length === 1) found.value = some[0].id;
  };
  const search = h("input", { type: "search", id: `${id}-search`, placeholder: "Name or file number", autocomplete: "off", oninput: () => {
    clearTimeout(timer);
    timer = setTimeout(() => look(search.value.trim()), 150);
  } });
  return { value: () => found.value, el: [h("div", { class: "field" }, h("label", { for: `${id}-search` }, "Find the patient"), search), h("div", { class: "field" }, h("label", { for: id }, label), found)] };
}

/** entered sends an act of an exam and fails where the exam refuses it. */
async function entered(app, exam, act) {
  const a = await app.proven(() => post(at("exams", exam, "do"), { command: { acts: [act] }, id: newID() }));
  if (a.tone === "refused") throw new Fault("refused", a.text);
}

/** trying runs f where a form was sent, and says what went wrong. */
const trying = (fault, f) => async (e) => {
  e.preventDefault();
  put(fault, "");
  try {
    await f();
  } catch (err) {
    put(fault, err.message);
  }
};

/** examForms has an exam made void or made to count again, and moved to another patient; done(patient) is called after it. */
export function examForms(app, { exam, patient, isVoid }, done) {
  const fault = h("p", { class: "fault", role: "alert" });
  const reason = (key) => h("input", { id: `${key}-${exam}`, required: true, maxlength: "500", autocomplete: "off" });
  const why = (el, label) => h("div", { class: "field grow" }, h("label", { for: el.id }, label), el);
  const one = reason("void");
  const two = reason("move");
  const to = picker(`to-${exam}`, "It is an exam of", patient);
  const id = newID(); // asking twice moves it once
  return h("div", { class: "corrections" },
    h("form", { class: "row end", onsubmit: trying(fault, async () => {
      await entered(app, exam, { verb: isVoid ? "reinstate" : "void", text: one.value.trim() });
      await done(patient);
    }) }, why(one, isVoid ? "Why it counts again" : "Why it should not be; this stays beside the exam"), h("button", {}, isVoid ? "It counts again" : "Make void")),
    h("form", { class: "row end", onsubmit: trying(fault, async () => {
      const v = await app.proven(() => post(at("exams", exam, "move"), { patient: to.value(), reason: two.value.trim(), id }));
      await done(v.patient);
    }) }, to.el, why(two, "Why it is moved"), h("button", {}, "Move it there")), fault);
}

/** mergeForm keeps all of a record under another one of the same person from here on. */
export function mergeForm(app, patient, done) {
  const fault = h("p", { class: "fault", role: "alert" });
  const reason = h("input", { id: "mergereason", required: true, maxlength: "500", autocomplete: "off" });
  const into = picker("mergeinto", "All is kept from here on under", patient);
  return h("div", {}, h("form", { class: "row end", onsubmit: trying(fault, async () => {
    const kept = await app.proven(() => post(at("patients", patient, "merge"), { into: into.value(), reason: reason.value.trim() }));
    await done(kept.id);
  }) }, into.el, h("div", { class: "field grow" }, h("label", { for: "mergereason" }, "Reason"), reason), h("button", {}, "Merge")), fault);
}
