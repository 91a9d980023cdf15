// What is at hand of one signal: answers of the server, kept; and the newest readings, as they come. Pure.

const MOST_PIECES = 24;
const LIVE_MOST = 4000;
export const LIVE_GAP_MS = 12000; // the service tells a value that stays the same each 5 s
export const COLUMNS = ["low", "mean", "high", "uncertainty", "bad", "limit"];

/** @typedef {{begin: number, end: number, step: number, asked: number, until: number, at: number, x: number[],
 *   low: number[], mean: number[], high: number[], uncertainty: number[], bad: number[], limit: number[]}} Piece */

/**
 * @param {any} told As the server answers. @param {number} asked Width of a column that was asked for, ms.
 * @param {number} now When it was asked. @returns {Piece}
 */
export function pieceOf(told, asked, now) {
  const columns = told.columns;
  const half = told.step_ms / 2;
  const none = columns.mean.map(() => null);
  return {
    begin: told.begin_utc_ms,
    end: told.end_utc_ms,
    step: told.step_ms,
    asked,
    until: told.until_utc_ms ?? told.end_utc_ms,
    at: now,
    x: columns.utc_s.map((s) => s * 1000 + half),
    low: columns.min || columns.mean,
    mean: columns.mean,
    high: columns.max || columns.mean,
    uncertainty: columns.uncertainty || none,
    bad: columns.bad || none,
    limit: columns.limit || none,
  };
}

export class Series {
  constructor() {
    /** @type {Piece[]} */
    this.pieces = [];
    this.live = []; // [utc ms, value or null, uncertainty or null]
  }

  keep(piece) {
    this.pieces = this.pieces.filter((p) => !(p.begin >= piece.begin && p.end <= piece.end && p.asked >= piece.asked * 0.99));
    this.pieces.push(piece);
    if (this.pieces.length > MOST_PIECES) this.pieces.shift();
  }

  /** Whether what is at hand is as fine as can be seen, and as new. */
  covers(from, to, asked, now) {
    const piece = this.pieces.find((p) => p.begin <= from && p.end >= Math.min(to, now) && p.asked <= asked * 1.6);
    if (!piece) return false;
    if (Math.min(to, now) <= piece.until + piece.step) return true;
    return now - piece.at < Math.max(20000, piece.step);
  }

  /** One reading, as it comes. */
  add(utcMs, value, uncertainty) {
    const last = this.live.at(-1);
    if (last && utcMs <= last[0]) return;
    if (last && last[1] !== null && utcMs - last[0] > LIVE_GAP_MS) this.live.push([last[0] + 1, null, null]);
    this.live.push([utcMs, value, uncertainty]);
    if (this.live.length > LIVE_MOST) this.live.splice(0, LIVE_MOST / 4);
  }

  /** Nothing is heard any more: from here on nothing is known, until something is. */
  cut() {
    const last = this.live.at(-1);
    if (last && last[1] !== null) this.live.push([last[0] + 1, null, null]);
  }

  /**
   * Columns from left to right for a span, the fittest of what is at hand for each stretch of it.
   *
   * A stretch in which nothing was read has null in it, so that no line is drawn across it.
   * @returns {{x: number[], low: any[], mean: any[], high: any[], uncertainty: any[], bad: any[], limit: any[],
   *   missing: [number, number][], step: number, steps: number[]}} missing: not at hand yet. step: the widest column;
   *   steps: how wide each is, 0: it only opens a gap. Pieces keep their own, or what is in them would lie too early.
   */
  columns(from, to, step) {
    const parts = [];
    let missing = [[from, to]];
    const unfit = (p) => (p.step < step / 8 ? 40 - Math.log2(p.step) : p.step > step ? Math.log2(p.step / step) : 0);
    const ordered = [...this.pieces].sort((a, b) => unfit(a) - unfit(b) || b.at - a.at);
    for (const piece of ordered) {
      if (!missing.length) break;
      const left = [];
      for (const [a, b] of missing) {
        const begin = Math.max(a, piece.begin);
        const end = Math.min(b, piece.end);
        if (begin >= end) {
          left.push([a, b]);
          continue;
        }
        parts.push([begin, end, piece]);
        if (a < begin) left.push([a, begin]);
        if (end < b) left.push([end, b]);
      }
      missing = left;
    }
    parts.sort((a, b) => a[0] - b[0]);
    const made = { x: [], low: [], mean: [], high: [], uncertainty: [], bad: [], limit: [], missing, step, steps: [] };
    let end = null;
    for (const [i, [a, b, piece]] of parts.entries()) {
      if (end !== null && a > end) push(made, end, null);
      copy(made, piece, a, b, i === 0, i === parts.length - 1);
      made.step = Math.max(made.step === step ? 0 : made.step, piece.step);
      end = b;
    }
    this.#tail(made, to, step);
    return made;
  }

