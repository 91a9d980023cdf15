// A lockout's walk is not sent in parts: it is read anew when the journal says that something of it changed.

import { morph } from "./morph.js";
import { hold, lost, settle } from "./presence.js";

const FRESH_MS = 1500; // the server keeps a lockout's answer for a second
const KINDS = ["lockout", "command", "alarm"];
let refreshing = false;
let wanted = false;
let later = 0;

/** Load it anew. */
export async function refresh() {
  const old = document.querySelector("[data-refresh]");
  if (!old) return;
  wanted = true;
  if (refreshing) return; // once more when this has come: it may have been made before
  refreshing = true;
  try {
    while (wanted) {
      wanted = false;
      const reply = await fetch(window.location.href, { headers: { Accept: "text/html" } });
      const page = reply.ok ? new DOMParser().parseFromString(await reply.text(), "text/html") : null;
      const fresh = page?.querySelector("[data-refresh]");
      if (!fresh) throw new Error("the service did not give it");
      morph(old, fresh);
      document.dispatchEvent(new CustomEvent("nightrake:parts"));
    }
    hold("unread", false);
    settle();
  } catch {
    lost("What has been reported of this lockout cannot be read now.", 0); // asked again when something is heard
  } finally {
    refreshing = false;
  }
}

document.addEventListener("nightrake:rows", ({ detail: told }) => {
  if (!told.some((row) => KINDS.includes(row.kind))) return;
  refresh();
  window.clearTimeout(later);
  later = window.setTimeout(refresh, FRESH_MS);
});
// Older than the line from now on: grey until it has been read.
document.addEventListener("nightrake:lost", () => {
  wanted = document.querySelector("[data-refresh]") !== null;
  hold("unread", wanted);
});
document.addEventListener("nightrake:unread", () => refresh());
document.addEventListener("nightrake:done", () => refresh());
