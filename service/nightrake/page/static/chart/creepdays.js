// Days of a creep judgement as a chart has them, and in words. Pure.

import { UNIT, kilo } from "./words.js";

const DAY = 86400e3;
const ROWS = 40;
const HOLE = 5; // so many usual steps without a day are left open

/**
 * @param {Record<string, (number | null)[]>} days Columns as the server has them, rising in time.
 * @returns {any} Columns as `Plot` takes them (`mean`: each day's median), and `level`, `outlier`, `below` beside them.
 */
export function daysOf(days) {
  const at = days.utc_ms;
  const gaps = at.slice(1).map((ms, i) => ms - at[i]).sort((a, b) => a - b);
  const usual = gaps[gaps.length >> 1] || DAY;
  const made = { x: [], low: [], mean: [], high: [], level: [], outlier: [], below: [], steps: [], missing: [], step: usual };
  const put = (x, low, mean, high, level, outlier, below) => {
    made.x.push(x);
    made.low.push(low);
    made.mean.push(mean);
    made.high.push(high);
    made.level.push(level);
    made.outlier.push(outlier);
    made.below.push(below);
    made.steps.push(usual);
  };
  at.forEach((ms, i) => {
    if (i && ms - at[i - 1] > HOLE * usual) put(at[i - 1] + usual, null, null, null, null, 0, null);
    put(ms + DAY / 2, days.low_nm[i], days.median_nm[i], days.high_nm[i], days.line_nm[i], days.outlier[i], days.below_nm?.[i] ?? null);
  });
  const none = made.x.map(() => null);
  return { ...made, uncertainty: none, bad: none, limit: none };
}

/** Steps of the level, as a chart marks events. */
export function stepsOf(shifts) {
  return shifts.map((shift, i) => ({ utc_ms: shift.utc_ms, from_utc_ms: null, kind: "step", text: stepWords(shift), seq: i }));
}

function stepWords(shift) {
  const mid = shift.size_nm?.mid;
  const size = mid == null ? "step" : `step ${mid > 0 ? "+" : ""}${String(Number((mid / 1000).toPrecision(2))).replace("-", "\u2212")} ${UNIT}`;
  return shift.why && shift.why !== "found" ? `${size}: ${shift.why}` : size;
}

/** Days of a span as rows of a table: so many at most, evenly picked. */
export function rowsOf(columns, from, to, most = ROWS) {
  const seen = columns.x.map((_, i) => i).filter((i) => columns.x[i] >= from && columns.x[i] <= to && (columns.mean[i] !== null || columns.level[i] !== null || columns.below[i] !== null));
  const each = Math.max(1, Math.ceil(seen.length / most));
  const picked = seen.filter((_, k) => (seen.length - 1 - k) % each === 0);
  return picked.map((i) => ({ at: columns.x[i], median: columns.mean[i], level: columns.level[i], low: columns.low[i], high: columns.high[i], below: columns.below[i] }));
}

/** What is in sight, for those who do not see it. */
export function saidOf(columns, marks, from, to) {
  const seen = rowsOf(columns, from, to, Infinity);
  const known = seen.filter((row) => row.level !== null);
  const days = `${seen.length} day${seen.length === 1 ? "" : "s"}`;
  const level = known.length ? `level from ${kilo(known[0].level)} to ${kilo(known.at(-1).level)} ${UNIT}` : "no level";
  const steps = marks.filter((m) => m.utc_ms >= from && m.utc_ms <= to).length;
  return `${days}; ${level}; ${steps ? `${steps} step${steps === 1 ? "" : "s"}` : "no step"}`;
}

/** What stands for what, of that which there is. */
export function keyOf(columns) {
  const some = (values) => values.some((v) => v !== null && v !== 0);
  const said = [
    [columns.mean, "dots: the days' medians"],
    [columns.level, "line: the level"],
    [columns.low, "band: where 95 % of the days should lie"],
    [columns.outlier.map((v, i) => (columns.mean[i] === null ? 0 : v)), "rings: load events"],
    [columns.below.map((v, i) => (columns.mean[i] === null ? v : null)), "hooks: days below what can be measured"],
  ];
  return said.filter(([values]) => some(values)).map(([, text]) => text).join("; ");
}
