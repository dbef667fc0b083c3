// Who sits at this screen, as the service knows it. The browser has a cookie and says nothing about it itself.
import { get, post, ask } from "../core/server.js";
import { prefs, setPrefs } from "../core/prefs.js";
import { present } from "./passkeys.js";

const nobody = { person: null, open: false, sure: false, proof: false, rights: [], people: [] };
const changed = new EventTarget();
let now = nobody;

/** seat is {person, open, sure, proof, rights, people}: docs/api.md has them. */
export const seat = () => now;
/** may reports whether the person has a right, proven or not. */
export const may = (right) => now.rights.includes(right);

export function onSeat(f, signal) {
  changed.addEventListener("change", () => f(now), { signal });
}

function take(next) {
  now = next;
  // The voice that a microphone hears is that of who sits there, until another one is chosen.
  if (now.person && now.person.id !== prefs().seat) setPrefs({ seat: now.person.id, examiner: now.person.roles.some((r) => ["clinician", "student", "supervisor"].includes(r)) ? now.person.id : "" });
  changed.dispatchEvent(new Event("change"));
  return now;
}

export const loadSeat = async () => take(await get("/api/session"));
export const choose = async (person) => take(await post("/api/session", { person }));
/** begin adds the first person of a practice, who may do all that one who works alone needs, and sits down as that one. */
export const begin = async (name) => choose((await post("/api/people", { name, roles: ["clinician", "administrator"] })).id);
export const switchTo = async (code) => take(await post("/api/session", { code }));
export const signIn = async (name, password) => take(await post("/api/session", { name, password }));
export const prove = async (password) => take(await post("/api/session/prove", { password }));
/** byPasskey signs in with a passkey, or with prove has who sits here prove to be it. */
export const byPasskey = async (prove) => take(await present(prove));
export const signOut = async () => take(await ask("DELETE", "/api/session"));
/** setPassword changes a password, "" takes it away; one's own takes the former one. */
export async function setPassword(person, password, former = "") {
  const answer = await ask("PUT", `/api/people/${encodeURIComponent(person)}/password`, { password, former });
  if (answer.rights) take(answer);
}
