// What is asked about the patient because probing cannot tell it: never assumed, each may stay open.
// Names and meanings are those of the chart file (docs/chart-file.md).
import { h, put } from "../core/dom.js";
import { siteName, TEETH, QUADRANTS } from "../core/view.js";

const YES_NO = [["true", "yes"], ["false", "no"]];
const words = (...list) => list.map((x) => [x, x]);
const EXCLUDE = [["trauma", "recession from brushing or an appliance"], ["caries", "caries reaching the neck"], ["third_molar", "third molar (distal sites)"], ["endodontic", "endodontic lesion"], ["root_fracture", "root fracture"]];
const FLAG_WORDS = words("bleeding", "suppuration", "plaque", "calculus");

/** FIELDS are the inputs about the whole mouth. */
/** A question: its name in the file, what is asked, and what can be answered.
 *  @typedef {[name: string, label: string, kind: Record<string, any>]} Question */
/** @type {Question[]} */
export const FIELDS = [
  ["age", "Age", { unit: "years", min: 0, max: 120 }],
  ["medical_history_checked", "Medical history checked", { options: YES_NO }],
  ["cigarettes_per_day", "Cigarettes a day", { min: 0, max: 200, hint: "0 = does not smoke" }],
  ["smoking_status", "Smoking", { options: words("never", "former", "current") }],
  ["smoking_stopped_years", "Stopped smoking for", { unit: "years", min: 0, max: 100, step: 0.5 }],
  ["vaping", "Vaping", { options: YES_NO }],
  ["diabetes", "Diabetes", { options: YES_NO }],
  ["hba1c_percent", "HbA1c", { unit: "% (NGSP)", min: 2, max: 25, step: 0.1 }],
  ["hba1c_mmol_mol", "or HbA1c", { unit: "mmol/mol (IFCC)", min: 5, max: 250 }],
  ["systemic_factor", "Systemic or genetic factor", { options: YES_NO }],
  ["pregnant", "Pregnant", { options: YES_NO }],
  ["teeth_lost_periodontitis", "Teeth lost to periodontitis", { min: 0, max: 32 }],
  ["bone_loss_percent", "Bone loss at the worst tooth", { unit: "% of the root", min: 0, max: 100 }],
  ["bone_loss_posterior_percent", "Bone loss, worst posterior site", { unit: "% of the root", min: 0, max: 100 }],
  ["bone_loss_middle_third", "Bone loss to the middle third of a root", { options: YES_NO }],
  ["vertical_loss_mm", "Deepest vertical defect", { unit: "mm", min: 0, max: 20, step: 0.5 }],
  ["ridge_defect", "Ridge defect", { options: words("none", "moderate", "severe") }],
  ["opposing_pairs", "Opposing pairs of teeth", { min: 0, max: 16, hint: "else counted from the chart" }],
  ["occlusal_trauma", "Secondary occlusal trauma", { options: YES_NO }],
  ["bite_collapse", "Bite collapse, drifting or flaring", { options: YES_NO }],
  ["rehabilitation_need", "Complex rehabilitation needed", { options: YES_NO }],
  ["progression_mm", "Bone or attachment lost, directly seen", { unit: "mm", min: 0, max: 20, step: 0.1 }],
  ["progression_years", "over a span of", { unit: "years", min: 0, max: 80, step: 0.5 }],
  ["phenotype", "Destruction against biofilm", { options: [["A", "low for much biofilm"], ["B", "as expected"], ["C", "more than expected"]] }],
  ["history_of_periodontitis", "History of periodontitis", { options: YES_NO }],
  ["periodontitis_confirmed", "Periodontitis, in your own judgement", { options: YES_NO, hint: "goes before the rule, which is shown beside it" }],
  ["earlier_stage", "Highest stage ever given", { options: words("I", "II", "III", "IV") }],
  ["earlier_grade", "Earlier grade", { options: words("A", "B", "C") }],
  ["therapy_finished", "Active therapy finished on", { date: true }],
  ["probe", "Probe", { text: true, hint: "its marks, manual or pressure-controlled …" }],
  ["probing_conditions", "Conditions of probing", { text: true, hint: "anaesthesia, anticoagulants …" }],
  ["margin_default", "Margins that were not called", { options: [["0", "stand at the CEJ"]], hint: "only if you saw that they do; the findings say so" }],
  ["by_exception", "Called wherever it was", { several: FLAG_WORDS, hint: "only if you looked for it at every site: a probed site without the call then counts as no, and the findings say so" }],
];

