// The chart of one trip record: every reading before and after, the contact's own moment as 0.

import { Asker, ask } from "./chart/asking.js";
import { Chart } from "./chart/chart.js";
import { Series } from "./chart/store.js";
import { Wall, spanWords } from "./chart/times.js";
import { View } from "./chart/view.js";

const MOST = 4000; // readings or columns of one answer
const RANGES = [["20 s", 20e3], ["2 min", 120e3], ["10 min", 600e3], ["1 h", 3600e3]];
const BEFORE = 2 / 3; // of what is shown first lies before the trip
const STEPS = [50, 100, 200, 500, 1e3, 2e3, 5e3, 10e3, 15e3, 30e3, 60e3, 120e3, 300e3, 600e3, 900e3, 1800e3, 3600e3, 7200e3, 14400e3];
const TONES = [[/^alarm/, "amber"], [/^shutdown/, "red"]];
const body = document.body;

/** Ticks in seconds before and after the trip. */
class Since {
  constructor(at) {
    this.at = at;
  }

  ticks(from, to, most) {
    const step = STEPS.find((s) => (to - from) / s <= most) || 4 * 3600e3;
    const found = [];
    for (let n = Math.ceil((from - this.at) / step); this.at + n * step <= to; n += 1) found.push(this.at + n * step);
    return { at: found, step };
  }

  labels(at) {
    return at.map((ms) => {
      const away = Math.round(ms - this.at);
      if (!away) return "0";
      return `${away < 0 ? "\u2212" : "+"}${clock(Math.abs(away))}`;
    });
  }
}

/** 50 s, 1:20 min, 2 min, 1:05 h */
function clock(ms) {
  const two = (n) => String(n).padStart(2, "0");
  const seconds = ms / 1000;
  if (seconds < 60) return `${Number(seconds.toFixed(2))} s`;
  const [hours, minutes] = [Math.floor(seconds / 3600), Math.floor(seconds / 60)];
  if (hours) return minutes % 60 ? `${hours}:${two(minutes % 60)} h` : `${hours} h`;
  return seconds % 60 ? `${minutes}:${two(seconds % 60)} min` : `${minutes} min`;
}

class Trip {
  constructor(root) {
    const { trip, at, from, to, marks } = root.dataset;
    this.trip = trip;
    this.at = Number(at);
    this.events = JSON.parse(marks);
    this.torque = new Series();
    this.position = new Series();
    this.set = [];
    this.lanesThen = [];
    this.why = "";
    this.view = new View(0, Number(to), { fixed: [Number(from), Number(to)], shortest: 1000 });
    this.#around(120e3);
    this.asker = new Asker((wish, signal) => this.#load(wish, signal), (why) => this.#failed(why));
    // A range is so much around the trip, not so much until now.
    this.view.show = (span) => this.#around(span);
    this.view.named = () => RANGES.find(([, span]) => this.#is(span))?.[0] ?? null;
    const what = { name: `Trip ${trip}`, ranges: RANGES, now: () => Number(to), ticks: new Since(this.at), all: "whole record" };
    this.chart = new Chart(root, this.view, new Wall(body.dataset.zone), what);
    this.chart.begin(this);
  }

  #around(span) {
    this.view.set(this.at - BEFORE * span, this.at + (1 - BEFORE) * span, this.view.fixed[1]);
  }

  #is(span) {
    return Math.abs(this.view.span / span - 1) < 0.005 && Math.abs(this.view.from + BEFORE * span - this.at) < 0.02 * span;
  }

  // --- what the chart asks (Source) ---

  want(from, to, px) {
    const span = to - from;
    const begin = Math.max(this.view.fixed[0], Math.floor(from - span / 2));
    const end = Math.min(this.view.fixed[1], Math.ceil(to + span / 2)) + 1;
    const asked = (end - begin) / Math.min(MOST, px * 4);
    if (!this.torque.pieces.some((p) => p.begin <= Math.max(from, begin) && p.end >= Math.min(to, end) && (p.every || p.asked <= asked * 1.6))) {
      this.asker.want({ begin, end, columns: Math.min(MOST, Math.round(px * 4)), asked });
    }
  }

  columns(name, from, to, px) {
    return this[name].columns(from, to, (to - from) / px);
  }

  lanes() {
    return this.lanesThen;
  }

  marks() {
    return this.events;
  }

  points() {
    return this.set;
  }

  words() {
    if (this.why) return `Not all can be shown: ${this.why}.`;
    const piece = this.torque.pieces.at(-1);
    if (!piece) return "";
    return piece.every ? "every reading" : `a column is ${spanWords(piece.step)}`;
  }

  // ---

  async #load({ begin, end, columns, asked }, signal) {
    const told = await ask(`trips/${encodeURIComponent(this.trip)}/readings`, { begin, end, columns }, signal);
    this.set = told.set_points;
    this.#lanes(told.lanes, told.begin_utc_ms, told.end_utc_ms);
    for (const [name, series] of [["torque_nm", this.torque], ["position_mm", this.position]]) {
      const one = told.signals[name];
      if (one) series.keep(pieceOfReadings(one, told, asked));
    }
    this.chart.changed();
  }

  #lanes(lanes, begin, end) {
    const inMs = (spans) => spans.map(([a, b]) => [a * 1000, b * 1000]);
    this.lanesThen = lanes.map((lane) => {
      const unknown = inMs(lane.unknown);
      let known = [[begin, end]];
      for (const [a, b] of unknown) {
        known = known.flatMap(([c, d]) => [[c, Math.min(d, a)], [Math.max(c, b), d]].filter(([x, y]) => y > x));
      }
      const tone = TONES.find(([is]) => is.test(lane.name))?.[1];
      return { name: lane.name, tone, on: inMs(lane.on).map(([a, b]) => [a, b, 1]), known };
    });
  }

  #failed(why) {
    this.why = why;
    this.chart.changed();
  }
}

/** Readings as the chart keeps them; a hole between two is left open. */
export function pieceOfReadings(one, told, asked) {
  const every = one.grain === "reading";
  const span = told.end_utc_ms - told.begin_utc_ms;
  const x = one.utc_s.map((s) => s * 1000);
  const steps = x.slice(1).map((v, i) => v - x[i]).sort((a, b) => a - b);
  const usual = steps[steps.length >> 1] || span;
  const piece = { begin: told.begin_utc_ms, end: told.end_utc_ms, step: usual, asked, until: told.end_utc_ms, at: told.end_utc_ms, every };
  const columns = { x: [], low: [], mean: [], high: [], uncertainty: [], bad: [], limit: [] };
  const put = (at, low, mean, high, uncertainty, limit) => {
    columns.x.push(at);
    columns.low.push(low);
    columns.mean.push(mean);
    columns.high.push(high);
    columns.uncertainty.push(uncertainty);
    columns.bad.push(null);
    columns.limit.push(limit);
  };
  x.forEach((at, i) => {
    if (i && at - x[i - 1] > Math.max(5 * usual, 1000)) put(x[i - 1] + 1, null, null, null, null, null);
    const mean = one.mean[i];
    put(at, one.min?.[i] ?? mean, mean, one.max?.[i] ?? mean, one.uncertainty?.[i] ?? null, one.limit?.[i] ?? null);
  });
  return { ...piece, ...columns };
}

for (const root of document.querySelectorAll(".chart[data-trip]")) {
  if (window.uPlot) new Trip(root);
  else root.textContent = "The charts are not installed; install the package anew where it can reach the npm registry.";
}
