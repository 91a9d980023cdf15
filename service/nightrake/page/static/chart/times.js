// Times on the site's wall: where the marks of an axis stand, and what is written there.

const SECOND = 1000;
const MINUTE = 60 * SECOND;
const HOUR = 60 * MINUTE;
const DAY = 24 * HOUR;
const STEPS = [
  100, 200, 500, SECOND, 2 * SECOND, 5 * SECOND, 10 * SECOND, 15 * SECOND, 30 * SECOND,
  MINUTE, 2 * MINUTE, 5 * MINUTE, 10 * MINUTE, 15 * MINUTE, 30 * MINUTE, HOUR, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR,
];
const DAYS = [1, 2, 7, 14];
const MONTHS = [1, 2, 3, 6, 12, 24, 60, 120];
const NAMES = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const BUCKET = 15 * MINUTE; // no zone of this century changes at another minute
const MOST_KEPT = 4096;
const two = (n) => String(n).padStart(2, "0");

/** The clock of one zone of the time zone database; of UTC where the browser knows no such zone. */
export class Wall {
  constructor(zone) {
    const wanted = { hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric" };
    try {
      this.format = new Intl.DateTimeFormat("en-GB", { ...wanted, timeZone: zone });
    } catch {
      this.format = new Intl.DateTimeFormat("en-GB", { ...wanted, timeZone: "UTC" });
    }
    this.kept = new Map();
  }

  /** What the wall is ahead of UTC, in ms. */
  ahead(utcMs) {
    const bucket = Math.floor(utcMs / BUCKET);
    let ahead = this.kept.get(bucket);
    if (ahead === undefined) {
      const at = bucket * BUCKET;
      const part = {};
      for (const { type, value } of this.format.formatToParts(new Date(at))) part[type] = Number(value);
      ahead = Date.UTC(part.year, part.month - 1, part.day, part.hour, part.minute, part.second) - at;
      if (this.kept.size >= MOST_KEPT) this.kept.clear();
      this.kept.set(bucket, ahead);
    }
    return ahead;
  }

  /** A moment as the wall shows it, as if that were UTC. */
  shown(utcMs) {
    return new Date(utcMs + this.ahead(utcMs));
  }

  /** When the wall shows this. In an hour that it shows twice: the first time. */
  moment(wallMs) {
    const first = wallMs - this.ahead(wallMs - 12 * HOUR);
    if (first + this.ahead(first) === wallMs) return first;
    return wallMs - this.ahead(wallMs - this.ahead(wallMs));
  }

  /**
   * @returns {{at: number[], step: number}} Round times of the wall in a span, at most so many; step in ms, of months
   *   and years too.
   */
  ticks(from, to, most) {
    const step = STEPS.find((s) => (to - from) / s <= most);
    if (step) return { at: this.#even(from, to, step), step };
    const days = DAYS.find((d) => (to - from) / (d * DAY) <= most);
    if (days) return { at: this.#days(from, to, days), step: days * DAY };
    const months = MONTHS.find((m) => (to - from) / (m * 30.4 * DAY) <= most) || 1200;
    return { at: this.#months(from, to, months), step: months * 30 * DAY };
  }

  #even(from, to, step) {
    const found = [];
    let ahead = this.ahead(from);
    for (let at = Math.ceil((from + ahead) / step) * step - ahead; at <= to; at += step) {
      const now = this.ahead(at);
      if (now !== ahead) {
        ahead = now;
        at = Math.ceil((at + ahead) / step) * step - ahead;
        if (at > to) break;
      }
      if (at >= from) found.push(at);
    }
    return found;
  }

  #days(from, to, days) {
    const found = [];
    let day = Math.floor((from + this.ahead(from)) / DAY);
    if (days >= 7) day -= (((day + 3) % 7) + 7) % 7; // weeks begin on Mondays
    else day -= day % days;
    for (; ; day += days) {
      const at = this.moment(day * DAY);
      if (at > to) return found;
      if (at >= from) found.push(at);
    }
  }

  #months(from, to, months) {
    const found = [];
    const first = this.shown(from);
    let month = first.getUTCFullYear() * 12 + first.getUTCMonth();
    month -= month % months;
    for (; ; month += months) {
      const at = this.moment(Date.UTC(Math.floor(month / 12), month % 12, 1));
      if (at > to) return found;
      if (at >= from) found.push(at);
    }
  }

  /** What is written at the ticks: a line, and below it the day or year where it is another than at the tick before. */
  labels(at, step) {
    let before = "";
    return at.map((ms) => {
      const shown = this.shown(ms);
      const day = `${shown.getUTCDate()} ${NAMES[shown.getUTCMonth()]}`;
      const year = String(shown.getUTCFullYear());
      const [upper, lower] =
        step < DAY ? [clockOf(shown, step), day] : step < 28 * DAY ? [day, year] : step < 360 * DAY ? [NAMES[shown.getUTCMonth()], year] : [year, ""];
      const below = lower === before ? "" : lower;
      before = lower;
      return below ? `${upper}\n${below}` : upper;
    });
  }

  /** A moment in full, as precisely as the width of a column asks for. */
  full(utcMs, stepMs) {
    const shown = this.shown(utcMs);
    const date = `${shown.getUTCDate()} ${NAMES[shown.getUTCMonth()]} ${shown.getUTCFullYear()}`;
    if (stepMs >= DAY) return date;
    return `${date} ${clockOf(shown, stepMs)}${this.#which(utcMs)}`;
  }

  /** In an hour that the wall shows twice: which of the two. */
  #which(utcMs) {
    const ahead = this.ahead(utcMs);
    const twin = [-HOUR, HOUR].some((d) => utcMs + d + this.ahead(utcMs + d) === utcMs + ahead);
    return twin ? ` (UTC${ahead < 0 ? "\u2212" : "+"}${Math.abs(ahead) / HOUR})` : "";
  }
}

function clockOf(shown, step) {
  const minutes = `${two(shown.getUTCHours())}:${two(shown.getUTCMinutes())}`;
  if (step >= MINUTE) return minutes;
  const seconds = `${minutes}:${two(shown.getUTCSeconds())}`;
  return step >= SECOND ? seconds : `${seconds}.${Math.floor(shown.getUTCMilliseconds() / 100)}`;
}

/** A span in words, exact where it is round: "10 s", "1.5 h", "30 d". */
export function spanWords(ms) {
  for (const [unit, size] of [["d", DAY], ["h", HOUR], ["min", MINUTE], ["s", SECOND]]) {
    if (ms >= size) return `${Number((ms / size).toFixed(1))} ${unit}`;
  }
  return `${Math.round(ms)} ms`;
}
