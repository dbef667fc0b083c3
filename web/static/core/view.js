// Pure functions on the exam's View (docs/api.md): applying changes, finding places, naming things.

/** apply gives the view after a change, or null if the page has missed something and must read the
 *  whole view again. A change that is already contained leaves the view as it is.
 *  @param {View} view
 *  @param {Change} c */
export function apply(view, c) {
  if (!c.head && c.from === 0 && c.seq !== 0 && c.seq !== view.seq) return null; // "read it again"
  if (c.seq < view.seq || (c.seq === view.seq && c.from !== c.seq)) return view;
  if (c.from !== view.seq) return null;
  const next = { ...view, seq: c.seq };
  if (c.head) {
    // Absent optional parts of a head mean "none", so they must not survive from the former one.
    for (const k of ["then", "question", "signed_by", "unprobed", "undo", "void"]) delete next[k];
    Object.assign(next, c.head);
  }
  if (c.teeth) next.teeth = { ...view.teeth, ...c.teeth };
  if (c.line) next.line = c.line;
  if (c.calls) {
    const calls = [...(view.calls || [])];
    for (const call of c.calls) {
      const i = calls.findIndex((x) => x.seq === call.seq);
      if (i >= 0) calls[i] = call;
      else calls.push(call);
    }
    calls.sort((a, b) => a.seq - b.seq);
    next.calls = calls.slice(-50);
  }
  return next;
}

/** @param {string | number} tooth
 *  @param {string} site */
export const key = (tooth, site) => `${tooth}.${site}`;
/** @param {string} k */
export const parts = (k) => {
  const [tooth, site] = k.split(".");
  return { tooth, site };
};

/** @param {ToothView} t */
export const probed = (t) => t && (t.state === "present" || t.state === "implant");
/** stateText is how a tooth that is not probed is written; a wisdom tooth of which nobody said anything is only taken as missing.
 *  @param {ToothView} t */
export const stateText = (t) => (t.assumed ? "not called" : t.state);
/** @param {string} site */
export const aspectOf = (site) => (site.endsWith("L") ? "lingual" : "buccal");
/** @param {string} tooth */
export const upper = (tooth) => tooth[0] === "1" || tooth[0] === "2" || tooth[0] === "5" || tooth[0] === "6";
/** @param {string} tooth */
const rightSide = (tooth) => "1458".includes(tooth[0]);

/** depthLevel is the step of the depth scale: whole millimetres, 1 to 15; null where nothing is recorded.
 *  @param {number | null | undefined} mm */
export const depthLevel = (mm) => (mm == null ? null : Math.max(1, Math.min(15, Math.floor(mm))));

/** @param {View} view
 *  @param {string} k */
export function siteAt(view, k) {
  const { tooth, site } = parts(k);
  return view.teeth[tooth]?.sites?.[site] || {};
}

const SITES = ["DB", "B", "MB", "DL", "L", "ML"];

/** Drawn knows what a component has drawn its teeth and sites of, so that only those that look otherwise are drawn anew. */
export class Drawn {
  #was = { teeth: {}, coming: null, earlier: undefined, marks: [] };

  /** touched gives the teeth and the sites to be drawn anew: teeth that changed are other objects; at the sites of marks a mark
   *  stands or stood; something is coming at a site or was.
   *  @param {View} view
   *  @param {Coming | undefined} coming
   *  @param {any} earlier
   *  @param {string[]} marks */
  touched(view, coming, earlier, marks) {
    const was = this.#was;
    const teeth = Object.keys(view.teeth).filter((t) => view.teeth[t] !== was.teeth[t] || earlier !== was.earlier);
    const sites = new Set(teeth.flatMap((t) => SITES.map((s) => key(t, s))));
    for (const c of [coming, was.coming]) for (const k of [...(c?.depth.keys() || []), ...(c?.recession.keys() || [])]) sites.add(k);
    marks.forEach((k, i) => {
      if (k !== was.marks[i]) sites.add(k).add(was.marks[i]);
    });
    this.#was = { teeth: view.teeth, coming, earlier, marks };
    return { teeth, sites };
  }
}

export const FLAGS = [
  ["bleeding", "b"],
  ["suppuration", "s"],
  ["plaque", "p"],
  ["calculus", "c"],
];

/** walk lists the sites of the path that can be probed, in walking order.
 *  @param {View} view */
export function walk(view) {
  const out = [];
  for (const step of view.line) {
    if (!probed(view.teeth[step.tooth])) continue;
    for (const site of step.sites) out.push(key(step.tooth, site));
  }
  return out;
}

