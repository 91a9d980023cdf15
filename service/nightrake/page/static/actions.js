// What people do here: each form is one command, sent as JSON; its answer is the watch's own sentence.

const csrf = () => document.querySelector('meta[name="csrf"]').content;
const LOOK_MS = 1500;
const ANSWER_MS = 25000; // the service itself gives the watch 20 s
const shown = new WeakMap();
const heldMs = new WeakMap();
const sending = new WeakSet(); // not in the document: a newer version of a strip would take it away
let session = { person: document.body.dataset.person, may: null };

function argsOf(form) {
  const args = JSON.parse(form.dataset.args || "{}");
  for (const input of form.querySelectorAll("[name]")) {
    if (input.tagName === "BUTTON" || input.dataset.is === "verb" || (input.type === "radio" && !input.checked)) continue;
    const value = input.dataset.type === "number" ? Number(input.value) : input.value.trim();
    if (value === "") continue;
    const [name, place] = input.name.split(".");
    if (place === undefined) args[name] = value;
    else (args[name] ||= [])[Number(place)] = value;
  }
  return args;
}

function verbOf(form) {
  return form.querySelector('[data-is="verb"]')?.value || form.dataset.verb;
}

async function send(form) {
  const answer = form.querySelector(".answer");
  const button = form.querySelector("button[type=submit]");
  const say = (text, ok) => {
    answer.textContent = text;
    answer.classList.toggle("no", !ok);
  };
  if (!session.person) {
    window.location.assign(`/sign-in?next=${encodeURIComponent(window.location.pathname)}`);
    return;
  }
  if (sending.has(form)) return;
  sending.add(form);
  button.setAttribute("aria-busy", "true");
  say("Sent; waiting for the answer.", true);
  try {
    const key = JSON.parse(form.dataset.args || "{}").alarm || "";
    const direction = form.dataset.direction || key.split("/")[1] || "";
    const command = { what: verbOf(form), drive: form.dataset.drive, direction: direction === "-" ? "" : direction, args: argsOf(form) };
    const reply = await fetch("/api/v1/commands", {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-CSRF-Token": csrf() },
      body: JSON.stringify(command),
      signal: AbortSignal.timeout(ANSWER_MS),
    });
    const told = await reply.json().catch(() => ({}));
    if (reply.ok && told.ok) {
      say(told.durable === false ? `${told.text} (not on disk yet)` : told.text, true);
      for (const input of form.querySelectorAll("input:not([type=hidden]), textarea")) input.value = input.defaultValue;
    } else if (reply.status === 401) {
      window.location.assign(`/sign-in?next=${encodeURIComponent(window.location.pathname)}`);
    } else say(told.detail || told.text || "the service did not say why; look whether it was done before you try again", false);
  } catch {
    say("no answer came; look whether it was done before you try again", false);
  } finally {
    sending.delete(form);
    button.removeAttribute("aria-busy");
    document.dispatchEvent(new CustomEvent("nightrake:done"));
  }
}

document.addEventListener("submit", (event) => {
  const form = event.target.closest("form[data-verb]");
  if (!form) return;
  event.preventDefault();
  send(form);
});

// --- what this person may do ---

async function know() {
  try {
    const reply = await fetch("/api/v1/session", { headers: { Accept: "application/json" } });
    if (!reply.ok) return;
    const told = await reply.json();
    session = told;
    if (told.csrf) document.querySelector('meta[name="csrf"]').content = told.csrf;
    mark();
  } catch {
    // Without an answer everything stays as it is: the watch refuses what may not be.
  }
}

function mark() {
  for (const form of document.querySelectorAll("form[data-verb]")) {
    const button = form.querySelector("button[type=submit]");
    const may = !session.person || !session.may || session.may.includes(verbOf(form));
    button.disabled = !may || Date.now() < (heldMs.get(form) || 0);
    let needs = form.querySelector(".needs");
    if (may && session.person) needs?.remove();
    else {
      if (!needs) {
        needs = document.createElement("span");
        needs.className = "needs";
        button.after(needs);
      }
      needs.textContent = session.person ? `Not for the role ${session.role}.` : "Asks you to sign in first.";
    }
  }
}
document.addEventListener("nightrake:parts", () => {
  look();
  mark();
});

// What has come again under somebody's finger is not acknowledged by a touch that was meant for the one before.
function look() {
  for (const form of document.querySelectorAll('form[data-verb="acknowledge"]')) {
    const before = shown.get(form);
    shown.set(form, form.dataset.args);
    if (before === undefined || before === form.dataset.args) continue;
    heldMs.set(form, Date.now() + LOOK_MS);
    form.querySelector(".answer").textContent = "It has come again; look before you acknowledge.";
    window.setTimeout(mark, LOOK_MS + 50);
  }
}
document.addEventListener("change", (event) => event.target.dataset.is === "verb" && mark());

// --- menus and the look ---

document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  const open = document.activeElement?.closest("details[open]") || document.querySelector("#person[open]");
  if (!open) return;
  open.open = false;
  open.querySelector("summary").focus();
});
document.addEventListener("click", (event) => {
  const menu = document.getElementById("person");
  if (menu?.open && !menu.contains(event.target)) menu.open = false;
});

const theme = document.getElementById("theme");
if (theme) {
  theme.hidden = false;
  const order = ["", "light", "dark"];
  const words = { "": "Look: as the device has it", light: "Look: light", dark: "Look: dark" };
  const now = () => document.documentElement.dataset.theme || "";
  theme.textContent = words[now()];
  theme.addEventListener("click", () => {
    const next = order[(order.indexOf(now()) + 1) % order.length];
    if (next) document.documentElement.dataset.theme = next;
    else delete document.documentElement.dataset.theme;
    try {
      localStorage.setItem("theme", next);
    } catch {
      // Kept for this page only.
    }
    theme.textContent = words[next];
  });
}

look();
mark();
know();
