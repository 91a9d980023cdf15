// Whether what is shown is live: where it is not, the page says so, says why, and greys.

import { show, there, timeOf } from "./clocks.js";

const root = document.documentElement;
/** Why it is not live although something is heard: "watch" is away, "stale" parts, a "slow" line, a walk "unread". */
const against = new Set(root.classList.contains("away") ? ["watch"] : []);
let heardMs = Date.now();
let heardAt = performance.now();

/** Something has come over the line. */
export function heard() {
  root.classList.add("heard"); // until then page.css greys the page, for scripts may never come
  forgive();
  settle();
}

/** Silence begins to be counted now. */
export function forgive() {
  heardMs = Date.now();
  heardAt = performance.now();
}

/** How long nothing has been heard: a clock that is set back hides no silence, and neither does a device that slept. */
export function silentMs() {
  return Math.max(Date.now() - heardMs, performance.now() - heardAt);
}

/** When something was heard last, by the server's clock. */
export function heardUtcMs() {
  return there(heardMs);
}

export function isAway() {
  return root.classList.contains("away");
}

/** From now on it is not live for this reason, or it is so no longer. */
export function hold(reason, is = true) {
  if (is) against.add(reason);
  else against.delete(reason);
}

/** Live again, if nothing here is older than the line. */
export function settle() {
  if (!isAway() || [...against].some((reason) => reason !== "unread")) return;
  if (against.has("unread")) document.dispatchEvent(new CustomEvent("nightrake:unread"));
  else found();
}

/** @param {string} why A sentence. @param {number} sinceMs What is shown is of then; 0: of when it was heard last. */
export function lost(why, sinceMs) {
  const note = document.getElementById("lost");
  const first = !isAway();
  root.classList.add("away");
  if (first || sinceMs) {
    const of = sinceMs || heardUtcMs();
    note.replaceChildren(strong("Nothing here is live."), ` ${why} What you see is of ${timeOf(of)}.`);
    show(of);
  }
  note.hidden = false;
  document.dispatchEvent(new CustomEvent("nightrake:lost"));
}

function found() {
  root.classList.remove("away");
  document.getElementById("lost").hidden = true;
}

function strong(text) {
  const made = document.createElement("strong");
  made.textContent = text;
  return made;
}

export function capital(text) {
  return text ? text[0].toUpperCase() + text.slice(1).replace(/\.$/, "") : "";
}
