// All that is kept of one patient, as a whole: handed out, corrected, erased.
import { h, put } from "../core/dom.js";
import { Seated } from "../core/part.js";
import { get, post } from "../core/server.js";
import { day } from "../core/view.js";
import { born, planDate } from "../core/dates.js";
import { may } from "./seat.js";
import { examForms, mergeForm } from "./correct.js";

const count = (n, one, more = one + "s") => `${n} ${n === 1 ? one : more}`;

class Record extends Seated {
  get #path() {
    return `/api/patients/${encodeURIComponent(this.recordID)}`;
  }

  async draw() {
    try {
      const [p, keeping] = await Promise.all([get(this.#path), get(this.#path + "/keeping")]);
      this.#show(p, keeping);
    } catch (e) {
      put(this, h("div", { class: "desk" }, h("div", { class: "note", role: "alert" }, e.message)));
    }
  }

  #show(p, keeping) {
    document.title = `Record of ${p.name} – Leadsman`;
    const page = `/patients/${encodeURIComponent(p.id)}`;
    put(this, h("div", { class: "desk record" },
      h("div", { class: "title" }, h("h1", {}, `The record of ${p.name}`), h("p", { class: "soft" }, [p.born && `born ${born(p.born)}`, p.number && `file ${p.number}`].filter(Boolean).map((t) => t + ", "), h("a", { href: page }, "back to the patient"))),
      p.merged ? h("p", { class: "note" }, "This record was merged with another one of the same person: ", h("a", { href: `/patients/${encodeURIComponent(p.merged)}/record` }, "open that one"), ".") : null,
      may("export") ? h("section", {}, h("h2", {}, "Give a copy"), h("p", {}, "One ZIP file with all that is kept: the record; of every exam the chart, the findings, the decisions, the log and the sound; and who changed or looked at them. It is not encrypted: hand it over or delete it."),
        h("p", {}, h("a", { class: "button main", id: "dossier", href: `${this.#path}/dossier.zip`, download: "" }, "Export all"))) : null,
      may("audit") ? h("section", {}, h("h2", {}, "Who looked and changed"), h("p", {}, h("a", { class: "button", href: page + "/journal" }, "Journal of this patient"))) : null,
      h("section", {}, h("h2", {}, "Exams"), may("correct") && p.visits.length ? h("p", { class: "soft" }, "Unfold one to look at it, to give it to another patient, or to make it void.") : null, p.visits.length ? h("ul", { class: "plain" }, p.visits.map((v) => this.#exam(p, v))) : h("p", { class: "soft" }, "None.")),
      may("correct") && !p.merged ? h("section", {}, h("h2", {}, "Two records of one person"), h("details", {}, h("summary", {}, "Another record of the same person: make the two one"), h("p", { class: "soft" }, "The exams move there; this record stays readable and leads there."),
        mergeForm(this.app, p.id, (kept) => this.app.go(`/patients/${encodeURIComponent(kept)}/record`)))) : null,
      may("erase") && !p.merged ? this.#erase(p, keeping) : null));
  }

  #exam(p, v) {
    const state = v.void ? "void" : v.signed_by ? `signed by ${v.signed_by}${v.waits ? ", waits for a supervisor" : ""}` : "not signed";
    const name = [h("b", {}, day(v.began)), ` ${v.kind}, ${v.recorded} of ${v.sites} sites, ${state} `];
    const open = h("a", { href: `/exams/${encodeURIComponent(v.id)}/review` }, "Open");
    if (!may("correct")) return h("li", { data: { exam: v.id } }, name, open);
    return h("li", { data: { exam: v.id } }, h("details", {}, h("summary", {}, name), h("p", {}, open), examForms(this.app, { exam: v.id, patient: p.id, isVoid: v.void }, () => this.draw())));
  }

  #erase(p, keeping) {
    const fault = h("p", { class: "fault", role: "alert" });
    const reason = h("input", { id: "erasereason", required: true, maxlength: "500", autocomplete: "off" });
    const name = h("input", { id: "erasename", required: true, maxlength: "200", autocomplete: "off", oninput: () => name.setCustomValidity("") });
    const despite = h("input", { type: "checkbox", id: "erasedespite" });
    const copies = h("input", { type: "checkbox", id: "erasecopies" });
    const rule = `${keeping.years ? `Records are kept for ${count(keeping.years, "year")} after the last signed exam (Settings; local law decides)` : "No time is set for which records are kept (Settings; local law decides)"}${keeping.until ? `: this one until ${planDate(keeping.until)}.` : ". This one need not be kept."}`;
    return h("section", {}, h("h2", {}, "Erase"), h("details", {}, h("summary", {}, "Erase this record for good"),
      h("p", {}, "The record, all exams, the sound and the details of the journal are erased for good. What stays are entries that name nobody, and one that says who erased, when and why. Backups made before and exported files are not touched."),
      h("p", { class: keeping.until ? "note" : "note calm", id: "keeping" }, rule),
      h("form", { onsubmit: async (e) => {
        e.preventDefault();
        put(fault, "");
        if (name.value.trim() !== p.name) {
          name.setCustomValidity(`Type ${p.name}, as it is written above.`);
          name.reportValidity();
          return;
        }
        try {
          const got = await this.app.proven(() => post(this.#path + "/erase", { reason: reason.value.trim(), despite_retention: despite.checked, copies: copies.checked }));
          put(this, h("div", { class: "desk" }, h("h1", {}, "Erased"), h("p", { role: "status" }, `${count(got.exams, "exam")}, ${count(got.events, "entry", "entries")} and ${count(got.clips, "sound clip")} are erased. Backups made before still hold them.`),
            got.copies?.length ? h("div", { class: "note" }, h("p", {}, "These files beside the data still hold data of former times: remove them when they are no longer needed."), h("ul", { class: "dots" }, got.copies.map((c) => h("li", {}, c)))) : null,
            h("p", {}, h("a", { class: "button main", href: "/" }, "To the patients"))));
          document.title = "Erased – Leadsman";
        } catch (err) {
          put(fault, err.message);
        }
      } }, h("div", { class: "fields" }, h("div", { class: "field wide" }, h("label", { for: "erasereason" }, "Reason; it stays in the journal, so name nobody"), reason),
        h("div", { class: "field" }, h("label", { for: "erasename" }, "The patient's name, to be sure"), name)),
      keeping.until ? h("label", { class: "check", for: "erasedespite" }, despite, `Erase although it is to be kept until ${planDate(keeping.until)}; the journal says so`) : null,
      h("label", { class: "check", for: "erasecopies" }, copies, "Remove the copies beside the data too, which are from before an update or a restore"),
      fault, h("p", {}, h("button", {}, "Erase for good")))));
  }
}

customElements.define("ls-record", Record);
