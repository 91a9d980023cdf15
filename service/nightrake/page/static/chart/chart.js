// A set of charts over one time: torque, position below it when asked for, contacts as lanes, events, a table.

import { watch } from "./colours.js";
import { frame } from "./frame.js";
import { listen } from "./input.js";
import { near, shownOf } from "./laying.js";
import { Lanes } from "./lanes.js";
import { Plot, shortest } from "./plot.js";
import { nearest } from "./store.js";
import { fill, rowsOf } from "./table.js";
import { spanWords } from "./times.js";
import { UNIT, kilo, make, torqueWords } from "./words.js";

const CALM = window.matchMedia("(prefers-reduced-motion: reduce)");
const GLIDE_MS = 170;
const TORQUE = { unit: UNIT, scale: 1000, whole: true };
const POSITION = { unit: "mm", scale: 1, whole: false, times: false };

/** Height of a chart, px: less on a small screen. */
function tall(share, least, most) {
  return () => Math.round(Math.min(most, Math.max(least, window.innerHeight * share)));
}

/**
 * @typedef {Object} Source Where what is drawn comes from.
 * @property {(from: number, to: number, px: number) => void} want Have a span at hand; `changed` is called when more is.
 * @property {(name: string, from: number, to: number, px: number) => any} columns Of "torque" or "position", or null.
 * @property {(from: number, to: number, px: number) => import("./spans.js").Lane[]} lanes
 * @property {() => any[]} marks
 * @property {() => any[]} points
 * @property {() => string} words What is to be said of it: where it comes from, what is missing.
 */

export class Chart {
  /**
   * @param {HTMLElement} root @param {import("./view.js").View} view @param {import("./times.js").Wall} wall
   * @param {{name: string, ranges: [string, number][], now: () => number, ticks?: any, all?: string}} what
   */
  constructor(root, view, wall, what) {
    Object.assign(this, { root, view, wall, what });
    /** @type {Source} */
    this.source = null;
    this.position = null;
    this.glide = 0;
    this.frame = 0;
    this.pointer = null; // where it is over the chart, 0 left to 1 right
    Object.assign(this, frame(root, what, Boolean(view.fixed)));
    this.torque = new Plot(this.torquePlace, view, wall, { ...TORQUE, height: tall(0.42, 240, 420), ticks: what.ticks });
    this.lanes = new Lanes(this.canvas);
    this.#listen();
  }

  /** @param {Source} source */
  begin(source) {
    this.source = source;
    this.source.want(this.view.from, this.view.to, this.px);
    this.changed();
  }

  get px() {
    return Math.max(100, this.torque.edges[1] > 1 ? this.torque.edges[1] : this.torquePlace.clientWidth - 85);
  }

  // --- the view ---

  /** @param {(view: any) => void} act Changes it. @param {boolean} soft Go there in some steps. */
  to(act, soft = false) {
    const { view } = this;
    const [from, end] = [view.from, view.to];
    cancelAnimationFrame(this.glide);
    act(view);
    this.source?.want(view.from, view.to, this.px);
    if (soft && !CALM.matches && !document.hidden) this.#glide(from, end);
    else this.draw();
    this.tell();
  }