/** CARE_FIELDS are asked for the home-care page alone.
 *  @type {Question[]} */
export const CARE_FIELDS = [
  ["dexterity_limited", "Handling a small brush is hard", { options: YES_NO }],
  ["powered_brush", "Uses or wishes a powered brush", { options: YES_NO }],
  ["irrigator_wished", "Wishes a water jet", { options: YES_NO }],
  ["dry_mouth", "Dry mouth", { options: YES_NO }],
  ["braces", "Fixed braces", { options: YES_NO }],
  ["special_care", "Bleeding disorder, recent surgery or immunosuppression", { options: YES_NO }],
];

/** @type {Question[]} */
const TOOTH = [
  ["exclude", "Attachment loss has another cause", { options: EXCLUDE }],
  ["bone_loss_percent", "Bone loss of this tooth", { unit: "% of the root", min: 0, max: 100 }],
  ["vertical_loss_mm", "Vertical defect of this tooth", { unit: "mm", min: 0, max: 20, step: 0.5 }],
  ["hopeless", "Extraction is planned", { options: YES_NO }],
];
/** @type {Question[]} */
const LOST = [["lost_to", "Why it is missing", { options: [["periodontitis", "lost to periodontitis"], ["other", "another reason"], ["unknown", "not known"], ["never_formed", "never formed"]] }]];
/** @type {Question[]} */
const IMPLANT = [
  ["baseline_depth", "Deepest site at the baseline", { unit: "mm", min: 0, max: 15, step: 0.5 }],
  ["bone_loss", "Bone loss beyond first remodelling", { options: YES_NO }],
  ["bone_level_mm", "Bone level below its first place", { unit: "mm", min: 0, max: 20, step: 0.5 }],
  ["inflamed", "Redness or swelling", { options: YES_NO }],
  ["mobile", "Implant is mobile", { options: YES_NO }],
];
/** @type {Question[]} */
const GINGIVAL = [["B", "Gingiva bleeds: buccal"], ["L", "lingual"], ["M", "mesial"], ["D", "distal"]].map(([k, t]) => [k, t, { options: YES_NO }]);
/** @type {Question[]} */
const SITE = [
  ["exclude", "Attachment loss has another cause", { options: EXCLUDE }],
  ["cej_unknown", "CEJ hidden or lost", { options: YES_NO }],
  ["not_assessable", "Could not be probed because of", { options: words("calculus", "band", "overhang", "pain") }],
];
/** @type {Question[]} */
const GAP = [
  ["brush_mm", "Brush that passes snugly", { unit: "mm passage hole", min: 0.3, max: 10, step: 0.1 }],
  ["closed", "Too tight for a brush", { options: YES_NO }],
];

let count = 0;