/** nextKey is where the next sounding goes, or "" at the end of the path.
 *  @param {View} view */
export function nextKey(view) {
  if (view.at_end) return "";
  return key(view.place.tooth, view.place.sites[view.place.next]);
}

/** after gives the site that follows k on the path, "" at its end. Once the path was walked to its end, sites that have
 *  a number of the pass are passed by, those of the place too if view.rest.
 *  @param {View} view
 *  @param {string} k */
export function after(view, k) {
  const w = walk(view);
  const i = w.indexOf(k);
  if (i < 0) return "";
  /** @param {any} x */
  const at = (x) => parts(x).tooth + aspectOf(parts(x).site);
  return w.slice(i + 1).find((x) => !view.ended || siteAt(view, x)[view.pass] == null || (!view.rest && at(x) === at(k))) || "";
}

/** @param {View} view */
export const unprobed = (view) => walk(view).filter((k) => siteAt(view, k).depth == null);

export const ENTRANCES = { B: "buccal", L: "lingual", M: "mesial", D: "distal" };
/** fieldName names a field for people.
 *  @param {string} field */
export const fieldName = (field) => (field.startsWith("furcation.") ? `furcation ${ENTRANCES[field.slice(10)]}` : field === "presence" ? "state" : field);

/** value is what stands at a field now, written as commands name it in "was".
 *  @param {View} view
 *  @param {string} k
 *  @param {string} field */
export function value(view, k, field) {
  const { tooth } = parts(k);
  const t = /** @type {Partial<ToothView>} */ (view.teeth[tooth] || {});
  let v;
  if (field === "presence") v = ["", "present", "missing", "implant", "unerupted"].indexOf(t.state);
  else if (field === "mobility") v = t.mobility;
  else if (field.startsWith("furcation.")) v = t.furcation?.[field.slice(10)];
  else v = siteAt(view, k)[field];
  if (v == null) return "";
  if (v === true) return "1";
  if (v === false) return "0";
  return String(v);
}

// The sheet: what stands beside and above what, as seen facing the patient.
export const QUADRANTS = [
  { name: "upper right", teeth: ["18", "17", "16", "15", "14", "13", "12", "11"], upper: true },
  { name: "upper left", teeth: ["21", "22", "23", "24", "25", "26", "27", "28"], upper: true },
  { name: "lower right", teeth: ["48", "47", "46", "45", "44", "43", "42", "41"], upper: false },
  { name: "lower left", teeth: ["31", "32", "33", "34", "35", "36", "37", "38"], upper: false },
];
/** TEETH are all places in the order in which they stand on the screen. */
export const TEETH = QUADRANTS.flatMap((q) => q.teeth);

/** across lists the three sites of a row of a tooth from left to right as seen facing the patient.
 *  @param {string} tooth
 *  @param {string} aspect */
export function across(tooth, aspect) {
  const l = aspect === "lingual" ? "L" : "B";
  const s = rightSide(tooth) ? ["D" + l, l, "M" + l] : ["M" + l, l, "D" + l];
  return s;
}

/** GRID is the sheet as rows of site keys: upper buccal, upper lingual, lower lingual, lower buccal. */
export const GRID = /** @type {[number, number, string][]} */ ([
  [0, 1, "buccal"],
  [0, 1, "lingual"],
  [2, 3, "lingual"],
  [2, 3, "buccal"],
]).map(([a, b, aspect]) =>
  [...QUADRANTS[a].teeth, ...QUADRANTS[b].teeth].flatMap((t) => across(t, aspect).map((s) => key(t, s))),
);

/** step moves from a site by arrows: dx along the row, dy between rows; teeth that are not there are
 *  stepped over. Gives k itself where there is nothing.
 *  @param {View} view
 *  @param {string} k
 *  @param {number} dx
 *  @param {number} dy */
export function step(view, k, dx, dy) {
  let row = GRID.findIndex((r) => r.includes(k));
  if (row < 0) return k;
  let col = GRID[row].indexOf(k);
  for (;;) {
    row += dy;
    col += dx;
    const there = GRID[row]?.[col];
    if (!there) return k;
    if (probed(view.teeth[parts(there).tooth])) return there;
  }
}

const LONG = { DB: "disto", B: "mid-", MB: "mesio", DL: "disto", L: "mid-", ML: "mesio" };

/** aspectName names a row of a tooth in the practice's words.
 *  @param {string} aspect
 *  @param {string} tooth
 *  @param {string} words */
export function aspectName(aspect, tooth, words) {
  if (words === "facial-palatal") {
    if (aspect === "buccal") return "facial";
    return tooth && upper(tooth) ? "palatal" : "lingual";
  }
  return aspect;
}