  #tail(made, to, step) {
    if (!this.live.length) return;
    while (made.x.length && made.mean.at(-1) === null) pop(made); // the future, and what was not kept yet
    const from = made.x.length ? made.x.at(-1) + made.steps.at(-1) / 2 : -Infinity;
    const fresh = this.live.filter((r) => r[0] > from && r[0] <= to);
    if (!fresh.length) return;
    if (made.x.length && fresh[0][0] - from > Math.max(LIVE_GAP_MS, 2 * made.step)) push(made, from, null);
    let bin = null;
    for (const [at, value, uncertainty] of fresh) {
      const number = Math.floor(at / step);
      if (value === null) {
        push(made, at, null);
        bin = null;
      } else if (bin && bin.number === number) {
        const last = made.x.length - 1;
        bin.n += 1;
        made.low[last] = Math.min(made.low[last], value);
        made.high[last] = Math.max(made.high[last], value);
        made.mean[last] += (value - made.mean[last]) / bin.n;
        made.uncertainty[last] = Math.max(made.uncertainty[last] ?? 0, uncertainty ?? 0) || null;
        made.x[last] = at;
      } else {
        push(made, at, value, uncertainty);
        bin = { number, n: 1 };
      }
    }
  }
}

/**
 * Nothing is drawn across a time in which nobody watched, also where it is shorter than a value may stay untold.
 * @param {any} made Columns; changed. @param {[number, number][]} gaps From when to when.
 */
export function opened(made, gaps) {
  for (const [from, to] of gaps) {
    for (let i = lowest(made.x, from); i < made.x.length && made.x[i] < to; i += 1) {
      if (made.x[i] > from) for (const name of COLUMNS) made[name][i] = null;
    }
  }
  return made;
}

function push(made, x, value, uncertainty = null) {
  if (made.x.length && x <= made.x.at(-1)) x = made.x.at(-1) + 1e-3;
  made.x.push(x);
  for (const name of ["low", "mean", "high"]) made[name].push(value);
  made.uncertainty.push(uncertainty);
  made.bad.push(null);
  made.limit.push(null);
  made.steps.push(0);
}

function pop(made) {
  made.x.pop();
  made.steps.pop();
  for (const name of COLUMNS) made[name].pop();
}

/** Columns whose middle lies in a stretch, and one more at the very edges, so that lines go on beyond them. */
function copy(made, piece, from, to, isFirst, isLast) {
  let first = lowest(piece.x, from);
  let last = lowest(piece.x, to);
  if (isFirst) first = Math.max(0, first - 1);
  if (isLast && last < piece.x.length) last += 1;
  for (let i = first; i < last; i += 1) {
    if (made.x.length && piece.x[i] <= made.x.at(-1)) continue;
    made.x.push(piece.x[i]);
    made.steps.push(piece.step);
    for (const name of COLUMNS) made[name].push(piece[name][i]);
  }
}

/** The first place at which `x` is not below a value. */
export function lowest(x, value) {
  let [low, high] = [0, x.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (x[middle] < value) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** The column nearest to a moment, at most one and a half columns away; -1: there is none. */
export function nearest(made, at) {
  const i = lowest(made.x, at);
  const place = i > 0 && (i === made.x.length || at - made.x[i - 1] < made.x[i] - at) ? i - 1 : i;
  return place < made.x.length && Math.abs(made.x[place] - at) <= 1.5 * (made.steps[place] || made.step) ? place : -1;
}
