// Colours of the page's own style sheet, for what is drawn on a canvas; told anew when the look changes.

const NAMES = ["ink", "soft", "rule", "rule-strong", "track", "between", "beyond", "value", "red", "amber", "violet", "paper", "ground"];
const watchers = new Set();
let held = null;

/** @returns {Record<string, string>} By the names of the custom properties, without the dashes before. */
export function colours() {
  if (!held) {
    const style = getComputedStyle(document.documentElement);
    held = Object.fromEntries(NAMES.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
  }
  return held;
}

/** Calls whenever the look has changed. */
export function watch(act) {
  watchers.add(act);
}

function changed() {
  held = null;
  for (const act of watchers) act();
}
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", changed);
new MutationObserver(changed).observe(document.documentElement, { attributes: true, attributeFilter: ["data-theme", "class"] });

/** The same colour, seen through. */
export function thin(colour, part) {
  return `color-mix(in srgb, ${colour} ${Math.round(part * 100)}%, transparent)`;
}

export const FONT = 'system-ui, -apple-system, "Segoe UI", Roboto, "Noto Sans", sans-serif';
