// The commands that the screen sends (chart.Command). Each names what the page saw when it decided,
// so that the service refuses it if someone else was faster.
import { key, parts, value } from "./view.js";

/** @param {string} k */
const ref = (k) => {
  const { tooth, site } = parts(k);
  return { tooth: Number(tooth), site: site || "DB" };
};

/** seen is what the person at this page sees at a field: what stands in the view, or what was typed
 *  after it and is still on its way.
 *  @param {View} view
 *  @param {Waiting[]} pending
 *  @param {string} k
 *  @param {string} field */
export function seen(view, pending, k, field) {
  for (let i = pending.length - 1; i >= 0; i--) {
    for (const a of [...(pending[i].body.command?.acts || [])].reverse()) {
      if (!a.ref || key(a.ref.tooth, a.ref.site) !== k) continue;
      if (a.verb === "set" && a.field === field) return a.number == null ? "" : String(a.number);
      if (a.verb === "soundings" && field === view.pass) return String(a.numbers[0]);
    }
  }
  return value(view, k, field);
}

/** set puts one value, or none, at one place; number is in the field's own unit, was is what the
 *  person saw there (see seen).
 *  @param {string} k
 *  @param {string} field
 *  @param {number | null} number
 *  @param {string} was */
export function set(k, field, number, was) {
  /** @type {Act} */
  const act = { verb: "set", ref: ref(k), field, was };
  if (number != null) act.number = number;
  return act;
}

/** coming gives the depths and margins that are not entered yet, by site, and why: "waits" for the service, or just "heard" (partial).
 *  @param {View} view
 *  @param {Waiting[]} pending
 *  @param {Heard | null} [partial]
 *  @returns {Coming} */
export function coming(view, pending, partial) {
  const out = { depth: new Map(), recession: new Map(), why: new Map() };
  /** @param {string} field
   *  @param {string} k
   *  @param {number | ""} mm
   *  @param {"waits" | "heard"} why */
  const add = (field, k, mm, why) => {
    out[field].set(k, mm);
    out.why.set(`${k} ${field}`, why);
  };
  for (const item of pending) {
    for (const a of item.body.command?.acts || []) {
      if (!a.ref) continue;
      const k = key(a.ref.tooth, a.ref.site);
      if (a.verb === "soundings") add(view.pass, k, a.numbers[0], "waits");
      else if (a.verb === "set" && out[a.field]) add(a.field, k, a.number ?? "", "waits");
    }
  }
  for (const [k, mm] of Object.entries(partial?.soundings || {})) add(view.pass, k, mm, "heard");
  return out;
}

const WHY = { waits: "typed, waits for the service, not entered yet", heard: "being heard, not entered yet" };

/** tentative says in words what is not entered yet at a site, or "".
 *  @param {Coming | undefined} coming
 *  @param {string} k */
export function tentative(coming, k) {
  const out = [];
  for (const field of ["depth", "recession"]) {
    const mm = coming?.[field].get(k);
    if (mm != null) out.push(`${field} ${mm === "" ? "cleared" : mm} ${WHY[coming.why.get(`${k} ${field}`)]}`);
  }
  return out.join(", ");
}

/** sounding enters the next reading along the path, only if the path still stands at k.
 *  @param {string} k
 *  @param {number | null} number */
export const sounding = (k, number) => ({ verb: "soundings", numbers: [number], ref: ref(k) });
/** takeBack takes back one call, whatever came after it.
 *  @param {CallView} call */
export const takeBack = (call) => ({ verb: "disregard", calls: [call.seq] });
/** @param {string} k */
export const settle = (k) => ({ verb: "settle", ref: ref(k) });
/** @param {string} tooth
 *  @param {string} aspect */
export const go = (tooth, aspect) => ({ verb: "go", tooth: Number(tooth), aspect, has_aspect: true });
/** @param {object} inputs */
export const patient = (inputs) => ({ verb: "patient", text: JSON.stringify(inputs) });
/** plan is the clinician's whole decision; was is the call of the decision that was seen, "" for none.
 *  @param {object} p
 *  @param {string} was */
export const plan = (p, was) => ({ verb: "plan", text: JSON.stringify(p), was });
/** @param {string} field */
export const rest = (field) => ({ verb: "rest", field });
/** @param {string} name */
export const path = (name) => ({ verb: "path", text: name });
/** pass says what numbers are from here on, from the start of the path: depth or recession.
 *  @param {string} field */
export const pass = (field) => ({ verb: "pass", field });
/** @param {string} verb */
export const plain = (verb) => ({ verb });
/** @param {string} tooth */
export const toothKey = (tooth) => key(tooth, "DB");
export const STATES = ["", "present", "missing", "implant", "unerupted"];

/** lastCall is the call that undo would take back.
 *  @param {View} view */
export const lastCall = (view) => (view.undo && (view.calls || []).find((c) => c.seq === view.undo)) || null;
