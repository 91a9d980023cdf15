// Parts of the page as they come over the line: put in their places, the worst first, and new alarms read out.

import { element, morph } from "./morph.js";
import { touchedMs } from "./reloading.js";

const STILL_MS = 1500; // strips keep their places for this long after a touch
const ROWS = 200;
const LISTS = { strip: "strips", row: "rows" };
const said = new Map();
let begun = false;
let waiting = 0;

export function parts(told) {
  for (const part of told) {
    const old = document.getElementById(part.id);
    if (!part.html) {
      old?.remove();
      continue;
    }
    const fresh = element(part.html);
    if (!fresh) continue;
    if (old) morph(old, fresh);
    else {
      const list = document.getElementById(LISTS[part.id.split("-", 1)[0]] || "");
      list?.append(fresh);
    }
  }
  sort();
  announce();
  document.dispatchEvent(new CustomEvent("nightrake:parts"));
}

/** The worst first; but nothing moves under a finger, nor while somebody has a strip open. */
function sort() {
  sortList(document.getElementById("rows"));
  if (document.querySelector("#strips details[open]")) return; // again when it is closed
  const leftMs = touchedMs() + STILL_MS - Date.now();
  if (leftMs <= 0) for (const name of Object.values(LISTS)) sortList(document.getElementById(name));
  else if (!waiting) waiting = window.setTimeout(() => ((waiting = 0), sort()), leftMs);
}
document.addEventListener("toggle", (event) => !event.target.open && sort(), { capture: true });

function sortList(list) {
  if (!list) return;
  const items = [...list.children];
  const sorted = items.slice().sort((a, b) => Number(a.dataset.order) - Number(b.dataset.order));
  if (sorted.some((item, i) => item !== items[i])) {
    const focused = document.activeElement;
    sorted.forEach((item, i) => list.children[i] !== item && list.insertBefore(item, list.children[i] || null));
    if (list.contains(focused) && document.activeElement !== focused) focused.focus({ preventScroll: true });
  }
  if (list.id === "rows") while (list.children.length > ROWS) list.lastElementChild.remove();
}

/** New alarms are read out: what is urgent at once. */
export function announce() {
  const now = JSON.parse(document.getElementById("site-now")?.dataset.waiting || "[]");
  const fresh = now.filter((one) => !said.has(one.key));
  const first = said.size === 0 && !begun;
  begun = true;
  said.clear();
  for (const one of now) said.set(one.key, one);
  if (first) return;
  for (const urgent of [true, false]) {
    const words = fresh.filter((one) => one.urgent === urgent).map((one) => one.words);
    if (words.length) document.getElementById(urgent ? "say-now" : "say").textContent = words.slice(0, 3).join(". ");
  }
}
