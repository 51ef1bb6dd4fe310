// Keeps a page up to date: one EventSource, parts replaced as they change, a
// word when the stream falls silent, new alarms read out.
import { morph } from "./morph.js";
import { waiting } from "./sound.js";
import { t } from "./words.js";

const STALE_MS = 2200; // silence after which the picture counts as old
const SAY_MS = 5000; // announcements are at least this far apart

const body = document.body;
const stale = document.getElementById("stale");
const staleWhy = document.getElementById("stale-why");
const staleAge = document.getElementById("stale-age");
const say = document.getElementById("announce");

/** Alarms already shown or read out on this page. @type {Set<string>} */
const known = new Set((body.dataset.calls || "").split("\n").filter(Boolean));
/** @type {{key: string, priority: number, text: string}[]} */
let unsaid = [];
let lastSaid = -SAY_MS;

let heard = performance.now(); // last sign of life of the stream
let pictureAge = 0; // ms, by the server's own clock, at that moment
let pictureLimit = 3500; // ms, from which it counts as standing still
let pictureKnown = true;

/** @type {EventSource | null} */
let source = null;

function connect() {
  source = new EventSource("/stream?" + (body.dataset.live || ""));
  source.addEventListener("picture", (e) => {
    const m = JSON.parse(e.data);
    heard = performance.now();
    for (const [id, html] of Object.entries(m.parts)) {
      const el = document.getElementById(id);
      if (el) morph(el, html);
    }
    follow();
    reach();
    announce(m.calls);
    badge(m.calls.length);
    waiting(m.calls);
  });
  source.addEventListener("beat", (e) => {
    const b = JSON.parse(e.data);
    heard = performance.now();
    pictureKnown = b.age_ms >= 0;
    pictureAge = Math.max(0, b.age_ms);
    pictureLimit = b.limit_ms;
    watch();
  });
  source.onerror = () => {
    // The browser tries again by itself unless the server refused.
    if (source && source.readyState === EventSource.CLOSED) {
      source = null;
      setTimeout(connect, 3000);
    }
  };
}

/** Says STALE when either the stream or the program behind it stands still. */
function watch() {
  const silent = performance.now() - heard;
  const lost = silent > STALE_MS;
  const stands = !lost && (!pictureKnown || pictureAge > pictureLimit);
  body.classList.toggle("stale", lost || stands);
  if (!stale || !staleWhy || !staleAge) return;
  stale.hidden = !(lost || stands);
  if (lost) staleWhy.textContent = t("No word from the program. What you see is old: go by the instruments in the field.");
  if (stands) staleWhy.textContent = t("The program answers but its picture stands still. What you see is old: go by the instruments in the field.");
  const age = Math.floor((silent + pictureAge) / 1000);
  staleAge.textContent = lost || stands ? t("Old by {1}.", age < 120 ? age + " s" : Math.floor(age / 60) + " min") : "";
}

const plainTitle = document.title;
const icon = /** @type {HTMLLinkElement | null} */ (document.querySelector("link[rel=icon]"));
const plainIcon = icon ? icon.href : "";

/**
 * Title and icon of the tab say how many alarms wait.
 * @param {number} n
 */
function badge(n) {
  document.title = (n > 0 ? "(" + n + ") " : "") + plainTitle;
  if (!icon) return;
  const want = n > 0 && icon.dataset.call ? icon.dataset.call + "&n=" + Math.min(n, 99) : plainIcon;
  if (icon.getAttribute("href") !== want) icon.href = want;
}

/** @param {{key: string, priority: number, text: string}[]} calls */
function announce(calls) {
  for (const c of calls) {
    if (known.has(c.key)) continue;
    known.add(c.key);
    unsaid.push(c);
  }
  const waiting = new Set(calls.map((c) => c.key));
  unsaid = unsaid.filter((c) => waiting.has(c.key));
  speak();
}

function speak() {
  if (!say || unsaid.length === 0 || performance.now() - lastSaid < SAY_MS) return;
  unsaid.sort((a, b) => a.priority - b.priority);
  say.textContent = t("New alarm. {1}.", unsaid[0].text) + (unsaid.length > 1 ? " " + t("And {1} more.", unsaid.length - 1) : "");
  unsaid = [];
  lastSaid = performance.now();
}

/**
 * The alarm page's buttons follow its state. The occurrence that Acknowledge
 * will name follows a moment later than the words on the page, so that a click
 * already on its way does not acknowledge what nobody has read.
 */
function follow() {
  const state = /** @type {HTMLElement | null} */ (document.querySelector("[data-occurrence]"));
  if (!state) return;
  const input = /** @type {HTMLInputElement | null} */ (document.querySelector("[data-follow=occurrence]"));
  const occurrence = state.dataset.occurrence || "";
  if (input && input.value !== occurrence) setTimeout(() => { input.value = occurrence; }, 1500);
  const ack = /** @type {HTMLButtonElement | null} */ (document.querySelector("#ack-form button.main"));
  if (ack) ack.disabled = state.dataset.ack !== "true";
  for (const name of ["reset", "confirm", "unshelve", "remove", "place"]) {
    const b = /** @type {HTMLElement | null} */ (document.querySelector(`[data-when=${name}]`));
    if (b) b.hidden = state.dataset[name] !== "true";
  }
}

/** What scrolls in its own box can be reached by keyboard; what does not scroll takes no tab stop. */
function reach() {
  for (const e of document.querySelectorAll(".scroll, table.plain")) {
    if (e.scrollWidth > e.clientWidth + 1) e.setAttribute("tabindex", "0");
    else e.removeAttribute("tabindex");
  }
}

follow();
reach();
window.addEventListener("resize", reach);
const grown = new ResizeObserver(reach); // a table that is filled later
for (const e of document.querySelectorAll(".scroll > *")) grown.observe(e);
connect();
setInterval(() => { watch(); speak(); }, 200);
// A page that comes back from the browser's memory shows an old picture until
// the stream answers.
window.addEventListener("pageshow", (e) => { if (e.persisted) heard = -Infinity; });
