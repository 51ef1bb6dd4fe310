// Replaces the content of an element by new HTML while keeping what a person
// has in hand: focus, open details, what was typed into a field, how a list is arranged.
import { arrange } from "./lists.js";

/**
 * @param {Element} el
 * @param {string} html made by the server from its templates
 */
export function morph(el, html) {
  const t = document.createElement("template");
  t.innerHTML = html;
  arrange(t.content, el);
  children(el, t.content);
}

/** @param {Node} n */
function keyOf(n) {
  if (!(n instanceof Element)) return "";
  return n.getAttribute("data-key") || n.id || "";
}

/**
 * @param {Node} old
 * @param {Node} next
 */
function children(old, next) {
  /** @type {Map<string, Node>} */
  const keyed = new Map();
  for (const c of old.childNodes) {
    const k = keyOf(c);
    if (k) keyed.set(k, c);
  }
  let at = old.firstChild;
  for (const n of Array.from(next.childNodes)) {
    const k = keyOf(n);
    const match = k ? keyed.get(k) : undefined;
    if (match) {
      keyed.delete(k);
      if (match !== at) old.insertBefore(match, at);
      else at = at.nextSibling;
      one(match, n);
    } else if (!k && at && !keyOf(at) && at.nodeType === n.nodeType && at.nodeName === n.nodeName) {
      const here = at;
      at = at.nextSibling;
      one(here, n);
    } else {
      old.insertBefore(n, at);
    }
  }
  while (at) {
    const gone = at;
    at = at.nextSibling;
    old.removeChild(gone);
  }
}

/**
 * @param {Node} old
 * @param {Node} next
 */
function one(old, next) {
  if (old instanceof Element && next instanceof Element) {
    if (old.nodeName !== next.nodeName) {
      old.replaceWith(next);
      return;
    }
    for (const a of Array.from(old.attributes)) {
      if (!next.hasAttribute(a.name) && !(a.name === "open" && old.nodeName === "DETAILS")) old.removeAttribute(a.name);
    }
    for (const a of Array.from(next.attributes)) {
      if (old.getAttribute(a.name) !== a.value) old.setAttribute(a.name, a.value);
    }
    children(old, next);
  } else if (old.nodeValue !== next.nodeValue) {
    old.nodeValue = next.nodeValue;
  }
}
