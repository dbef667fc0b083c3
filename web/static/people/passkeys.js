// Passkeys: a device of a person that signs in without a password (W3C Web Authentication).
import { post, Fault } from "../core/server.js";

/** able reports whether this browser has passkeys at this address. */
export const able = () => !!globalThis.PublicKeyCredential?.parseRequestOptionsFromJSON;

/** noName says why there are none where the address has no name. */
export const noName = () => /^[\d.]+$|^\[/.test(location.hostname);

/** held has the browser do something with a device, and says in plain words that it did not. */
async function held(f) {
  try {
    return (await f()).toJSON();
  } catch (e) {
    if (e.name === "InvalidStateError") throw new Fault("passkey", "This device has a passkey of yours already.");
    throw new Fault("passkey", "The device gave no passkey: it was cancelled, took too long, or has none for this address.");
  }
}

/** register makes a passkey of who sits here, and gives it as the service keeps it. */
export async function register(person, password, name) {
  const base = `/api/people/${encodeURIComponent(person)}/passkeys`;
  const { ticket, options } = await post(base + "/ask", { password });
  const answer = await held(() => navigator.credentials.create({ publicKey: PublicKeyCredential.parseCreationOptionsFromJSON(options.publicKey) }));
  return post(base, { ticket, name, answer });
}

/** present signs in with a passkey, or with prove has who sits here prove to be it; it gives the session. */
export async function present(prove) {
  const { ticket, options } = await post("/api/session/passkey/ask", { prove });
  const answer = await held(() => navigator.credentials.get({ publicKey: PublicKeyCredential.parseRequestOptionsFromJSON(options.publicKey) }));
  return post("/api/session/passkey", { ticket, answer });
}
