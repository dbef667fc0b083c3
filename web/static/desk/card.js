// The call card: what can be said, on one page for the wall.
import { h, put } from "../core/dom.js";
import { Part } from "../core/part.js";

/** CALLS are the calls of the card, by what they are for.
 *  @type {[name: string, calls: string[][]][]} */
export const CALLS = [
  ["Depths", [["three two four", "the next three sites"], ["ten … fifteen", "two-digit depths"], ["all threes", "every site of this aspect"], ["mesial five", "one named site"]]],
  ["Findings at a site", [["bleeding, bleeding mesial, bleeding all", "likewise pus, plaque, calculus"], ["no bleeding", "asked, and there was none"], ["recession two, recession one two one", "margin below the CEJ"], ["margin minus one", "above the CEJ"]]],
  ["Findings of a tooth", [["mobility one", "0 to 3"], ["furcation two buccal", "at an entrance that the tooth has"], ["missing, implant, unerupted, present", "this tooth"], ["missing one sixteen", "a list of teeth"]]],
  ["Going about", [["tooth fourteen", "go there"], ["buccal, lingual", "the other aspect"], ["next, back, skip", "on, a tooth back, leave a site open"], ["where", "the place, aloud"]]],
  ["Putting right", [["correction four", "the last number"], ["correction three two five", "the place called last"], ["disregard", "takes back the last call"], ["say again", "reads it back"], ["affirm, negative", "answers a question"]]],
  ["The exam", [["stand by, go ahead", "stop listening, listen again"], ["remark …", "kept as sound beside the place"], ["exam complete", "to what is still open"]]],
];

class Card extends Part {
  connectedCallback() {
    const universal = this.app.settings.numbering !== "fdi";
    put(this, h("div", { class: "desk card-page" },
      h("div", { class: "row tools" }, h("button", { class: "main", onclick: () => print() }, "Print"), h("a", { class: "button", href: "/practise" }, "Practise")),
      h("article", { class: "sheet" }, h("header", {}, h("h1", {}, "What can be called"), h("p", {}, universal ? "Teeth are 1 to 32 (Universal)." : "Teeth are 11 to 48 (FDI), as digits or as a number.")),
        h("div", { class: "groups" }, CALLS.map(([name, list]) => h("section", {}, h("h2", {}, name), h("dl", {}, list.map(([call, means]) => h("div", {}, h("dt", {}, call), h("dd", {}, means))))))),
        h("footer", {}, h("p", {}, "One tone: written. Two rising: doubtful, it will be asked. Two low: refused. One falling: not understood, nothing changed.")))));
  }
}

customElements.define("ls-card", Card);
