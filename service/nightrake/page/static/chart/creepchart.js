// The chart of one direction's creep: each day's median as a dot, the level with its band, the set points, the steps.

import { colours, watch } from "./colours.js";
import { daysOf, keyOf, rowsOf, saidOf, stepsOf } from "./creepdays.js";
import { frame } from "./frame.js";
import { listen } from "./input.js";
import { near } from "./laying.js";
import { Plot } from "./plot.js";
import { nearest } from "./store.js";
import { fill } from "./table.js";
import { Wall, spanWords } from "./times.js";
import { View } from "./view.js";
import { UNIT, kilo, make } from "./words.js";

const DAY = 86400e3;
const RANGES = [["1 month", 30 * DAY], ["3 months", 91 * DAY], ["1 year", 365 * DAY], ["2 years", 730 * DAY]];
const SHORTEST_MS = 7 * DAY;

export class CreepChart {
  /** @param {HTMLElement} root @param {any} side As the server has it, with its days. @param {number} judged UTC, ms. */
  constructor(root, side, judged) {
    this.columns = daysOf(side.days);
    this.marks = stepsOf(side.shifts);
    this.points = ["alarm", "shutdown"].filter((stage) => side[`${stage}_nm`]).map((stage) => ({ stage, direction: side.direction, torque_nm: side[`${stage}_nm`] }));
    const [first, last] = [this.columns.x[0], this.columns.x.at(-1)];
    this.end = Math.max(last + DAY, Math.min(judged, last + 30 * DAY));
    this.wall = new Wall(document.body.dataset.zone);
    this.view = new View(0, this.end, { fixed: [Math.min(first - DAY, this.end - SHORTEST_MS), this.end], shortest: SHORTEST_MS });
    this.name = root.dataset.name || "Creep";
    const whole = this.view.span;
    this.ranges = RANGES.filter(([, span]) => span < whole);
    Object.assign(this, frame(root, { name: this.name, ranges: this.ranges }, true));
    this.details.querySelector("[role=region]").setAttribute("aria-label", `Numbers: ${this.name}`);
    this.positionButton.remove();
    this.canvas.remove();
    const height = () => Math.round(Math.min(360, Math.max(220, window.innerHeight * 0.36)));
    this.plot = new Plot(this.torquePlace, this.view, this.wall, { unit: UNIT, scale: 1000, whole: true, height, dots: true, over: (u) => this.#over(u) });
    this.words.textContent = keyOf(this.columns);
    this.#listen();
    this.#draw();
    this.#tell();
  }

  // --- the view ---

  #to(act) {
    act(this.view);
    this.#draw();
    this.#tell();
  }

  #draw() {
    const rows = this.marks.length ? (this.torquePlace.clientWidth < 500 ? 2 : 3) : 0;
    this.plot.show({ columns: this.columns, marks: this.marks, points: this.points, rows, fit: this.fits });
  }

