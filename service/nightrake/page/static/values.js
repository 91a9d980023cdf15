// Measured values: they move bars and figures, and nothing else. The server writes the same words (page/torquebar.py).

const MINUS = "\u2212";
const MINUTE_MS = 60000;
const hours = new WeakMap();

let places = null; // drive -> its elements; made anew after parts have come
document.addEventListener("nightrake:parts", () => (places = null));

/** @param {Record<string, [number|null, number|null, string, number|null, number]>} told By drive. */
export function show(told) {
  places ||= found();
  for (const [drive, values] of Object.entries(told)) {
    for (const torque of places.torque.get(drive) || []) showTorque(torque, values);
    for (const position of places.position.get(drive) || []) {
      position.textContent = values[3] === null ? "\u2013" : values[3].toFixed(2);
    }
  }
}

function found() {
  const by = (selector, name) => {
    const made = new Map();
    for (const element of document.querySelectorAll(selector)) {
      const drive = element.dataset[name];
      made.set(drive, [...(made.get(drive) || []), element]);
    }
    return made;
  };
  return { torque: by(".torque[data-drive]", "drive"), position: by("[data-position]", "position") };
}

function showTorque(torque, [nm, uncertainty, kind, , readMs]) {
  const full = Number(torque.dataset.full);
  figures(torque, nm, uncertainty, kind, full);
  const bar = torque.querySelector("[data-bar]");
  if (!bar) return;
  bar.classList.toggle("none", nm === null || !full);
  for (const name of ["exact", "below", "beyond", "absent"]) bar.classList.toggle(`k-${name}`, name === kind);
  if (nm === null || !full) return;
  const size = Math.abs(nm);
  const value = share(size, full);
  bar.classList.toggle("over", size > full);
  bar.querySelector(".value").setAttribute("width", `${value}%`);
  const end = bar.querySelector(".end");
  end.setAttribute("x1", `${value}%`);
  end.setAttribute("x2", `${value}%`);
  const band = bar.querySelector(".band");
  const low = share(size - (uncertainty || 0), full);
  band.setAttribute("x", `${low}%`);
  band.setAttribute("width", uncertainty ? `${(share(size + uncertainty, full) - low).toFixed(2)}%` : "0%");
  hour(torque, value, readMs);
}

function share(nm, full) {
  return Math.round(Math.min(100, Math.max(0, (100 * nm) / full)) * 100) / 100;
}

function figures(torque, nm, uncertainty, kind, full) {
  const places = uncertainty === null || uncertainty >= 95 ? 1 : uncertainty >= 9.5 ? 2 : 3;
  const put = (name, text) => {
    const element = torque.querySelector(`[data-${name}]`);
    if (element && element.textContent !== text) element.textContent = text;
  };
  put("sign", kind === "below" || kind === "beyond" ? kind : "");
  put("value", nm === null ? "\u2013" : (nm / 1000).toFixed(places).replace("-", MINUS));
  put("with", nm === null || uncertainty === null ? "" : `\u00b1${(uncertainty / 1000).toFixed(places)}${torque.dataset.lacks ? "*" : ""}`);
  put("share", nm === null || !full ? "\u2013" : String(Math.round((110 * Math.abs(nm)) / full)));
  const unit = torque.querySelector(".unit");
  if (unit) unit.textContent = nm === null ? "no torque" : "kN\u00b7m";
}

// The line of the last hour goes on by itself: one step a minute, the highest of each minute.
function hour(torque, value, readMs) {
  const line = torque.parentElement.querySelector("[data-hour] .trace");
  if (!line || !readMs) return;
  let known = hours.get(line);
  if (!known) hours.set(line, (known = { minute: Math.floor(readMs / MINUTE_MS), points: pointsOf(line.getAttribute("d") || "") }));
  const minute = Math.floor(readMs / MINUTE_MS);
  const steps = Math.min(60, Math.max(0, minute - known.minute));
  for (let i = 0; i < steps; i += 1) known.points.push(null);
  known.points = known.points.slice(-60);
  known.minute = Math.max(known.minute, minute);
  const y = Math.round(100 - value);
  const last = known.points[59];
  if (last !== null && last <= y) return;
  known.points[59] = y;
  line.setAttribute("d", pathOf(known.points));
}

function pointsOf(path) {
  const points = new Array(60).fill(null);
  for (const [, x, y] of path.matchAll(/[ML](\d+) (\d+)/g)) points[Number(x)] = Number(y);
  return points;
}

function pathOf(points) {
  let path = "";
  let drawing = false;
  points.forEach((y, x) => {
    if (y !== null) path += `${drawing ? "L" : "M"}${x} ${y}`;
    drawing = y !== null;
  });
  return path;
}
