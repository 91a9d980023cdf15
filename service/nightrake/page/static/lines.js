// Which windows of a browser hold a line. Over HTTP/1.1 it has six connections to one server for all of them, and a line keeps
// its own for good: six windows would stop each other, and nobody could acknowledge anything any more. So a few keep a
// line, further ones listen by turns, one at a time, and the rest of the connections is free for what people do.
//
// A window whose scripts stand still (a debugger, a browser that froze it) gives nothing back. It may keep one of the
// lines; its turn is taken from it by whoever waits, for others would wait for ever.

const KEPT = 3;
const TURN = "nightrake turn";
const STUCK_MS = 8000; // a turn is over after 5 s at most: see live.js
const LOOK_MS = 2000;
const APART_MS = 1000; // so that not all who wait take it at once
const locks = navigator.locks; // not over plain HTTP from afar, where nobody can sign in either

/**
 * @typedef {Object} Held
 * @property {boolean} turn Only until all has been told, then it is another window's.
 * @property {() => void} release It is given back; so it is when this window closes.
 */

/**
 * A line as soon as there is one.
 * @param {AbortSignal} signal It is not wanted any more.
 * @returns {Promise<Held | null>} null: it was not wanted any more.
 */
export async function take(signal) {
  if (!locks) return { turn: false, release() {} };
  try {
    for (let n = 0; n < KEPT; n += 1) {
      const release = await held(`nightrake line ${n}`, { ifAvailable: true });
      if (release) return { turn: false, release };
    }
    return { turn: true, release: await turn(signal) };
  } catch {
    return signal.aborted ? null : { turn: false, release() {} }; // a browser that gives no locks here
  }
}

/** In the queue for the turn; or out of it, by taking the turn from a window that stands still. */
async function turn(signal) {
  const queue = new AbortController();
  const leave = () => queue.abort();
  if (signal.aborted) leave();
  signal.addEventListener("abort", leave);
  const own = held(TURN, { signal: queue.signal });
  try {
    return await Promise.race([own, taken(queue.signal)]);
  } finally {
    signal.removeEventListener("abort", leave);
    leave(); // changes nothing where it was given
  }
}

async function taken(signal) {
  let holder = "";
  let sinceMs = 0;
  try {
    while (!signal.aborted) {
      await new Promise((done) => window.setTimeout(done, LOOK_MS + Math.random() * APART_MS));
      const now = (await locks.query()).held.find((one) => one.name === TURN)?.clientId || "";
      if (now !== holder) sinceMs = performance.now();
      holder = now;
      if (signal.aborted || !holder || performance.now() - sinceMs < STUCK_MS) continue;
      const release = await held(TURN, { steal: true });
      if (signal.aborted) release(); // it was given meanwhile, or is not wanted any more
      return release;
    }
  } catch {
    // Then it is waited for in the queue alone.
  }
  return new Promise(() => {});
}

function held(name, options) {
  return new Promise((given, failed) => {
    const until = (lock) => (lock ? new Promise((release) => given(release)) : given(null));
    locks.request(name, options, until).catch(failed);
  });
}
