// The microphone: opens it without any processing of the browser, follows it when it is unplugged
// or muted, and says in plain words what is wrong and what to do.

/** remedy explains why a microphone could not be opened. */
export function remedy(err, secure = isSecureContext, has = !!globalThis.navigator?.mediaDevices?.getUserMedia) {
  if (!secure)
    return "Browsers give a microphone only to pages of this machine or with https. Open this page as http://localhost on the machine that runs Leadsman, or start Leadsman with a certificate (leadsman serve --help).";
  if (!has) return "This browser has no microphone support. Use a current Chrome, Edge, Firefox or Safari.";
  switch (err?.name) {
    case "NotAllowedError":
    case "SecurityError":
      return "The microphone was refused. Allow it for this address (the sign beside the address bar, or the system's privacy settings), then switch it on again.";
    case "NotFoundError":
    case "OverconstrainedError":
      return "No microphone was found. Plug one in, or choose another one in Settings.";
    case "NotReadableError":
    case "AbortError":
      return "The microphone does not start: another program may be using it. Close that program or choose another microphone in Settings.";
    case "NotStarted":
      return "The browser does not start its sound. Firefox needs a loudspeaker or headphones for that: connect one, then switch the microphone on again.";
  }
  return `The microphone does not work: ${err?.message || err}.`;
}

const START_MS = 4000; // a browser that cannot start its sound says nothing at all

const db = (x) => (x > 0 ? Math.max(-96, 20 * Math.log10(x)) : -96);

export class Microphone extends EventTarget {
  on = false;
  trouble = ""; // what is wrong and what to do; "" if nothing
  level = -96; // dB below full scale, of the last frame
  noise = -60; // level of the pauses
  clipped = 0; // share of samples at full scale, fading
  #stream = null;
  #ctx = null;
  #node = null;
  #device = "";
  #wanted = false;
  #onFrame;
  #silentFor = 0;

  /** onFrame gets every frame: {pcm: Int16Array of 16 kHz, rms, clipped}. */
  constructor(onFrame) {
    super();
    this.#onFrame = onFrame;
  }

