// The last minute and a half of sound, by position in the stream, to be sent again if the
// connection breaks. It keeps 16-bit samples: 90 s are under 3 MB.
export class Ring {
  #buf;
  #head = 0;

  constructor(capacity = 90 * 16000) {
    this.#buf = new Int16Array(capacity);
  }
  /** head is the position after the last sample, tail that of the oldest one kept. */
  get head() {
    return this.#head;
  }
  get tail() {
    return Math.max(0, this.#head - this.#buf.length);
  }

  /** clear forgets all; positions count from 0 again. */
  clear() {
    this.#head = 0;
  }

  push(pcm) {
    const n = this.#buf.length;
    if (pcm.length > n) {
      this.#head += pcm.length - n;
      pcm = pcm.subarray(pcm.length - n);
    }
    const at = this.#head % n;
    const first = Math.min(pcm.length, n - at);
    this.#buf.set(pcm.subarray(0, first), at);
    this.#buf.set(pcm.subarray(first), 0);
    this.#head += pcm.length;
  }

  /** slice copies the samples from one position to another, both within tail and head. */
  slice(from, to) {
    const n = this.#buf.length;
    const out = new Int16Array(to - from);
    const at = from % n;
    const first = Math.min(out.length, n - at);
    out.set(this.#buf.subarray(at, at + first), 0);
    out.set(this.#buf.subarray(0, out.length - first), first);
    return out;
  }
}

/** frame packs samples for the wire: position of the first (8 bytes, little endian), then PCM16. */
export function frame(first, pcm) {
  const b = new ArrayBuffer(8 + 2 * pcm.length);
  const v = new DataView(b);
  v.setBigUint64(0, BigInt(first), true);
  for (let i = 0; i < pcm.length; i++) v.setInt16(8 + 2 * i, pcm[i], true);
  return b;
}
