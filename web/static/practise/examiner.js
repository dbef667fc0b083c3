// Whose voice the microphone hears: chosen among the examiners, remembered in this browser.
import { h, put } from "../core/dom.js";
import { get } from "../core/server.js";
import { prefs, setPrefs } from "../core/prefs.js";
import { seat, choose } from "../people/seat.js";

/** ls-examiner is a choice of examiners. It tells "pick" when another one is chosen; hidden while there are none, and short, unless always is set. */
class ExaminerBox extends HTMLElement {
  always = false;
  list = [];

  connectedCallback() {
    this.box = h("select", { id: "examiner", onchange: () => this.pick(this.box.value) });
    put(this, h("label", { for: "examiner" }, this.always ? "Voice of" : "Voice"), this.box);
    this.hidden = !this.always;
    this.load().catch(() => {}); // without an answer everybody's voice is heard alike, as without examiners
  }

  async pick(id) {
    setPrefs({ examiner: id });
    // Where everybody may say who he is, whose voice it is sits here; else the voice is that of who signed in.
    if (seat().open && id !== seat().person?.id && seat().people.some((p) => p.id === id)) await choose(id).catch(() => {});
    this.dispatchEvent(new Event("pick"));
  }

  /** load asks who there is. */
  async load() {
    this.list = (await get("/api/examiners")).filter((e) => !e.retired && (seat().open || e.id === seat().person?.id));
    put(this.box, h("option", { value: "" }, "anybody"), this.list.map((e) => h("option", { value: e.id }, e.voice && this.always ? `${e.name} (voice profile)` : e.name)));
    if (!this.list.some((e) => e.id === prefs().examiner)) setPrefs({ examiner: "" });
    this.box.value = prefs().examiner;
    this.hidden = !this.always && (!this.list.length || !seat().open);
    return this.list;
  }

  /** chosen is the examiner, or null. */
  get chosen() {
    return this.list.find((e) => e.id === prefs().examiner) || null;
  }
}

customElements.define("ls-examiner", ExaminerBox);
