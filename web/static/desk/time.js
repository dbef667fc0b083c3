// Over time: the course of the main findings over all exams, and two exams side by side, site by site:
// what healed, what got worse beyond the error of measurement, what is left, and how far two examiners agree.
import { h, svg, put, within } from "../core/dom.js";
import { Part } from "../core/part.js";
import { get } from "../core/server.js";
import { dated, day, depthLevel, TEETH } from "../core/view.js";
import { nameOf, shown } from "./wording.js";
import { amendedList } from "../people/amended.js";
import "../profile/profile.js";

const SITES = ["DB", "B", "MB", "DL", "L", "ML"];
const number = (v, digits = 1) => (v == null ? "–" : v.toFixed(digits));
const percent = (v) => (v == null ? "–" : `${v.toFixed(1)} %`);

/** chance says of a number of sites what errors of measurement alone would give. */
const chance = (c, what) => `${what}; errors of measurement alone give about ${number(c.expected)}${c.beyond ? ": more than chance" : c.seen ? ": not more than chance, measure again" : ""}`;

/** siteClass says in a letter and a word what became of a site (diagnosis.SiteChange). */
const BECAME = {
  "not-compared": ["", "not compared"],
  closed: ["h", "healed: closed and dry, no attachment lost"],
  better: ["i", "attachment gained by 2 mm or more"],
  shallower: ["s", "shallower by 2 mm or more, attachment unchanged"],
  worse: ["w", "attachment lost by 2 mm or more"],
  deeper: ["d", "deeper by 2 mm or more, attachment unchanged"],
  "new-pocket": ["n", "new pocket"],
  "not-sure": ["?", "2 mm between two examiners or probes: not sure"],
};
export function siteClass(c) {
  const [letter, words] = BECAME[c.became] || ["", "within the error of measurement"];
  return [letter, c.confirmed ? `${words}, measured twice` : c.denied ? "read deeper, and measured again it was not" : c.note && letter ? `${words} (${c.note})` : words];
}
const LETTERS = [["h", "healed: a pocket of 5 mm or more is 4 mm at most now and does not bleed"], ["i", "attachment gained by 2 mm or more"], ["s", "shallower only"],
  ["w", "attachment lost by 2 mm or more (or deeper, where the margin is not known)"], ["d", "deeper only"], ["n", "new pocket of 5 mm or more"], ["?", "2 mm apart between two examiners or probes"]];

const scroll = (label, ...inside) => h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": label }, ...inside);
const table = (head, rows, attrs) => h("table", { class: "list", ...attrs }, h("thead", {}, h("tr", {}, head.map((t, i) => h("th", { scope: "col", class: i ? "num" : null }, t)))), h("tbody", {}, rows));

/** courseChart draws lines over time, again when its room changes: its letters are as large on a phone.
 *  series are [name, values with null where nothing is known]. */
export function courseChart(title, times, series, unit) {
  const el = h("figure", { class: "course" });
  let width = 0;
  const draw = () => {
    const w = Math.min(460, Math.max(280, innerWidth - 32));
    if (w !== width) put(el, h("figcaption", {}, title), courseLines(title, times, series, unit, (width = w)));
  };
  draw();
  new ResizeObserver(draw).observe(el);
  return el;
}

