// One chart of one number over time: a line, the band from lowest to highest, its uncertainty, its set points.

import { FONT, colours, thin } from "./colours.js";
import { drawGaps, drawMarks, roomOf } from "./marks.js";
import { spots } from "./spots.js";
import { lowest } from "./store.js";

const AXIS_PX = 52;
const LABEL_PX = 66; // between two times below
const UNIT_PX = 22; // room for the unit above the heights
const RIGHT_PX = LABEL_PX / 2; // half of one has room beyond the edge

/** @typedef {{columns: any, marks: any[], points: {torque_nm: number, stage: string, direction: string}[],
 *   fit: boolean, rows: number}} Shown What a chart shows now. */

export class Plot {
  /**
   * @param {HTMLElement} place @param {import("./view.js").View} view @param {import("./times.js").Wall} wall
   * @param {{unit: string, scale: number, height: number, decimals: number, whole: boolean, ticks?: any, dots?: boolean,
   *   over?: (u: any) => void}} kind scale: by what a value is divided to be of the unit. whole: 0 and the set points are
   *   always in sight. dots: the values are dots, and no line. over: draws on top of all.
   */
  constructor(place, view, wall, kind) {
    this.place = place;
    this.view = view;
    this.wall = wall;
    this.kind = kind;
    /** @type {Shown} */
    this.shown = { columns: null, marks: [], points: [], fit: false, rows: 0 };
    this.u = null;
  }

  /** @param {Partial<Shown>} shown */
  show(shown) {
    const { rows } = this.shown;
    Object.assign(this.shown, shown);
    const c = this.shown.columns;
    const u = this.u || this.#made();
    if (this.shown.rows !== rows) u.redraw(false, true); // room for words above, which it takes anew only when told to
    if (!c) return;
    const u1 = c.uncertainty;
    const above = c.high.map((v, i) => (v === null || u1[i] === null ? null : v + u1[i]));
    const below = c.low.map((v, i) => (v === null || u1[i] === null ? null : v - u1[i]));
    u.setData([c.x, above, below, c.high, c.low, c.mean], false);
    this.move();
  }

  /** The view has changed. */
  move() {
    this.u?.setScale("x", { min: this.view.from, max: this.view.to });
  }

  redraw() {
    this.u?.redraw(false, true);
  }

  resize() {
    const width = this.place.clientWidth;
    if (this.u && width > 0 && width !== this.u.width) this.u.setSize({ width, height: this.kind.height() });
  }

  /** The part of the page on which it is drawn, px of CSS from its left: begin and width. */
  get edges() {
    return this.u ? [this.u.over.offsetLeft, this.u.over.clientWidth] : [0, 1];
  }

