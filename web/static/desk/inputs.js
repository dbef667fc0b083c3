// What is asked about the patient because probing cannot tell it: never assumed, each may stay open.
import { h } from "../core/dom.js";

const YES_NO = [["true", "yes"], ["false", "no"]];

/** FIELDS are the inputs that the form offers; names and meanings are those of the chart file. */
export const FIELDS = [
  ["age", "Age", { unit: "years", min: 0, max: 120 }],
  ["cigarettes_per_day", "Cigarettes a day", { min: 0, max: 200, hint: "0 = does not smoke" }],
  ["smoking_status", "Smoking", { options: [["never", "never"], ["former", "former"], ["current", "current"]] }],
  ["smoking_stopped_years", "Stopped smoking for", { unit: "years", min: 0, max: 90, step: 0.5 }],
  ["diabetes", "Diabetes", { options: YES_NO }],
  ["hba1c_percent", "HbA1c", { unit: "% (NGSP)", min: 3, max: 20, step: 0.1 }],
  ["systemic_factor", "Systemic or genetic factor", { options: YES_NO }],
  ["pregnant", "Pregnant", { options: YES_NO }],
  ["teeth_lost_periodontitis", "Teeth lost to periodontitis", { min: 0, max: 32 }],
  ["bone_loss_percent", "Bone loss at the worst tooth", { unit: "% of the root", min: 0, max: 100 }],
  ["bone_loss_posterior_percent", "Bone loss, worst posterior site", { unit: "% of the root", min: 0, max: 100 }],
  ["bone_loss_middle_third", "Bone loss to the middle third of a root", { options: YES_NO }],
  ["vertical_loss_mm", "Deepest vertical defect", { unit: "mm", min: 0, max: 20, step: 0.5 }],
  ["ridge_defect", "Ridge defect", { options: [["none", "none"], ["moderate", "moderate"], ["severe", "severe"]] }],
  ["occlusal_trauma", "Secondary occlusal trauma", { options: YES_NO }],
  ["bite_collapse", "Bite collapse, drifting or flaring", { options: YES_NO }],
  ["rehabilitation_need", "Complex rehabilitation needed", { options: YES_NO }],
  ["progression_mm", "Bone or attachment lost, directly seen", { unit: "mm", min: 0, max: 20, step: 0.1 }],
  ["progression_years", "over a span of", { unit: "years", min: 0, max: 40, step: 0.5 }],
  ["phenotype", "Destruction against biofilm", { options: [["A", "low for much biofilm"], ["B", "as expected"], ["C", "more than expected"]] }],
  ["history_of_periodontitis", "History of periodontitis", { options: YES_NO }],
  ["earlier_stage", "Highest stage ever given", { options: ["I", "II", "III", "IV"].map((x) => [x, x]) }],
  ["earlier_grade", "Earlier grade", { options: ["A", "B", "C"].map((x) => [x, x]) }],
  ["therapy_finished", "Active therapy finished on", { date: true }],
  ["margin_default", "Margins that were not called", { options: [["0", "stand at the CEJ"]], hint: "only if you saw that they do" }],
];

let count = 0;

/** inputsForm makes the form. values are the answers so far; asked the names that a finding waits
 *  for, which come first; save gets only what was changed, null where an answer was taken away. */
export function inputsForm(values, asked, save, locked) {
  const order = [...FIELDS].sort((a, b) => asked.has(b[0]) - asked.has(a[0]));
  const reads = [];
  const field = ([name, label, o]) => {
    const id = `in${++count}`;
    const had = values[name] == null ? "" : String(values[name]);
    let el;
    if (o.options) {
      el = h("select", { id, disabled: locked }, h("option", { value: "" }, "not known"), o.options.map(([v, t]) => h("option", { value: v }, t)));
      el.value = had;
    } else if (o.date) el = h("input", { id, type: "date", value: had, disabled: locked });
    else el = h("input", { id, type: "number", min: o.min, max: o.max, step: o.step || 1, value: had, inputmode: "decimal", disabled: locked });
    reads.push(() => {
      if (el.value === had) return;
      let v = el.value;
      if (v === "") v = null;
      else if (v === "true" || v === "false") v = v === "true";
      else if (!o.date && (!o.options || name === "margin_default")) v = Number(v);
      // An empty word is how a word is taken back; everything else is null.
      if (v === null && (o.date || (o.options && o.options !== YES_NO && name !== "margin_default"))) v = "";
      return [name, v];
    });
    const hints = [o.unit, o.hint, asked.has(name) ? "a finding waits for this" : ""].filter(Boolean).join("; ");
    return h("div", { class: asked.has(name) ? "field asked" : "field" }, h("label", { for: id }, label), el, hints ? h("span", { class: "small" }, hints) : null);
  };
  const first = order.filter(([n]) => asked.has(n) || values[n] != null);
  const more = order.filter((f) => !first.includes(f));
  return h("form", {
    class: "inputs",
    onsubmit: (e) => {
      e.preventDefault();
      const changed = Object.fromEntries(reads.map((r) => r()).filter(Boolean));
      if (Object.keys(changed).length) save(changed);
    },
  },
    first.length ? h("div", { class: "fields" }, first.map(field)) : null,
    h("details", { open: !first.length }, h("summary", {}, "All questions"), h("div", { class: "fields" }, more.map(field))),
    locked ? h("p", { class: "soft" }, "The exam is signed: answers stay as they are.") : h("p", {}, h("button", { class: "main" }, "Save answers")),
  );
}