function courseLines(title, times, series, unit, w) {
  const [hgt, left, right, top, bottom] = [190, 34, 108, 14, 24];
  const most = Math.max(unit === "%" ? 20 : 5, ...series.flatMap(([, v]) => v.filter((x) => x != null)));
  const step = [1, 2, 5, 10, 20, 25, 50, 100, 200, 500].find((s) => most / s <= 5) || 1000;
  const max = Math.ceil(most / step) * step;
  const span = times[times.length - 1] - times[0] || 1;
  const x = (i) => (times.length === 1 ? left + 20 : left + ((times[i] - times[0]) / span) * (w - left - right));
  const y = (v) => top + (1 - v / max) * (hgt - top - bottom);
  const parts = [];
  for (let v = 0; v <= max; v += step) {
    parts.push(svg("line", { class: "grid", x1: left, x2: w - right, y1: y(v), y2: y(v) }), svg("text", { class: "tick", x: left - 6, y: y(v) + 4, "text-anchor": "end" }, String(v)));
  }
  times.forEach((t, i) => {
    if (i && i < times.length - 1 && times.length > 4) return;
    parts.push(svg("text", { class: "tick", x: x(i), y: hgt - 6, "text-anchor": i ? (i === times.length - 1 ? "end" : "middle") : "start" }, day(t)));
  });
  let last = [];
  series.forEach(([name, values], n) => {
    const at = values.map((v, i) => [v, i]).filter(([v]) => v != null);
    if (!at.length) return;
    parts.push(svg("polyline", { class: `line l${n}`, points: at.map(([v, i]) => `${x(i).toFixed(1)},${y(v).toFixed(1)}`).join(" ") }));
    for (const [v, i] of at) parts.push(svg("circle", { class: `dot l${n}`, cx: x(i), cy: y(v), r: 3.5 }));
    last.push([y(at[at.length - 1][0]), `${name} ${+at[at.length - 1][0].toFixed(1)}`, x(at[at.length - 1][1])]);
  });
  // Names stand at the ends of the lines; close ones are pushed apart, and none down to the dates.
  last.sort((a, b) => a[0] - b[0]);
  last.forEach((l, i) => (l[0] = Math.max(l[0] + 4, i ? last[i - 1][0] + 15 : 0)));
  for (let i = last.length - 1, floor = hgt - bottom; i >= 0; i--, floor -= 15) last[i][0] = Math.min(last[i][0], floor);
  for (const [ly, text, lx] of last) parts.push(svg("text", { class: "name", x: lx + 8, y: ly }, text));
  const said = series.map(([name, v]) => `${name}: ${v.map((a) => (a == null ? "not recorded" : +a.toFixed(1))).join(", ")}`).join("; ");
  return svg("svg", { viewBox: `0 0 ${w} ${hgt}`, role: "img", "aria-label": `${title}. ${said}. The table below has all values.` }, parts);
}

const COURSE = ["score.bleeding_percent", "score.plaque_percent", "score.pisa_mm2", "sites.ge4", "sites.ge5", "sites.ge6", "depth.mean", "attachment_loss.mean",
  "periodontitis.stage", "periodontitis.grade", "periodontitis.extent", "gingiva.status", "endpoint.reached", "risk.progression"];

class OverTime extends Part {
  #other = "";
  #with = "";
  #turn = 0;

