// Loading the page anew by itself: never while somebody types, and not again and again.

const RELOAD_MS = 5000;
const LEFT_MS = 60000; // what was typed and then left for this long keeps no page from being loaded anew
let touched = 0;
let timer = 0;

for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, () => (touched = Date.now()), { passive: true });

/** When somebody last touched this page, by this device's clock. */
export function touchedMs() {
  return touched;
}

/** @param {number} inMs Not before then. */
export function reload(inMs = 0) {
  window.clearTimeout(timer);
  const atMs = Number(sessionStorage.getItem("reloaded") || 0);
  if (inMs || busy() || Math.abs(Date.now() - atMs) < RELOAD_MS) {
    timer = window.setTimeout(reload, inMs || RELOAD_MS);
    return;
  }
  sessionStorage.setItem("reloaded", String(Date.now()));
  window.location.reload();
}

/** Somebody is typing, so nothing is taken from under their fingers. */
function busy() {
  return Date.now() - touched < LEFT_MS && [...document.querySelectorAll("form input:not([type=hidden]), form textarea")].some((i) => i.value !== i.defaultValue);
}