  #made() {
    const { kind } = this;
    const font = `12px ${FONT}`;
    const grid = { stroke: () => thin(colours()["rule-strong"], 0.22), width: 1 };
    const line = { spanGaps: false, points: { show: false }, scale: "y" };
    const alone = (u, i) => isolated(u.data[i]);
    const points = { show: true, filter: alone, size: 4, width: 0, fill: () => colours().ink, stroke: () => colours().ink };
    const dots = { show: true, size: 4, width: 0, fill: () => colours().value, stroke: () => colours().value };
    this.u = new window.uPlot(
      {
        width: Math.max(this.place.clientWidth, 50),
        height: kind.height(),
        padding: [() => (this.shown.rows ? roomOf(this.shown.rows) : UNIT_PX), RIGHT_PX, 0, 0],
        legend: { show: false },
        cursor: { y: false, points: { show: false }, drag: { x: false, y: false, setScale: false }, bind: { dblclick: () => null } },
        scales: {
          x: { time: false, range: () => [this.view.from, this.view.to] },
          y: { range: (u, low, high) => this.#heights(low, high) },
        },
        axes: [
          {
            stroke: () => colours().soft,
            font,
            size: kind.times === false ? 8 : 40,
            gap: 4,
            grid,
            ticks: { show: false },
            splits: (u, _, min, max) => this.#ticks(u, min, max).at,
            values: (u, at) => kind.times === false ? at.map(() => "") : (kind.ticks || this.wall).labels(at, this.#ticks(u, u.scales.x.min, u.scales.x.max).step),
          },
          {
            stroke: () => colours().soft,
            font,
            size: AXIS_PX,
            gap: 6,
            space: 34,
            grid,
            ticks: { show: false },
            values: (u, at) => at.map((v) => shortest(v / kind.scale)),
          },
        ],
        series: [
          {},
          { ...line, width: 0 },
          { ...line, width: 0 },
          { ...line, width: 0 },
          { ...line, width: 0 },
          kind.dots ? { ...line, width: 0, points: dots } : { ...line, width: 1.25, stroke: (u) => this.#line(u), points },
        ],
        bands: [
          { series: [1, 2], fill: () => thin(colours().value, 0.16) },
          { series: [3, 4], fill: () => thin(colours().value, 0.42) },
        ],
        hooks: {
          drawClear: [(u) => this.#under(u)],
          draw: [(u) => this.#over(u)],
        },
      },
      [[], [], [], [], [], []],
      this.place,
    );
    return this.u;
  }

  #ticks(u, min, max) {
    const most = Math.max(2, Math.floor((u.bbox.width / (window.devicePixelRatio || 1) || 300) / LABEL_PX));
    return (this.kind.ticks || this.wall).ticks(min, max, most);
  }

  #heights(low, high) {
    const { points, fit } = this.shown;
    const some = (v) => v !== null && Number.isFinite(v);
    if (!fit && this.kind.whole) {
      const set = points.map((p) => p.torque_nm);
      low = Math.min(0, some(low) ? low * 1.05 : 0, ...set.map((v) => v * 1.1));
      high = Math.max(some(high) ? high * 1.05 : 1, ...set.map((v) => v * 1.1));
      return low === high ? [low, low + 1] : [low, high];
    }
    if (!some(low) || !some(high)) return [0, this.kind.scale];
    const pad = (high - low) * 0.08 || Math.abs(high) * 0.02 || this.kind.scale * 0.01;
    return [low - pad, high + pad];
  }

  /** The line has the colour of what it has passed: drawn across it, from the set points on. */
  #line(u) {
    const tone = colours();
    const set = this.shown.points;
    const { top, height } = u.bbox;
    if (!set.length || !(height > 0)) return tone.ink;
    const made = u.ctx.createLinearGradient(0, top, 0, top + height);
    const place = (nm) => Math.min(1, Math.max(0, (u.valToPos(nm, "y", true) - top) / height));
    const stops = [];
    for (const sign of [1, -1]) {
      const at = (stage) => set.filter((p) => p.stage === stage && p.torque_nm * sign > 0).map((p) => place(p.torque_nm))[0];
      const [alarm, shutdown] = [at("alarm"), at("shutdown")];
      const edges = [[shutdown, "red", "amber"], [alarm, "amber", "ink"]].filter(([v]) => v !== undefined);
      if (alarm === undefined && edges.length) edges[0][2] = "ink";
      for (const [v, beyond, inside] of edges) stops.push([v, sign > 0 ? beyond : inside], [v, sign > 0 ? inside : beyond]);
    }
    if (!stops.length) return tone.ink;
    stops.sort((a, b) => a[0] - b[0]);
    for (const [v, name] of stops) made.addColorStop(v, tone[name]);
    return made;
  }

  #under(u) {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.fillStyle = thin(colours().track, 0.5);
    for (const [from, to] of this.shown.columns?.missing || []) {
      const left = Math.max(bbox.left, u.valToPos(from, "x", true));
      const right = Math.min(bbox.left + bbox.width, u.valToPos(to, "x", true));
      if (right > left) ctx.fillRect(left, bbox.top, right - left, bbox.height);
    }
    ctx.restore();
    drawGaps(u, this.shown.marks);
  }

