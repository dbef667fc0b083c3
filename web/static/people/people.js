// People: who works here, as what, and with which password and code.
import { h, put } from "../core/dom.js";
import { Seated } from "../core/part.js";
import { ask, get, post, putTo } from "../core/server.js";
import { day } from "../core/view.js";
import { able, noName, register } from "./passkeys.js";
import { seat, may, loadSeat, setPassword } from "./seat.js";

const ROLES = {
  clinician: "examines, decides, signs",
  student: "examines; a signature waits for a supervisor",
  supervisor: "as a clinician, and co-signs",
  assistant: "types and corrects beside the chair",
  viewer: "reads, changes nothing",
  administrator: "manages people and settings, reads the journal",
};

class People extends Seated {
  async draw() {
    const { person, open } = seat();
    let all = [];
    try {
      if (may("people")) all = await this.app.proven(() => get("/api/people"));
    } catch (e) {
      put(this, h("div", { class: "desk" }, h("div", { class: "note", role: "alert" }, e.message)));
      return;
    }
    const me = all.find((p) => p.id === person?.id) || person;
    put(this, h("div", { class: "desk people" },
      h("div", { class: "title" }, h("h1", {}, "People"), h("p", { class: "soft" }, open
        ? "Nobody has a password yet: whoever is at this computer chooses a name, and no other computer is let in. Once an administrator sets a password, everybody signs in."
        : "Everybody signs in with a password. At a screen in use a short code or a card changes the person; an exam is signed with the password.")),
      may("people") ? [
        h("section", {}, h("h2", {}, "Who works here"), h("ul", { class: "plain" }, all.map((p) => h("li", { data: { person: p.id } }, this.#entry(p))))),
        h("section", {}, h("h2", {}, "Add somebody"), this.#form({ name: "", roles: ["clinician"], retired: false }, "Add", (x) => post("/api/people", x))),
      ] : null,
      me ? h("section", {}, h("h2", {}, `You: ${me.name}`), this.#secrets(me, true), this.#passkeys(me, true)) : null));
  }

  #entry(p) {
    return h("details", {}, h("summary", {}, h("b", {}, p.name), `, ${p.roles.join(", ")}`, h("span", { class: "soft" }, [p.retired ? ", no longer here" : "", p.password ? ", password" : ", no password", p.code ? ", short code" : ""].join(""))),
      this.#form(p, "Save", (x) => putTo(`/api/people/${encodeURIComponent(p.id)}`, x)),
      p.id === seat().person?.id ? null : [this.#secrets(p, false), p.password ? this.#passkeys(p, false) : null]);
  }

  #form(p, button, save) {
    const id = p.id || "new";
    const name = h("input", { id: `name-${id}`, required: true, maxlength: "120", value: p.name, autocomplete: "off" });
    const roles = Object.entries(ROLES).map(([r, does]) => {
      const box = h("input", { type: "checkbox", id: `${r}-${id}`, name: r, checked: p.roles.includes(r) });
      return [box, h("label", { class: "check", for: `${r}-${id}` }, box, h("span", {}, h("b", {}, r), h("span", { class: "soft" }, `, ${does}`)))];
    });
    const gone = h("input", { type: "checkbox", id: `gone-${id}`, checked: p.retired });
    const fault = h("p", { class: "fault", role: "alert" });
    return h("form", { class: "person", onsubmit: (e) => {
      e.preventDefault();
      this.#try(fault, () => save({ name: name.value, roles: roles.filter(([b]) => b.checked).map(([b]) => b.name), retired: gone.checked }));
    } }, h("div", { class: "field" }, h("label", { for: `name-${id}` }, "Name"), name), h("fieldset", {}, h("legend", {}, "Works here as"), roles.map(([, l]) => l)),
      p.id ? h("label", { class: "check", for: `gone-${id}` }, gone, "No longer here; a voice profile is erased") : null, fault, h("p", {}, h("button", { class: "main" }, button)));
  }

  /** #secrets are the forms for password and short code. */
  #secrets(p, own) {
    const field = (key, label, attrs) => {
      const el = h("input", { id: `${key}-${p.id}`, type: "password", maxlength: "1000", ...attrs });
      return [el, h("div", { class: "field" }, h("label", { for: `${key}-${p.id}` }, label), el)];
    };
    const [former, formerField] = field("former", "Present password", { autocomplete: "current-password", required: true });
    const [next, nextField] = field("password", p.password || own && seat().proof ? "New password" : "Password", { autocomplete: "new-password", minlength: "8", required: true });
    const [code, codeField] = field("code", "Short code, or read a card", { autocomplete: "off", minlength: "4", maxlength: "64", required: true });
    const has = p.password ?? seat().proof;
    const fault = h("p", { class: "fault", role: "alert" });
    const set = (f) => (e) => {
      e.preventDefault();
      this.#try(fault, f);
    };
    const codeAt = `/api/people/${encodeURIComponent(p.id)}/code`;
    return h("div", { class: "secrets" },
      h("form", { class: "row end", onsubmit: set(() => setPassword(p.id, next.value, former.value)) }, own && has ? formerField : null, nextField, h("button", {}, "Set password"),
        has ? h("button", { type: "button", onclick: set(() => setPassword(p.id, "", former.value)) }, "Remove the password") : null),
      h("form", { class: "row end", onsubmit: set(() => putTo(codeAt, { code: code.value })) }, codeField, h("button", {}, "Set code"),
        p.code ? h("button", { type: "button", onclick: set(() => putTo(codeAt, { code: "" })) }, "Remove the code") : null),
      fault);
  }

  /** #passkeys lists the passkeys of a person, to be removed; one's own are added too. */
  #passkeys(p, own) {
    const list = h("ul", { class: "plain" });
    const cannot = noName() ? ["Passkeys need a name in the address: ", h("a", { href: location.href.replace(location.hostname, "localhost") }, "open this page as localhost"), "."] : !able() ? "This browser has no passkeys here." : !(p.password ?? seat().proof) ? "Set a password first: it is the way in when the device is lost." : "";
    const fault = h("p", { class: "fault", role: "alert" });
    const base = `/api/people/${encodeURIComponent(p.id)}/passkeys`;
    const load = async () => {
      const keys = await get(base).catch(() => []);
      put(list, keys.length ? keys.map((k) => h("li", { class: "row" }, h("span", {}, h("b", {}, k.name), h("span", { class: "soft" }, `, for ${k.host}, made ${day(Date.parse(k.made))}${k.used ? `, used ${day(Date.parse(k.used))}` : ""}`)),
        h("button", { type: "button", "aria-label": `Remove the passkey ${k.name}`, onclick: () => change(() => ask("DELETE", `${base}/${encodeURIComponent(k.id)}`)) }, "Remove"))) : own && !cannot ? h("li", { class: "soft" }, "None yet.") : null);
    };
    const change = async (f) => {
      put(fault, "");
      try {
        await this.app.proven(f);
      } catch (e) {
        put(fault, e.message);
      }
      await load();
    };
    load();
    if (!own) return h("div", { class: "secrets" }, list, fault);
    const field = (id, label, attrs) => {
      const el = h("input", { id, required: true, ...attrs });
      return [el, h("div", { class: "field" }, h("label", { for: id }, label), el)];
    };
    const [password, passwordField] = field("keypassword", "Your password", { type: "password", autocomplete: "current-password", maxlength: "1000" });
    const [name, nameField] = field("keyname", "Name of the device", { maxlength: "120", autocomplete: "off", placeholder: "such as: my phone" });
    const form = h("form", { class: "row end", onsubmit: (e) => {
      e.preventDefault();
      change(async () => {
        await register(p.id, password.value, name.value);
        password.value = name.value = "";
      });
    } }, passwordField, nameField, h("button", {}, "Add a passkey"));
    return h("div", { class: "secrets" }, h("h3", {}, "Passkeys"), h("p", { class: "soft" }, "A device signs you in, and proves who you are when you sign; it asks for your finger, your face or its own code. If somebody else gives you a new password, your passkeys are removed."), list, cannot ? h("p", { class: "soft" }, cannot) : form, fault);
  }

  async #try(fault, f) {
    put(fault, "");
    try {
      await this.app.proven(f);
      await loadSeat();
    } catch (e) {
      put(fault, e.message);
    }
  }
}

customElements.define("ls-people", People);
