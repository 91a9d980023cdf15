// What a chart asks the server for: a little later than it is wanted, the newest wish only, one signal after the other.

const LATER_MS = 110;
const AGAIN_MS = 5000;
const LONGEST_MS = 60000; // a line that went silent ends no question
const SILENT = "the service does not answer";

/** @returns {Promise<any>} The answer. @throws {Error} With the server's own sentence. */
export async function ask(path, query, signal) {
  const parts = new URLSearchParams(query);
  const stop = new AbortController();
  const end = () => stop.abort();
  const late = setTimeout(end, LONGEST_MS);
  if (signal?.aborted) end();
  signal?.addEventListener("abort", end);
  try {
    const reply = await fetch(`/api/v1/${path}${parts.size ? `?${parts}` : ""}`, { signal: stop.signal, headers: { Accept: "application/json" } });
    const told = await reply.json().catch(() => ({}));
    if (stop.signal.aborted) throw new Error(SILENT);
    if (!reply.ok) throw new Error(told.detail || `the service answers with ${reply.status}`);
    return told;
  } catch (error) {
    throw stop.signal.aborted ? new Error(SILENT) : error;
  } finally {
    clearTimeout(late);
    signal?.removeEventListener("abort", end);
  }
}

/**
 * One wish at a time: a newer one ends the one that is under way. Who wants anew by itself, over and over, waits until
 * it is not busy: or answers that take longer than that would never come.
 */
export class Asker {
  /** @param {(wish: any, signal: AbortSignal) => Promise<void>} act @param {(why: string) => void} failed "": it is well. */
  constructor(act, failed) {
    this.act = act;
    this.failed = failed;
    this.timer = 0;
    this.stop = null;
    this.first = true;
  }

  /** Whether something is asked for now, or is going to be. */
  get isBusy() {
    return this.stop !== null || this.timer !== 0;
  }

  /** @param {any} wish */
  want(wish) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.#go(wish), this.first ? 0 : LATER_MS);
    this.first = false;
  }

  async #go(wish) {
    this.timer = 0;
    this.stop?.abort();
    const stop = (this.stop = new AbortController());
    try {
      await this.act(wish, stop.signal);
      this.failed("");
    } catch (error) {
      if (stop.signal.aborted) return;
      this.failed(error instanceof TypeError ? SILENT : error.message);
      if (!this.timer) this.timer = setTimeout(() => this.#go(wish), AGAIN_MS);
    } finally {
      if (this.stop === stop) this.stop = null;
    }
  }
}
