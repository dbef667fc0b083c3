// The commands that the screen sends (chart.Command). Each names what the page saw when it decided,
// so that the service refuses it if someone else was faster.
import { key, parts, value, flagNumber } from "./view.js";

const ref = (k) => {
  const { tooth, site } = parts(k);
  return { tooth: Number(tooth), site: site || "DB" };
};

/** set puts one value, or none, at one place; number is in the field's own unit. */
export function set(view, k, field, number) {
  const act = { verb: "set", ref: ref(k), field, was: value(view, k, field) };
  if (number != null) act.number = number;
  return act;
}

/** sounding enters the next reading along the path, only if the path still stands at k. */
export const sounding = (k, number) => ({ verb: "soundings", numbers: [number], ref: ref(k) });
export const undo = (call) => ({ verb: "disregard", was: String(call.seq) });
export const settle = (k) => ({ verb: "settle", ref: ref(k) });
export const go = (tooth, aspect) => ({ verb: "go", tooth: Number(tooth), aspect, has_aspect: true });
export const patient = (inputs) => ({ verb: "patient", text: JSON.stringify(inputs) });
export const rest = (field) => ({ verb: "rest", field });
export const path = (name) => ({ verb: "path", text: name });
export const plain = (verb) => ({ verb });
export const allFlag = (name) => ({ verb: "flag", flag: flagNumber(name), value: 2, whole: true });
export const toothKey = (tooth) => key(tooth, "DB");
export const STATES = ["", "present", "missing", "implant", "unerupted"];

/** lastCall is the call that undo would take back. */
export const lastCall = (view) => (view.undo && (view.calls || []).find((c) => c.seq === view.undo)) || null;
