// The sound of spoken calls: which ones are kept, and buttons that play them. One sounds at a time.
import { h, put, attr } from "./dom.js";
import { get } from "./server.js";

const sound = new Audio();
let button = null;

function quiet() {
  sound.pause();
  if (button) show(button, false);
  button = null;
}
const show = (b, on) => {
  put(b, on ? "Stop" : "Play");
  attr(b, "data-playing", on);
};
sound.addEventListener("ended", quiet);

export class Clips {
  calls = new Set();
  note = "";
  #base;

  constructor(exam) {
    this.#base = `/api/exams/${encodeURIComponent(exam)}/clips`;
  }

  /** load asks which calls have their sound; it gives true if that changed. */
  async load() {
    const l = await get(this.#base);
    const changed = l.calls.length !== this.calls.size || l.calls.some((c) => !this.calls.has(c)) || this.note !== (l.note || "");
    this.calls = new Set(l.calls);
    this.note = l.note || "";
    return changed;
  }

  /** button plays the sound of a call, what names it for people who cannot see the row; null if no
   *  sound is kept. */
  button(call, what) {
    if (!this.calls.has(call)) return null;
    const b = h("button", { type: "button", class: "play", "aria-label": `Play what was said: ${what}`, onclick: async () => {
      const stop = button === b;
      quiet();
      if (stop) return;
      button = b;
      show(b, true);
      sound.src = `${this.#base}/${call}`;
      try {
        await sound.play();
      } catch (e) {
        if (e.name === "AbortError") return; // another one was chosen
        quiet();
        put(b, "No sound");
        attr(b, "title", "The sound could not be played: it may be deleted, or the service does not answer.");
      }
    } }, "Play");
    return b;
  }
}
addEventListener("pagehide", quiet);
addEventListener("popstate", quiet);
