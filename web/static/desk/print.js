// The chart on paper: whose, when, by whom; the profile, every value, totals and the legend, for A4 and Letter.
import { h, put } from "../core/dom.js";
import { Part } from "../core/part.js";
import { get } from "../core/server.js";
import { prefs, setPrefs } from "../core/prefs.js";
import { day, FLAGS, unprobed, walk, siteAt } from "../core/view.js";
import { born, planDate } from "../core/dates.js";
import { statement } from "./summary.js";
import { uncalled, unlooked } from "./close.js";
import { amendedList, when } from "../people/amended.js";
import "../sheet/sheet.js";
import "../profile/profile.js";

const FILES = [["pdf", "PDF"], ["json", "Chart file"], ["csv", "Table (CSV)"], ["fhir", "FHIR"]];

class Print extends Part {
  connectedCallback() {
    const { session } = this.app;
    this.session = session;
    this.profile = h("ls-profile");
    this.profile.whole = true;
    this.profile.words = this.app.settings.site_words;
    this.profile.exam = session.exam;
    this.sheet = h("ls-sheet");
    this.sheet.words = this.app.settings.site_words;
    session.settled(() => this.#load(), this.signal);
    this.#load();
  }
  async #load() {
    const exam = encodeURIComponent(this.session.exam);
    const found = await get(`/api/exams/${exam}/findings`).catch((e) => e);
    if (!this.isConnected) return;
    const { view } = this.session;
    const { visit, person, settings } = this.app;
    const list = found.findings?.findings || [];
    const find = (code) => list.find((f) => f.code === code);
    const probed = walk(view).filter((k) => siteAt(view, k).depth != null);
    const open = uncalled(view).filter((x) => !unlooked(view, x.name));
    const depths = probed.map((k) => siteAt(view, k).depth);
    const count = (f) => probed.filter((k) => siteAt(view, k)[f]).length;
    const share = (field) => (open.some((x) => x.field === field) ? "not known at every site" : `${((100 * count(field)) / Math.max(1, probed.filter((k) => siteAt(view, k)[field] != null).length)).toFixed(0)} %`);
    const totals = [["Sites probed", `${probed.length} of ${view.sites}`], ["Deepest", depths.length ? `${Math.max(...depths)} mm` : "–"], ["4 mm or more", String(depths.filter((d) => d >= 4).length)], ["6 mm or more", String(depths.filter((d) => d >= 6).length)],
      ["Bleeding", `${count("bleeding")} sites, ${share("bleeding")}`], ["Plaque", `${count("plaque")} sites, ${share("plaque")}`], ["Doubts open", String(view.doubts.length)]];
    const paper = prefs().paper || this.app.settings.paper || "a4";
    const size = h("select", { id: "paper", onchange: () => {
      setPrefs({ paper: size.value });
      this.dataset.paper = size.value;
    } }, [["a4", "A4"], ["letter", "Letter"]].map(([v, t]) => h("option", { value: v }, t)));
    size.value = paper;
    this.dataset.paper = paper;
    put(this, h("div", { class: "desk print" },
      h("div", { class: "row end tools" }, h("div", { class: "field" }, h("label", { for: "paper" }, "Paper"), size), h("button", { class: "main", onclick: () => print() }, "Print"),
        this.app.about.export ? FILES.map(([as, name]) => h("a", { class: "button", href: `/api/exams/${exam}/export?as=${as}`, download: "" }, name)) : null),
      h("article", { class: "sheet" },
        h("header", {}, h("p", { class: "practice" }, settings.practice || ""), h("h1", {}, "Periodontal chart"),
          h("dl", { class: "who" }, [["Patient", visit.patient_name], ["Born", person?.born ? born(person.born) : "–"], ["File", person?.number || "–"], [visit.kind === "exam" ? "Exam of" : "Re-evaluation of", day(visit.began)],
            ["Signed by", view.signed_by || "not signed"], ["Teeth", view.numbering === "fdi" ? "FDI 11–48" : "Universal 1–32"]].map(([k, v]) => h("div", {}, h("dt", {}, k), h("dd", {}, v))))),
        view.signed_by ? null : h("p", { class: "draft" }, h("b", {}, "Not signed: a draft.")),
        this.profile, this.sheet,
        h("dl", { class: "totals" }, totals.map(([k, v]) => h("div", {}, h("dt", {}, k), h("dd", {}, v)))),
        list.length ? h("p", {}, h("b", {}, "Proposed by published rules: "), statement(find), unprobed(view).length ? ` (${unprobed(view).length} sites have no depth)` : "", ".") : null,
        view.void ? h("p", {}, h("b", {}, "This exam is void: "), `${view.void.reason} (${view.void.who}, ${when(view.void.time)}).`) : null,
        view.amendments?.length ? h("div", { class: "small" }, h("b", {}, "Amended after signing; the value that was signed stands first. "), amendedList(view.amendments)) : null,
        h("p", { class: "small" }, h("b", {}, "Legend. "), "Large numerals: depth in mm; the bar beside one is as long as the site is deep. Above them: margin in mm from the CEJ, minus above it. ", FLAGS.map(([f, l], i) => [i ? ", " : "", h("b", {}, l), ` ${f}`]), ". A wave under a numeral: in doubt; two lines: amended after signing. · not recorded. m mobility, f furcation with its entrance."),
        h("div", { class: "signature" }, h("span", {}, "Signature"), h("span", {}, "Date")),
        h("footer", { class: "small" }, "Decision support for licensed clinicians; it does not diagnose by itself, and defers to local codes and to the clinician's judgement."))));
    this.profile.show(null, { stamp: view.seq });
    this.sheet.show(view);
  }
}

customElements.define("ls-print", Print);
