// When a contact, or the like, was operated, and when that was known. Pure.

import { LIVE_GAP_MS, lowest } from "./store.js";

const MOST = 1000;
const SEAM_MS = 2000; // what was asked for ends with the last scan, and what is told begins with the next

/** @typedef {{name: string, tone?: string, on: [number, number, number][], known: [number, number][]}} Lane
 *   on: from, to, and the share of that time. known: from, to. */

/**
 * A lane of the columns of a signal that is 0 or 1.
 * @returns {Lane}
 */
export function laneOf(name, tone, columns, from, to) {
  const lane = { name, tone, on: [], known: [] };
  const first = Math.max(0, lowest(columns.x, from) - 1);
  for (let i = first; i < columns.x.length && columns.x[i] - columns.steps[i] / 2 <= to; i += 1) {
    const share = columns.mean[i];
    if (share === null) continue;
    const half = columns.steps[i] / 2;
    const begin = edge(columns, i - 1, columns.x[i] - half);
    const end = edge(columns, i, columns.x[i] + half);
    const slack = Math.max(half, (columns.steps[i - 1] ?? 0) / 2); // of a coarse column a finer one has taken the middle
    join(lane.known, begin, end, slack);
    const most = columns.high[i] ?? share;
    if (most > 0) joinOn(lane.on, begin, end, share, slack);
  }
  return lane;
}

/** Where a column ends and the next begins; where they overlap, the finer one says it. */
function edge({ x, steps }, i, otherwise) {
  if (i < 0 || i + 1 >= x.length) return otherwise;
  const [end, begin] = [x[i] + steps[i] / 2, x[i + 1] - steps[i + 1] / 2];
  if (end <= begin) return otherwise;
  return steps[i] <= steps[i + 1] ? end : begin;
}

function join(spans, begin, end, slack) {
  const last = spans.at(-1);
  if (last && begin <= last[1] + slack) last[1] = end;
  else spans.push([begin, end]);
}

function joinOn(spans, begin, end, share, slack) {
  const last = spans.at(-1);
  if (last && begin <= last[1] + slack && last[2] === share) last[1] = end;
  else spans.push([begin, end, share]);
}

/** How something that is 0 or 1 stands, as it is told, until it can be asked for. */
export class States {
  constructor() {
    /** @type {[number, number, boolean | null][]} */
    this.spans = [];
    this.goesOn = false;
  }

  /** It stands so at this moment; null: nobody knows. It stood as before until then, unless long nothing was told. */
  add(utcMs, on) {
    const last = this.spans.at(-1);
    const at = Math.max(utcMs, last?.[1] ?? utcMs);
    const follows = last && this.goesOn && at - last[1] <= LIVE_GAP_MS;
    if (follows) last[1] = at;
    if (!follows || last[2] !== on) this.spans.push([at, at, on]);
    if (this.spans.length > MOST) this.spans.splice(0, MOST / 4);
    this.goesOn = true;
  }

  /** Nothing is heard any more. */
  cut() {
    this.goesOn = false;
  }
}

/** A lane, and beyond its end what was told since. @param {Lane} lane Changed. @param {States} states */
export function continued(lane, states) {
  const end = lane.known.at(-1)?.[1] ?? -Infinity;
  for (const [from, to, on] of states.spans) {
    const begin = Math.max(from, end);
    if (to <= begin || on === null) continue;
    join(lane.known, begin, to, SEAM_MS);
    if (on) joinOn(lane.on, begin, to, 1, SEAM_MS);
  }
  return lane;
}

/**
 * What a stage counts as, out of its own events; where there is none, as it was read.
 * @param {{utc_ms: number, on: boolean}[]} events In order. @param {Lane} raw
 * @returns {Lane}
 */
export function settledOf(name, tone, events, raw) {
  const known = raw.known;
  const lane = { name, tone, on: [], known };
  for (const [begin, end] of known) {
    const before = events.filter((e) => e.utc_ms <= begin).at(-1);
    const inside = events.filter((e) => e.utc_ms > begin && e.utc_ms < end);
    const atFirst = raw.on.some(([a, b, share]) => a <= begin && begin < b && share > 0.99);
    let on = before ? before.on : inside.length ? !inside[0].on : atFirst;
    let since = begin;
    for (const event of inside) {
      if (event.on === on) continue;
      if (on) lane.on.push([since, event.utc_ms, 1]);
      on = event.on;
      since = event.utc_ms;
    }
    if (on) lane.on.push([since, end, 1]);
  }
  return lane;
}
