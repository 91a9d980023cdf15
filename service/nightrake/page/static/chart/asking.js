// What a chart asks the server for: a little later than it is wanted, the newest wish only, one signal after the other.

const LATER_MS = 110;
const AGAIN_MS = 5000;

/** @returns {Promise<any>} The answer. @throws {Error} With the server's own sentence. */
export async function ask(path, query, signal) {
  const parts = new URLSearchParams(query);
  const reply = await fetch(`/api/v1/${path}${parts.size ? `?${parts}` : ""}`, { signal, headers: { Accept: "application/json" } });
  const told = await reply.json().catch(() => ({}));
  if (!reply.ok) throw new Error(told.detail || `the service answers with ${reply.status}`);
  return told;
}

/** One wish at a time: a newer one ends the one that is under way. */
export class Asker {
  /** @param {(wish: any, signal: AbortSignal) => Promise<void>} act @param {(why: string) => void} failed "": it is well. */
  constructor(act, failed) {
    this.act = act;
    this.failed = failed;
    this.timer = 0;
    this.stop = null;
    this.first = true;
  }

  /** @param {any} wish */
  want(wish) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.#go(wish), this.first ? 0 : LATER_MS);
    this.first = false;
  }

  async #go(wish) {
    this.stop?.abort();
    const stop = (this.stop = new AbortController());
    try {
      await this.act(wish, stop.signal);
      this.failed("");
    } catch (error) {
      if (stop.signal.aborted) return;
      this.failed(error instanceof TypeError ? "the service does not answer" : error.message);
      this.timer = setTimeout(() => this.#go(wish), AGAIN_MS);
    } finally {
      if (this.stop === stop) this.stop = null;
    }
  }
}
