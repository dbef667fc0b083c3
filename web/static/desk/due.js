// Due: who is to come again, by the days that clinicians decided under Plan, with the phone and whether they were asked.
import { h, put } from "../core/dom.js";
import { get, post, newID } from "../core/server.js";
import { day } from "../core/view.js";
import { planDate, isoDay, addMonths } from "../core/dates.js";

/** stateOf says how a day stands to today, both YYYY-MM-DD. */
export function stateOf(date, today) {
  if (!date) return "nothing decided";
  const days = Math.round((Date.parse(date) - Date.parse(today)) / 86400e3);
  if (days < 0) return days === -1 ? "overdue since yesterday" : `overdue by ${-days} days`;
  return days === 0 ? "today" : days === 1 ? "tomorrow" : `in ${days} days`;
}

/** FILTERS are the spans that can be chosen: name, title, and whether a day falls into it. */
export const FILTERS = [
  ["overdue", "Overdue", (d, today) => d.day && d.day < today],
  ["month", "Overdue and next 30 days", (d, today, in30) => d.day && d.day <= in30],
  ["half", "Next six months", (d, today, in30, in180) => d.day && d.day <= in180],
  ["all", "All with a day", (d) => !!d.day],
  ["none", "Nothing decided", (d) => !d.day],
];

class Due extends HTMLElement {
  app = null;
  #from = "";
  #to = "";

  connectedCallback() {
    this.filter = h("select", { id: "span", onchange: () => this.#draw() }, FILTERS.map(([v, t]) => h("option", { value: v }, t)));
    this.filter.value = "month";
    const date = (id, label, set) => h("div", { class: "field" }, h("label", { for: id }, label), h("input", { id, type: "date", onchange: (e) => {
      set(e.target.value);
      this.#draw();
    } }));
    this.open = h("input", { type: "checkbox", id: "open", onchange: () => this.#draw() });
    put(this, h("div", { class: "desk due" },
      h("div", { class: "title" }, (this.head = h("h1", {}, "Due")), h("p", { class: "soft only-print" }, `${this.app.settings.practice || ""} ${day(Date.now())}`)),
      h("div", { class: "row end tools" }, h("div", { class: "field" }, h("label", { for: "span" }, "Show"), this.filter),
        date("from", "From", (v) => (this.#from = v)), date("to", "To", (v) => (this.#to = v)),
        h("label", { class: "check", for: "open" }, this.open, "Only who was not contacted"),
        h("button", { onclick: () => print() }, "Print"), h("a", { class: "button", href: "/api/due.ics", download: "" }, "All days as calendar file")),
      (this.fault = h("p", { class: "fault", role: "alert" })), (this.list = h("div", {}))));
    this.#load();
  }

  async #load() {
    try {
      this.all = await get("/api/due");
      this.#draw();
    } catch (e) {
      put(this.fault, e.message);
    }
  }

  #draw() {
    if (!this.all) return; // chosen before the list is there
    const now = Date.now();
    const today = isoDay(now);
    const has = FILTERS.find(([v]) => v === this.filter.value)[2];
    const spanned = this.#from || this.#to;
    const shown = this.all.filter((d) => (spanned ? d.day && (!this.#from || d.day >= this.#from) && (!this.#to || d.day <= this.#to) : has(d, today, isoDay(now + 30 * 86400e3), addMonths(today, 6))) && !(this.open.checked && d.contacted));
    const overdue = this.all.filter((d) => d.day && d.day < today).length;
    put(this.head, overdue ? `Due: ${overdue} overdue` : "Due");
    put(this.list, shown.length
      ? h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Who is due" }, h("table", { class: "list due" },
        h("thead", {}, h("tr", {}, ["Patient", "Phone", "Day", "For", "How far", "Contacted"].map((t) => h("th", { scope: "col" }, t)))),
        h("tbody", {}, shown.map((d) => this.#row(d, today)))))
      : h("p", { class: "soft" }, this.all.length ? "Nobody, by what is chosen above." : "Nobody had an exam yet: days come from the plans of exams."));
  }

  #row(d, today) {
    const tell = h("button", { onclick: async () => {
      tell.disabled = true;
      try {
        await post(`/api/exams/${encodeURIComponent(d.exam)}/do`, { command: { acts: [{ verb: "remark", text: `Contacted about the ${d.what} of ${planDate(d.day)}.` }] }, id: newID() });
        await this.#load();
      } catch (e) {
        put(this.fault, e.message);
        tell.disabled = false;
      }
    } }, "Contacted");
    return h("tr", { class: d.day && d.day < today ? "over" : null },
      h("th", { scope: "row" }, h("a", { href: `/patients/${encodeURIComponent(d.patient)}` }, d.name), d.number ? h("span", { class: "soft" }, ` ${d.number}`) : null),
      h("td", {}, d.phone ? h("a", { href: `tel:${d.phone.replace(/[^+\d]/g, "")}` }, d.phone) : "–"),
      h("td", {}, planDate(d.day) || h("a", { href: `/exams/${encodeURIComponent(d.exam)}/plan` }, "decide")),
      h("td", {}, d.what ? `${d.what}${d.what === "recall" && d.months ? `, every ${d.months} months` : ""}` : `exam of ${day(d.began)}`, d.who ? h("span", { class: "soft" }, ` by ${d.who}`) : null),
      h("td", {}, stateOf(d.day, today)),
      h("td", {}, d.day ? h("a", { href: `/api/exams/${encodeURIComponent(d.exam)}/export?as=letter&what=${d.what}`, download: "" }, "Letter") : null, " ", d.contacted ? `${day(d.contacted.time)}${d.contacted.who ? `, ${d.contacted.who}` : ""}` : d.day ? tell : "–"));
  }
}

customElements.define("ls-due", Due);
