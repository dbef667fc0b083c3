// Sends the microphone to the service and keeps at it: the service says which sample it expects
// next, and after a broken connection sending goes on from there, out of the ring.
import { frame } from "./ring.js";

const CHUNK = 16000; // samples in one frame at most, when catching up
const AHEAD = 5 * 16000; // samples on their way without an answer, at most
const DEAF = 6000; // ms without an answer although sound was sent: connect anew
const END = { 4001: "taken", 4002: "no-engine", 4003: "gone" };

export class Uplink extends EventTarget {
  state = "closed"; // closed, connecting, open, broken, taken, no-engine, gone
  trouble = ""; // what the service said last about it
  lost = 0; // samples that were older than the ring when the connection came back
  acked = 0; // the service has all before this position
  #ws = null;
  #sent = 0;
  #ready = false;
  #tries = 0;
  #timer = 0;
  #heard = 0;
  #late = []; // what is to be told once the connection stands

  /** socket makes a WebSocket for an address; it is replaced in tests. */
  constructor(url, ring, { socket = (u) => new WebSocket(u), now = () => Date.now() } = {}) {
    super();
    this.url = url;
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
    const ws = this.socket(this.url + (takeover ? "&takeover=1" : ""));
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
    if (END[code]) {
      this.#set(END[code], this.trouble);
      return;
    }
    this.#set("broken");
    const wait = Math.min(4000, 250 * 2 ** this.#tries++);
    this.#timer = setTimeout(() => this.open(), wait);
  }

  #answer(m) {
    this.#heard = this.now();
    if (m.error) {
      this.trouble = m.error.text;
      this.dispatchEvent(new CustomEvent("fault", { detail: m.error }));
      return;
    }
    if (m.next == null) return;
    if (!this.#ready) {
      // The first answer says where the service is; what it has need not be sent again.
      this.#ready = true;
      this.#tries = 0;
      this.#sent = Math.min(m.next, this.ring.head);
      if (this.#sent < this.ring.tail) {
        this.lost += this.ring.tail - this.#sent;
        this.#sent = this.ring.tail;
      }
      this.#set("open");
      for (const m of this.#late.splice(0)) this.#tell(m);
    }
    this.acked = Math.max(this.acked, m.next);
    this.pump();
    if (m.news) this.dispatchEvent(new CustomEvent("news", { detail: m.news })); // may close this link: nothing comes after it
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
      this.#ws.send(frame(this.#sent, this.ring.slice(this.#sent, to)));
      this.#sent = to;
    }
  }

  /** speaks tells that our own voice says a text from a position on, spoke that it did between two. */
  speaks(from, text) {
    this.#tell({ speaks: { from, text: text.slice(0, 500) } });
  }
  spoke(from, to) {
    this.#tell({ spoke: [from, to] });
  }
  #tell(m) {
    if (this.#ready) this.#ws.send(JSON.stringify(m));
    else this.#late.push(m);
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
