// Events on a chart: a thin line with words above it, where there is room; several in one place as their number.

import { FONT, colours, thin } from "./colours.js";
import { laid, shownOf } from "./laying.js";

const TONES = { shutdown: "red", trip: "amber", alarm: "amber", lockout: "red" };
const ROW_PX = 17;
const words = new Map();

/** Room above a chart for so many rows, px. */
export function roomOf(rows) {
  return rows * ROW_PX + 8;
}

/** Draw them onto a chart. @param {any} u uPlot */
export function drawMarks(u, marks, rows) {
  const { ctx, bbox } = u;
  const dpr = window.devicePixelRatio || 1;
  const tone = colours();
  ctx.save();
  ctx.font = `${12 * dpr}px ${FONT}`;
  ctx.textBaseline = "middle";
  ctx.textAlign = "left";
  const width = (text) => measured(ctx, text) + 6 * dpr;
  const groups = laid(shownOf(marks), (ms) => u.valToPos(ms, "x", true), [bbox.left, bbox.left + bbox.width], rows, width);
  for (const group of groups) {
    const colour = tone[TONES[group.kind]] || tone.soft;
    const x = Math.round(group.x) + 0.5;
    const top = group.row < 0 ? bbox.top - 5 * dpr : bbox.top - (group.row + 0.75) * ROW_PX * dpr;
    ctx.strokeStyle = thin(colour, TONES[group.kind] ? 0.7 : 0.45);
    ctx.lineWidth = dpr;
    ctx.beginPath();
    ctx.moveTo(x, top);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
    if (group.row < 0) continue;
    ctx.fillStyle = colour;
    ctx.fillText(group.text, group.left + (group.left >= group.x ? 4 : 0) * dpr, top);
  }
  ctx.restore();
}

function measured(ctx, text) {
  const key = `${ctx.font}|${text}`;
  let wide = words.get(key);
  if (wide === undefined) {
    if (words.size > 2000) words.clear();
    words.set(key, (wide = ctx.measureText(text).width));
  }
  return wide;
}

/** Times in which nobody watched, hatched. */
export function drawGaps(u, marks) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  for (const mark of marks) {
    if (mark.kind !== "gap" || mark.from_utc_ms == null) continue;
    const left = u.valToPos(mark.from_utc_ms, "x", true);
    const right = u.valToPos(mark.utc_ms, "x", true);
    hatch(ctx, left, bbox.top, right - left, bbox.height, bbox);
  }
  ctx.restore();
}

/** Slanted lines over an area; no line more than what is seen. */
export function hatch(ctx, left, top, width, height, bbox) {
  const from = Math.max(left, bbox.left);
  const to = Math.min(left + width, bbox.left + bbox.width);
  if (to - from < 1) return;
  const dpr = window.devicePixelRatio || 1;
  ctx.save();
  ctx.beginPath();
  ctx.rect(from, top, to - from, height);
  ctx.clip();
  ctx.strokeStyle = colours().rule;
  ctx.lineWidth = dpr;
  ctx.beginPath();
  const apart = 9 * dpr;
  for (let x = from - height - ((from - height) % apart); x < to; x += apart) {
    ctx.moveTo(x, top + height);
    ctx.lineTo(x + height, top);
  }
  ctx.stroke();
  ctx.restore();
}
