// Elements and numbers of a chart, in words.

export const UNIT = "kN\u00b7m";

/** Make an element. */
export function make(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "text") made.textContent = value;
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value !== null) made.setAttribute(name, value);
  }
  made.append(...children);
  return made;
}

/** What is known of one column of torque. */
export function torqueWords(c, i) {
  const words = [make("b", { text: `${kilo(c.mean[i])} ${UNIT}` })];
  const [low, high] = [c.low[i], c.high[i]];
  if (low !== null && high !== null && high - low > 0.5) words.push(make("span", { text: `${kilo(low)} to ${kilo(high)}` }));
  if (c.uncertainty[i] !== null) words.push(make("span", { text: `\u00b1${kilo(c.uncertainty[i])}` }));
  if (c.limit[i] > 0) words.push(make("span", { text: "in part outside the calibrated range" }));
  if (c.bad[i] > 0) words.push(make("span", { text: `${Math.max(1, Math.round(100 * c.bad[i]))} % not good` }));
  return words;
}

/** Newton metres as kilonewton metres, to what matters. */
export function kilo(nm) {
  const kn = nm / 1000;
  return kn.toFixed(Math.abs(kn) >= 100 ? 1 : Math.abs(kn) >= 10 ? 2 : 3).replace("-", "\u2212");
}
