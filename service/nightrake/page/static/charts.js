// The charts of a drive's page: what is kept, asked for as it is wanted, and the newest readings as they come.

import { Asker, ask } from "./chart/asking.js";
import { Chart } from "./chart/chart.js";
import { States, continued, laneOf, settledOf } from "./chart/spans.js";
import { Series, opened, pieceOf } from "./chart/store.js";
import { Wall, spanWords } from "./chart/times.js";
import { RANGES, View, momentOf } from "./chart/view.js";

const MOST = 2000; // columns of one answer
const MARKS_FRESH_MS = 30000;
const TELL_MS = 5000;
const STAGES = { alarm: "amber", shutdown: "red" };
const GRAINS = { reading: "readings", minute: "minute summaries", hour: "hour summaries", day: "day summaries" };

const body = document.body;
let offset = (Number(body.dataset.now) || Date.now()) - Date.now();
const now = () => Date.now() + offset;

/** All of one drive. */
class Drive {
  constructor(root) {
    this.drive = root.dataset.drive;
    this.series = { torque_nm: new Series(), position_mm: new Series() };
    this.states = new Map(); // of these signals, as they are told
    this.lanesOf = []; // signals that are 0 or 1: [name, stage or "", words]
    this.summed = new Set(); // those of them that were given out of summaries
    this.kept = { marks: [], begin: 0, end: 0, at: 0, span: Infinity };
    this.set = [];
    this.notes = [];
    this.why = "";
    this.grain = "";
    this.step = 0;
    this.stood = document.documentElement.classList.contains("away"); // and has not gone on yet
    this.asker = new Asker((wish, signal) => this.#load(wish, signal), (why) => this.#failed(why));
    const wall = new Wall(body.dataset.zone);
    this.view = new View(RANGES[1][1], now());
    const moment = momentOf(window.location.search);
    if (moment) this.view.around(moment.at, moment.span, now());
    this.chart = new Chart(root, this.view, wall, { name: `History of ${this.drive}`, ranges: RANGES, now });
    this.chart.begin(this);
    this.#know();
    this.#live();
    this.#links();
  }

  // --- what the chart asks (Source) ---

  want(from, to, px) {
    const most = Math.min(MOST, Math.round(px * 2));
    const span = to - from;
    const asked = (2 * span) / most;
    const end = Math.min(to + span / 2, now() + span * 0.02);
    const wish = { begin: Math.max(0, Math.floor(from - span / 2)), end: Math.ceil(end), columns: most, asked, from, to };
    if (this.#needed(wish).length || this.#marksNeeded(wish)) this.asker.want(wish);
  }

  columns(name, from, to, px) {
    const series = this.series[name === "torque" ? "torque_nm" : "position_mm"];
    return opened(series.columns(from, to, (to - from) / px), this.#gaps());
  }

  #gaps() {
    return this.kept.marks.filter((m) => m.kind === "gap" && m.from_utc_ms != null).map((m) => [m.from_utc_ms, m.utc_ms]);
  }

  lanes(from, to, px) {
    const found = [];
    const told = this.kept.marks.some((m) => m.kind === "released") || !this.kept.marks.some((m) => m.stage);
    for (const [i, [name, stage, words]] of this.lanesOf.entries()) {
      const columns = opened(this.series[name].columns(from, to, (to - from) / px), this.#gaps());
      const last = sideOf(this.lanesOf[i + 1]?.[0] || "") !== sideOf(name);
      const whole = words.replace(/ [A-Z]$/, "");
      if (stage && this.summed.has(name)) {
        // Summaries know a stage, not its channels.
        if (last) found.push(continued(laneOf(`${whole}, as it counted`, STAGES[stage], columns, from, to), this.states.get(name)));
        continue;
      }
      const lane = laneOf(stage ? `${words}, as read` : words, STAGES[stage], columns, from, to);
      const raw = continued(lane, this.states.get(name));
      found.push(raw);
      if (stage && told && last) {
        const events = this.kept.marks.filter((m) => m.stage === sideOf(name)).map((m) => ({ utc_ms: m.utc_ms, on: m.kind !== "released" }));
        found.push(settledOf(`${whole}, as it counts`, STAGES[stage], events, raw));
      }
    }
    return found;
  }

  marks() {
    return this.kept.marks;
  }

  points() {
    return this.set;
  }

  words() {
    if (this.why) return `Not all can be shown: ${this.why}.`;
    const parts = [];
    if (this.grain) parts.push(this.grain === "reading" && this.step <= 1000 ? "every reading" : `a column is ${spanWords(this.step)}, from ${GRAINS[this.grain] || this.grain}`);
    return [...parts, ...this.notes.slice(0, 2)].join("; ");
  }

  // --- what is asked of the server ---

  #needed({ from, to, asked }) {
    const names = ["torque_nm", ...(this.chart?.positionShown ? ["position_mm"] : []), ...this.lanesOf.map(([name]) => name)];
    return names.filter((name) => !this.series[name].covers(from, to, asked, now()));
  }

  #marksNeeded({ from, to }) {
    const { begin, end, at, span } = this.kept;
    return begin > from || end < Math.min(to, now()) || now() - at > MARKS_FRESH_MS || span > 8 * (to - from);
  }

  async #load(wish, signal) {
    const { begin, end, columns, asked } = wish;
    this.notes = [];
    for (const name of this.#needed(wish)) {
      const told = await ask("history", { drive: this.drive, signal: name, begin, end, columns }, signal);
      this.series[name].keep(pieceOf(told, asked, now()));
      if (told.grain === "reading") this.summed.delete(name);
      else this.summed.add(name);
      if (name === "torque_nm") {
        this.set = told.set_points;
        this.grain = told.grain;
        this.step = told.step_ms;
      }
      this.notes = [...new Set([...this.notes, ...(told.notes || [])])];
      this.chart.changed();
    }
    if (!this.#marksNeeded(wish)) return;
    const told = await ask("marks", { drive: this.drive, begin, end }, signal);
    this.kept = { marks: told.marks.map(staged), begin, end: Math.max(end, now()), at: now(), span: end - begin };
    this.notes = [...new Set([...this.notes, ...(told.notes || [])])];
    this.chart.changed();
  }

  #failed(why) {
    if (why === this.why) return;
    this.why = why;
    this.chart.changed();
  }