  #glide(from, end) {
    const { view } = this;
    const [toFrom, toEnd] = [view.from, view.to];
    const began = performance.now();
    const step = () => {
      const part = Math.min(1, (performance.now() - began) / GLIDE_MS);
      const way = 1 - (1 - part) ** 3;
      [view.from, view.to] = [from + (toFrom - from) * way, end + (toEnd - end) * way];
      this.draw(true);
      [view.from, view.to] = [toFrom, toEnd];
      if (part < 1) this.glide = requestAnimationFrame(step);
    };
    step();
  }

  /** More is at hand, or the view is another: draw it, once for each frame at most. */
  draw(at_once = false) {
    if (at_once) {
      cancelAnimationFrame(this.frame);
      this.frame = 0;
      this.#draw();
    } else if (!this.frame) {
      this.frame = requestAnimationFrame(() => {
        this.frame = 0;
        this.#draw();
      });
    }
  }

  changed() {
    this.draw();
    this.tell();
  }

  #draw() {
    const { view, source, px } = this;
    if (!source) return;
    const reach = view.span * 0.02;
    const span = [view.from - reach, view.to + reach, px];
    const marks = source.marks();
    const points = source.points();
    this.torqueColumns = source.columns("torque", ...span);
    this.torque.show({ columns: this.torqueColumns, marks, points, rows: !shownOf(marks).length ? 0 : px < 500 ? 2 : 3, fit: this.fits });
    if (this.position) {
      this.positionColumns = source.columns("position", ...span);
      this.position.show({ columns: this.positionColumns, marks });
    }
    this.lanesShown = source.lanes(...span);
    this.canvas.hidden = !this.lanesShown.length;
    if (this.lanesShown.length) this.lanes.draw(this.lanesShown, view, this.torque.edges);
    if (this.pointer !== null) this.#read();
  }

  // --- what is said ---

  tell() {
    const { view, wall } = this;
    const step = view.span / 1000;
    for (const button of this.buttons) button.setAttribute("aria-pressed", String(button.dataset.range === (view.named() || "")));
    this.nowButton?.toggleAttribute("disabled", view.follows);
    const live = view.follows && !document.documentElement.classList.contains("away");
    const span = `${wall.full(view.from, Math.max(1000, step))} to ${live ? "now" : wall.full(view.end, Math.max(1000, step))}`;
    this.span.textContent = `${span}, ${spanWords(view.span)}`;
    this.words.textContent = this.source?.words() || "";
    clearTimeout(this.telling);
    this.telling = setTimeout(() => this.#summary(), 600);
  }

  /** For those who do not see it: what is in sight, and the table if it is open. */
  #summary() {
    const rows = this.torqueColumns ? rowsOf(this.torqueColumns, this.view.from, this.view.to, 1) : [];
    const found = rows[0];
    const marks = shownOf(this.source?.marks() || []).filter((m) => m.utc_ms >= this.view.from && m.utc_ms <= this.view.to);
    const events = `${marks.length} event${marks.length === 1 ? "" : "s"}`;
    const torque = found && found.mean !== null ? `torque ${kilo(found.low)} to ${kilo(found.high)}, mean ${kilo(found.mean)} ${UNIT}` : "no torque";
    this.stage.setAttribute("aria-label", `${this.what.name}: ${this.span.textContent}; ${torque}; ${events}`);
    if (this.stage === document.activeElement) this.say.textContent = `${this.span.textContent}; ${torque}; ${events}`;
    if (this.details.open) this.#table(marks);
  }

  #table(marks) {
    const { view, wall } = this;
    const step = this.torqueColumns?.step || 1000;
    const rows = this.torqueColumns ? rowsOf(this.torqueColumns, view.from, view.to) : [];
    const heads = ["From", `Lowest, ${UNIT}`, "Mean", "Highest"];
    const cells = rows.map((r) => [wall.full(r.from, step), ...[r.low, r.mean, r.high].map((v) => (v === null ? "not read" : kilo(v)))]);
    fill(this.table, `Torque, ${this.span.textContent}`, heads, cells);
    const events = marks.slice(-100).map((m) => [wall.full(m.utc_ms, 1000), m.text]);
    fill(this.events, `Events, ${this.span.textContent}`, ["When", "What"], events.length ? events : [["\u2013", "none"]]);
  }

  /** What is under the pointer, in words. */
  #read(event) {
    const [left, width] = this.torque.edges;
    if (event) this.pointer = (event.clientX - this.stage.getBoundingClientRect().left - left) / width;
    const { wall } = this;
    const at = this.pointer === null ? null : this.view.from + this.pointer * this.view.span;
    const c = this.torqueColumns;
    if (at === null || !c || at < this.view.from || at > this.view.to) {
      this.readout.replaceChildren();
      return;
    }
    const words = [make("time", { text: wall.full(at, c.step >= 60000 ? 60000 : Math.min(c.step, 1000)) })];
    const i = nearest(c, at);
    if (i >= 0 && c.mean[i] !== null) words.push(...torqueWords(c, i));
    else if (!c.missing.some(([a, b]) => at >= a && at <= b)) words.push(make("span", { text: "not read" }));
    const p = this.positionColumns;
    const k = this.position && p ? nearest(p, at) : -1;
    if (k >= 0 && p.mean[k] !== null) words.push(make("span", { text: `${shortest(Number(p.mean[k].toFixed(2)))} mm` }));
    const lanes = width < 500 ? [] : this.lanesShown || [];
    for (const lane of lanes) if (lane.on.some(([a, b]) => at >= a && at <= b)) words.push(make("span", { text: lane.name }));
    const events = near(this.source.marks(), at, (6 / width) * this.view.span).slice(0, 3);
    words.push(...events.map((m) => make("b", { text: `${m.text}${m.from_utc_ms == null ? `, ${wall.full(m.utc_ms, 1000).split(" ").slice(3).join(" ")}` : ""}` })));
    this.readout.replaceChildren(...words);
  }

  #listen() {
    const now = () => this.what.now();
    this.buttons.forEach((b, i) => b.addEventListener("click", () => this.to((v) => v.show(this.what.ranges[i][1], now()), true)));
    this.allButton.addEventListener("click", () => this.to((v) => v.all(now()), true));
    this.nowButton?.addEventListener("click", () => this.to((v) => v.show(v.span, now()), true));
    this.closer.addEventListener("click", () => this.to((v) => v.zoom(0.5, v.follows ? 1 : 0.5, now()), true));
    this.farther.addEventListener("click", () => this.to((v) => v.zoom(2, v.follows ? 1 : 0.5, now()), true));
    this.fitButton.addEventListener("click", () => {
      this.fits = !this.fits;
      this.fitButton.setAttribute("aria-pressed", String(this.fits));
      this.draw();
    });
    this.positionButton.addEventListener("click", () => this.#position());
    this.details.addEventListener("toggle", () => this.#summary());
    const { view } = this;
    listen(this.stage, () => this.torque.edges, {
      view,
      zoom: (factor, at, soft) => this.to((v) => v.zoom(factor, at, now()), soft),
      pan: (part, soft) => this.to((v) => v.pan(part, now()), soft),
      set: (from, to) => this.to((v) => v.set(from, to, now())),
      now: () => this.to((v) => (v.fixed ? v.all(now()) : v.show(v.span, now())), true),
      all: () => this.to((v) => v.all(now()), true),
      hint: () => {
        this.hint.hidden = false;
        clearTimeout(this.hinting);
        this.hinting = setTimeout(() => (this.hint.hidden = true), 2500);
      },
    });
    this.stage.addEventListener("pointermove", (event) => this.#read(event));
    this.stage.addEventListener("pointerleave", () => {
      this.pointer = null;
      this.#read();
    });
    new ResizeObserver(() => {
      this.torque.resize();
      this.position?.resize();
      this.draw();
    }).observe(this.torquePlace);
    watch(() => {
      this.torque.redraw();
      this.position?.redraw();
      this.draw();
    });
  }

  #position() {
    const shown = this.positionPlace.hidden;
    this.positionPlace.hidden = !shown;
    this.positionButton.setAttribute("aria-pressed", String(shown));
    if (shown && !this.position) {
      const kind = { ...POSITION, height: tall(0.2, 130, 190), ticks: this.what.ticks };
      this.position = new Plot(this.positionPlace, this.view, this.wall, kind);
    }
    this.positionShown = shown;
    this.source.want(this.view.from, this.view.to, this.px);
    this.draw();
  }
}