/** field makes one input; read gives what was changed as [name, value], null for an answer taken back. */
function field([name, label, o], value, { locked, asked = false }) {
  const id = `in${++count}`;
  const hints = [o.unit, o.hint, asked ? "a finding waits for this" : ""].filter(Boolean).join("; ");
  const hint = hints ? h("span", { class: "small" }, hints) : null;
  if (o.several) {
    const had = value || [];
    const boxes = o.several.map(([v, t], i) => [v, h("input", { type: "checkbox", id: `${id}-${i}`, checked: had.includes(v), disabled: locked }), t]);
    const el = h("fieldset", { class: "field" }, h("legend", {}, label), boxes.map(([, box, t], i) => h("label", { class: "check", for: `${id}-${i}` }, box, t)), hint);
    return { el, read: () => {
      const now = boxes.filter(([, b]) => b.checked).map(([v]) => v);
      return now.join() === had.join() ? null : [name, now.length ? now : null];
    } };
  }
  const had = value == null ? "" : String(value);
  let el;
  if (o.options) {
    el = h("select", { id, disabled: locked }, h("option", { value: "" }, "not known"), o.options.map(([v, t]) => h("option", { value: v }, t)));
    el.value = had;
  } else if (o.date) el = h("input", { id, type: "date", value: had, disabled: locked });
  else if (o.text) el = h("input", { id, maxlength: "500", value: had, disabled: locked });
  else el = h("input", { id, type: "number", min: o.min, max: o.max, step: o.step || 1, value: had, inputmode: "decimal", disabled: locked });
  return {
    el: h("div", { class: asked ? "field asked" : "field" }, h("label", { for: id }, label), el, hint),
    read: () => {
      let v = o.text ? el.value.trim() : el.value;
      if (v === had) return null;
      if (v === "") v = null;
      else if (o.options === YES_NO) v = v === "true";
      else if (!o.date && !o.text && (!o.options || name === "margin_default")) v = Number(v);
      return [name, v];
    },
  };
}

const changes = (fields) => Object.fromEntries(fields.map((f) => f.read()).filter(Boolean));
const signedNote = "The exam is signed: answers stay as they are.";

/** inputsForm makes the form. values are the answers so far; asked the names that a finding waits
 *  for, which come first; save gets only what was changed, null where an answer was taken away. */
export function inputsForm(values, asked, save, locked, list = FIELDS) {
  const order = [...list].sort((a, b) => asked.has(b[0]) - asked.has(a[0]));
  const first = order.filter(([n]) => asked.has(n) || values[n] != null);
  const more = order.filter((f) => !first.includes(f));
  const make = (f) => field(f, values[f[0]], { locked, asked: asked.has(f[0]) });
  const [a, b] = [first.map(make), more.map(make)];
  return h("form", {
    class: "inputs",
    onsubmit: (e) => {
      e.preventDefault();
      const changed = changes([...a, ...b]);
      if (Object.keys(changed).length) save(changed);
    },
  },
    a.length ? h("div", { class: "fields" }, a.map((f) => f.el)) : null,
    b.length ? h("details", { open: !a.length }, h("summary", {}, a.length ? "More questions" : "All questions"), h("div", { class: "fields" }, b.map((f) => f.el))) : null,
    locked ? h("p", { class: "soft" }, signedNote) : h("p", {}, h("button", { class: "main" }, "Save answers")));
}

// What belongs to the day of an exam is asked anew; the rest of an earlier exam's answers may still hold.
const ANEW = new Set(["age", "medical_history_checked", "probing_conditions", "probe", "margin_default", "by_exception", "periodontitis_confirmed", "progression_mm", "progression_years", "factors", "gaps"]);

/** ageAt is the age in whole years on a day, or null: born is YYYY-MM-DD, or a year or a month, of which the age is not known
 *  to the year. */
export function ageAt(born, ms) {
  if (!/^\d{4}-\d{2}-\d{2}$/.test(born || "")) return null;
  const d = new Date(ms);
  const [y, m, day] = born.split("-").map(Number);
  const years = d.getFullYear() - y - (d.getMonth() + 1 < m || (d.getMonth() + 1 === m && d.getDate() < day) ? 1 : 0);
  return years >= 0 && years <= 120 ? years : null;
}

/** carried offers the answers of the exam before that are not given yet: known lists [name, value, where it is from]. Null if there
 *  is nothing. */
