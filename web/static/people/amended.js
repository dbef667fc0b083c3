// Values that were changed after an exam was signed: what was signed, what stands now, why, by whom and when.
import { h } from "../core/dom.js";
import * as V from "../core/view.js";
import * as C from "../core/commands.js";

/** told writes a value of the log for people. */
export function told(field, value) {
  if (value === "") return "not recorded";
  if (field === "presence") return C.STATES[Number(value)];
  if (V.FLAGS.some(([f]) => f === field)) return value === "1" ? "yes" : "no";
  return value.replace("-", "−");
}

/** when writes a moment with its day. */
export const when = (ms) => `${V.day(ms)}, ${new Date(ms).toLocaleTimeString()}`;

/** amendedList lists amendments; null where there are none. */
export const amendedList = (list) => (list?.length ? h("ul", { class: "dots amendments" }, list.map((a) => h("li", {},
  a.place ? [h("b", {}, `${a.place} ${V.fieldName(a.field)}`), `: ${told(a.field, a.was)} → ${told(a.field, a.value)}`] : [h("b", {}, "Answers about the patient"), `: ${a.was} → ${a.value}`], `; ${a.reason} (${a.who}, ${when(a.time)})`))) : null);

/** amendedPart is the list under its heading, for a page that shows values of the exam. */
export const amendedPart = (list) => (list?.length ? h("section", { "aria-label": "Amendments" }, h("h2", {}, "Amended after signing"), amendedList(list)) : null);
