// The ranking by creep on a screen that stays open: looked at anew each hour, for it is judged once a day.

import { morph } from "./morph.js";

const LOOK_MS = 3600e3;

async function look() {
  const old = document.getElementById("creep");
  try {
    const reply = await fetch(window.location.href, { headers: { Accept: "text/html" } });
    if (!reply.ok || reply.redirected) return;
    const fresh = new DOMParser().parseFromString(await reply.text(), "text/html").getElementById("creep");
    if (old && fresh) morph(old, document.importNode(fresh, true));
  } catch {
    // The page's live line says that the service is away.
  }
}

window.setInterval(look, LOOK_MS);