  connectedCallback() {
    const { session } = this.app;
    this.session = session;
    this.profile = h("ls-profile");
    this.profile.words = this.app.settings.site_words;
    session.settled(() => this.#load(), this.signal);
    put(this, h("div", { class: "desk" }, h("h1", {}, "Over time"), h("p", { class: "soft", role: "status" }, "Working out …")));
    this.#load();
  }
  #label(tooth) {
    return this.session.view.teeth[String(tooth)]?.label ?? String(tooth);
  }
  #places(refs) {
    return refs.map((r) => `${this.#label(r.tooth)} ${r.site}`).join(", ");
  }

  async #load() {
    const turn = ++this.#turn;
    const exam = encodeURIComponent(this.session.exam);
    const q = new URLSearchParams();
    if (this.#with) q.set("with", this.#with);
    if (this.#other) q.set("other", this.#other);
    try {
      const [course, pair] = await Promise.all([get(`/api/patients/${encodeURIComponent(this.app.visit.patient)}/course`), get(`/api/exams/${exam}/compare?${q}`)]);
      if (turn !== this.#turn || !this.isConnected) return;
      this.#draw(course, pair);
    } catch (e) {
      if (turn !== this.#turn) return;
      put(this, h("div", { class: "desk" }, h("h1", {}, "Over time"), h("div", { class: "note row", role: "alert" }, h("p", { class: "grow" }, e.message), h("button", { onclick: () => { this.#with = ""; this.#load(); } }, "Try again"))));
    }
  }

  #draw(course, pair) {
    const exams = course.exams;
    if (pair.comparison) [this.profile.exam, this.profile.with] = [pair.second.id, pair.first.id];
    const open = new Set(within(this, "details[open][data-part]").map((d) => d.dataset.part));
    put(this, h("div", { class: "desk time" },
      h("div", { class: "title" }, h("h1", {}, "Over time"), h("p", { class: "soft" }, `${this.app.visit.patient_name}: ${exams.length === 1 ? "one exam" : exams.length + " exams"} with readings`)),
      h("section", { "aria-label": "Course" }, h("h2", {}, "Course of the main findings"), exams.length ? this.#course(exams) : h("p", { class: "soft" }, "Nothing was recorded yet.")),
      this.#amended(exams),
      course.history?.days.length > 1 ? h("section", { "aria-label": "Sites over time" }, h("h2", {}, "Sites over time"), this.#history(course.history)) : null,
      h("section", { "aria-label": "Two exams" }, h("h2", {}, "Two exams, site by site"), this.#choose(exams, pair), pair.comparison ? this.#pair(pair, open) : h("p", { class: "soft" }, "There is no other exam of this patient to compare with yet. Begin a re-evaluation on the patient's page.")),
      pair.agreement ? this.#agreement(pair, open) : null,
      h("section", { class: "cautions" }, h("h2", {}, "To be kept in mind"), h("ul", {}, pair.cautions.map((c) => h("li", {}, c)))),
    ));
    // The session's view changes with the exam that is open here, whichever of the two it is.
    if (pair.comparison) this.profile.show(null, { stamp: this.session.view.seq });
  }

  /** #amended are the values of these exams that were changed after signing: what is compared is what stands now. */
  #amended(exams) {
    const some = exams.filter((e) => e.amendments?.length);
    return some.length ? h("section", { "aria-label": "Amendments" }, h("h2", {}, "Amended after signing"), some.map((e) => [h("p", {}, `${e.kind === "exam" ? "Exam" : "Re-evaluation"} of ${day(e.began)}:`), amendedList(e.amendments)])) : null;
  }

  #course(exams) {
    const value = (e, code) => e.findings.find((f) => f.code === code);
    const numbers = (code) => exams.map((e) => (typeof value(e, code)?.value === "number" ? value(e, code).value : null));
    const times = exams.map((e) => e.began);
    const name = (e) => [day(e.began), h("br"), h("a", { class: "small", href: `/exams/${encodeURIComponent(e.id)}/findings` }, e.id === this.session.exam ? "this exam" : e.kind), e.amended ? h("span", { class: "small" }, `, ${e.amended} amended`) : null];
    return [
      h("div", { class: "courses" },
        courseChart("Share of sites with bleeding and with plaque, percent", times, [["bleeding", numbers("score.bleeding_percent")], ["plaque", numbers("score.plaque_percent")]], "%"),
        courseChart("Number of deep sites", times, [["≥ 4 mm:", numbers("sites.ge4")], ["≥ 5 mm:", numbers("sites.ge5")], ["≥ 6 mm:", numbers("sites.ge6")]], "")),
      scroll("Course", h("table", { class: "list narrow" },
        h("thead", {}, h("tr", {}, h("td"), exams.map((e) => h("th", { scope: "col", class: "num" }, name(e))))),
        h("tbody", {}, h("tr", {}, h("th", { scope: "row" }, "Sites probed"), exams.map((e) => h("td", { class: "num" }, `${e.recorded} of ${e.sites}`))),
          COURSE.map((code) => h("tr", {}, h("th", { scope: "row" }, nameOf(code)), exams.map((e) => {
            const f = value(e, code);
            return h("td", { class: "num" }, f ? shown(f) : "–", f?.provisional ? h("span", { class: "soft", title: "provisional: something is missing" }, " *") : null);
          })))))),
      h("p", { class: "small soft" }, "* provisional: something is missing or waits for the clinician; the exam's own findings say what."),
    ];
  }

  /** #history names the sites to watch, each with all its readings, and what the mouth as a whole does. */
  #history(hist) {
    const rate = hist.mouth.rate;
    const readings = (w) => hist.sites.find((s) => s.tooth === w.tooth && s.site === w.site);
    return [
      rate ? h("p", {}, `Attachment loss of the mouth: ${number(rate.mmPerYear, 2)} mm a year (95 % interval ${number(rate.low, 2)} to ${number(rate.high, 2)}), mean of ${hist.mouth.sites} sites that every exam recorded.`) : null,
      hist.watch.length
        ? scroll("Sites to watch", h("table", { class: "list" }, h("thead", {}, h("tr", {}, ["Site to watch", ...hist.days, "95 % of repeats within"].map((t) => h("th", { scope: "col" }, t)))),
          h("tbody", {}, hist.watch.map((w) => h("tr", { title: w.sentence }, h("th", { scope: "row" }, `${this.#label(w.tooth)} ${w.site}${w.sure ? "" : " ?"}`),
            readings(w).attachmentLoss.map((v, i) => h("td", { class: "num" }, v == null ? "–" : `${v} (${readings(w).depth[i] ?? "–"})`)), h("td", { class: "num" }, `± ${readings(w).band} mm`))))))
        : h("p", { class: "soft" }, "No site lost attachment beyond the error of measurement up to the last exam."),
      h("p", { class: "small soft" }, "Attachment loss, in brackets the depth, mm. A change counts when two exams in a row show it or when it was measured twice; ? marks sites that read deeper once: measure again."),
      hist.notes.length ? h("ul", { class: "dots small soft" }, hist.notes.map((n) => h("li", {}, dated(n)))) : null,
    ];
  }

  #choose(exams, pair) {
    const others = exams.filter((e) => e.id !== this.session.exam);
    if (!others.length) return null;
    const partner = pair.first && (pair.first.id === this.session.exam ? pair.second.id : pair.first.id);
    const withWhom = h("select", { id: "with", onchange: (e) => { this.#with = e.target.value; this.#other = ""; this.#load(); } },
      others.map((e) => h("option", { value: e.id }, `${day(e.began)}, ${e.kind}${e.signed_by ? ", signed by " + e.signed_by : ""}`)));
    if (partner) withWhom.value = partner;
    const by = h("select", { id: "by", onchange: (e) => { this.#other = e.target.value; this.#load(); } },
      h("option", { value: "0" }, "the same examiner and probe"), h("option", { value: "1" }, "another examiner or probe"));
    by.value = pair.other ? "1" : "0";
    return h("div", { class: "row end" },
      h("div", { class: "field" }, h("label", { for: "with" }, `This exam (${day(this.app.visit.began)}) with`), withWhom),
      h("div", { class: "field" }, h("label", { for: "by" }, "Read by"), by));
  }

  #pair(pair, open) {
    const c = pair.comparison;
    const [a, b] = [day(pair.first.began), day(pair.second.began)];
    const card = (name, value, more) => h("article", { class: "card" }, h("h3", {}, name), h("p", { class: "value" }, value), more ? h("p", { class: "small soft" }, more) : null);
    const totals = [["Mean depth, mm", number(c.before.meanDepth, 2), number(c.after.meanDepth, 2)], ["Mean attachment loss, mm", number(c.before.meanLoss, 2), number(c.after.meanLoss, 2)],
      ["Sites of 4 mm or more", c.before.ge4, c.after.ge4], ["Sites of 5 mm or more", c.before.ge5, c.after.ge5], ["Sites of 6 mm or more", c.before.ge6, c.after.ge6],
      ["Bleeding on probing", percent(c.before.bleedingPercent), percent(c.after.bleedingPercent)], ["Plaque", percent(c.before.plaquePercent), percent(c.after.plaquePercent)]];
    const window = { early: "earlier than the usual 4 to 8 weeks after therapy", inside: "4 to 8 weeks after therapy", late: "later than the usual 4 to 8 weeks after therapy" }[c.window];
    return [
      h("p", {}, h("b", {}, `${a} and ${b}`), window ? `; the second is ${window} (common practice, no source)` : "", "."),
      h("div", { class: "heads" },
        card("Pockets closed", c.closedPercent == null ? "–" : `${c.closed} of ${c.remeasured}`, c.closedPercent == null ? "no pocket of 5 mm or more was probed again" : `${percent(c.closedPercent)} of the pockets probed again are 4 mm at most and dry; ${c.shallow} are 4 mm at most${c.receded ? `, ${c.receded} of them only by recession` : ""}; chance alone closes about ${number(c.chance.closed.expected)}`),
        card("Attachment lost", `${c.lossWorse} of ${c.chance.worse.sites}`, chance(c.chance.worse, `sites by ${pair.other ? 3 : 2} mm or more`)),
        card("Attachment gained", String(c.lossImproved), chance(c.chance.improved, `sites by ${pair.other ? 3 : 2} mm or more`)),
        card("Depth", `${c.improved} shallower, ${c.worse} deeper`, `by chance alone about ${number(c.chance.deeper.expected)} each way`),
        card("New pockets", String(c.newPockets), chance(c.chance.newPockets, "5 mm or more now, less before")),
        card("Bleeding sites", `${c.chance.bleeding.seen > 0 ? "+" : c.chance.bleeding.seen < 0 ? "−" : ""}${Math.abs(c.chance.bleeding.seen)}`, c.chance.bleeding.beyond ? "more than a second look without change gives" : `a second look without any change gives up to ${c.chance.bleeding.most} either way`),
        card("Residual", String((c.residual6 || []).length), `sites of 6 mm or more; ${(c.residualBleeding || []).length} of 5 mm or more bleed`),
        card("End point", shown(c.endpoint), c.endpoint.text)),
      this.profile,
      c.notes?.length ? h("div", { class: "note calm" }, h("ul", { class: "dots" }, c.notes.map((n) => h("li", {}, dated(n))))) : null,
      scroll("Before and after", table([`On ${c.before.depths} sites with a depth in both`, a, b], totals.map(([n, x, y]) => h("tr", {}, h("th", { scope: "row" }, n), h("td", { class: "num" }, String(x)), h("td", { class: "num" }, String(y)))))),
      h("h3", {}, `Sites to look at again: ${(c.retreat || []).length}`),
      c.retreat?.length ? scroll("Sites to look at again", h("table", { class: "list" }, h("thead", {}, h("tr", {}, ["Why", "Sites"].map((t) => h("th", { scope: "col" }, t)))),
        h("tbody", {}, [...Map.groupBy(c.retreat, (r) => r.why)].map(([why, l]) => h("tr", {}, h("th", { scope: "row" }, why), h("td", {}, l.map((r) => `${this.#label(r.tooth)} ${r.site} (${r.depth ?? "–"})`).join(", ")))))))
        : h("p", { class: "soft" }, "None by these rules."),
      h("details", { data: { part: "sites" }, open: open.has("sites") || !this.querySelector("details") }, h("summary", {}, "Every site: depth before and now"), this.#sites(c, a, b)),
    ];
  }

  #sites(c, a, b) {
    const teeth = [...Map.groupBy(c.sites || [], (s) => s.tooth)].sort((a, b) => TEETH.indexOf(String(a[0])) - TEETH.indexOf(String(b[0])));
    if (!teeth.length) return h("p", { class: "soft" }, "No tooth was there at both exams.");
    const sums = new Map((c.teeth || []).map((t) => [t.tooth, t]));
    return [
      h("p", { class: "small soft" }, `Depth on ${a} and on ${b}, mm. `, LETTERS.map(([l, w], i) => [i ? ", " : "", h("b", {}, l), " ", w]), "."),
      scroll("Every site", h("table", { class: "list pairs" },
        h("thead", {}, h("tr", {}, ["Tooth", ...SITES, "Deepest", "Shallower", "Same", "Deeper"].map((t) => h("th", { scope: "col" }, t)))),
        h("tbody", {}, teeth.map(([tooth, sites]) => {
          const t = sums.get(tooth);
          return h("tr", {}, h("th", { scope: "row" }, this.#label(tooth)),
            SITES.map((site) => {
              const s = sites.find((x) => x.site === site);
              if (!s) return h("td", {}, "–");
              const [letter, words] = siteClass(s);
              return h("td", { title: words }, h("span", { class: "was" }, String(s.depthBefore ?? "–")), "→", h("b", { data: s.depthAfter == null ? {} : { d: depthLevel(s.depthAfter) } }, String(s.depthAfter ?? "–")), letter ? h("span", { class: "letter" }, letter) : null);
            }),
            t ? [h("td", {}, `${t.deepestBefore}→${t.deepestAfter}`), h("td", {}, String(t.improved)), h("td", {}, String(t.withinError + t.notSure)), h("td", {}, String(t.worse))] : h("td", { colspan: "4" }, "not compared"));
        }))))];
  }

  #agreement(pair, open) {
    const g = pair.agreement;
    const near = Math.abs(pair.second.began - pair.first.began) < 15 * 86400e3;
    const group = (x) => h("tr", {}, h("th", { scope: "row" }, x.group), [String(x.sites), percent(x.exactPercent), percent(x.within1Percent), number(x.kappaLinear, 2), number(x.kappaQuadratic, 2), number(x.icc21, 2),
      number(x.bias, 2), x.low == null ? "–" : `${x.low.toFixed(2)} to ${x.high.toFixed(2)}`].map((v) => h("td", { class: "num" }, v)));
    const head = ["Sites", "n", "same", "within 1 mm", "kappa, linear", "kappa, quadratic", "ICC(2,1)", "bias, mm", "95 % limits, mm"];
    const part = (name, list) => (list?.length ? [h("h3", {}, name), scroll(name, table(head, list.map(group)))] : null);
    return h("section", { "aria-label": "Agreement" }, h("h2", {}, "Agreement of the two exams"),
      h("p", { class: near ? null : "note calm" }, near
        ? `Two exams within two weeks can tell how far ${pair.first.signed_by && pair.second.signed_by && pair.first.signed_by !== pair.second.signed_by ? pair.first.signed_by + " and " + pair.second.signed_by : "the readings"} agree (calibration).`
        : "These exams are more than two weeks apart: differences may be healing or disease, not disagreement. Calibration takes two exams of the same state."),
      h("details", { data: { part: "agree" }, open: open.has("agree") || (near && !this.querySelector("details")) }, h("summary", {}, "Figures"),
        part("Depth", g.depth), part("Recession", g.recession), part("Attachment loss", g.attachmentLoss),
        g.flags?.length ? [h("h3", {}, "Flags"), scroll("Flags", table(["Flag", "n", "same", "kappa"], g.flags.map((f) => h("tr", {}, h("th", { scope: "row" }, f.flag), [String(f.sites), percent(f.exactPercent), number(f.kappa, 2)].map((v) => h("td", { class: "num" }, v))))))] : null,
        h("h3", {}, `Sites that differ by 2 mm or more: ${(g.differ || []).length}`),
        g.differ?.length ? h("ul", { class: "because" }, g.differ.map((d) => h("li", {}, `${this.#label(d.tooth)} ${d.site} ${d.reading}: ${d.first} and ${d.second}`))) : h("p", { class: "soft" }, "None."),
        g.notes?.length ? h("ul", { class: "dots small soft" }, g.notes.map((n) => h("li", {}, n))) : null,
        h("p", { class: "source" }, "Weighted kappa by millimetres; ICC(2,1) of Shrout and Fleiss 1979, doi:10.1037/0033-2909.86.2.420; limits of Bland and Altman 1986, doi:10.1016/S0140-6736(86)90837-8. Bias is the second exam less the first.")));
  }
}

customElements.define("ls-time", OverTime);
