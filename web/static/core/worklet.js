// Runs in the audio thread: brings the microphone to 16 kHz mono and posts it in frames of 32 ms
// with their level.
import { Resampler } from "./resample.js";

const FRAME = 512;

class Ear extends AudioWorkletProcessor {
  constructor() {
    super();
    this.resampler = new Resampler(sampleRate);
    this.frame = new Int16Array(FRAME);
    this.n = 0;
    this.sum = 0;
    this.clipped = 0;
    this.port.onmessage = () => (this.done = true);
  }

  process(inputs) {
    if (this.done) return false;
    const mono = inputs[0][0];
    if (!mono) return true; // no device behind the node at the moment
    for (const s of this.resampler.push(mono)) {
      const v = Math.max(-32768, Math.min(32767, Math.round(s * 32768)));
      this.frame[this.n++] = v;
      this.sum += s * s;
      if (v >= 32700 || v <= -32700) this.clipped++;
      if (this.n === FRAME) {
        const pcm = this.frame.slice();
        this.port.postMessage({ pcm, rms: Math.sqrt(this.sum / FRAME), clipped: this.clipped / FRAME }, [pcm.buffer]);
        this.n = this.sum = this.clipped = 0;
      }
    }
    return true;
  }
}

registerProcessor("ls-ear", Ear);