  /** Which contacts there are, and since when anything is recorded. */
  async #know() {
    try {
      const told = await ask("signals", { drive: this.drive });
      this.view.earliest = told.from_utc_ms;
      if (!this.set.length) this.set = told.set_points;
      const names = told.signals.filter((s) => s.kind === "contact" || s.name === "running").map((s) => s.name);
      const two = new Set(names.filter((n) => n.includes("/")).map((n) => n.split("/")[0])).size > 1;
      for (const name of names.sort(byStage)) {
        const [side, stage = "", channel = ""] = name.split("/");
        this.series[name] = new Series();
        this.states.set(name, new States());
        this.lanesOf.push([name, stage, stage ? `${stage}${two ? ` ${side}` : ""} ${channel}`.trim() : "motor runs"]);
      }
      this.#stand(now());
      this.want(this.view.from, this.view.to, this.chart.px);
      this.chart.changed();
    } catch {
      window.setTimeout(() => this.#know(), 10000);
    }
  }

  // --- what comes by itself ---

  #live() {
    document.addEventListener("nightrake:values", (event) => {
      const told = event.detail[this.drive];
      if (!told) return;
      const [torque, uncertainty, , position, at] = told;
      if (at) offset = Math.max(offset, at - Date.now());
      this.series.torque_nm.add(at, torque, uncertainty);
      this.series.position_mm.add(at, position, null);
      if (at) this.#stand(at);
    });
    document.addEventListener("nightrake:parts", () => this.#stand(now()));
    document.addEventListener("nightrake:lost", () => {
      for (const one of [...Object.values(this.series), ...this.states.values()]) one.cut();
      this.stood = true;
      this.chart.tell();
    });
    document.addEventListener("nightrake:rows", () => {
      this.kept.at = 0;
      for (const [name] of this.lanesOf) for (const piece of this.series[name].pieces) piece.at = 0;
    });
    this.#follow();
  }

  /** Contacts and motor as the page shows them at this moment. */
  #stand(utcMs) {
    if (document.documentElement.classList.contains("away")) return;
    for (const [name, states] of this.states) {
      const told = document.querySelector(`[data-reads="${CSS.escape(name)}"]`)?.dataset.is;
      states.add(utcMs, { 1: true, 0: false }[told] ?? null);
    }
  }

  /** Links of this page to a moment of this drive move the chart. */
  #links() {
    document.addEventListener("click", (event) => {
      const link = event.target.closest?.("a.moment");
      const plain = !event.defaultPrevented && !event.button && !(event.ctrlKey || event.metaKey || event.shiftKey || event.altKey);
      if (!link || !plain || link.pathname !== window.location.pathname) return;
      const moment = momentOf(link.search);
      if (!moment) return;
      event.preventDefault();
      window.history.replaceState(null, "", link.href);
      this.chart.to((view) => view.around(moment.at, moment.span, now()), true);
      this.chart.stage.scrollIntoView({ block: "nearest" });
      this.chart.stage.focus({ preventScroll: true });
    });
  }

  /** Going on with now; a page that is live again goes on at once, however wide a column is. */
  #follow() {
    let [last, told] = [-Infinity, -Infinity]; // by a clock that nobody sets
    const go = () => {
      if (document.hidden || document.documentElement.classList.contains("away")) return;
      const { stood } = this;
      const each = Math.max(250, this.view.span / this.chart.px);
      const at = performance.now();
      if ((!stood && at - last < each) || !this.view.tick(now())) return;
      last = at;
      // What was asked for over the line that broke may never come; otherwise it is waited for.
      if (stood || !this.asker.isBusy) this.want(this.view.from, this.view.to, this.chart.px);
      this.chart.draw();
      if (stood || at - told >= TELL_MS) {
        told = at;
        this.chart.tell();
      }
      this.stood = false;
    };
    window.setInterval(go, 250);
  }
}

/** Alarm before shutdown, the motor last. */
function byStage(a, b) {
  const place = (name) => (name.includes("/alarm") ? 0 : name.includes("/shutdown") ? 1 : 2);
  return place(a) - place(b) || a.localeCompare(b);
}

/** The stage that a contact is one of: direction and stage. */
function sideOf(name) {
  return name.split("/").slice(0, 2).join("/");
}

/** Which stage of which direction a mark of a contact is about. */
function staged(mark) {
  const found = /^(alarm|shutdown) contact (operated|released)/.exec(mark.text);
  return found ? { ...mark, stage: `${mark.text.includes("reverse") ? "reverse" : "forward"}/${found[1]}` } : mark;
}

for (const root of document.querySelectorAll(".chart[data-drive]")) {
  if (window.uPlot) new Drive(root);
  else root.textContent = "The charts are not installed; install the package anew where it can reach the npm registry.";
}
