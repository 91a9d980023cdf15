// The live line: parts and values as the server tells them. When nothing is heard any more, the page says so and greys.

import { setClock, tick } from "./clocks.js";
import { take } from "./lines.js";
import { announce, parts } from "./pieces.js";
import { capital, forgive, heard, heardUtcMs, hold, isAway, lost, settle, silentMs } from "./presence.js";
import { reload } from "./reloading.js";
import { show } from "./values.js";
import { refresh } from "./walk.js";

const SILENT_MS = 12000; // the server says something each 5 s
const AGAIN_MS = [1000, 2000, 4000, 8000];
const ENDED_MS = 30000;
const UNSEEN_MS = 10000; // a tab that nobody sees gives its line back
const TURN_MS = 5000; // a turn is over by then, whatever came
const NEXT_TURN_MS = 1000;
const NOTHING = "Nothing has been heard of the service any more.";
const TOO_MANY = "Too many windows of this browser are open here; close one.";

const body = document.body;
let source = null;
let mine = null; // the line: see lines.js
let stop = new AbortController();
let again = 0;
let turnEnds = 0;
let tries = 0;
let leastMs = Infinity;
let slow = false;
let lastId = body.dataset.since || ""; // what this page shows already
let leaving = 0;
let resting = false;
let over = false;
let queued = false; // for a line

/** Give the line back. */
function drop() {
  window.clearTimeout(again);
  window.clearTimeout(turnEnds);
  queued = false;
  stop.abort();
  source?.close();
  source = null;
  mine?.release();
  mine = null;
}

async function listen() {
  drop();
  const asked = (stop = new AbortController());
  queued = true;
  const held = await take(asked.signal);
  if (asked.signal.aborted) {
    held?.release();
    return;
  }
  queued = false;
  mine = held;
  const since = lastId ? `&since=${encodeURIComponent(lastId)}` : "";
  open(new EventSource(`${body.dataset.live}${since}${held.turn ? "&turn=1" : ""}`));
  if (held.turn) {
    turnEnds = window.setTimeout(next, TURN_MS);
    refresh(); // rows that came between two turns are not told
  }
}

/** It is another window's turn. */
function next() {
  drop();
  again = window.setTimeout(listen, NEXT_TURN_MS);
}

function open(made) {
  source = made;
  leastMs = Infinity;
  const on = (name, act) =>
    made.addEventListener(name, (event) => {
      if (made !== source) return;
      lastId = event.lastEventId || lastId;
      heard();
      act(JSON.parse(event.data || "{}"));
    });
  on("parts", parts);
  on("values", (told) => {
    show(told);
    document.dispatchEvent(new CustomEvent("nightrake:values", { detail: told }));
  });
  on("rows", (told) => document.dispatchEvent(new CustomEvent("nightrake:rows", { detail: told })));
  on("site", (site) => {
    if (body.dataset.digest && site.digest && site.digest !== body.dataset.digest) reload();
  });
  on("service", () => {});
  on("alive", (alive) => {
    setClock(alive.utc_ms);
    behind(alive.line_ms);
    if (mine?.turn) next();
  });
  ends(made, on);
}

/** What makes the page not live, or live again. */
function ends(made, on) {
  on("again", () => {
    hold("stale");
    lost("This page has to be loaded anew; it will be once nobody types here.", 0);
    reload();
  });
  on("off", (away) => {
    hold("watch");
    lost(`${capital(away.why)}.`, away.since);
  });
  on("back", () => {
    hold("watch", false);
    settle();
  });
  on("ended", (end) => {
    drop();
    over = true;
    lost(`${capital(end.why)}.`, 0);
    reload(ENDED_MS);
  });
  made.onopen = () => {
    tries = 0;
  };
  made.onerror = () => {
    if (made !== source) return; // another has taken its place
    drop();
    lost("The line to the service is lost.", 0);
    again = window.setTimeout(listen, AGAIN_MS[Math.min(tries, AGAIN_MS.length - 1)]);
    tries += 1;
    if (tries === 2) why();
  };
}

/** The service may have said why it does not let this page listen. */
async function why() {
  const end = new AbortController();
  try {
    const reply = await fetch(body.dataset.live, { signal: end.signal });
    const told = reply.ok ? {} : await reply.json();
    if (told.detail) lost(`${capital(told.detail)}.`, heardUtcMs());
  } catch {
    // It says nothing at all.
  } finally {
    end.abort();
  }
}

/** What comes through a slow line is old when it comes: told by its delay against the best that this line had. */
function behind(lineMs) {
  const delayMs = performance.now() - lineMs;
  leastMs = Math.min(leastMs, delayMs);
  const was = slow;
  slow = delayMs - leastMs > SILENT_MS;
  hold("slow", slow);
  if (slow) lost("The line is slow: what comes through it is old.", 0);
  else if (was) settle();
}

window.setInterval(() => {
  const waits = !resting && !over;
  if (waits && silentMs() > SILENT_MS && !isAway()) lost(queued ? TOO_MANY : NOTHING, 0);
  if (waits && mine !== null && silentMs() > 2 * SILENT_MS) {
    forgive();
    listen();
  }
  tick();
}, 1000);
// Come back to with the browser's "back": it was kept as it was then.
window.addEventListener("pageshow", (event) => event.persisted && silentMs() > SILENT_MS && lost(NOTHING, 0));
window.addEventListener("offline", () => lost("This device has no network.", 0));
document.addEventListener("visibilitychange", () => {
  window.clearTimeout(leaving);
  if (document.hidden) leaving = window.setTimeout(rest, UNSEEN_MS);
  else if (resting) {
    resting = false;
    listen();
  }
  // A device that slept shows nothing old as live, not even for a moment.
  if (!document.hidden && silentMs() > SILENT_MS) lost(NOTHING, 0);
});

/** Unless it is to sound: then it goes on to listen. */
function rest() {
  if (over || document.getElementById("sound")?.getAttribute("aria-pressed") === "true") return;
  resting = true;
  drop();
  lost("Nobody was looking at this page.", 0);
}

announce();
listen();