  #tell(trouble = this.trouble) {
    this.trouble = trouble;
    this.dispatchEvent(new Event("state"));
  }

  /** play sounds a recording, a file's bytes, through the loudspeaker and has it heard as if it came from a microphone; it ends
   *  with the event "played". */
  async play(sound) {
    this.#wanted = false;
    this.#shut();
    try {
      const ctx = new AudioContext();
      const said = await ctx.decodeAudioData(sound);
      // A pause behind the last word, so that it is heard out.
      const buffer = ctx.createBuffer(1, said.length + 3 * said.sampleRate, said.sampleRate);
      buffer.copyToChannel(said.getChannelData(0), 0);
      const source = ctx.createBufferSource();
      source.buffer = buffer;
      source.onended = () => this.dispatchEvent(new Event("played"));
      await this.#connect(ctx, source);
      source.connect(ctx.destination);
      source.start();
      this.on = true;
      this.#tell("");
      return true;
    } catch (err) {
      this.#shut();
      this.#tell(remedy(err));
      return false;
    }
  }

  async start(device = "") {
    this.#device = device;
    this.#wanted = true;
    if (!isSecureContext || !navigator.mediaDevices?.getUserMedia) {
      this.#wanted = false;
      this.#tell(remedy(null));
      return false;
    }
    try {
      await this.#open();
      navigator.mediaDevices.addEventListener("devicechange", this.#again);
      return true;
    } catch (err) {
      this.#wanted = false;
      this.#shut();
      this.#tell(remedy(err));
      return false;
    }
  }

  async #open() {
    this.#shut();
    const audio = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
    if (this.#device) audio.deviceId = { exact: this.#device };
    this.#stream = await navigator.mediaDevices.getUserMedia({ audio });
    const [track] = this.#stream.getAudioTracks();
    track.addEventListener("ended", () => {
      if (this.#stream?.getAudioTracks()[0] !== track) return;
      this.#shut();
      this.#tell("The microphone was unplugged. Plug it in again: listening goes on by itself.");
    });
    track.addEventListener("mute", () => this.#tell("The microphone is muted by the system or its own switch. Unmute it there."));
    track.addEventListener("unmute", () => this.#tell(""));
    try {
      await this.#connect(new AudioContext({ sampleRate: 16000 }));
    } catch (err) {
      if (err.name === "NotStarted") throw err;
      // Some browsers refuse to join a device with a context of another rate: take the device's
      // rate, the worklet resamples.
      await this.#connect(new AudioContext());
    }
    this.on = true;
    this.#tell("");
  }

  async #connect(ctx, played) {
    try {
      await ctx.audioWorklet.addModule(new URL("./worklet.js", import.meta.url));
      const source = played || ctx.createMediaStreamSource(this.#stream);
      const node = new AudioWorkletNode(ctx, "ls-ear", { numberOfInputs: 1, numberOfOutputs: 0, channelCount: 1, channelCountMode: "explicit" });
      node.port.onmessage = (e) => this.#frame(e.data);
      source.connect(node);
      if (ctx.state !== "running") {
        let timer = 0;
        await Promise.race([ctx.resume(), new Promise((_, no) => (timer = setTimeout(no, START_MS, new DOMException("", "NotStarted"))))]);
        clearTimeout(timer);
      }
      this.#ctx = ctx;
      this.#node = node;
    } catch (err) {
      await ctx.close();
      throw err;
    }
    // Sleep and wake, or another program taking the device, suspend a context.
    ctx.onstatechange = () => {
      if (this.#ctx !== ctx || ctx.state === "closed") return;
      if (ctx.state !== "running") {
        this.#tell("Sound is suspended by the browser: click anywhere on the page to go on.");
        ctx.resume().catch(() => {});
      } else this.#tell("");
    };
  }

  /** resume wakes a suspended context; browsers allow it after a click or key. */
  resume() {
    if (this.#ctx && this.#ctx.state !== "running") this.#ctx.resume().catch(() => {});
  }

  #again = () => {
    if (this.#wanted && !this.on) this.#open().catch((err) => this.#tell(remedy(err)));
  };

  #frame(f) {
    this.level = db(f.rms);
    // Noise: falls quickly to quiet frames, creeps up slowly through loud ones.
    this.noise += this.level < this.noise ? 0.2 * (this.level - this.noise) : 0.004 * (this.level - this.noise);
    this.clipped = Math.max(f.clipped, this.clipped * 0.97);
    this.#silentFor = f.rms === 0 ? this.#silentFor + 1 : 0;
    if (this.#silentFor === 150) this.#tell("Nothing at all comes from the microphone: its own switch may be off, or another one may be meant (Settings).");
    else if (f.rms > 0 && this.trouble.startsWith("Nothing at all")) this.#tell("");
    this.#onFrame(f);
  }

  #shut() {
    this.on = false;
    this.#node?.port.postMessage("stop");
    this.#node = null;
    const ctx = this.#ctx;
    this.#ctx = null;
    ctx?.close().catch(() => {});
    const s = this.#stream;
    this.#stream = null;
    for (const t of s?.getTracks() || []) t.stop();
  }

  stop() {
    this.#wanted = false;
    navigator.mediaDevices?.removeEventListener("devicechange", this.#again);
    this.#shut();
    this.level = -96;
    this.clipped = 0;
    this.#tell("");
  }
}

/** devices lists the microphones; their names are known only after one was allowed. */
export async function devices() {
  const all = (await navigator.mediaDevices?.enumerateDevices?.()) || [];
  return all.filter((d) => d.kind === "audioinput").map((d, i) => ({ id: d.deviceId, name: d.label || `Microphone ${i + 1}` }));
}

/** advice judges a level: too loud, too noisy, or "". */
export function advice({ clipped, noise, level }) {
  if (clipped > 0.01) return "Too loud: the sound is cut off at its peaks. Move the microphone away or lower its gain.";
  if (noise > -30) return "Very noisy: move the microphone to the mouth, or the suction away from it.";
  if (noise > -42 && level - noise < 12) return "Noisy room: speech hardly stands out. Move the microphone closer.";
  return "";
}
