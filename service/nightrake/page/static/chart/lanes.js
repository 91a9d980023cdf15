// Contacts and the like over time: a lane each; thick while it is so, a thin line while it is not, nothing while unknown.

import { FONT, colours, thin } from "./colours.js";

const LANE_PX = 30;
const BAR_PX = 9;

/** Draws them, below a chart and in line with it. */
export class Lanes {
  /** @param {HTMLCanvasElement} canvas */
  constructor(canvas) {
    this.canvas = canvas;
    this.lanes = [];
  }

  /** @param {import("./spans.js").Lane[]} lanes @param {import("./view.js").View} view @param {[number, number]} edges px: left and width. */
  draw(lanes, view, [left, width]) {
    this.lanes = lanes;
    const { canvas } = this;
    const dpr = window.devicePixelRatio || 1;
    const wide = canvas.parentElement.clientWidth;
    const high = lanes.length * LANE_PX;
    if (canvas.width !== Math.round(wide * dpr) || canvas.height !== Math.round(high * dpr)) {
      canvas.width = Math.round(wide * dpr);
      canvas.height = Math.round(high * dpr);
      canvas.style.width = `${wide}px`;
      canvas.style.height = `${high}px`;
    }
    const ctx = canvas.getContext("2d");
    ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
    ctx.clearRect(0, 0, wide, high);
    ctx.font = `12px ${FONT}`;
    ctx.textBaseline = "alphabetic";
    const tone = colours();
    const x = (ms) => left + ((ms - view.from) / view.span) * width;
    lanes.forEach((lane, i) => {
      const top = i * LANE_PX;
      const middle = top + 22;
      ctx.fillStyle = tone.soft;
      ctx.fillText(lane.name, left, top + 12);
      ctx.fillStyle = thin(tone["rule-strong"], 0.8);
      for (const [from, to] of lane.known) bar(ctx, x(from), x(to), middle, 1.5, left, width, 0);
      ctx.fillStyle = tone[lane.tone] || tone.value;
      for (const [from, to, share] of lane.on) bar(ctx, x(from), x(to), middle, BAR_PX * Math.max(0.35, share), left, width, 1.5);
    });
  }
}

function bar(ctx, from, to, middle, high, left, width, least) {
  const begin = Math.max(from, left);
  const end = Math.min(Math.max(to, from + least), left + width);
  if (end > begin) ctx.fillRect(begin, middle - high / 2, end - begin, high);
}
