// Which node of the service this page talks to. Nodes share their records: where one does not answer, the page goes on at another one as
// it is, with what it has recorded and not sent.
const PROBE = 1500; // ms that a node has to answer

let all = [location.origin];
let here = location.origin;
let looking = null;

/** moved fires "moved" whenever the page goes on at another node. */
export const moved = new EventTarget();

/** addressed is where a path of the service is, sound where its WebSocket is. */
export const addressed = (path) => (here === location.origin ? path : here + path);
export const sound = (path) => here.replace(/^http/, "ws") + path;

/** elsewhere says that the page has gone on at another node than the one it came from. */
export const elsewhere = () => here !== location.origin;
export const node = () => here;

/** knows takes the list of nodes that the service gives. */
export function knows(list) {
  if (list?.length) all = [...new Set(list.map((n) => new URL(n).origin))];
}

/** moveTo goes on at a node that is known, or stays. */
export function moveTo(to) {
  const origin = to && new URL(to).origin;
  if (!origin || origin === here || !all.includes(origin)) return false;
  here = origin;
  moved.dispatchEvent(new Event("moved"));
  return true;
}

/** lost looks for a node that answers, the present one first unless it is being stopped; true if there is one. Several callers wait for one look. */
export function lost(fetcher = fetch, stopping = false) {
  if (all.length < 2) return Promise.resolve(false);
  looking ??= (async () => {
    const at = all.indexOf(here);
    for (const n of at < 0 ? [here, ...all] : [...all.slice(at + (stopping ? 1 : 0)), ...all.slice(0, at + (stopping ? 1 : 0))]) {
      try {
        await fetcher(n + "/api/about", { credentials: "include", signal: AbortSignal.timeout(PROBE) });
        moveTo(n);
        return true;
      } catch {
        // the next one
      }
    }
    return false;
  })().finally(() => (looking = null));
  return looking;
}
