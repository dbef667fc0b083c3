// The doubts of an exam as a table: what stands, why it is doubted, its sound, and the decision.
import { h } from "../core/dom.js";
import * as V from "../core/view.js";
import * as C from "../core/commands.js";

/** Of numbers that may all be off for one reason so many are decided on together. */
const PLACE_OFF = "may stand a place off", TOGETHER = 4;

/** doubtTable is for a screen with session, words, clips and editor. */
export function doubtTable(screen, doubts, locked) {
  const off = doubts.filter((d) => d.reason === PLACE_OFF).slice(0, 192);
  return h("div", {}, off.length < TOGETHER ? null : allOff(screen.session, off, locked), rows(screen, doubts, locked));
}

/** allOff settles them at once: who has compared a few of them with the mouth knows of all. */
function allOff(session, off, locked) {
  return h("div", { class: "note row" },
    h("p", { class: "grow" }, h("b", {}, `${off.length} numbers may stand a place off. `),
      "Examiner and exam were perhaps at different places for a while. Probe some of these places again, at both ends, before you say so."),
    h("button", { type: "button", disabled: locked, onclick: () => session.act(off.map((d) => C.settle(V.key(d.tooth, d.site))), `${off.length} numbers: settled`) }, `All ${off.length} stand right`));
}

function rows(screen, doubts, locked) {
  const { session, words, clips, editor } = screen;
  return h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Doubts" }, h("table", { class: "list" },
    h("thead", {}, h("tr", {}, ["Site", "Entered", "Heard", "Why", "Perhaps", "Decide"].map((t) => h("th", { scope: "col" }, t)))),
    h("tbody", {}, doubts.map((d, i) => {
      const k = V.key(d.tooth, d.site);
      const input = h("input", { type: "number", id: `dv${i}`, min: d.field === "recession" ? -8 : 0, max: 15, step: 0.5, "aria-label": `New value for ${d.label} ${d.site}`, disabled: locked });
      return h("tr", {},
        h("th", { scope: "row" }, `${d.label} ${V.siteName(d.site, d.tooth, words)}`, d.field === "depth" ? "" : ` ${d.field}`),
        h("td", {}, h("span", { class: "doubt big" }, d.value == null ? "–" : String(d.value))),
        h("td", {}, h("div", { class: "row" }, clips.button(d.call, `${d.label} ${d.site}`), h("button", { type: "button", class: "play", "aria-label": `History of ${d.label} ${d.site}`, onclick: () => editor.open(screen.app, k) }, "History"))),
        h("td", {}, d.reason.replace(/^beside (\S+)$/, "far from $1 mm beside it")), h("td", {}, d.rival || "–"),
        h("td", {}, h("form", { class: "row", onsubmit: (e) => {
          e.preventDefault();
          if (input.value === "") return;
          const was = C.seen(session.view, session.pending, k, d.field);
          session.act(C.set(k, d.field, Number(input.value), was), `${d.label} ${d.site}: ${input.value}`);
        } }, h("button", { type: "button", class: "main", disabled: locked, onclick: () => session.act(C.settle(k), `${d.label} ${d.site}: settled`) }, "It is right"), input, h("button", { disabled: locked }, "Change"))));
    }))));
}
