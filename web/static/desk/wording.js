// What findings are called on screen, and how their values, readings and gaps are written.
import { FIELDS } from "./inputs.js";

const NAMES = {
  "periodontitis.case": "Periodontitis",
  "periodontitis.stage": "Stage",
  "periodontitis.stage_by_severity": "Stage by severity alone",
  "periodontitis.extent": "Extent",
  "extent.stage_level_percent": "Teeth at the level of the stage",
  "extent.any_involved_percent": "Teeth with any detectable loss",
  "periodontitis.grade": "Grade",
  "periodontitis.status": "State after treatment",
  "progression.status": "Progression",
  "gingiva.status": "Gingiva",
  "gingiva.periodontium": "Periodontium",
  "endpoint.reached": "End point of therapy",
  "implant.status": "Implant",
  "surveillance.cdc_aap_2012": "Surveillance class (CDC/AAP 2012)",
  "recession.type": "Recession type",
  "risk.progression": "Risk of progression",
  "risk.bleeding": "Risk: bleeding",
  "risk.pockets": "Risk: residual pockets",
  "risk.teeth_lost": "Risk: teeth lost",
  "risk.bone_loss_age": "Risk: bone loss for age",
  "risk.systemic": "Risk: systemic",
  "risk.smoking": "Risk: smoking",
  "score.bleeding_percent": "Bleeding on probing",
  "score.plaque_percent": "Plaque",
  "score.plaque_four_percent": "Plaque record, four surfaces",
  "score.plaque_six_percent": "Plaque record, six surfaces",
  "score.gingival_bleeding_percent": "Gingival bleeding index",
  "score.pesa_mm2": "Pocket surface",
  "score.pisa_mm2": "Inflamed pocket surface",
  "score.pesa_b_mm2": "Pocket surface, from depths alone",
  "score.pisa_b_mm2": "Inflamed surface, from depths alone",
  "depth.mean": "Mean depth",
  "attachment_loss.mean": "Mean attachment loss",
  "sites.suppuration": "Sites with pus",
  "mobility.max": "Greatest mobility",
  "furcation.max": "Greatest furcation grade",
  "chart.completeness": "Sites probed",
  "chart.doubts": "Doubts left open",
};

/** @type {[code: RegExp, unit: string][]} */
const UNITS = [[/percent$/, " %"], [/^chart\.completeness$/, " %"], [/mm2$/, " mm²"], [/\.mean$/, " mm"]];

/** nameOf is what a finding is called, by its code. */
export function nameOf(code) {
  if (NAMES[code]) return NAMES[code];
  let m = code.match(/^(sites|teeth)\.ge(\d)(_percent)?$/);
  if (m) return `${m[1] === "sites" ? "Sites" : "Teeth with sites"} of ${m[2]} mm or more${m[3] ? ", share" : ""}`;
  m = code.match(/^attachment_loss\.ge(\d)(_percent|_teeth)?$/);
  if (m) return `${m[2] === "_teeth" ? "Teeth" : "Sites"} with attachment loss of ${m[1]} mm or more${m[2] === "_percent" ? ", share" : ""}`;
  return code.replace(/[._]/g, " ");
}

/** plainWord writes the words of values for people: "not met", but peri-implantitis. */
const plainWord = (v) => String(v).replace(/(?<!peri|molar)-/g, " ");

/** shown is the value of a finding with its unit. */
export function shown(f) {
  if (f.value == null) return "not recorded";
  const v = f.shown ?? plainWord(f.value);
  return (f.atLeast ? "at least " : "") + v + (UNITS.find(([re]) => re.test(f.code))?.[1] || "");
}

/** evidence is one reading or answer that a finding rests on. */
export function evidence(e) {
  if (e.input) return `${[e.tooth, inputName(e.input)].filter(Boolean).join(" ")}: ${e.value ?? "given"}`;
  const out = [];
  if (e.depth != null) out.push(`depth ${e.depth}`);
  if (e.recession != null) out.push(`recession ${e.recession}`);
  if (e.attachmentLoss != null) out.push(`loss ${e.attachmentLoss}`);
  for (const f of ["bleeding", "suppuration", "plaque", "calculus"]) if (e[f] != null) out.push(e[f] ? f : `no ${f}`);
  if (e.mobility != null) out.push(`mobility ${e.mobility}`);
  if (e.furcation != null) out.push(`furcation ${e.furcation}${e.entrance ? " " + e.entrance : ""}`);
  return `${[e.tooth, e.site].filter(Boolean).join(" ")}${out.length ? ": " + out.join(", ") : ""}`;
}

const inputName = (name) => FIELDS.find(([n]) => n === name)?.[1].toLowerCase() || (NAMES[name] || name.replace(/[._]/g, " ")).replace(/^[A-Z](?=[a-z])/, (c) => c.toLowerCase());

/** missing is what is not known, and what it could change. */
export function missing(m, value) {
  const what = m.question || (m.input ? inputName(m.input) : "");
  const few = (m.sites || []).map((s) => (typeof s === "string" ? s : `${s.tooth} ${s.site}`));
  const at = [few.length > 8 ? `${few.length} sites` : few.join(", "), m.teeth?.length ? `teeth ${m.teeth.join(", ")}` : ""].filter(Boolean).join(", ");
  return [what, at ? ` (${at})` : "", m.couldBe?.length > 1 || (m.couldBe?.length && m.couldBe[0] !== value) ? ` – could be ${m.couldBe.map(plainWord).join(" or ")}` : ""].join("");
}
