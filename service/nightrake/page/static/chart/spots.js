// Where the words of set points stand on a chart: at an end of their line, above or below it. Pure.

const HIGH_PX = 17;

/** @typedef {{y: number, wide: number}} Line A set point's height and the width of its words, px.
 *  @typedef {{top: number, foot: number, width: number}} Box Upper and lower edge of the chart and its width, px.
 *  @typedef {{side: "right" | "left", below: boolean, top: number, foot: number}} Spot Where words stand. */

/**
 * A spot for each line: at its right end above it, unless other words, the chart's edge or its curve are there.
 * @param {Line[]} lines @param {Box} box
 * @param {(spot: Spot, wide: number) => boolean} busy Whether the curve runs through a place.
 * @returns {Spot[]} In the order of the lines.
 */
export function spots(lines, box, busy) {
  const room = lines.map((line) => around(line.y).filter((spot) => spot.top > box.top && spot.foot < box.foot));
  const taken = [];
  const found = new Array(lines.length);
  // Whoever has the least choice goes first: beside an edge of the chart there is only one side of a line.
  const order = lines.map((_, i) => i).sort((a, b) => room[a].length - room[b].length || a - b);
  for (const i of order) {
    const { y, wide } = lines[i];
    const meets = (spot) => (one) =>
      one.top < spot.foot && one.foot > spot.top && (one.side === spot.side || one.wide + wide > box.width);
    const apart = room[i].filter((spot) => !taken.some(meets(spot)));
    const spot = apart.find((one) => !busy(one, wide)) || apart[0] || room[i][0] || around(y)[0];
    taken.push({ ...spot, wide });
    found[i] = spot;
  }
  return found;
}

function around(y) {
  const spot = (side, below) => ({ side, below, top: below ? y : y - HIGH_PX, foot: below ? y + HIGH_PX : y });
  return [spot("right", false), spot("left", false), spot("right", true), spot("left", true)];
}
