// Times as the server has them: what its clock shows now, and how long until what is to come.

const body = document.body;
let offset = (Number(body.dataset.now) || Date.now()) - Date.now(); // the server's clock against this one
const format = new Intl.DateTimeFormat("en-GB", { timeZone: zone(), hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });

function zone() {
  try {
    return new Intl.DateTimeFormat("en-GB", { timeZone: body.dataset.zone }).resolvedOptions().timeZone;
  } catch {
    return "UTC";
  }
}

/** A moment of this device's clock as the server's clock has it, UTC in ms. */
export function there(ms) {
  return ms + offset;
}

/** What the server's clock showed a moment ago. */
export function setClock(utcMs) {
  if (utcMs) offset = utcMs - Date.now();
}

/** The time of day at the site. */
export function timeOf(utcMs) {
  return format.format(new Date(utcMs));
}

/** The page's clock and all that is to come, as of now; they stand still while nothing is live. */
export function tick() {
  if (document.documentElement.classList.contains("away")) return;
  const nowMs = there(Date.now());
  show(nowMs);
  for (const until of document.querySelectorAll(".until")) {
    const words = left((Number(until.dataset.until) - nowMs) / 1000);
    const place = until.querySelector(".left");
    if (place && place.textContent !== words) place.textContent = words;
  }
}

/** @param {number} utcMs What the page's clock shows. */
export function show(utcMs) {
  const shown = document.getElementById("clock");
  if (shown) shown.textContent = timeOf(utcMs);
}

// As page/moments.py says it.
function left(seconds) {
  if (seconds <= 0) return "now";
  if (seconds < 59.5) return `in ${seconds.toFixed(0)} s`;
  const minutes = Math.ceil(seconds / 60);
  if (minutes < 60) return `in ${minutes} min`;
  const hours = Math.floor(minutes / 60);
  if (hours >= 48) return `in ${Math.floor(hours / 24)} d`;
  return hours < 10 && minutes % 60 ? `in ${hours} h ${minutes % 60} min` : `in ${hours} h`;
}
