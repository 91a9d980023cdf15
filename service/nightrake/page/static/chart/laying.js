// Which words of which events stand where on a chart. Pure.

const WEIGHT = ["shutdown", "trip", "lockout", "alarm", "calibration", "gap", "reset", "test", "standby", "settings"];
const NEAR_PX = 7;
const APART_PX = 10;
const QUIET = new Set(["released"]); // they end a lane, and are no event of their own

/** @typedef {{utc_ms: number, from_utc_ms?: number | null, kind: string, text: string, seq: number}} Mark */

/** @returns {Mark[]} Those that are marked at all. */
export function shownOf(marks) {
  return marks.filter((mark) => !QUIET.has(mark.kind));
}

/**
 * Which words stand where. Pure but for the measure of a text.
 * @param {Mark[]} marks @param {(ms: number) => number} place Of a moment, px. @param {[number, number]} edges px
 * @param {number} rows How many rows there are. @param {(text: string) => number} width Of a text, px.
 * @returns {{x: number, row: number, left: number, text: string, kind: string, marks: Mark[]}[]} row -1: a line only.
 */
export function laid(marks, place, edges, rows, width) {
  const groups = [];
  for (const mark of [...marks].sort((a, b) => a.utc_ms - b.utc_ms)) {
    const x = place(mark.utc_ms);
    if (x < edges[0] || x > edges[1]) continue;
    const last = groups.at(-1);
    if (last && x - last.x < NEAR_PX) last.marks.push(mark);
    else groups.push({ x, marks: [mark] });
  }
  for (const group of groups) {
    const [first] = [...group.marks].sort((a, b) => weight(a) - weight(b));
    group.kind = first.kind;
    group.text = group.marks.length > 1 ? `${first.text} +${group.marks.length - 1}` : first.text;
  }
  const taken = Array.from({ length: rows }, () => []);
  for (const group of [...groups].sort((a, b) => weight(a) - weight(b) || b.x - a.x)) {
    const wide = width(group.text);
    const left = Math.max(edges[0], group.x + wide > edges[1] ? group.x - wide : group.x);
    group.left = left;
    group.row = taken.findIndex((row) => row.every(([a, b]) => left > b + APART_PX || left + wide < a - APART_PX));
    if (wide > edges[1] - edges[0]) group.row = -1;
    if (group.row >= 0) taken[group.row].push([left, left + wide]);
  }
  return groups;
}

function weight(mark) {
  const place = WEIGHT.indexOf(mark.kind);
  return place < 0 ? WEIGHT.length : place;
}

/** Marks within reach of a moment. */
export function near(marks, at, reachMs) {
  return shownOf(marks).filter((mark) => Math.abs(mark.utc_ms - at) <= reachMs || (mark.from_utc_ms != null && mark.from_utc_ms <= at && at <= mark.utc_ms));
}
