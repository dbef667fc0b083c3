// Small helpers to make elements without markup in strings: what people typed can never become HTML.
const SVG = "http://www.w3.org/2000/svg";

function fill(el, props, children) {
  for (const [k, v] of Object.entries(props || {})) {
    if (v == null || v === false) continue;
    if (k.startsWith("on")) el.addEventListener(k.slice(2), v);
    else if (k === "data") Object.assign(el.dataset, v);
    else if (k === "value" || k === "checked" || k === "disabled" || k === "open") el[k] = v;
    else el.setAttribute(k, v === true ? "" : v);
  }
  el.append(...children.flat(Infinity).filter((c) => c != null && c !== false));
  return el;
}

/** h("p", {class: "x", onclick: f}, "text", child) makes an element. */
export const h = (tag, props, ...children) => fill(document.createElement(tag), props, children);
/** under is what an event happened in that fits a selector, or null.
 *  @param {Event} e
 *  @param {string} css
 *  @returns {HTMLElement | null} */
export const under = (e, css) => (e.target instanceof Element ? e.target.closest(css) : null);

/** within lists what fits a selector in an element.
 *  @param {Element} el
 *  @param {string} css
 *  @returns {HTMLElement[]} */
export const within = (el, css) => [...el.querySelectorAll(css)].filter((x) => x instanceof HTMLElement);

/** named gives the cells of a row that hold something the names of their columns, which stand in them where the table is too narrow
 *  for columns (.stack). */
export function named(names, row) {
  [...row.cells].forEach((c, i) => c.textContent && (c.dataset.is = names[i]));
  return row;
}

/** svg is h for drawings. */
export const svg = (tag, props, ...children) => fill(document.createElementNS(SVG, tag), props, children);

/** put replaces an element's children, and only if they differ in text or shape. A text that stands there is changed and not exchanged:
 *  the browser has less to do. */
export function put(el, ...children) {
  const flat = children.flat(Infinity).filter((c) => c != null && c !== false);
  if (flat.every((c) => typeof c === "string")) {
    const t = flat.join("");
    const was = el.firstChild;
    if (t && was instanceof Text && was === el.lastChild) {
      if (was.data !== t) was.data = t;
    } else if (el.childElementCount || el.textContent !== t) el.textContent = t;
    return;
  }
  el.replaceChildren(...flat);
}

const kept = new WeakMap();
/** keep draws an element's children anew only if what they show has changed; what it is made of is listed in parts. */
export function keep(el, parts, make) {
  const was = kept.get(el);
  if (was && was.length === parts.length && parts.every((p, i) => p === was[i])) return;
  kept.set(el, parts);
  put(el, make() ?? []);
}

/** order gives an element these children, and touches only those that are new, gone or elsewhere: a button in one may have the focus. */
export function order(el, children) {
  const want = new Set(children);
  for (const c of [...el.children]) if (!want.has(c)) c.remove();
  children.forEach((c, i) => el.children[i] !== c && el.insertBefore(c, el.children[i] || null));
}

/** hide hides an element or shows it, touching the page only if that changes.
 *  @param {HTMLElement} el
 *  @param {boolean} hidden */
export function hide(el, hidden) {
  if (el.hidden !== hidden) el.hidden = hidden;
}

/** attr sets or removes an attribute, touching the page only if it changes. */
export function attr(el, name, value) {
  if (value == null || value === false) {
    if (el.hasAttribute(name)) el.removeAttribute(name);
  } else if (el.getAttribute(name) !== String(value)) el.setAttribute(name, value);
}
