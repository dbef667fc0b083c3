// Due: who is to come again, by the days that clinicians decided under Plan, with the phone and whether they were asked.
import { h, named, put, attr } from "../core/dom.js";
import { Part } from "../core/part.js";
import { page, post, newID } from "../core/server.js";
import { day } from "../core/view.js";
import { planDate, isoDay, addMonths } from "../core/dates.js";

/** stateOf says how a day stands to today, both YYYY-MM-DD. */
export function stateOf(date, today) {
  if (!date) return "nothing decided";
  const days = Math.round((Date.parse(date) - Date.parse(today)) / 86400e3);
  if (days < 0) return days === -1 ? "overdue since yesterday" : `overdue by ${-days} days`;
  return days === 0 ? "today" : days === 1 ? "tomorrow" : `in ${days} days`;
}

/** FILTERS are the spans that can be chosen: name, title, and what the service is asked for, from today on.
 *  @type {[value: string, title: string, query: (today: string) => string][]} */
export const FILTERS = [
  ["overdue", "Overdue", (today) => `to=${addDays(today, -1)}`],
  ["month", "Overdue and next 30 days", (today) => `to=${addDays(today, 30)}`],
  ["half", "Overdue and next six months", (today) => `to=${addMonths(today, 6)}`],
  ["all", "All with a day", () => "to=9999-12-31"],
  ["none", "Nothing decided", () => "undecided=1"],
];

const addDays = (date, n) => isoDay(Date.parse(date + "T12:00") + n * 86400e3);

const COLUMNS = ["Patient", "Due", "For", "Contacted"];

class Due extends Part {
  #span = "month"; // "" where days were typed
  #from = "";
  #to = "";
  #marked = new Set(); // who was contacted from here stays in sight

  connectedCallback() {
    this.spans = FILTERS.map(([v, t]) => h("button", { value: v, onclick: () => {
      this.#span = v;
      this.#from = this.#to = "";
      for (const el of this.days) el.lastElementChild.value = "";
      this.#load();
    } }, t));
    const date = (id, label, set) => h("div", { class: "field" }, h("label", { for: id }, label), h("input", { id, type: "date", onchange: (e) => {
      set(e.target.value);
      this.#span = this.#from || this.#to ? "" : "month";
      this.#load();
    } }));
    this.days = [date("from", "From", (v) => (this.#from = v)), date("to", "To", (v) => (this.#to = v))];
    this.open = h("input", { type: "checkbox", id: "open", onchange: () => this.#draw() });
    put(this, h("div", { class: "desk due" },
      h("div", { class: "title" }, (this.head = h("h1", {}, "Due")), h("p", { class: "soft only-print" }, `${this.app.settings.practice || ""} ${day(Date.now())}`)),
      h("div", { class: "row tools", role: "group", "aria-label": "Show" }, this.spans),
      h("div", { class: "row end tools" }, this.days,
        h("label", { class: "check", for: "open" }, this.open, (this.others = h("span", {}, "Also who was contacted"))),
        h("button", { onclick: () => print() }, "Print"), h("a", { class: "button", href: "/api/due.ics", download: "" }, "All days as calendar file")),
      (this.fault = h("p", { class: "fault", role: "alert" })), (this.list = h("div", {})),
      (this.more = h("p", { hidden: true, class: "no-print" }, h("button", { onclick: () => this.#load(this.next) }, "Show more")))));
    this.#load();
  }

  /** #load reads what is chosen; from another page on it is added to what is there. */
  async #load(from = "") {
    const today = isoDay(Date.now());
    const spanned = [this.#from && `from=${this.#from}`, this.#to && `to=${this.#to}`].filter(Boolean).join("&");
    const asked = from || "/api/due?" + (spanned || FILTERS.find(([v]) => v === this.#span)[2](today));
    this.asked = asked;
    for (const b of this.spans) attr(b, "aria-pressed", String(b.value === this.#span));
    try {
      const { list, next } = await page(asked);
      if (this.asked !== asked) return; // something else was chosen
      this.all = from ? [...this.all, ...list] : list;
      this.next = next;
      this.more.hidden = !next;
      this.#draw();
    } catch (e) {
      put(this.fault, e.message);
    }
  }

  #draw() {
    if (!this.all) return; // chosen before the list is there
    const today = isoDay(Date.now());
    const shown = this.all.filter((d) => this.open.checked || !d.contacted || this.#marked.has(d.exam + d.what));
    const others = this.all.filter((d) => d.contacted).length;
    put(this.others, `Also who was contacted${others ? ` (${others}${this.next ? " or more" : ""})` : ""}`);
    const overdue = this.all.filter((d) => d.day && d.day < today).length;
    put(this.head, overdue ? `Due: ${overdue}${this.next && overdue === this.all.length ? " or more" : ""} overdue` : "Due");
    put(this.list, shown.length
      ? h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Who is due" }, h("table", { class: "list due stack" },
        h("thead", {}, h("tr", {}, COLUMNS.map((t) => h("th", { scope: "col" }, t)))),
        h("tbody", {}, shown.map((d) => this.#row(d, today)))))
      : h("p", { class: "soft" }, others ? "Nobody who was not contacted. Days come from the plans of exams." : "Nobody, by what is chosen above. Days come from the plans of exams."));
  }

  #row(d, today) {
    const tell = h("button", { onclick: async () => {
      tell.disabled = true;
      try {
        await post(`/api/exams/${encodeURIComponent(d.exam)}/do`, { command: { acts: [{ verb: "remark", text: `Contacted about the ${d.what} of ${planDate(d.day)}.` }] }, id: newID() });
        this.#marked.add(d.exam + d.what);
        await this.#load();
      } catch (e) {
        put(this.fault, e.message);
        tell.disabled = false;
      }
    } }, "Mark as contacted");
    return named(COLUMNS, h("tr", { class: d.day && d.day < today ? "over" : null },
      h("th", { scope: "row" }, h("a", { href: `/patients/${encodeURIComponent(d.patient)}` }, d.name), d.number ? h("span", { class: "soft" }, ` ${d.number}`) : null, h("p", {}, d.phone ? h("a", { href: `tel:${d.phone.replace(/[^+\d]/g, "")}` }, d.phone) : h("span", { class: "soft" }, "no phone is kept"))),
      h("td", {}, d.day ? [planDate(d.day), h("p", {}, stateOf(d.day, today))] : h("a", { href: `/exams/${encodeURIComponent(d.exam)}/plan` }, "decide on a day")),
      h("td", {}, d.what ? `${d.what}${d.what === "recall" && d.months ? `, every ${d.months} months` : ""}` : `exam of ${day(d.began)}`, d.who ? h("span", { class: "soft" }, ` by ${d.who}`) : null),
      h("td", {}, h("div", { class: "row" }, d.day ? h("a", { href: `/api/exams/${encodeURIComponent(d.exam)}/export?as=letter&what=${d.what}`, download: "" }, "Letter (PDF)") : null, d.contacted ? `${day(d.contacted.time)}${d.contacted.who ? `, ${d.contacted.who}` : ""}` : d.day ? tell : "–"))));
  }
}

customElements.define("ls-due", Due);