export function carried(values, known, save, locked) {
  const open = known.filter(([name, v]) => v != null && values[name] == null && !ANEW.has(name));
  if (!open.length || locked) return null;
  const shown = (name, v) => (name === "teeth" ? `answers about ${Object.keys(v).length === 1 ? "one tooth" : Object.keys(v).length + " teeth"}`
    : `${(FIELDS.find(([n]) => n === name) || CARE_FIELDS.find(([n]) => n === name))?.[1] || name.replace(/_/g, " ")}: ${plain(v)}`);
  const take = (list) => save(Object.fromEntries(list.map(([name, v]) => [name, v])));
  return h("div", { class: "note calm carried" }, h("p", {}, h("b", {}, "Known already. "), "Take over what still holds:"),
    h("ul", { class: "chips" }, open.map((o) => h("li", {}, h("button", { type: "button", onclick: () => take([o]) }, shown(o[0], o[1]), h("small", {}, o[2]))))),
    open.length > 1 ? h("p", {}, h("button", { type: "button", class: "main", onclick: () => take(open) }, `All ${open.length} still hold`)) : null);
}

const SITES = ["DB", "B", "MB", "DL", "L", "ML"];
const plain = (v) => (v === true ? "yes" : v === false ? "no" : String(v).replace(/_/g, " "));

/** answersOf lists what was answered about single teeth, in words. */
export function answersOf(teeth, view) {
  const flat = (o, lead = "") => Object.entries(o).flatMap(([k, v]) => (v && typeof v === "object" ? flat(v, `${lead}${k.replace(/_/g, " ")} `) : [`${lead}${k.replace(/_/g, " ")}: ${plain(v)}`]));
  return Object.entries(teeth || {}).map(([t, o]) => `${view.teeth[t]?.label ?? t}: ${flat(o).join(", ")}`);
}

/** toothForm asks about one tooth at a time, with one of its sites. start is the tooth shown first. */
export function toothForm(values, view, save, locked, siteWords, start) {
  const tooth = h("select", { id: `in${++count}` }, TEETH.map((t) => h("option", { value: t }, `${view.teeth[t].label} (${view.teeth[t].state})`)));
  tooth.value = start || TEETH[0];
  const site = h("select", { id: `in${++count}` }, h("option", { value: "" }, "none"));
  const body = h("div", { class: "fields" });
  const siteBody = h("div", { class: "fields" });
  let main = [], implant = [], gingival = [], atSite = [];
  const drawSite = () => {
    const had = values[tooth.value]?.sites?.[site.value] || {};
    atSite = site.value ? SITE.map((f) => field(f, had[f[0]], { locked })) : [];
    put(siteBody, atSite.map((f) => f.el));
  };
  const draw = () => {
    const t = tooth.value;
    const had = values[t] || {};
    const { state } = view.teeth[t];
    const make = (list, from) => list.map((f) => field(f, from?.[f[0]], { locked }));
    main = make(state === "missing" ? LOST : state === "present" ? TOOTH : [], had);
    implant = state === "implant" ? make(IMPLANT, had.implant) : [];
    gingival = state === "present" ? make(GINGIVAL, had.gingival_bleeding) : [];
    put(body, [...main, ...implant, ...gingival].map((f) => f.el));
    site.closest(".field").hidden = state === "missing" || state === "unerupted";
    put(site, h("option", { value: "" }, "none"), SITES.map((s) => h("option", { value: s }, siteName(s, t, siteWords))));
    site.value = "";
    drawSite();
  };
  tooth.addEventListener("change", draw);
  site.addEventListener("change", drawSite);
  const form = h("form", {
    class: "inputs",
    onsubmit: (e) => {
      e.preventDefault();
      const out = changes(main);
      for (const [name, list] of Object.entries({ implant, gingival_bleeding: gingival })) {
        const c = changes(list);
        if (Object.keys(c).length) out[name] = c;
      }
      const s = changes(atSite);
      if (Object.keys(s).length) out.sites = { [site.value]: s };
      if (Object.keys(out).length) save({ teeth: { [tooth.value]: out } });
    },
  },
    h("div", { class: "row end" }, h("div", { class: "field" }, h("label", { for: tooth.id }, "Tooth"), tooth), h("div", { class: "field" }, h("label", { for: site.id }, "One of its sites"), site)),
    body, siteBody,
    locked ? h("p", { class: "soft" }, signedNote) : h("p", {}, h("button", {}, "Save for this tooth")));
  draw();
  return form;
}

