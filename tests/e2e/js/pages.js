// What can be seen of any page without knowing it: each function gives a list of faults, empty when all is well.

const name = (e) => {
  const el = e.nodeType === 3 ? e.parentElement : e;
  const id = el.id ? "#" + el.id : el.classList.length ? "." + [...el.classList].join(".") : "";
  return `${el.closest("[class]:not(main)")?.className?.baseVal ?? el.parentElement?.className ?? ""} > ${el.localName}${id} "${(el.textContent || el.value || "").trim().slice(0, 40)}"`;
};
const seen = (el) => el.checkVisibility({ opacityProperty: true, visibilityProperty: true, contentVisibilityAuto: true }) && !el.closest(".unseen");

/** clip is what is left of a rectangle by what its element is scrolled or cut in; null if nothing. */
function clip(r, el) {
  let { left, top, right, bottom } = r;
  for (let a = el; a && a !== document.documentElement; a = a.parentElement) {
    const s = getComputedStyle(a);
    if (s.overflowX === "visible" && s.overflowY === "visible") continue;
    const b = a.getBoundingClientRect();
    [left, right] = [Math.max(left, b.left), Math.min(right, b.right)];
    [top, bottom] = [Math.max(top, b.top), Math.min(bottom, b.bottom)];
  }
  return right - left > 0 && bottom - top > 0 ? { left, top, right, bottom } : null;
}

/** texts lists every piece of text that is seen, with the rectangles of its letters. */
function texts() {
  const out = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const range = document.createRange();
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    const el = n.parentElement;
    if (!n.data.trim() || !el || ["SCRIPT", "STYLE", "OPTION", "TITLE", "DEFS"].includes(el.tagName.toUpperCase()) || !seen(el)) continue;
    range.selectNodeContents(n);
    for (const r of el.namespaceURI.endsWith("svg") ? [el.getBoundingClientRect()] : range.getClientRects()) {
      const c = r.width && clip(r, el);
      // The line's height is more than the letters': a third of it is air.
      if (c) out.push({ n, el, left: c.left + 0.5, right: c.right - 0.5, top: c.top + (c.bottom - c.top) * 0.2, bottom: c.bottom - (c.bottom - c.top) * 0.2 });
    }
  }
  return out;
}

/** layer is what a text stands on that stays while the rest moves under it. */
function layer(el) {
  for (let a = el; a; a = a.parentElement) {
    if (a.localName === "dialog" || (["sticky", "fixed"].includes(getComputedStyle(a).position) && rgba(getComputedStyle(a).backgroundColor)[3] === 1)) return a;
  }
  return null;
}

/** overlaps are texts that are written over each other. */
export function overlaps() {
  const all = texts().sort((a, b) => a.top - b.top);
  const out = [];
  for (let i = 0; i < all.length; i++) {
    const a = all[i];
    for (let j = i + 1; j < all.length && all[j].top < a.bottom; j++) {
      const b = all[j];
      const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const high = Math.min(a.bottom, b.bottom) - b.top;
      if (wide < 1.5 || high < 1.5 || a.n === b.n) continue;
      if (layer(a.el) !== layer(b.el)) continue; // one lies over the other on purpose, on a ground of its own
      out.push(`${name(a.n)} and ${name(b.n)} overlap by ${wide.toFixed(0)} × ${high.toFixed(0)} px`);
    }
  }
  return out.slice(0, 5);
}

/** cut are texts that do not fit what they stand in, and tables that scroll but not by keyboard. */
export function cut() {
  const out = [];
  if (document.documentElement.scrollWidth > innerWidth) {
    const wide = [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".scroll, .window, .quadrant, svg")).at(-1);
    out.push(`the page is ${document.documentElement.scrollWidth - innerWidth} px wider than the screen${wide ? ": " + name(wide) : ""}`);
  }
  for (const e of document.querySelectorAll("body *")) {
    if (!(e instanceof HTMLElement) || !seen(e)) continue;
    const s = getComputedStyle(e);
    const over = e.scrollWidth - e.clientWidth;
    if (over < 2 || s.display === "inline" || !e.clientWidth) continue;
    if (["hidden", "clip"].includes(s.overflowX) && s.textOverflow !== "ellipsis" && !e.matches(".window, .meter, .unseen, select, input")) out.push(`${name(e)} is cut by ${over} px`);
    if (["auto", "scroll"].includes(s.overflowX) && e.tabIndex < 0 && !e.querySelector("a[href], button:not(:disabled), input, select, textarea, [tabindex]")) out.push(`${name(e)} scrolls, but not by keyboard`);
  }
  return out.slice(0, 8);
}

