// What a drive's page asks for after it has come: what stands behind its torque, and earlier rows of its journal.

import { ask } from "./chart/asking.js";
import { Wall } from "./chart/times.js";
import { element } from "./morph.js";

const ROWS = 50;
const wall = new Wall(document.body.dataset.zone);

for (const button of document.querySelectorAll("button.paging")) {
  const list = document.getElementById("rows");
  const status = button.parentElement.querySelector("[role=status]");
  let lowest = Math.min(...[...list.children].map((row) => -Number(row.dataset.order)));
  button.hidden = list.children.length < ROWS;
  button.addEventListener("click", async () => {
    button.disabled = true;
    status.textContent = "";
    try {
      const told = await ask("journal", { drive: button.dataset.drive, before: lowest, limit: ROWS });
      const shown = document.getElementById("earlier") || later(list);
      for (const row of told.rows) shown.append(line(row));
      lowest = Math.min(lowest, ...told.rows.map((row) => row.seq));
      button.hidden = !told.more;
      status.textContent = told.more ? "" : "These are all.";
    } catch (error) {
      status.textContent = `Not shown: ${error.message}.`;
    } finally {
      button.disabled = false;
    }
  });
}

/** A list of their own: the one above is kept to the newest. */
function later(list) {
  const made = document.createElement("ol");
  made.className = "rows";
  made.id = "earlier";
  list.after(made);
  return made;
}

/** The way to that moment in the drive's chart; as templates/parts/bits.html has it. */
function moment(row, time) {
  const made = document.createElement("a");
  made.className = "moment";
  made.href = `/drives/${encodeURIComponent(row.drive)}?at=${row.utc_ms}&span=600000#charts-title`;
  made.append(time);
  return made;
}

function line(row) {
  const made = document.createElement("li");
  if (row.strong) made.className = "strong";
  const time = document.createElement("time");
  time.dateTime = new Date(row.utc_ms).toISOString();
  time.textContent = wall.full(row.utc_ms, 1000);
  const text = document.createElement("span");
  if (row.about?.includes(": ")) {
    const about = document.createElement("b");
    const words = row.about.slice(row.about.indexOf(": ") + 2);
    about.textContent = `${words.slice(0, 1).toUpperCase()}${words.slice(1)}.`;
    text.append(about, " ");
  }
  text.append(row.text);
  made.append(row.drive ? moment(row, time) : time, " ", text);
  return made;
}

// --- behind the number ---

const AGAIN_MS = 10000;

async function behind() {
  const old = document.querySelector("#behind[data-from]");
  if (!old) return;
  const status = old.querySelector("[role=status]");
  try {
    const reply = await fetch(old.dataset.from, { headers: { Accept: "application/json" } });
    if (reply.ok && !reply.redirected) {
      const fresh = element((await reply.text()).trim());
      if (fresh?.id === "behind") old.replaceWith(fresh);
      return;
    }
    const told = await reply.json().catch(() => ({}));
    status.textContent = `More of it is not shown: ${told.detail || `the service answers with ${reply.status}`}.`;
    if (reply.status < 500) return;
  } catch {
    status.textContent = "More of it is not shown: the service does not answer.";
  }
  window.setTimeout(behind, AGAIN_MS);
}

behind();
