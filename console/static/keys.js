// Single keys: next alarm, acknowledge, shelve, search, help. They do nothing while
// somebody writes, with a modifier, or when this station has turned them off
// (WCAG 2.2, 2.1.4).
import { t } from "./words.js";

const OFF = "calandria.keys";
const help = /** @type {HTMLDialogElement | null} */ (document.getElementById("keys"));

/** @param {string} selector */
function one(selector) { return /** @type {HTMLElement | null} */ (document.querySelector(selector)); }

function off() { try { return localStorage.getItem(OFF) === "off"; } catch { return false; } }

/** @param {number} step */
function row(step) {
  const links = /** @type {HTMLElement[]} */ (Array.from(document.querySelectorAll("#alarm-active .what a")));
  const at = links.findIndex((a) => a.closest("tr") === document.activeElement?.closest("tr"));
  const next = links[Math.max(0, Math.min(links.length - 1, at < 0 ? 0 : at + step))];
  next?.focus();
  return links.length > 0;
}

/** @type {Record<string, () => void>} */
const KEYS = {
  n: () => { if (!row(1)) location.href = "/alarms/next?after=" + encodeURIComponent(location.pathname.split("/")[2] || ""); },
  p: () => { row(-1); },
  a: () => {
    const name = /** @type {HTMLInputElement | null} */ (one("#ack-form [name=name]"));
    if (name && !name.value) { name.focus(); return; }
    const b = one("#ack-form button.main") || document.activeElement?.closest("tr")?.querySelector(".act button") || one("#alarm-active .act button");
    /** @type {HTMLElement | null} */ (b)?.click();
  },
  s: () => {
    const field = one("#reason");
    const link = /** @type {HTMLAnchorElement | null | undefined} */ (document.activeElement?.closest("tr")?.querySelector(".what a"));
    if (field) field.focus();
    else if (link) location.href = link.href + "#reason";
  },
  "/": () => { one("#search")?.focus(); },
  "?": () => { help?.showModal(); },
};

document.addEventListener("keydown", (e) => {
  const at = /** @type {HTMLElement} */ (e.target);
  if (e.ctrlKey || e.metaKey || e.altKey || e.isComposing || at.closest("input, select, textarea, dialog[open]")) return;
  const f = KEYS[e.key];
  if (!f || (off() && e.key !== "?")) return;
  e.preventDefault();
  f();
});

const button = help && help.querySelector("[data-do=keys]");
function word() { if (button) button.textContent = off() ? t("Turn single keys on") : t("Turn single keys off"); }
button?.addEventListener("click", () => {
  try { localStorage.setItem(OFF, off() ? "on" : "off"); } catch { /* this page only */ }
  word();
});
one("#keys-open")?.removeAttribute("hidden");
one("#keys-open")?.addEventListener("click", () => help?.showModal());
word();