/** clipped are texts of which only a part is seen, though what they stand in does not scroll. */
export function clipped() {
  const out = [];
  const range = document.createRange();
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    const el = n.parentElement;
    if (!n.data.trim() || !(el instanceof HTMLElement) || !seen(el) || el.closest(".window, select, script, style")) continue; // the tape runs out of its window on purpose
    range.selectNodeContents(n);
    const r = range.getBoundingClientRect();
    let scrolls = false;
    for (let a = el; a && a !== document.body; a = a.parentElement) {
      const s = getComputedStyle(a);
      if ([s.overflowX, s.overflowY].some((o) => ["auto", "scroll"].includes(o)) || s.textOverflow === "ellipsis") {
        scrolls = true;
        break;
      }
      if (!["hidden", "clip"].includes(s.overflowY) && !s.contain.match(/paint|content|strict/)) continue;
      const b = a.getBoundingClientRect();
      const air = (r.height / Math.max(1, range.getClientRects().length)) * 0.2; // the line is higher than its letters
      const over = Math.max(b.left - r.left, r.right - b.right, b.top - r.top - air, r.bottom - b.bottom - air);
      if (over > 1) out.push(`${name(n)} is cut by ${over.toFixed(0)} px in ${name(a)}`);
      scrolls = true; // what it stands in was judged
      break;
    }
    if (!scrolls && (r.left < -1 || r.right > innerWidth + 1)) out.push(`${name(n)} runs off the screen by ${Math.max(-r.left, r.right - innerWidth).toFixed(0)} px`);
  }
  return out.slice(0, 5);
}

/** small are texts under 11 px, but for a sheet of paper that is shown as it will be printed. */
export function small() {
  const out = [];
  for (const { el, n } of texts()) {
    const px = parseFloat(getComputedStyle(el).fontSize) * (el instanceof SVGGraphicsElement ? Math.hypot(el.getScreenCTM().c, el.getScreenCTM().d) : 1);
    if (px < 10.5 && !el.closest("ls-print .sheet")) out.push(`${name(n)} is ${px.toFixed(1)} px`);
  }
  return [...new Set(out)].slice(0, 5);
}

const CAN = "a[href], button, input, select, textarea, summary, [tabindex]";
let visited = null;
let wanted = []; // what was there when it began: the focus may make more appear

/** stops lists what Tab should come to. Of radio buttons of a name one is enough. */
function stops() {
  const names = new Set();
  const all = document.querySelector("dialog:modal") || document; // while one is open it has the keyboard alone
  return [...all.querySelectorAll(CAN)].filter((e) => {
    if (e.disabled || e.tabIndex < 0 || !seen(e) || e.closest("[inert], fieldset:disabled")) return false;
    if (e.type !== "radio") return true;
    return !names.has(e.name) && names.add(e.name);
  });
}

/** watchFocus notes what gets the focus from here on, whether that is to be seen, and whether anything lies over it. */
export function watchFocus() {
  visited = new Map();
  addEventListener("focusin", (e) => {
    const el = e.target;
    if (!(el instanceof Element) || visited.has(el)) return;
    const s = getComputedStyle(el);
    const marked = s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2;
    const r = el.getBoundingClientRect();
    const inView = r.bottom > 0 && r.right > 0 && r.top < innerHeight && r.left < innerWidth;
    // Its middle, or that of what of it is on the screen.
    const [x, y] = [(Math.max(0, r.left) + Math.min(innerWidth, r.right)) / 2, (Math.max(0, r.top) + Math.min(innerHeight, r.bottom)) / 2];
    const over = inView && document.elementFromPoint(x, y);
    const free = !over || el.contains(over) || over.contains(el) || el.closest("label")?.contains(over);
    visited.set(el, { marked, inView, free: free || name(over) });
  });
  document.activeElement?.blur();
  wanted = stops().slice(0, 120); // of a long list as much as tells how it is
  // A date has a stop for each of its parts, and one for its calendar.
  return wanted.length + 4 * wanted.filter((e) => ["date", "time", "datetime-local"].includes(e.type)).length;
}

