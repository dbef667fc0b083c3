// Requests to the service. Every failure becomes a Fault with a code that code can decide on and a
// text that people can read.
import { addressed, lost, moveTo } from "./nodes.js";

export class Fault extends Error {
  constructor(code, text, status = 0) {
    super(text);
    this.code = code;
    this.status = status;
  }
  /** Whether trying again later can help: nothing was decided about the request. */
  get passing() {
    return this.code === "offline" || this.code === "elsewhere" || this.code === "interrupted" || this.code === "closed" || this.status >= 502;
  }
}

/** ask sends a request, with a JSON body or a file, and gives the JSON of the answer. */
export async function ask(method, path, body, { timeout = 15000, fetcher = fetch, answered = null } = {}) {
  let res;
  try {
    res = await fetcher(addressed(path), {
      method,
      credentials: "include",
      headers: body === undefined || body instanceof Blob ? {} : { "Content-Type": "application/json" },
      body: body === undefined || body instanceof Blob ? body : JSON.stringify(body),
      signal: AbortSignal.timeout(timeout),
    });
  } catch {
    lost(fetcher); // whoever asks again asks there
    throw new Fault("offline", "The service does not answer. Is it still running?");
  }
  answered?.(res);
  let data;
  try {
    data = await res.json();
  } catch {
    throw new Fault(res.ok ? "garbled" : "offline", "The service gave no readable answer.", res.status);
  }
  if (!res.ok) {
    if (data.error?.code === "elsewhere") moveTo(data.node);
    throw new Fault(data.error?.code || "tool", data.error?.text || `The service answered ${res.status}.`, res.status);
  }
  return data;
}

export const get = (path) => ask("GET", path);

/** page gets a page of a list, and the address of the next one in next; "" at the end. */
export async function page(path, options = {}) {
  let next = "";
  const list = await ask("GET", path, undefined, { ...options, answered: (res) => (next = /^<([^>]*)>; rel="next"$/.exec(res.headers.get("Link") || "")?.[1] || "") });
  return { list, next };
}
export const post = (path, body) => ask("POST", path, body);
export const putTo = (path, body) => ask("PUT", path, body);

/** newID makes an identity for a command, so that sending it twice enters it once. */
export function newID() {
  const b = crypto.getRandomValues(new Uint8Array(12));
  return Array.from(b, (x) => x.toString(16).padStart(2, "0")).join("");
}
