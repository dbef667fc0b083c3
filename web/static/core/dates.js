// Days without a time, as plans hold them: YYYY-MM-DD.
import { day } from "./view.js";

/** planDate writes a YYYY-MM-DD as the other dates of the page; "" for none. */
export const planDate = (iso) => (iso ? day(new Date(iso.slice(0, 10) + "T12:00:00").getTime()) : "");

/** born writes a date of birth as the other dates of the page, or as much of it as is known. */
export const born = (iso) => (iso.length === 10 ? planDate(iso) : iso);

/** addMonths is the same day n months later, or the last day of that month. */
export function addMonths(iso, n) {
  const [y, m, d] = iso.slice(0, 10).split("-").map(Number);
  const last = new Date(Date.UTC(y, m - 1 + n + 1, 0)).getUTCDate();
  return new Date(Date.UTC(y, m - 1 + n, Math.min(d, last))).toISOString().slice(0, 10);
}

/** isoDay is a moment's date here. */
export function isoDay(ms) {
  const d = new Date(ms);
  return new Date(Date.UTC(d.getFullYear(), d.getMonth(), d.getDate())).toISOString().slice(0, 10);
}
