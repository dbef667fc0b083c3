// How an answer sounds: tones made here, and the browser's voice for what is to be spoken.

// Each tone is a list of [from Hz, to Hz, begin ms, length ms, share of the loudness]; none lasts longer than 200 ms, and
// they differ in direction, number and height, not in loudness alone. The choice is ours, not measured.
// A piece of a place (part) is softer than the full place (accepted); a place that stayed incomplete (short) is the only one
// that steps down.
export const TONES = {
  accepted: [[880, 880, 0, 70]],
  part: [[587, 587, 0, 40, 0.4]],
  short: [[740, 740, 0, 60], [494, 494, 85, 105]],
  doubt: [[620, 620, 0, 60], [830, 990, 80, 110]],
  refused: [[233, 233, 0, 70], [233, 233, 110, 80]],
  misfit: [[400, 262, 0, 170]],
  place: [[660, 660, 0, 50], [660, 660, 80, 50]],
  arch: [[523, 523, 0, 50], [659, 659, 65, 50], [784, 784, 130, 65]],
  listening: [[392, 784, 0, 130]],
  standby: [[784, 330, 0, 180]],
  trouble: [[180, 180, 0, 40], [180, 180, 60, 40], [180, 180, 120, 60]],
};

/** TONE_NAMES say what each tone means. */
export const TONE_NAMES = { accepted: "written", part: "a piece of a place", short: "the place stayed short", doubt: "in doubt", refused: "cannot be done", misfit: "not understood",
  place: "the place changed", arch: "the end of a row", listening: "listening", standby: "standing by", trouble: "sound is in trouble" };

export const MODES = [
  ["tone", "A tone for every call"],
  ["numbers", "The numbers are read back"],
  ["doubts", "Only doubts are asked"],
  ["silent", "No sound"],
];

/** MARKED are tones that sound before the numbers too: a doubt, a place that stayed short, the end of a row. */
const MARKED = ["doubt", "short", "arch"];

/** plan says what sounds for an answer in a mode: {tone, speak}, the tone first. Words of the place come last. */
export function plan(mode, a) {
  if (mode === "silent") return { tone: "", speak: "" };
  const and = (speak) => [speak, a.where].filter(Boolean).join(". ");
  if (mode === "doubts") return { tone: ["accepted", "part"].includes(a.tone) ? "" : a.tone, speak: and(a.must ? a.speak : "") };
  if (mode === "numbers") return { tone: MARKED.includes(a.tone) || !a.speak ? a.tone : "", speak: and(a.speak) };
  return { tone: a.tone, speak: and(a.must ? a.speak : "") };
}

/** lasts is the length of a tone in ms. */
export const lasts = (name) => Math.max(0, ...(TONES[name] || []).map(([, , at, ms]) => at + ms));

const GAP = 60; // ms between a tone and what is said after it

export class Answers {
  #ctx = null;
  #told;
  #said = null; // what is being said: {text, stop, since}
  #service;

  /** told.begin(text, at) and told.end(begin, end) are called when the own voice sounds, in ms of
   *  performance.now(); service says that the service has a voice for browsers that have none. */
  constructor(told = {}, service = false) {
    this.#told = told;
    this.#service = service;
    globalThis.speechSynthesis?.getVoices(); // browsers load their voices when asked first
  }

  get speaking() {
    return !!this.#said;
  }

