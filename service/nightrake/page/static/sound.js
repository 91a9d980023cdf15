// A sound while an alarm waits for an acknowledgement, on pages where somebody has turned it on. Silencing is not
// acknowledging: it holds for this page, for ten minutes, and a new occurrence sounds all the same.

const SILENCE_MS = 600000;
const KEY = "sound"; // of this tab: a page that is loaded anew, by itself too, goes on with its sound
const button = document.getElementById("sound");
const silence = document.getElementById("silence");
let context = null;
let until = -Infinity; // by the page's own clock: one that is set does not make a silence longer
let heard = new Set();

function waiting() {
  return JSON.parse(document.getElementById("site-now")?.dataset.waiting || "[]");
}

function tone(atS, hertz, lastsS, loud) {
  const oscillator = context.createOscillator();
  const gain = context.createGain();
  oscillator.type = "triangle";
  oscillator.frequency.value = hertz;
  gain.gain.setValueAtTime(0, atS);
  gain.gain.linearRampToValueAtTime(loud, atS + 0.02);
  gain.gain.setValueAtTime(loud, atS + lastsS - 0.05);
  gain.gain.linearRampToValueAtTime(0, atS + lastsS);
  oscillator.connect(gain).connect(context.destination);
  oscillator.start(atS);
  oscillator.stop(atS + lastsS);
}

// Urgent: three rising tones each 3 s. Else: two even ones each 9 s.
let beat = 0;
function pattern() {
  if (!context || context.state !== "running" || silenced()) return;
  const now = waiting();
  const urgent = now.some((one) => one.urgent);
  const lost = document.documentElement.classList.contains("away");
  beat += 1;
  const start = context.currentTime + 0.05;
  if (urgent) [622, 784, 988].forEach((hertz, i) => tone(start + i * 0.28, hertz, 0.24, 0.5));
  else if (now.length && beat % 3 === 0) [523, 523].forEach((hertz, i) => tone(start + i * 0.4, hertz, 0.3, 0.35));
  else if (lost && beat % 10 === 0) tone(start, 330, 0.5, 0.3);
}

function silenced() {
  return performance.now() < until;
}

function show() {
  const on = context !== null;
  button.setAttribute("aria-pressed", String(on));
  button.querySelector("span").textContent = on ? (context.state === "running" ? "Sound on" : "Sound waits for a touch") : "Sound off";
  const calls = on && waiting().length > 0;
  silence.hidden = !calls;
  silence.textContent = silenced() ? "Silenced, not acknowledged" : "Silence 10 min";
  silence.setAttribute("aria-pressed", String(silenced()));
}

function news() {
  const keys = waiting().map((one) => one.key);
  if (keys.some((key) => !heard.has(key))) until = -Infinity;
  heard = new Set(keys);
  show();
}

function keep(on) {
  try {
    if (on) sessionStorage.setItem(KEY, "on");
    else sessionStorage.removeItem(KEY);
  } catch {
    // A device that keeps nothing.
  }
}

/** On before it was loaded anew: on again. A browser that wants a touch first gets it with the next one. */
function goOn() {
  try {
    if (sessionStorage.getItem(KEY) !== "on") return;
  } catch {
    return;
  }
  context = new AudioContext();
  const touched = (event) => button.contains(event.target) || context?.resume().catch(() => {});
  for (const kind of ["pointerup", "keydown"]) document.addEventListener(kind, touched, { passive: true });
  context.addEventListener("statechange", show);
}

if (button && silence) {
  button.hidden = false;
  button.addEventListener("click", async () => {
    if (context && context.state !== "running") {
      context.resume().then(show, () => {});
      return;
    }
    if (context) {
      const closing = context;
      context = null;
      until = -Infinity;
      keep(false);
      show();
      await closing.close();
      return;
    }
    context = new AudioContext();
    keep(true);
    tone(context.currentTime + 0.05, 523, 0.15, 0.3);
    show();
  });
  silence.addEventListener("click", () => {
    until = silenced() ? -Infinity : performance.now() + SILENCE_MS;
    show();
  });
  window.setInterval(() => {
    pattern();
    show();
  }, 3000);
  document.addEventListener("nightrake:parts", news);
  goOn();
  news();
}
