// Hands on a chart: wheel, pinch, drag, keys. They move the view at once; what else that asks for comes later.

const STEP = 0.2; // of what is shown, for an arrow
const FACTOR = 1.6; // for + and -

/**
 * @param {HTMLElement} stage Takes the focus and the keys. @param {() => [number, number]} edges Of the drawing in it: px.
 * @param {{zoom: (factor: number, at: number, soft?: boolean) => void, pan: (part: number, soft?: boolean) => void,
 *   set: (from: number, to: number) => void, now: () => void, all: () => void, hint: () => void,
 *   view: {from: number, to: number, span: number, follows: boolean}}} act
 */
export function listen(stage, edges, act) {
  const place = (event) => {
    const [left, width] = edges();
    return Math.min(1, Math.max(0, (event.clientX - stage.getBoundingClientRect().left - left) / width));
  };
  const middle = () => (act.view.follows ? 1 : 0.5); // who follows now goes on doing so
  wheel(stage, place, edges, act);
  pointers(stage, place, edges, act);
  stage.addEventListener("dblclick", (event) => act.zoom(0.25, place(event), true));
  stage.addEventListener("keydown", (event) => {
    if (event.target !== stage || event.ctrlKey || event.metaKey || event.altKey) return;
    const keys = {
      ArrowLeft: () => act.pan(event.shiftKey ? -1 : -STEP, true),
      ArrowRight: () => act.pan(event.shiftKey ? 1 : STEP, true),
      "+": () => act.zoom(1 / FACTOR, middle(), true),
      "=": () => act.zoom(1 / FACTOR, middle(), true),
      "-": () => act.zoom(FACTOR, middle(), true),
      PageUp: () => act.pan(-1, true),
      PageDown: () => act.pan(1, true),
      End: () => act.now(),
      Home: () => act.all(),
    };
    if (!keys[event.key]) return;
    event.preventDefault();
    keys[event.key]();
  });
}

// A wheel scrolls the page until somebody has touched the chart; with Ctrl, which a pinch on a pad sends too, it zooms.
function wheel(stage, place, edges, act) {
  stage.addEventListener(
    "wheel",
    (event) => {
      const is = event.ctrlKey || event.metaKey || stage.contains(document.activeElement);
      if (!is) {
        if (Math.abs(event.deltaY) > Math.abs(event.deltaX)) act.hint();
        return;
      }
      event.preventDefault();
      const size = event.deltaMode === 1 ? 30 : event.deltaMode === 2 ? 600 : 1;
      const sideways = event.shiftKey ? event.deltaY || event.deltaX : event.deltaX;
      if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) act.pan((sideways * size) / edges()[1]);
      else act.zoom(Math.exp(Math.min(1, Math.max(-1, (event.deltaY * size) / (event.ctrlKey ? 120 : 480)))), place(event));
    },
    { passive: false },
  );
}

function pointers(stage, place, edges, act) {
  const down = new Map(); // id -> where it is, as a part of the width
  let held = null; // the moments under the fingers when they came
  let moved = 0;
  const grip = () => {
    const at = [...down.values()].slice(0, 2);
    held = at.map((p) => act.view.from + p * act.view.span);
  };
  const where = (event) => {
    const [left, width] = edges();
    return (event.clientX - stage.getBoundingClientRect().left - left) / width;
  };
  stage.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || event.target.closest("button, a, summary")) return;
    stage.focus({ preventScroll: true });
    down.set(event.pointerId, where(event));
    moved = 0;
    grip();
  });
  stage.addEventListener("pointermove", (event) => {
    if (!down.has(event.pointerId)) return;
    const before = down.get(event.pointerId);
    const here = where(event);
    moved += Math.abs(here - before) * edges()[1];
    down.set(event.pointerId, here);
    if (moved < 4) return;
    if (!stage.hasPointerCapture(event.pointerId)) stage.setPointerCapture(event.pointerId);
    stage.classList.add("dragged");
    const [a, b] = [...down.values()];
    if (b === undefined) {
      const from = held[0] - a * act.view.span;
      act.set(from, from + act.view.span);
    } else if (Math.abs(b - a) > 0.02) {
      const span = (held[1] - held[0]) / (b - a);
      if (span > 0) act.set(held[0] - a * span, held[0] - a * span + span);
    }
  });
  const gone = (event) => {
    down.delete(event.pointerId);
    if (down.size) grip();
    else stage.classList.remove("dragged");
  };
  for (const kind of ["pointerup", "pointercancel"]) stage.addEventListener(kind, gone);
}
