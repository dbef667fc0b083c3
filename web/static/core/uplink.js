// Sends the microphone to the service and keeps at it: the service says which sample it expects
// next, and after a broken connection, or when the service was started anew, sending goes on from there, out of the ring.
import { frame } from "./ring.js";
import { newID } from "./server.js";
import { lost, moveTo, sound } from "./nodes.js";

const CHUNK = 16000; // samples in one frame at most, when catching up
const AHEAD = 5 * 16000; // samples on their way without an answer, at most
const DEAF = 6000; // ms without an answer although sound was sent: connect anew
const ECHO = 16000; // samples for which our own voice may be heard after its end
const FULL = 4006; // as many microphones as the service can hear
const END = { 4001: "taken", 4002: "no-engine", 4003: "gone", 4005: "refused", [FULL]: "refused" };
const PROTOCOL = 2; // of docs/api.md

export class Uplink extends EventTarget {
  state = "closed"; // closed, connecting, open, broken, taken, no-engine, gone, refused
  trouble = ""; // what the service said last about it
  old = false; // the service is newer than this page
  lost = 0; // samples that were older than the ring when the connection came back
  acked = 0; // the service has all before this position
  owner = newID(); // names the stream of sound in which positions count
  #ws = null;
  #sent = 0;
  #ready = false;
  #taken = false; // the service has heard it: it does not end because there is no room just now
  #tries = 0;
  #timer = 0;
  #heard = 0;
  #marks = []; // when our own voice sounded: {from, to, text, begun, ended}, the last two once that was told

  /** path names no owner; socket makes a WebSocket for an address and is replaced in tests. */
  constructor(path, ring, { socket = (u) => new WebSocket(u), now = () => Date.now() } = {}) {
    super();
    this.path = path;
    this.ring = ring;
    this.socket = socket;
    this.now = now;
  }

  #set(state, trouble = "") {
    if (this.state === state && this.trouble === trouble) return;
    this.state = state;
    this.trouble = trouble;
    this.dispatchEvent(new Event("state"));
  }

  open(takeover = false) {
    clearTimeout(this.#timer);
    this.#drop();
    this.#set("connecting");
    const ws = this.socket(`${sound(this.path)}${this.path.includes("?") ? "&" : "?"}owner=${this.owner}&protocol=${PROTOCOL}&rate=16000${takeover ? "&takeover=1" : ""}`);
    ws.binaryType = "arraybuffer";
    this.#ws = ws;
    this.#ready = false;
    ws.onmessage = (e) => this.#ws === ws && this.#answer(JSON.parse(e.data));
    ws.onclose = (e) => this.#ws === ws && this.#closed(e.code);
  }

  #drop() {
    const ws = this.#ws;
    this.#ws = null;
    if (ws && ws.readyState <= 1) ws.close();
  }

  #closed(code) {
    this.#ws = null;
    this.#ready = false;
    if (END[code] && !(code === FULL && this.#taken)) {
      this.#set(END[code], this.trouble);
      return;
    }
    this.#set("broken", this.trouble);
    if (code === 1006 || code === 0) lost(); // nobody said why: the node may be gone
    const wait = Math.min(4000, 250 * 2 ** this.#tries++);
    this.#timer = setTimeout(() => this.open(), wait);
  }

  #answer(m) {
    this.#heard = this.now();
    if (m.error) {
      this.trouble = m.error.text;
      this.old = m.error.code === "old_page";
      if (m.error.code === "elsewhere") moveTo(m.node);
      if (m.error.code === "stopping") lost(fetch, true);
      this.dispatchEvent(new CustomEvent("fault", { detail: m.error }));
      if (m.error.code === "too_far") this.#anew();
      return;
    }
    if (m.next == null) return;
    if (!this.#ready) {
      // The first answer says where the service is: what it has need not be sent again. One that was started anew stands
      // where it had decided, which may lie before what it had answered.
      if (m.next > this.ring.head) {
        this.#anew();
        return;
      }
      this.#ready = this.#taken = true;
      this.#tries = 0;
      this.#sent = m.next;
      if (this.#sent < this.ring.tail) {
        this.lost += this.ring.tail - this.#sent;
        this.#sent = this.ring.tail;
      }
      this.acked = this.#sent;
      // Who hears this sound again has to know again what in it was our own voice.
      this.#marks = this.#marks.filter((k) => (k.to ?? Infinity) + ECHO > this.#sent);
      for (const k of this.#marks) k.begun = k.ended = false;
      this.#set("open");
    }
    this.acked = Math.max(this.acked, m.next);
    this.pump();
    if (m.news) this.dispatchEvent(new CustomEvent("news", { detail: m.news })); // may close this link: nothing comes after it
  }

  // #anew begins a stream of its own: the service knows more of this one than this page ever sent, or cannot follow it. What was
  // not answered is given up, for nobody knows what of it was heard.
  #anew() {
    this.#drop();
    this.#ready = false;
    this.lost += this.ring.head - Math.min(this.acked, this.ring.head);
    this.owner = newID();
    this.ring.clear();
    this.acked = this.#sent = 0;
    this.#marks = [];
    this.open();
  }

  /** behind is how many seconds of sound the service has not dealt with. */
  get behind() {
    return (this.ring.head - Math.max(this.acked, this.ring.tail)) / 16000;
  }

  /** pump sends what the ring has and the service lacks; call it after every push. */
  pump() {
    if (!this.#ready) return;
    if (this.#sent > this.acked && this.now() - this.#heard > DEAF) {
      this.#drop();
      this.#closed(0);
      return;
    }
    if (this.#sent < this.ring.tail) {
      this.lost += this.ring.tail - this.#sent;
      this.#sent = this.ring.tail;
    }
    while (this.#sent < this.ring.head && this.#sent - this.acked < AHEAD) {
      const to = Math.min(this.ring.head, this.#sent + CHUNK);
      if (this.#sent === this.acked) this.#heard = this.now(); // an answer is due from now on
      this.#tell();
      this.#ws.send(frame(this.#sent, this.ring.slice(this.#sent, to)));
      this.#sent = to;
    }
  }

  /** speaks tells that our own voice says a text from a position on, spoke that it did between two. */
  speaks(from, text) {
    this.#marks = this.#marks.filter((k) => k.to == null || k.to > this.ring.tail);
    this.#marks.push({ from, text: text.slice(0, 500), to: null, begun: false, ended: false });
    this.#tell();
  }
  spoke(from, to) {
    const k = this.#marks.findLast((k) => k.to == null);
    if (!k) return; // it began in a stream that was given up
    k.to = Math.max(k.from, to);
    this.#tell();
  }
  // #tell tells the marks that lie in what was sent or in the frame that comes next.
  #tell() {
    if (!this.#ready) return;
    for (const k of this.#marks) {
      if (k.from > this.#sent + CHUNK) break;
      if (!k.begun) this.#ws.send(JSON.stringify({ speaks: { from: k.from, text: k.text } }));
      k.begun = true;
      if (k.to == null || k.ended) continue;
      this.#ws.send(JSON.stringify({ spoke: [k.from, k.to] }));
      k.ended = true;
    }
  }

  /** close ends the stream for good: the microphone was switched off. */
  close() {
    clearTimeout(this.#timer);
    if (this.#ready) this.#ws.send(JSON.stringify({ end: true }));
    const ws = this.#ws;
    this.#ws = null;
    this.#ready = false;
    if (ws) setTimeout(() => ws.close(), 300);
    this.#set("closed");
  }
}
