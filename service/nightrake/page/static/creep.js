// A drive's creep, which comes after its page: the verdict, and the days with the level, its band and the set points.

import { ask } from "./chart/asking.js";
import { CreepChart } from "./chart/creepchart.js";
import { element } from "./morph.js";

const AGAIN_MS = 10000;
const LOOK_MS = 3600e3; // it is judged once a day

async function come() {
  const old = document.getElementById("drive-creep");
  if (!old?.dataset.from) return;
  const status = old.querySelector("[role=status]");
  try {
    const reply = await fetch(old.dataset.from, { headers: { Accept: "application/json" } });
    if (reply.ok && !reply.redirected) {
      const fresh = element((await reply.text()).trim());
      if (fresh?.id !== "drive-creep") return;
      fresh.dataset.from = old.dataset.from;
      if (fresh.dataset.judged !== old.dataset.judged) show(old, fresh);
      window.setTimeout(come, LOOK_MS);
      return;
    }
    const told = await reply.json().catch(() => ({}));
    if (status) status.textContent = `Not shown: ${told.detail || `the service answers with ${reply.status}`}.`;
    if (reply.status < 500) return;
  } catch {
    if (status) status.textContent = "Not shown: the service does not answer.";
  }
  window.setTimeout(come, AGAIN_MS);
}

function show(old, fresh) {
  const led = window.location.hash === "#drive-creep" && !old.dataset.judged;
  old.replaceWith(fresh);
  for (const root of fresh.querySelectorAll(".chart[data-creep]")) draw(root);
  if (led) fresh.scrollIntoView({ block: "start" });
}

async function draw(root) {
  if (!window.uPlot) {
    root.textContent = "The charts are not installed; install the package anew where it can reach the npm registry.";
    return;
  }
  try {
    const told = await ask(`creep/${encodeURIComponent(root.dataset.creep)}`);
    const side = told.sides.find((one) => one.direction === root.dataset.direction);
    if (side?.days) new CreepChart(root, side, told.judged_utc_ms);
  } catch (error) {
    root.textContent = `Not drawn: ${error instanceof TypeError ? "the service does not answer" : error.message}.`;
  }
}

come();
