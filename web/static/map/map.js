// The map view: each arch as an outline seen from the mouth, soundings at their sites, and lines of
// equal depth at 4 and 6 mm. No teeth are drawn: the arch is a strip of seabed, surveyed from both
// shores, buccal outside and lingual inside.
import { h, svg, put, under } from "../core/dom.js";
import { across, key, probed, siteAt, depthLevel, letters, nextKey } from "../core/view.js";

const UPPER = ["18", "17", "16", "15", "14", "13", "12", "11", "21", "22", "23", "24", "25", "26", "27", "28"];
const LOWER = ["48", "47", "46", "45", "44", "43", "42", "41", "31", "32", "33", "34", "35", "36", "37", "38"];
// Share of the arch that each tooth position takes, from third molar to central incisor: mesiodistal
// widths rounded to what three numerals need beside each other.
const WIDTH = [1, 1.08, 1.1, 0.98, 0.98, 0.96, 0.92, 1.0];

/** curve is the middle line of an arch: u from 0 (right end) to 1 (left end) gives the point and the
 *  outward normal. It is a half ellipse with straight legs. */
export function curve(u) {
  const rx = 300;
  const ry = 330;
  const leg = 150;
  // lengths of leg, half ellipse (Ramanujan's first approximation), leg
  const hh = ((rx - ry) / (rx + ry)) ** 2;
  const bow = (Math.PI * (rx + ry) * (1 + (3 * hh) / (10 + Math.sqrt(4 - 3 * hh)))) / 2;
  const len = 2 * leg + bow;
  const s = u * len;
  if (s < leg) return { x: -rx, y: leg - s, nx: -1, ny: 0 };
  if (s > len - leg) return { x: rx, y: s - (len - leg), nx: 1, ny: 0 };
  const a = Math.PI * (1 - (s - leg) / bow);
  const nx = Math.cos(a) / rx;
  const ny = -Math.sin(a) / ry;
  const l = Math.hypot(nx, ny);
  return { x: rx * Math.cos(a), y: -ry * Math.sin(a), nx: nx / l, ny: ny / l };
}

/** field lists the columns of the strip: position u, depths at the buccal (b) and lingual (l) shore,
 *  null where nothing is known; gap marks where the strip breaks between columns. */
export function field(view, teeth) {
  const widths = teeth.map((_, i) => WIDTH[i < 8 ? i : 15 - i]);
  const sum = widths.reduce((a, b) => a + b);
  const cols = [];
  let at = 0;
  for (const [i, tooth] of teeth.entries()) {
    const w = widths[i] / sum;
    const t = view.teeth[tooth];
    for (let j = 0; j < 3; j++) {
      const [kb, kl] = ["buccal", "lingual"].map((a) => key(tooth, across(tooth, a)[j]));
      const on = probed(t);
      cols.push({
        u: at + w * (j + 0.5) / 3, w: w / 3, tooth, on, kb, kl, j,
        b: on ? (siteAt(view, kb).depth ?? null) : null,
        l: on ? (siteAt(view, kl).depth ?? null) : null,
      });
    }
    at += w;
  }
  return cols;
}

/** bands gives, for a threshold, the pieces of the strip that are at least as deep: polygons in strip
 *  coordinates (u, v), v 0 at the lingual and 1 at the buccal shore; edges lists the parts of their
 *  borders that are lines of equal depth. Depth is taken as linear between neighbouring soundings. */
export function bands(cols, limit) {
  const polys = [];
  const edges = [];
  const piece = (pts) => {
    // pts: corners [u, v, depth] in order; clip the convex cell to depth >= limit.
    const out = [];
    const cut = [];
    for (let i = 0; i < pts.length; i++) {
      const a = pts[i];
      const b = pts[(i + 1) % pts.length];
      if (a[2] >= limit) out.push(a);
      if (a[2] >= limit !== b[2] >= limit) {
        const t = (limit - a[2]) / (b[2] - a[2]);
        const p = [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]), limit];
        out.push(p);
        cut.push(p);
      }
    }
    if (out.length > 2) polys.push(out.map(([u, v]) => [u, v]));
    if (cut.length === 2) edges.push(cut.map(([u, v]) => [u, v]));
  };
  const cell = (u0, u1, a, b) => {
    // a, b: {l, b} depths at both ends. A quad with four depths is split into triangles, so that
    // linear interpolation is exact; where one shore is not surveyed only the other half is drawn.
    const tri = (p, q, r) => piece([p, q, r]);
    if (a.l != null && a.b != null && b.l != null && b.b != null) {
      const m = [(u0 + u1) / 2, 0.5, (a.l + a.b + b.l + b.b) / 4];
      const c = [[u0, 0, a.l], [u1, 0, b.l], [u1, 1, b.b], [u0, 1, a.b]];
      for (let i = 0; i < 4; i++) tri(c[i], c[(i + 1) % 4], m);
      return;
    }
    if (a.l != null && b.l != null) {
      tri([u0, 0, a.l], [u1, 0, b.l], [u1, 0.5, b.l]);
      tri([u0, 0, a.l], [u1, 0.5, b.l], [u0, 0.5, a.l]);
    }
    if (a.b != null && b.b != null) {
      tri([u0, 0.5, a.b], [u1, 0.5, b.b], [u1, 1, b.b]);
      tri([u0, 0.5, a.b], [u1, 1, b.b], [u0, 1, a.b]);
    }
  };
  for (let i = 0; i < cols.length; i++) {
    const c = cols[i];
    if (!c.on) continue;
    const [before, behind] = [cols[i - 1], cols[i + 1]];
    // To the edge of the tooth where no neighbour continues the strip.
    if (!before?.on) cell(c.u - c.w / 2, c.u, c, c);
    if (behind?.on) cell(c.u, behind.u, c, behind);
    else cell(c.u, c.u + c.w / 2, c, c);
  }
  return { polys, edges };
}

