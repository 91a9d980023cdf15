// Make an element read like its newer version, and leave alone what a person is at: focus, open parts, what is typed.

const KEPT_ATTRIBUTES = { DETAILS: ["open"], INPUT: ["value", "checked"], OPTION: ["selected"] };

/**
 * @param {Element} old What stands in the document.
 * @param {Element} fresh What it should read like; it is used up.
 */
export function morph(old, fresh) {
  if (old.tagName !== fresh.tagName) {
    old.replaceWith(fresh);
    return;
  }
  if (old.matches("output")) return; // an answer, and whether it was a refusal
  attributes(old, fresh);
  if (old.matches("textarea, [data-kept]")) return;
  children(old, fresh);
}

function attributes(old, fresh) {
  const kept = KEPT_ATTRIBUTES[old.tagName] || [];
  for (const { name } of [...old.attributes]) {
    if (!fresh.hasAttribute(name) && !kept.includes(name) && name !== "disabled") old.removeAttribute(name);
  }
  for (const { name, value } of [...fresh.attributes]) {
    if (!kept.includes(name) && old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
}

function children(old, fresh) {
  const byId = new Map([...old.children].filter((c) => c.id).map((c) => [c.id, c]));
  let at = old.firstChild;
  for (const next of [...fresh.childNodes]) {
    const there = next.id ? byId.get(next.id) : partner(at, next);
    if (!there) {
      old.insertBefore(next, at);
      continue;
    }
    if (there === at) at = at.nextSibling;
    else old.insertBefore(there, at);
    if (there.nodeType === Node.ELEMENT_NODE) morph(there, next);
    else if (there.data !== next.data) there.data = next.data;
  }
  while (at) {
    const gone = at;
    at = at.nextSibling;
    gone.remove();
  }
}

/** The node from here on that is the same thing as `next`, of what has no id: by its tag and class. */
function partner(at, next) {
  if (next.nodeType !== Node.ELEMENT_NODE) return at && at.nodeType === next.nodeType ? at : null;
  for (let one = at; one; one = one.nextSibling) {
    if (same(one, next) && one.getAttribute("class") === next.getAttribute("class")) return one;
  }
  return at && same(at, next) ? at : null;
}

/** A form for one command never becomes that for another: what is under a finger keeps its meaning. */
function same(one, next) {
  return one.tagName === next.tagName && !one.id && one.dataset.verb === next.dataset.verb;
}

/** @returns {Element | null} The one element of a piece of HTML from our own server; scripts in it do not run. */
export function element(html) {
  const template = document.createElement("template");
  template.innerHTML = html;
  return template.content.firstElementChild;
}
