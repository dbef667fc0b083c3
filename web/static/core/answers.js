// How an answer sounds: tones made here, and the browser's voice for what is to be spoken.

// Each tone is a list of [from Hz, to Hz, begin ms, length ms]; none lasts longer than 200 ms, and
// they differ in direction, number and height, not in loudness. The choice is ours, not measured.
export const TONES = {
  accepted: [[880, 880, 0, 70]],
  doubt: [[620, 620, 0, 60], [830, 990, 80, 110]],
  refused: [[233, 233, 0, 70], [233, 233, 110, 80]],
  misfit: [[400, 262, 0, 170]],
  place: [[660, 660, 0, 50], [660, 660, 80, 50]],
  arch: [[523, 523, 0, 50], [659, 659, 65, 50], [784, 784, 130, 65]],
  listening: [[392, 784, 0, 130]],
  standby: [[784, 330, 0, 180]],
  trouble: [[180, 180, 0, 40], [180, 180, 60, 40], [180, 180, 120, 60]],
};

export const MODES = [
  ["tone", "A tone for every call"],
  ["numbers", "The numbers are read back"],
  ["doubts", "Only doubts are asked"],
  ["silent", "No sound"],
];

/** plan says what sounds for an answer in a mode: {tone, speak}. */
export function plan(mode, a) {
  if (mode === "silent") return { tone: "", speak: "" };
  const doubtful = a.tone === "doubt";
  if (mode === "doubts") return { tone: a.tone === "accepted" ? "" : a.tone, speak: a.must ? a.speak : "" };
  if (mode === "numbers") return { tone: doubtful || !a.speak ? a.tone : "", speak: a.speak };
  return { tone: a.tone, speak: a.must ? a.speak : "" };
}

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
    for (const [from, to, at, ms] of notes) {
      const osc = this.#ctx.createOscillator();
      const gain = this.#ctx.createGain();
      const [a, b] = [t0 + at / 1000, t0 + (at + ms) / 1000];
      osc.type = "triangle";
      osc.frequency.setValueAtTime(from, a);
      osc.frequency.linearRampToValueAtTime(to, b);
      gain.gain.setValueAtTime(0, a);
      gain.gain.linearRampToValueAtTime(0.35 * volume, a + 0.008);
      gain.gain.setValueAtTime(0.35 * volume, b - 0.012);
      gain.gain.linearRampToValueAtTime(0, b);
      osc.connect(gain).connect(this.#ctx.destination);
      osc.start(a);
      osc.stop(b);
    }
  }

  /** say speaks: digits slowly, with gaps; it gives true if there is a voice to do it. instead is
   *  called if that voice fails. */
  say(text, { slow = false, volume = 0.8, instead = () => {} } = {}) {
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
    if (voice) {
      const u = new SpeechSynthesisUtterance(text);
      Object.assign(u, { voice, lang: voice.lang, rate: slow ? 0.8 : 0.95, volume, onstart: begin, onend: end, onerror: end });
      said.stop = () => synth.cancel();
      synth.speak(u);
      return true;
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
    return true;
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
    const tone = () => this.tone(a.tone, volume);
    const said = p.speak && this.say(p.speak, { slow: a.tone === "doubt", volume, instead: tone });
    if (p.tone) this.tone(p.tone, volume);
    else if (p.speak && !said) tone();
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
