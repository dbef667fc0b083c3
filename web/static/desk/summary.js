// What an exam comes to, in one sentence and three numbers: the head of Findings and of the patient's page.
import { h } from "../core/dom.js";
import { shown } from "./wording.js";

/** statement says the main finding in one sentence. find gives a finding by its code. */
export function statement(find) {
  const value = (code) => find(code)?.value;
  const known = (v) => v && v !== "indeterminate";
  const written = (v) => String(v).replace(/-/g, " ");
  if (value("periodontitis.case") === "yes") {
    const extent = value("periodontitis.extent");
    const lead = known(extent) ? `${written(extent)} periodontitis` : "periodontitis";
    const stage = find("periodontitis.stage");
    const parts = [known(stage?.value) ? `stage ${shown(stage)}` : "stage open", known(value("periodontitis.grade")) ? `grade ${shown(find("periodontitis.grade"))}` : "grade open"];
    if (!known(extent)) parts.push("extent open");
    return `${lead[0].toUpperCase()}${lead.slice(1)}, ${parts.join(", ")}`;
  }
  const gum = value("gingiva.status");
  const said = { health: "Gingival health", stable: "Stable", "not-stable": "Not stable" }[gum] || (known(gum) ? written(gum)[0].toUpperCase() + written(gum).slice(1) : "");
  if (value("periodontitis.case") === "no") return said ? `No periodontitis. ${said}` : "No periodontitis; the gingiva cannot be decided yet";
  return `Periodontitis cannot be decided yet${said ? `. ${said}` : ""}`;
}

/** numbers are the three figures: [name, value, what it rests on]. open names the flags of which it is not known whether they were
 *  called only where they were; their shares are not shown. */
export function numbers(find, open = []) {
  const bleeding = find("score.bleeding_percent");
  const share = open.includes("bleeding") ? ["–", "not before it is said whether bleeding was called only where it was"]
    : [bleeding?.value == null ? "–" : shown(bleeding), bleeding?.value == null ? "not recorded" : `of ${bleeding.recorded} sites asked`];
  const count = (code) => {
    const f = find(code);
    return [f?.value == null ? "–" : shown(f), f?.eligible ? `${f.recorded} of ${f.eligible} sites probed` : ""];
  };
  return [["Bleeding on probing", ...share], ["Sites of 4 mm or more", ...count("sites.ge4")], ["Sites of 6 mm or more", ...count("sites.ge6")]];
}

/** figures draws numbers. */
export const figures = (list) => h("dl", { class: "figures" }, list.map(([name, value, rest]) => h("div", {}, h("dt", {}, name), h("dd", {}, h("b", {}, value), rest ? h("span", { class: "small soft" }, rest) : null))));