/** focusFaults tells what Tab did not come to, and what did not show it. */
export function focusFaults() {
  const out = [];
  for (const e of wanted) if (e.isConnected && !visited.has(e) && !(e.type === "radio" && [...visited.keys()].some((v) => v.name === e.name))) out.push(`Tab does not come to ${name(e)}`);
  for (const [e, how] of visited) {
    if (!e.isConnected) continue;
    if (!how.marked) out.push(`${name(e)} has the focus and does not show it`);
    if (!how.inView) out.push(`${name(e)} has the focus out of sight`);
    else if (how.free !== true) out.push(`${name(e)} has the focus under ${how.free}`);
  }
  // What a pointer can do has to be there for keys: nothing is clickable by its looks alone.
  for (const e of (document.querySelector("dialog:modal") || document.body).querySelectorAll("*")) {
    if (getComputedStyle(e).cursor !== "pointer" || !seen(e) || e.closest(CAN + ", label, [aria-hidden='true'], svg") || e.querySelector(CAN)) continue;
    out.push(`${name(e)} looks as if it could be clicked, and has no key`);
  }
  return out.slice(0, 8);
}

const light = (c) => {
  const [r, g, b] = c.map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
};
const rgba = (s) => {
  const m = s.match(/[\d.]+/g)?.map(Number) || [0, 0, 0, 0];
  return m.length < 4 ? [...m, 1] : m;
};
function ground(el) {
  for (let a = el; a; a = a.parentElement) {
    const c = rgba(getComputedStyle(a).backgroundColor);
    if (c[3] > 0.5) return c;
  }
  return [255, 255, 255, 1];
}

/** forced tells what is lost where the system forces its colours: text that is not read against what it stands on, fields and buttons
 *  without an edge, and choices of which nothing shows which one holds. */
export function forced() {
  const out = [];
  for (const { el, n } of texts()) {
    const s = getComputedStyle(el);
    const svg = el.namespaceURI.endsWith("svg");
    const ink = light(rgba(svg ? s.fill : s.color));
    const bed = light(ground(svg ? el.closest("svg").parentElement : el));
    if (svg && el.closest(".shade, .site, .profile")) continue; // numerals on shapes: the blurred test looks at these
    const contrast = (Math.max(ink, bed) + 0.05) / (Math.min(ink, bed) + 0.05);
    if (contrast < 4.5) out.push(`${name(n)} has a contrast of ${contrast.toFixed(1)}`);
  }
  for (const e of document.querySelectorAll("button, .button, input:not([type=checkbox]):not([type=radio]):not([type=range]), select, textarea")) {
    const s = getComputedStyle(e);
    if (seen(e) && !e.matches(".plain") && (s.borderTopStyle === "none" || parseFloat(s.borderTopWidth) === 0)) out.push(`${name(e)} has no edge`);
  }
  const looks = (e) => {
    const s = getComputedStyle(e);
    return [s.borderStyle, s.borderWidth, s.outlineStyle, s.textDecorationLine, s.color, s.backgroundColor, s.fontWeight].join();
  };
  for (const held of document.querySelectorAll("[aria-pressed='true'], [aria-current='page'], [aria-selected='true']")) {
    const other = [...held.parentElement.children].find((e) => e !== held && e.localName === held.localName && !["true", "page"].includes(e.ariaPressed ?? e.getAttribute("aria-current") ?? e.ariaSelected));
    if (other && seen(held) && looks(held) === looks(other)) out.push(`nothing shows that ${name(held)} is chosen`);
  }
  return [...new Set(out)].slice(0, 8);
}
