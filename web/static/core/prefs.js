// What this browser remembers for the people in front of it; what the practice decides is in the
// service's settings. A value that cannot be read counts as not set.
const KEY = "ls.prefs";

const FALLBACK = {
  theme: "", // "", light or dark
  answers: "tone", // tone, numbers, doubts or silent
  keys: true, // single keys work anywhere on Live; false: only while the chart has the focus
  seat: "", // who sat here last
  examiner: "", // whose voice the microphone of this browser hears, "" anybody's
  device: "", // microphone, "" the browser's default
  volume: 0.5,
  then: true, // the earlier readings stand beside the new ones during a re-evaluation
  layout: "near", // of Live: near the keyboard, or far for who stands at the chair
  paper: "", // a4 or letter, "" by the language of the browser
  look: "sheet", // the lower half of Live: sheet, map or calls
};

const changed = new EventTarget();

let read = { text: undefined, prefs: FALLBACK };

export function prefs() {
  let text = null;
  try {
    text = localStorage.getItem(KEY);
    if (text !== read.text) read = { text, prefs: { ...FALLBACK, ...JSON.parse(text || "{}") } };
  } catch {
    read = { text, prefs: { ...FALLBACK } };
  }
  return read.prefs;
}

export function setPrefs(part) {
  const next = { ...prefs(), ...part };
  try {
    localStorage.setItem(KEY, JSON.stringify(next));
  } catch {
    // a browser that stores nothing keeps the choice for as long as the page is open
    Object.assign(FALLBACK, part);
    read = { text: undefined, prefs: FALLBACK };
  }
  if ("theme" in part) showTheme();
  changed.dispatchEvent(new Event("change"));
  return next;
}

export function onPrefs(f, signal) {
  changed.addEventListener("change", () => f(prefs()), { signal });
}

export function showTheme() {
  const t = prefs().theme;
  const dark = t === "dark" || (t !== "light" && matchMedia("(prefers-color-scheme: dark)").matches);
  document.documentElement.dataset.theme = dark ? "dark" : "light";
}