const HALFWIDTH = 31;

class MapView extends HTMLElement {
  words = "buccal-lingual";
  onpick = null;

  connectedCallback() {
    this.addEventListener("click", (e) => {
      const c = under(e, "[data-key]");
      if (c) this.onpick?.(c.dataset.key);
    });
  }

  /** @param {any} view
   *  @param {{picked?: string, coming?: ReturnType<typeof import("../core/commands.js").coming>, earlier?: any}} how */
  show(view, { picked, coming } = {}) {
    const opt = { picked, coming, next: nextKey(view) };
    put(this,
      this.#arch(view, UPPER, 1, "Upper arch", opt),
      this.#arch(view, LOWER, -1, "Lower arch", opt),
      h("p", { class: "key small" }, "Numerals are depths in mm at their sites, buccal outside; the bar from the shore is as long as the site is deep. Thin line: 4 mm deep, thick line: 6 mm, linear between soundings. Hatched: no tooth to probe."));
  }

  #arch(view, teeth, dir, name, { picked, coming, next }) {
    const cols = field(view, teeth);
    const at = (u, v) => {
      const p = curve(u);
      const d = (v - 0.5) * 2 * HALFWIDTH;
      return [p.x + p.nx * d, (p.y + p.ny * d) * dir];
    };
    const xy = ([u, v]) => at(u, v).map((n) => n.toFixed(1)).join(" ");
    const path = (pts) => "M" + pts.map(xy).join("L") + "Z";
    const strip = (u0, u1) => {
      const n = Math.max(2, Math.ceil((u1 - u0) * 90));
      const us = Array.from({ length: n + 1 }, (_, i) => u0 + ((u1 - u0) * i) / n);
      return path([...us.map((u) => [u, 1]), ...us.reverse().map((u) => [u, 0])]);
    };
    const shapes = [];
    const marks = [];
    // ground: the surveyed strip, and hatched gaps
    for (let i = 0; i < cols.length; ) {
      let j = i;
      while (j + 1 < cols.length && cols[j + 1].on === cols[i].on) j++;
      shapes.push(svg("path", { class: cols[i].on ? "bed" : "gap", d: strip(cols[i].u - cols[i].w / 2, cols[j].u + cols[j].w / 2) }));
      i = j + 1;
    }
    for (const limit of [4, 6]) {
      const { polys, edges } = bands(cols, limit);
      if (polys.length) shapes.push(svg("path", { class: `deep d${limit}`, d: polys.map(path).join("") }));
      if (edges.length) shapes.push(svg("path", { class: `contour c${limit}`, d: edges.map(([a, b]) => `M${xy(a)}L${xy(b)}`).join("") }));
    }
    for (const c of cols) {
      if (c.j === 1) {
        const [x, y] = at(c.u, 0.5);
        marks.push(svg("text", { class: c.on ? "tooth" : "tooth gone", x, y }, view.teeth[c.tooth].label));
      }
      if (!c.on) continue;
      for (const v of [1.42, -0.42]) {
        const k = v > 0 ? c.kb : c.kl;
        const s = siteAt(view, k);
        const hears = coming?.depth.get(k);
        const num = hears ?? s.depth;
        const [x, y] = at(c.u, v);
        const lv = hears == null && s.depth != null ? Math.min(12, depthLevel(s.depth)) : 0;
        const g = svg("g", { "data-key": k, class: "site" + (k === next ? " next" : "") + (k === picked ? " picked" : "") + (hears != null ? " tentative" : "") });
        g.append(svg("rect", { x: x - 10.5, y: y - 10.5, width: 21, height: 21, rx: 3, class: lv ? `shade s${lv}` : "shade" }));
        g.append(svg("text", { x, y, class: (lv ? `num n${lv}` : "num") + (num == null ? " none" : "") + (s.doubt ? " wave" : "") }, num == null ? "·" : String(num)));
        if (lv) {
          // The sounding line: from the shore into the strip, as long as the site is deep.
          const shore = v > 0 ? 1 : 0;
          const [[x1, y1], [x2, y2]] = [at(c.u, shore), at(c.u, shore + ((shore ? -1 : 1) * Math.min(15, s.depth)) / 30)];
          g.append(svg("line", { class: "sounding", x1, y1, x2, y2, "stroke-width": lv < 4 ? 1.5 : lv < 6 ? 3 : 4.5 }));
        }
        const l = letters(s);
        if (l) {
          const [fx, fy] = at(c.u, v > 0 ? 1.86 : -0.86);
          g.append(svg("text", { x: fx, y: fy, class: "flags" }, l));
        }
        marks.push(g);
      }
    }
    const box = dir > 0 ? "-412 -442 824 612" : "-412 -170 824 612";
    return h("figure", { tabindex: "0", "aria-label": name }, svg("svg", { viewBox: box, role: "img", "aria-label": `${name}: the depths of the table as a map` },
      svg("defs", {}, svg("pattern", { id: "hatch" + dir, width: 9, height: 9, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, svg("path", { d: "M0 0V9", class: "hatchline" }))),
      shapes, marks, svg("text", { class: "name", x: 0, y: dir > 0 ? 40 : -30 }, name)));
  }
}

customElements.define("ls-map", MapView);
