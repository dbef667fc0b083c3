// What a key press means on Live: a pure function, so that the table can be tested and shown.

/** KEYS is the help that Live shows. */
export const KEYS = [
  ["1 … 9, 0", "enter a depth, go on to the next site"],
  ["Shift + digit, or + then digit", "ten more: Shift 2 is 12"],
  ["Alt + digit", "correct the number that the pointer or the arrows are at"],
  ["b s p c", "bleeding, suppuration, plaque, calculus here: on, and off again"],
  ["Shift b s p c", "asked and answered no"],
  ["r then digit", "recession; r - digit: margin above the CEJ"],
  ["m then digit", "mobility"],
  ["f then b l m d, then digit", "furcation"],
  ["arrows", "move over the chart; Home: first site of the row"],
  ["Escape", "back to the path"],
  ["Enter", "everything about this site"],
  ["g", "the voice goes on from here"],
  ["Delete", "clear the depth here"],
  ["u or Backspace", "take back the last call"],
  ["Page up, Page down", "place before, place after"],
  ["y n", "answer the question"],
  ["Space", "stand by, go ahead"],
  ["/", "type a call in words"],
  ["v", "the other layout: at a distance, at the keyboard"],
  ["?", "these keys"],
];

const FLAG = { b: "bleeding", s: "suppuration", p: "plaque", c: "calculus" };
const ENTRANCE = { b: "B", l: "L", m: "M", d: "D" };

/** @param {Pick<KeyPress, "key">} ev */
const digitOf = (ev) => (/^[0-9]$/.test(ev.key) ? Number(ev.key) : null);

/** press takes the keys that wait for more ("", "r", "r-", "m", "f", "fB", "+") and a key event, and
 *  gives {wait, act}: what waits now, and what is to be done. act is null if the key means nothing;
 *  then the page leaves the event alone.
 *  @param {string} wait
 *  @param {KeyPress} ev
 *  @returns {{wait: string, act: Deed | null}} */
export function press(wait, ev) {
  const none = { wait, act: null };
  // Some keyboards type another sign with Alt: then the key itself says which digit it is.
  if (ev.altKey && !ev.ctrlKey && !ev.metaKey) {
    const d = digitOf(ev) ?? (ev.shiftKey ? null : digitOf({ key: (ev.code || "").replace("Digit", "") }));
    if (d != null) return { wait: "", act: { do: "correct", number: d } };
  }
  if (ev.ctrlKey || ev.metaKey || ev.altKey) {
    if ((ev.ctrlKey || ev.metaKey) && !ev.altKey && ev.key.toLowerCase() === "z") return { wait: "", act: { do: "undo" } };
    return none;
  }
  let digit = digitOf(ev);
  if (wait) {
    if (ev.key === "Escape") return { wait: "", act: { do: "nothing" } };
    if (ev.key === "Backspace") return { wait: "", act: { do: "nothing" } };
    if (wait === "r" && ev.key === "-") return { wait: "r-", act: { do: "nothing" } };
    if (wait === "f" && ENTRANCE[ev.key.toLowerCase()]) return { wait: "f" + ENTRANCE[ev.key.toLowerCase()], act: { do: "nothing" } };
    if (digit == null) return { wait, act: ev.key.length === 1 ? { do: "misfit" } : null };
    if (wait === "+") return { wait: "", act: { do: "depth", number: 10 + digit } };
    if (wait === "r" || wait === "r-") return { wait: "", act: { do: "set", field: "recession", number: wait === "r" ? digit : -digit } };
    if (wait === "m") return { wait: "", act: { do: "tooth", field: "mobility", number: digit } };
    if (wait.length === 2) return { wait: "", act: { do: "tooth", field: "furcation." + wait[1], number: digit } };
    return { wait, act: { do: "misfit" } };
  }
  // Shift and a digit: ten more. Where Shift is how digits are typed at all, the digit counts.
  if (digit == null && ev.shiftKey && /^Digit[0-9]$/.test(ev.code || "")) {
    return { wait: "", act: { do: "depth", number: 10 + Number(ev.code.slice(5)) } };
  }
  if (digit != null) return { wait: "", act: { do: "depth", number: digit } };
  switch (ev.key) {
    case "+": return { wait: "+", act: { do: "nothing" } };
    case "ArrowLeft": return { wait: "", act: { do: "move", dx: -1, dy: 0 } };
    case "ArrowRight": return { wait: "", act: { do: "move", dx: 1, dy: 0 } };
    case "ArrowUp": return { wait: "", act: { do: "move", dx: 0, dy: -1 } };
    case "ArrowDown": return { wait: "", act: { do: "move", dx: 0, dy: 1 } };
    case "Home": return { wait: "", act: { do: "row" } };
    case "Escape": return { wait: "", act: { do: "path" } };
    case "Enter": return { wait: "", act: { do: "open" } };
    case "Delete": return { wait: "", act: { do: "clear" } };
    case "Backspace": return { wait: "", act: { do: "undo" } };
    case "PageUp": return { wait: "", act: { do: "call", verb: "back" } };
    case "PageDown": return { wait: "", act: { do: "call", verb: "next" } };
    case " ": return { wait: "", act: { do: "listen" } };
    case "/": return { wait: "", act: { do: "words" } };
    case "?": return { wait: "", act: { do: "help" } };
  }
  const k = ev.key.length === 1 ? ev.key.toLowerCase() : "";
  if (FLAG[k]) return { wait: "", act: { do: "flag", field: FLAG[k], no: ev.shiftKey } };
  switch (k) {
    case "r": case "m": case "f": return { wait: k, act: { do: "nothing" } };
    case "v": return { wait: "", act: { do: "layout" } };
    case "g": return { wait: "", act: { do: "go" } };
    case "u": return { wait: "", act: { do: "undo" } };
    case "y": return { wait: "", act: { do: "call", verb: "affirm" } };
    case "n": return { wait: "", act: { do: "call", verb: "negative" } };
  }
  return none;
}