/** siteName is a site in words: "disto-buccal", "mid-palatal".
 *  @param {string} site
 *  @param {string} tooth
 *  @param {string} words */
export function siteName(site, tooth, words) {
  const head = LONG[site];
  return head + (head.endsWith("-") ? "" : "-") + aspectName(aspectOf(site), tooth, words);
}

/** marginText is a recession as it is written in the chart: minus above the CEJ.
 *  @param {number | "" | null | undefined} mm */
export const marginText = (mm) => (mm == null ? "" : String(mm).replace("-", "−"));

/** didText is what a call did as it is read: a place that several parts are of is named once, and a minus is a minus.
 *  @param {string} text */
export function didText(text) {
  let place = "";
  return text.split("; ").map((part) => {
    const [, at = "", did] = part.match(/^(\S+ (?:buccal|lingual|facial|palatal): )(.*)$/) || [];
    const again = at && at === place;
    place = at;
    return again ? did : part;
  }).join("; ").replace(/(^| )-(?=\d)/g, "$1−");
}

/** thenAt is what the earlier exam has at a site: {depth, change}, change being the difference to now where it is more than
 *  error, as text; null where nothing was read then. earlier is what /earlier gives, or null.
 *  @param {any} earlier
 *  @param {View} view
 *  @param {string} k */
export function thenAt(earlier, view, k) {
  const { tooth, site } = parts(k);
  const was = earlier?.teeth?.[tooth]?.sites?.[site]?.depth;
  if (was == null) return null;
  const now = siteAt(view, k).depth;
  const diff = now == null ? 0 : now - was;
  return { depth: was, worse: diff > 0, change: Math.abs(diff) >= earlier.change ? `${diff > 0 ? "+" : "−"}${Math.abs(diff)}` : "" };
}

/** say describes a site for people who cannot see it.
 *  @param {View} view
 *  @param {string} k
 *  @param {string} words
 *  @param {any} earlier */
export function say(view, k, words, earlier) {
  const { tooth, site } = parts(k);
  const t = view.teeth[tooth];
  const name = `Tooth ${t.label} ${siteName(site, tooth, words)}`;
  if (!probed(t)) return `${name}: ${t.assumed ? "not called, taken as missing" : t.state}`;
  const s = siteAt(view, k);
  const out = [s.depth == null ? "not recorded" : `depth ${s.depth}`];
  if (s.recession != null) out.push(`recession ${s.recession}`);
  for (const [f] of FLAGS) if (s[f] != null) out.push(s[f] ? f : `no ${f}`);
  if (s.doubt) out.push(`doubtful: ${s.doubt}`);
  if (s.amended) out.push(amendedText(s));
  const was = thenAt(earlier, view, k);
  if (was) out.push(`before ${was.depth}${was.change ? `, ${was.change} is more than error` : ""}`);
  return `${name}: ${out.join(", ")}`;
}

/** amendedText says what was signed where values were amended since.
 *  @param {SiteView} s */
export const amendedText = (s) =>
  `amended, signed as ${Object.entries(s.amended).map(([f, was]) => `${fieldName(f)} ${was === "" ? "not recorded" : was}`).join(", ")}`;

/** @param {SiteView} s */
export const letters = (s) =>
  FLAGS.filter(([f]) => s[f])
    .map(([, l]) => l)
    .join("");

/** day writes a date so that no country reads it otherwise.
 *  @param {number} ms */
export const day = (ms) => new Date(ms).toLocaleDateString(undefined, { year: "numeric", month: "short", day: "numeric" });

/** dated writes the days in a sentence of the service as day does. */
export const dated = (/** @type {string} */ text) => text.replace(/\b\d{4}-\d\d-\d\d\b/g, (d) => day(Date.parse(`${d}T12:00`)));

/** clock writes a time span as 4:05 or 1:02:30.
 *  @param {number} ms */
export function clock(ms) {
  const s = Math.max(0, Math.floor(ms / 1000));
  /** @param {any} n */
  const two = (n) => String(n).padStart(2, "0");
  const [hh, mm, ss] = [Math.floor(s / 3600), Math.floor(s / 60) % 60, s % 60];
  return hh ? `${hh}:${two(mm)}:${two(ss)}` : `${mm}:${two(ss)}`;
}

/** caller says who made a call: a voice, and whose if that is known, or who sat at a screen.
 *  @param {CallView} c */
export const caller = (c) => (c.source === "voice" ? ["voice", c.who].filter(Boolean).join(", ") : c.who || c.source);