  /** wake must be called from a click or key: browsers keep pages silent before. */
  wake() {
    this.#ctx ??= new AudioContext();
    if (this.#ctx.state === "suspended") this.#ctx.resume().catch(() => {});
  }

  tone(name, volume = 0.5) {
    const notes = TONES[name];
    if (!notes || !volume) return;
    this.wake();
    const t0 = this.#ctx.currentTime + 0.005;
    for (const [from, to, at, ms, share = 1] of notes) {
      const osc = this.#ctx.createOscillator();
      const gain = this.#ctx.createGain();
      const [a, b] = [t0 + at / 1000, t0 + (at + ms) / 1000];
      osc.type = "triangle";
      osc.frequency.setValueAtTime(from, a);
      osc.frequency.linearRampToValueAtTime(to, b);
      gain.gain.setValueAtTime(0, a);
      gain.gain.linearRampToValueAtTime(0.35 * volume * share, a + 0.008);
      gain.gain.setValueAtTime(0.35 * volume * share, b - 0.012);
      gain.gain.linearRampToValueAtTime(0, b);
      osc.connect(gain).connect(this.#ctx.destination);
      osc.start(a);
      osc.stop(b);
    }
  }

  /** say speaks, after some ms: digits slowly, with gaps; it gives true if there is a voice to do it. instead is
   *  called if that voice fails. */
  say(text, { slow = false, volume = 0.8, after = 0, instead = () => {} } = {}) {
    if (!text) return false;
    this.hush();
    const synth = globalThis.speechSynthesis;
    // A voice of this machine: spoken findings must not travel to a service of the browser's maker.
    const voice = synth?.getVoices().find((v) => v.lang.startsWith("en") && v.localService);
    if (!voice && !this.#service) return false;
    const said = { text, since: 0, stop: null };
    this.#said = said;
    const begin = () => {
      if (this.#said !== said || said.since) return;
      said.since = performance.now();
      this.#told.begin?.(text, said.since);
    };
    const end = () => this.#end(said);
    if (after) {
      const timer = setTimeout(() => this.#said === said && this.#speak(said, voice, { slow, volume, instead, begin, end }), after);
      said.stop = () => clearTimeout(timer);
    } else this.#speak(said, voice, { slow, volume, instead, begin, end });
    return true;
  }

  #speak(said, voice, { slow, volume, instead, begin, end }) {
    const { text } = said;
    if (voice) {
      const synth = globalThis.speechSynthesis;
      const u = new SpeechSynthesisUtterance(text);
      Object.assign(u, { voice, lang: voice.lang, rate: slow ? 0.8 : 0.95, volume, onstart: begin, onend: end, onerror: end });
      said.stop = () => synth.cancel();
      synth.speak(u);
      return;
    }
    const sound = new Audio(`/api/say?text=${encodeURIComponent(text)}${slow ? "&slow=1" : ""}`);
    sound.volume = volume;
    sound.onplaying = begin;
    sound.onended = end;
    const fail = () => {
      if (this.#said === said) instead();
      end();
    };
    sound.onerror = fail;
    said.stop = () => sound.pause();
    sound.play().catch((e) => e.name !== "AbortError" && fail());
  }

  #end(said) {
    if (this.#said !== said) return;
    this.#said = null;
    if (said.since) this.#told.end?.(said.since, performance.now());
    said.then?.();
  }

  /** hush stops speaking: a real call goes first. */
  hush() {
    const said = this.#said;
    if (!said) return;
    said.then = null;
    this.#end(said);
    said.stop?.();
  }

  /** answer plays what the mode asks for. */
  answer(a, mode, volume) {
    this.hush();
    const p = plan(mode, a);
    // Without a voice a tone stands for what would be said; the words of a place alone are no reason for one.
    const tone = () => !p.tone && p.speak !== a.where && this.tone(a.tone, volume);
    if (p.tone) this.tone(p.tone, volume);
    const after = p.tone && (p.speak === a.where || p.tone === "short" || p.tone === "arch") ? lasts(p.tone) + GAP : 0;
    if (p.speak && !this.say(p.speak, { slow: a.tone === "doubt", volume, after, instead: tone })) tone();
  }

  /** ask says a question, in every mode but silence and after what is being said; without a voice a
   *  tone calls the eyes. */
  ask(q, mode, volume) {
    if (mode === "silent") return;
    if (this.#said) {
      this.#said.then = () => this.ask(q, mode, volume);
      return;
    }
    const tone = () => this.tone("doubt", volume);
    if (!this.say(q.speak, { slow: true, volume, instead: tone })) tone();
  }
}
