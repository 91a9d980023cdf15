// What part of time is shown. Pure: whoever changes it says what time it is.

export const RANGES = [
  ["10 min", 600e3],
  ["1 h", 3600e3],
  ["8 h", 8 * 3600e3],
  ["1 day", 86400e3],
  ["1 week", 7 * 86400e3],
  ["1 month", 30 * 86400e3],
  ["1 year", 365 * 86400e3],
];
const SHORTEST_MS = 2000;
export const AROUND_MS = 600e3; // what a link to a moment shows of it, unless it says
const AHEAD = 0.02; // of what is shown, right of now, so that the newest value does not lie on the edge

/**
 * The moment that an address leads to: `?at=UTC_MS&span=MS`.
 * @param {string} query @returns {{at: number, span: number} | null} null: it leads to none.
 */
export function momentOf(query) {
  const given = new URLSearchParams(query);
  const whole = (name) => (/^\d{1,15}$/.test(given.get(name) ?? "") ? Number(given.get(name)) : null);
  const at = whole("at");
  return at === null ? null : { at, span: whole("span") || AROUND_MS };
}

/** From when to when; `follows`: the right edge is now and goes on with it. */
export class View {
  /**
   * @param {number} span In ms. @param {number} now UTC in ms. @param {{fixed?: [number, number], shortest?: number}} [more]
   *   fixed: a record with a begin and an end in place of all time until now.
   */
  constructor(span, now, { fixed = null, shortest = SHORTEST_MS } = {}) {
    this.fixed = fixed;
    this.shortest = shortest;
    this.earliest = fixed ? fixed[0] : null; // when anything was recorded first; null: not known
    this.follows = !fixed;
    this.to = fixed ? fixed[1] : now + AHEAD * span;
    this.from = fixed ? fixed[0] : this.to - span;
  }

  get span() {
    return this.to - this.from;
  }

  /** The newest moment that can be shown. */
  last(now) {
    return this.fixed ? this.fixed[1] : now;
  }

  /** Everything that was recorded. */
  all(now) {
    const first = this.earliest ?? now - RANGES.at(-1)[1];
    const span = Math.max(this.last(now) - first, this.shortest);
    if (this.fixed) this.#put(first, this.last(now), now);
    else this.show((span * 1.01) / (1 - AHEAD), now);
  }

  /** So much, until now. */
  show(span, now) {
    this.follows = !this.fixed;
    this.#put(this.last(now) + AHEAD * span - span, this.last(now) + AHEAD * span, now);
  }

  /** Closer or farther; what lies at `at` (0 left, 1 right) stays there. */
  zoom(factor, at, now) {
    const span = Math.min(Math.max(this.span * factor, this.shortest), this.longest(now));
    if (this.follows && at > 0.9) {
      this.show(span, now);
      return;
    }
    const still = this.from + at * this.span;
    const place = (still - this.from) / this.span;
    this.#put(still - place * span, still + (1 - place) * span, now);
  }

  /** Sideways, by a part of what is shown. */
  pan(part, now) {
    const by = part * this.span;
    this.#put(this.from + by, this.to + by, now);
  }

  /** Exactly this. */
  set(from, to, now) {
    this.#put(from, to, now);
  }

  /** So much around a moment. */
  around(at, span, now) {
    const most = Math.min(Math.max(span, this.shortest), this.longest(now));
    this.#put(at - most / 2, at + most / 2, now);
  }

  /** The last moment that is shown; right of it there is only room. */
  get end() {
    return this.follows ? this.to - AHEAD * this.span : this.to;
  }

  /** Time has gone on. @returns {boolean} Whether that moves anything. */
  tick(now) {
    if (!this.follows) return false;
    const span = this.span;
    this.to = now + AHEAD * span;
    this.from = this.to - span;
    return true;
  }

  longest(now) {
    const all = this.earliest === null ? 0 : this.last(now) - this.earliest;
    return this.fixed ? this.fixed[1] - this.fixed[0] : Math.max(all * 1.1, RANGES.at(-1)[1] * 1.1);
  }

  #put(from, to, now) {
    const span = Math.min(Math.max(to - from, this.shortest), this.longest(now));
    const middle = (from + to) / 2;
    if (Math.abs(to - from - span) > 1) [from, to] = [middle - span / 2, middle + span / 2];
    const right = this.last(now) + (this.fixed ? 0 : AHEAD * span);
    const left = this.fixed ? this.fixed[0] : (this.earliest ?? 0) - span * 0.05;
    if (to > right) [from, to] = [right - span, right];
    else if (from < left && left + span <= right) [from, to] = [left, left + span];
    this.from = from;
    this.to = to;
    if (!this.fixed) this.follows = to >= right - span * 1e-6;
  }

  /** The range of which this is one, or null. */
  named() {
    const found = RANGES.find(([, span]) => Math.abs(this.span / span - 1) < 0.005);
    return this.follows && found ? found[0] : null;
  }
}