  #over(u) {
    this.kind.over?.(u);
    this.#unit(u);
    this.#setPoints(u);
    if (this.shown.rows) drawMarks(u, this.shown.marks, this.shown.rows);
    else this.#lines(u);
  }

  /** Of events that another chart above names. */
  #lines(u) {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.strokeStyle = thin(colours().soft, 0.3);
    ctx.lineWidth = window.devicePixelRatio || 1;
    ctx.beginPath();
    for (const mark of this.shown.marks) {
      const x = Math.round(u.valToPos(mark.utc_ms, "x", true)) + 0.5;
      if (mark.kind === "released" || x < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.moveTo(x, bbox.top);
      ctx.lineTo(x, bbox.top + bbox.height);
    }
    ctx.stroke();
    ctx.restore();
  }

  /** Whether the line runs where words would stand. Places are px of CSS from the chart's upper left corner. */
  #runs(u, { side, top, foot }, wide) {
    const { x = [], low, high } = this.shown.columns || {};
    const [from, to] = side === "right" ? [u.posToVal(u.over.clientWidth - wide, "x"), Infinity] : [-Infinity, u.posToVal(wide, "x")];
    for (let i = Math.max(1, lowest(x, from)); i < x.length && x[i - 1] <= to; i += 1) {
      if (low[i] === null || low[i - 1] === null) continue;
      const [above, below] = [Math.max(high[i], high[i - 1]), Math.min(low[i], low[i - 1])];
      if (u.valToPos(above, "y") <= foot && u.valToPos(below, "y") >= top) return true;
    }
    return false;
  }

  #setPoints(u) {
    const { ctx, bbox } = u;
    const dpr = window.devicePixelRatio || 1;
    const tone = colours();
    ctx.save();
    ctx.font = `${12 * dpr}px ${FONT}`;
    const two = new Set(this.shown.points.map((p) => p.direction)).size > 1;
    const box = { top: 0, foot: bbox.height / dpr, width: bbox.width / dpr };
    const lines = [];
    for (const point of this.shown.points) {
      const y = u.valToPos(point.torque_nm, "y");
      if (y < -1 || y > box.foot + 1) continue;
      const text = `${point.stage}${two ? ` ${point.direction}` : ""} ${shortest(point.torque_nm / this.kind.scale)} ${this.kind.unit}`;
      lines.push({ y, text, stop: point.stage === "shutdown", wide: ctx.measureText(text).width / dpr + 14 });
    }
    for (const { y, stop } of lines) {
      ctx.strokeStyle = stop ? tone.soft : tone["rule-strong"];
      ctx.lineWidth = (stop ? 2 : 1) * dpr;
      ctx.setLineDash(stop ? [] : [2 * dpr, 3 * dpr]);
      ctx.beginPath();
      ctx.moveTo(bbox.left, Math.round(bbox.top + y * dpr) + 0.5);
      ctx.lineTo(bbox.left + bbox.width, Math.round(bbox.top + y * dpr) + 0.5);
      ctx.stroke();
    }
    ctx.setLineDash([]);
    spots(lines, box, (spot, wide) => this.#runs(u, spot, wide)).forEach(({ side, below }, i) => {
      const { y, text } = lines[i];
      ctx.textAlign = side;
      const x = side === "left" ? bbox.left + 6 * dpr : bbox.left + bbox.width - 6 * dpr;
      ctx.textBaseline = below ? "top" : "bottom";
      const at = bbox.top + (y + (below ? 4 : -3)) * dpr;
      ctx.lineWidth = 4 * dpr;
      ctx.lineJoin = "round";
      ctx.strokeStyle = thin(tone.paper, 0.8);
      ctx.strokeText(text, x, at);
      ctx.fillStyle = tone.soft;
      ctx.fillText(text, x, at);
    });
    ctx.restore();
  }

  /** Of the heights, above them: set points that say it may be out of sight. */
  #unit(u) {
    const { ctx, bbox } = u;
    const dpr = window.devicePixelRatio || 1;
    ctx.save();
    ctx.font = `${12 * dpr}px ${FONT}`;
    ctx.textAlign = "right";
    ctx.textBaseline = "bottom";
    ctx.fillStyle = colours().soft;
    ctx.fillText(this.kind.unit, bbox.left - 6 * dpr, bbox.top - 8 * dpr);
    ctx.restore();
  }
}

/** Columns with nothing to the left and right: a line would not show them. */
export function isolated(values) {
  const found = [];
  for (let i = 0; i < values.length; i += 1) {
    if (values[i] != null && values[i - 1] == null && values[i + 1] == null) found.push(i);
  }
  return found;
}

export function shortest(value) {
  return String(Number(value.toPrecision(6))).replace("-", "\u2212");
}

