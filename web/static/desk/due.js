// Who is due: the days that clinicians decided under Plan, overdue ones first.
import { h, put } from "../core/dom.js";
import { get } from "../core/server.js";
import { day } from "../core/view.js";
import { planDate, isoDay } from "../core/dates.js";

const SOON = 30 * 86400e3;

/** stateOf says how a day stands to today, both YYYY-MM-DD. */
export function stateOf(date, today) {
  if (!date) return "nothing decided";
  const days = Math.round((Date.parse(date) - Date.parse(today)) / 86400e3);
  if (days < 0) return days === -1 ? "overdue since yesterday" : `overdue by ${-days} days`;
  return days === 0 ? "today" : days === 1 ? "tomorrow" : `in ${days} days`;
}

class Due extends HTMLElement {
  async connectedCallback() {
    let list;
    try {
      list = await get("/api/due");
    } catch (e) {
      put(this, h("p", { class: "note", role: "alert" }, e.message));
      return;
    }
    if (!list.length) return; // nobody had an exam yet
    const now = Date.now();
    const today = isoDay(now);
    const soon = list.filter((d) => d.day && d.day <= isoDay(now + SOON));
    const rest = list.filter((d) => !soon.includes(d));
    const overdue = soon.filter((d) => d.day < today).length;
    put(this, h("section", { "aria-label": "Who is due" },
      h("h2", {}, overdue ? `Who is due: ${overdue} overdue` : "Who is due"),
      soon.length ? this.#table("Overdue and due in the next 30 days", soon, today) : h("p", { class: "soft" }, "Nobody is overdue or due in the next 30 days."),
      rest.length ? h("details", {}, h("summary", {}, `Later, or not decided: ${rest.length}`), this.#table("Later or not decided", rest, today)) : null,
      list.some((d) => d.day) ? h("p", {}, h("a", { class: "button", href: "/api/due.ics", download: "" }, "All days as calendar file")) : null));
  }

  #table(label, list, today) {
    return h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": label }, h("table", { class: "list due" },
      h("thead", {}, h("tr", {}, ["Patient", "Day", "For", "How far", "Decided by"].map((t) => h("th", { scope: "col" }, t)))),
      h("tbody", {}, list.map((d) => h("tr", { class: d.day && d.day < today ? "over" : null },
        h("th", { scope: "row" }, h("a", { href: `/patients/${encodeURIComponent(d.patient)}` }, d.name), d.number ? h("span", { class: "soft" }, ` ${d.number}`) : null),
        h("td", {}, planDate(d.day) || h("a", { href: `/exams/${encodeURIComponent(d.exam)}/plan` }, "decide")),
        h("td", {}, d.what ? `${d.what}${d.what === "recall" && d.months ? `, every ${d.months} months` : ""}` : `exam of ${day(d.began)}`),
        h("td", {}, stateOf(d.day, today)), h("td", {}, d.who || "–"))))));
  }
}

customElements.define("ls-due", Due);