  /** The level across the dots, and rings around the days that were taken as load events. */
  #over(u) {
    const { ctx, bbox } = u;
    const dpr = window.devicePixelRatio || 1;
    const { x, mean, level, outlier, below } = this.columns;
    const tone = colours();
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    ctx.strokeStyle = tone.ink;
    ctx.lineWidth = 2 * dpr;
    ctx.lineJoin = "round";
    ctx.beginPath();
    let drawing = false;
    const at = (ms, nm) => [u.valToPos(ms, "x", true), u.valToPos(nm, "y", true)];
    for (let i = 0; i < x.length; i += 1) {
      if (level[i] === null) drawing = false;
      else {
        ctx[drawing ? "lineTo" : "moveTo"](...at(x[i], level[i]));
        drawing = true;
      }
    }
    ctx.stroke();
    ctx.strokeStyle = tone.soft;
    ctx.lineWidth = dpr;
    ctx.beginPath();
    for (let i = 0; i < x.length; i += 1) {
      if (outlier[i] && mean[i] !== null) {
        const [left, top] = at(x[i], mean[i]);
        ctx.moveTo(left + 5 * dpr, top);
        ctx.arc(left, top, 5 * dpr, 0, 2 * Math.PI);
      } else if (mean[i] === null && below[i] !== null) {
        const [left, top] = at(x[i], below[i]);
        ctx.moveTo(left - 3 * dpr, top);
        ctx.lineTo(left, top + 3 * dpr);
        ctx.lineTo(left + 3 * dpr, top);
      }
    }
    ctx.stroke();
    ctx.restore();
  }

  // --- what is said ---

  #tell() {
    const { view, wall } = this;
    const all = Math.abs(view.span - (view.fixed[1] - view.fixed[0])) < DAY;
    for (const [i, button] of this.buttons.entries()) {
      button.setAttribute("aria-pressed", String(!all && Math.abs(view.span / this.ranges[i][1] - 1) < 0.005 && view.to > this.end - DAY));
    }
    this.allButton.setAttribute("aria-pressed", String(all));
    this.span.textContent = `${wall.full(view.from, DAY)} to ${wall.full(view.to, DAY)}, ${spanWords(view.span)}`;
    const said = saidOf(this.columns, this.marks, view.from, view.to);
    this.stage.setAttribute("aria-label", `${this.name}: ${this.span.textContent}; ${said}`);
    if (this.stage === document.activeElement) this.say.textContent = `${this.span.textContent}; ${said}`;
    if (this.details.open) this.#table();
  }

  #table() {
    const { view, wall } = this;
    const rows = rowsOf(this.columns, view.from, view.to);
    const cell = (nm) => (nm === null ? "\u2013" : kilo(nm));
    const cells = rows.map((r) => [wall.full(r.at, DAY), r.median === null && r.below !== null ? `below ${kilo(r.below)}` : cell(r.median), cell(r.level), cell(r.low), cell(r.high)]);
    fill(this.table, `Days, ${this.span.textContent}`, ["Day", `Median, ${UNIT}`, "Level", "Band from", "to"], cells);
    const steps = this.marks.filter((m) => m.utc_ms >= view.from && m.utc_ms <= view.to).map((m) => [wall.full(m.utc_ms, DAY), m.text]);
    fill(this.events, `Steps of the level, ${this.span.textContent}`, ["When", "What"], steps.length ? steps : [["\u2013", "none"]]);
  }

  /** What is under the pointer, in words. */
  #read(event) {
    const [left, width] = this.plot.edges;
    const part = event ? (event.clientX - this.stage.getBoundingClientRect().left - left) / width : -1;
    const at = this.view.from + part * this.view.span;
    const i = part < 0 || part > 1 ? -1 : nearest(this.columns, at);
    if (i < 0) {
      this.readout.replaceChildren();
      return;
    }
    const { x, mean, low, high, level, outlier, below } = this.columns;
    const words = [make("time", { text: this.wall.full(x[i], DAY) })];
    if (mean[i] !== null) words.push(make("b", { text: `${kilo(mean[i])} ${UNIT}` }));
    else words.push(make("span", { text: below[i] !== null ? `below ${kilo(below[i])} ${UNIT}` : "not read" }));
    if (level[i] !== null) words.push(make("span", { text: `level ${kilo(level[i])}` }));
    if (low[i] !== null && high[i] !== null) words.push(make("span", { text: `band ${kilo(low[i])} to ${kilo(high[i])}` }));
    if (outlier[i]) words.push(make("span", { text: "a load event" }));
    for (const mark of near(this.marks, at, (6 / width) * this.view.span).slice(0, 2)) words.push(make("b", { text: mark.text }));
    this.readout.replaceChildren(...words);
  }

  #listen() {
    const { end } = this;
    this.buttons.forEach((b, i) => b.addEventListener("click", () => this.#to((v) => v.show(this.ranges[i][1], end))));
    this.allButton.addEventListener("click", () => this.#to((v) => v.all(end)));
    this.closer.addEventListener("click", () => this.#to((v) => v.zoom(0.5, 1, end)));
    this.farther.addEventListener("click", () => this.#to((v) => v.zoom(2, 1, end)));
    this.fitButton.addEventListener("click", () => {
      this.fits = !this.fits;
      this.fitButton.setAttribute("aria-pressed", String(this.fits));
      this.#draw();
    });
    this.details.addEventListener("toggle", () => this.#tell());
    listen(this.stage, () => this.plot.edges, {
      view: this.view,
      zoom: (factor, at) => this.#to((v) => v.zoom(factor, at, end)),
      pan: (part) => this.#to((v) => v.pan(part, end)),
      set: (from, to) => this.#to((v) => v.set(from, to, end)),
      now: () => this.#to((v) => v.set(end - v.span, end, end)),
      all: () => this.#to((v) => v.all(end)),
      hint: () => {
        this.hint.hidden = false;
        clearTimeout(this.hinting);
        this.hinting = setTimeout(() => (this.hint.hidden = true), 2500);
      },
    });
    this.stage.addEventListener("pointermove", (event) => this.#read(event));
    this.stage.addEventListener("pointerleave", () => this.#read());
    new ResizeObserver(() => {
      this.plot.resize();
      this.#draw();
    }).observe(this.torquePlace);
    watch(() => this.plot.redraw());
  }
}
