// The elements of a set of charts: what is touched above, what is drawn and said below, and the same as a table.

import { make } from "./words.js";

const KEYS = "Arrows move, plus and minus zoom, End goes to now, Home shows all.";

/**
 * @param {HTMLElement} root They come into it.
 * @param {{name: string, ranges: [string, number][], all?: string}} what @param {boolean} fixed It has two ends and no now.
 * @returns {Record<string, any>} Elements by name.
 */
export function frame(root, what, fixed) {
  const e = {};
  const button = (text, attributes) => make("button", { type: "button", class: "pick", text, ...attributes });
  e.buttons = what.ranges.map(([text]) => button(text, { "data-range": text, "aria-pressed": "false" }));
  e.allButton = button(what.all || "all", {});
  e.nowButton = fixed ? null : button("now", { title: "The newest, going on (End)" });
  e.closer = button("+", { "aria-label": "Closer", title: "Closer (+)" });
  e.farther = button("\u2212", { "aria-label": "Farther", title: "Farther (\u2212)" });
  e.fitButton = button("fit height", { "aria-pressed": "false" });
  e.positionButton = button("position", { "aria-pressed": "false" });
  const tools = [e.farther, e.closer, e.nowButton, e.fitButton, e.positionButton].filter(Boolean);
  e.readout = make("p", { class: "readout" });
  e.span = make("span", { class: "span" });
  e.words = make("span", { class: "quiet" });
  e.say = make("p", { class: "unseen", "aria-live": "polite" });
  e.hint = make("p", { class: "hint", text: "To zoom with the wheel, touch the chart first, or hold Ctrl.", hidden: true });
  e.torquePlace = make("div", { class: "plot" });
  e.positionPlace = make("div", { class: "plot", hidden: true });
  e.canvas = make("canvas", { class: "lanes", hidden: true, "aria-hidden": "true" });
  e.stage = make(
    "div",
    { class: "stage", tabindex: "0", role: "group", "aria-roledescription": "chart", "aria-label": what.name, "aria-description": KEYS },
    e.torquePlace,
    e.positionPlace,
    e.canvas,
  );
  e.table = make("table");
  e.events = make("table");
  e.details = make(
    "details",
    { class: "more numbers" },
    make("summary", { text: "The same as a table" }),
    make("div", { class: "scroll two-tables", tabindex: "0", role: "region", "aria-label": "Numbers of the chart" }, e.table, e.events),
  );
  root.replaceChildren(
    make(
      "div",
      { class: "chart-bar" },
      make("div", { class: "picks ranges", role: "group", "aria-label": "How long a time" }, ...e.buttons, e.allButton),
      make("div", { class: "picks", role: "group", "aria-label": "View" }, ...tools),
    ),
    e.readout,
    e.stage,
    e.hint,
    make("p", { class: "chart-foot" }, e.span, e.words),
    e.say,
    e.details,
  );
  return e;
}