/** gapForm asks which interdental brush was tried in. gaps are those of the mouth as "16-15" (FDI). */
export function gapForm(values, gaps, view, save, locked) {
  if (!gaps.length) return null;
  const label = (g) => g.split("-").map((t) => view.teeth[t]?.label ?? t).join("–");
  const gap = h("select", { id: `in${++count}` }, gaps.map((g) => h("option", { value: g }, label(g))));
  const body = h("div", { class: "fields" });
  let fields = [];
  const draw = () => {
    fields = GAP.map((f) => field(f, values[gap.value]?.[f[0]], { locked }));
    put(body, fields.map((f) => f.el));
  };
  gap.addEventListener("change", draw);
  const form = h("form", {
    class: "inputs",
    onsubmit: (e) => {
      e.preventDefault();
      const c = changes(fields);
      if (Object.keys(c).length) save({ gaps: { [gap.value]: c } });
    },
  },
    h("div", { class: "row end" }, h("div", { class: "field" }, h("label", { for: gap.id }, "Gap"), gap)), body,
    Object.keys(values).length ? h("p", { class: "small soft" }, "Tried in: ", Object.entries(values).map(([g, v]) => `${label(g)}: ${v.brush_mm ? v.brush_mm + " mm" : v.closed ? "too tight" : v.closed === false ? "open" : "–"}`).join(", "), ".") : null,
    locked ? null : h("p", {}, h("button", {}, "Save for this gap")));
  draw();
  return form;
}

/** gapsOf lists the gaps between neighbours of an arch that are there, as "17-16". */
export function gapsOf(view) {
  return [true, false].flatMap((upper) => {
    const arch = QUADRANTS.filter((q) => q.upper === upper).flatMap((q) => q.teeth);
    return arch.slice(1).map((t, i) => [arch[i], t]);
  })
    .filter((pair) => pair.every((t) => ["present", "implant"].includes(view.teeth[t]?.state))).map((pair) => pair.join("-"));
}

const FACTORS = { depth_5: "depth of 5 mm", depth_6: "depth of 6 mm or more", vertical_loss: "vertical loss of 3 mm or more", furcation: "furcation of grade 2 or 3", ridge_moderate: "moderate ridge defect",
  rehabilitation: "need of complex rehabilitation", occlusal_trauma: "secondary occlusal trauma", ridge_severe: "severe ridge defect", bite_collapse: "bite collapse", few_teeth: "few teeth or opposing pairs", molar_incisor: "molar-incisor pattern" };

/** decisions asks for the clinician's word on factors that the rules propose, and lists those given. */
export function decisions(values, findings, view, save, locked) {
  const given = values.factors || {};
  const asked = new Map();
  for (const f of findings) for (const m of f.missing || []) if (m.input?.startsWith("factors.")) asked.set(m.input.slice(8), m);
  if (!asked.size && !Object.keys(given).length) return null;
  const name = (k) => {
    const [f, t] = k.split(".");
    return (FACTORS[f] || f) + (t ? ` at tooth ${view.teeth[t]?.label ?? t}` : "");
  };
  const set = (k, v) => save({ factors: { [k]: v } });
  return h("div", { class: "decisions" }, h("h3", {}, "Factors that wait for your decision"),
    [...asked].filter(([k]) => !given[k]).map(([k, m]) => h("div", { class: "row" }, h("p", { class: "grow" }, h("b", {}, name(k)), `: ${m.question}`, m.teeth?.length ? ` (tooth ${m.teeth.join(", ")})` : ""),
      h("button", { disabled: locked, "aria-label": `Confirm: ${name(k)}`, onclick: () => set(k, "confirmed") }, "Confirm"), h("button", { disabled: locked, "aria-label": `Reject: ${name(k)}`, onclick: () => set(k, "rejected") }, "Reject"))),
    Object.entries(given).map(([k, v]) => h("div", { class: "row" }, h("p", { class: "grow" }, h("b", {}, name(k)), `: ${v} by the clinician`), h("button", { disabled: locked, "aria-label": `Take back: ${name(k)}`, onclick: () => set(k, null) }, "Take back"))));
}
