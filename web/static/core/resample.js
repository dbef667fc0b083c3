// Brings sound of any device rate to 16 kHz: a windowed-sinc low pass evaluated at the output's
// positions, continuous from block to block.
const HALF = 24; // zero crossings on each side

export class Resampler {
  constructor(from, to = 16000) {
    this.ratio = from / to;
    this.cut = Math.min(1, to / from) * 0.94; // leaves room for the filter's slope
    this.reach = Math.ceil(HALF / this.cut);
    this.past = new Float32Array(2 * this.reach); // input before the current block
    this.at = 0; // position of the next output, in input samples from the begin of past + block
    this.at = this.reach;
  }

  /** push takes a block and gives all output samples that can be computed now. */
  push(block) {
    if (this.ratio === 1) return block.slice();
    const x = new Float32Array(this.past.length + block.length);
    x.set(this.past);
    x.set(block, this.past.length);
    const out = [];
    while (this.at + this.reach < x.length) {
      const mid = Math.floor(this.at);
      const frac = this.at - mid;
      let sum = 0;
      for (let i = -this.reach + 1; i <= this.reach; i++) {
        const d = i - frac;
        const t = d * this.cut;
        const w = 0.5 + 0.5 * Math.cos((Math.PI * d) / (this.reach + 1));
        sum += x[mid + i] * (t === 0 ? 1 : Math.sin(Math.PI * t) / (Math.PI * t)) * w;
      }
      out.push(sum * this.cut);
      this.at += this.ratio;
    }
    const keep = Math.min(x.length, Math.max(2 * this.reach, x.length - Math.floor(this.at) + this.reach));
    this.past = x.slice(x.length - keep);
    this.at -= x.length - keep;
    return Float32Array.from(out);
  }
}
