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
  #onSpoke;
  speaking = false;

  /** onSpoke(begin, end) is told when the own voice or a tone sounded, in ms of performance.now(). */
  constructor(onSpoke = () => {}) {
    this.#onSpoke = onSpoke;
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

  /** say speaks: digits slowly, with gaps; it gives true if there is a voice to do it. */
  say(text, { slow = false, volume = 0.8 } = {}) {
    const synth = globalThis.speechSynthesis;
    if (!text || !synth || !synth.getVoices().length) return false;
    synth.cancel();
    const u = new SpeechSynthesisUtterance(text);
    const voices = synth.getVoices().filter((v) => v.lang.startsWith("en"));
    // A voice of this machine: spoken findings must not travel to a service of the browser's maker.
    u.voice = voices.find((v) => v.localService) || null;
    if (!u.voice) return false;
    u.lang = u.voice.lang;
    u.rate = slow ? 0.8 : 0.95;
    u.volume = volume;
    let begin = performance.now();
    u.onstart = () => {
      begin = performance.now();
      this.speaking = true;
    };
    u.onend = u.onerror = () => {
      if (this.speaking) this.#onSpoke(begin, performance.now());
      this.speaking = false;
    };
    synth.speak(u);
    return true;
  }

  /** hush stops speaking: a real call goes first. */
  hush() {
    if (this.speaking) globalThis.speechSynthesis.cancel();
  }

  /** answer plays what the mode asks for. */
  answer(a, mode, volume) {
    const p = plan(mode, a);
    const said = p.speak && this.say(p.speak, { slow: a.tone === "doubt", volume });
    const tone = p.tone || (p.speak && !said ? a.tone : "");
    if (tone) this.tone(tone, volume);
  }
}
