// Calls by sound: by priority, after somebody at this station has said so. On or off,
// and what was silenced, is kept by the browser and holds for all its pages.
import { t } from "./words.js";

/** Tones in Hz, one after another, and seconds until they come again; 0: once. @type {Record<number, {hz: number[], again: number}>} */
const TONES = {
  1: { hz: [880, 660, 880, 660, 880], again: 3 },
  2: { hz: [740, 590, 740], again: 6 },
  3: { hz: [590, 590], again: 15 },
  4: { hz: [440], again: 0 },
};
const ON = "calandria.sound", SILENCED = "calandria.silenced", NOTICES = "calandria.notices";

const box = /** @type {HTMLDetailsElement | null} */ (document.getElementById("sound"));
const state = box && box.querySelector("summary");

/** @type {{key: string, priority: number, text: string}[]} */
let calls = [];
/** @type {Set<string>} */
const played = new Set();
let last = 0, mine = !!box && !navigator.locks;
/** @type {AudioContext | null} */
let audio = null;

// One page of a station sounds, not every one.
if (box) navigator.locks?.request("calandria-sound", () => { mine = true; return new Promise(() => {}); });

/** @param {string} key */
function kept(key) { try { return localStorage.getItem(key) || ""; } catch { return ""; } }
/** @param {string} key @param {string} value */
function keep(key, value) { try { localStorage.setItem(key, value); } catch { /* this page only */ } }

const on = () => kept(ON) === "on";
const silenced = () => new Set(kept(SILENCED).split("\n"));
const loud = () => { const quiet = silenced(); return calls.filter((c) => !quiet.has(c.key)); };

async function ready() {
  if (!audio) audio = new AudioContext();
  if (audio.state === "suspended") await Promise.race([audio.resume(), new Promise((r) => setTimeout(r, 300))]);
  show();
  return audio.state === "running";
}

/** @param {number} priority */
async function play(priority) {
  if (!(await ready()) || !audio) return;
  const tone = TONES[priority] || TONES[4];
  tone.hz.forEach((hz, i) => {
    const a = /** @type {AudioContext} */ (audio), at = a.currentTime + 0.22 * i;
    const o = a.createOscillator(), g = a.createGain();
    o.type = "triangle";
    o.frequency.value = hz;
    g.gain.setValueAtTime(0, at);
    g.gain.linearRampToValueAtTime(0.5, at + 0.02);
    g.gain.linearRampToValueAtTime(0, at + 0.18);
    o.connect(g).connect(a.destination);
    o.start(at);
    o.stop(at + 0.2);
  });
}

function show() {
  if (!state || !box) return;
  let word = "off";
  if (on()) word = audio && audio.state !== "running" ? "blocked" : calls.length > 0 && loud().length === 0 ? "silenced" : "on";
  const text = { off: t("Sound off"), on: t("Sound on"), silenced: t("Sound silenced"), blocked: t("Sound blocked: press any key") }[word] ?? "";
  if (state.textContent !== text) state.textContent = text;
  box.dataset.state = word;
  const toggle = box.querySelector("[data-do=toggle]");
  if (toggle) toggle.textContent = on() ? t("Turn it off") : t("Turn it on");
  const notices = box.querySelector("[data-do=notices]");
  if (!notices) return;
  const may = "Notification" in window ? Notification.permission : "denied";
  notices.textContent = may === "denied" ? t("Notices: the browser refuses them") : may === "granted" && kept(NOTICES) === "on" ? t("Notices on") : t("Notices off");
}

/**
 * Takes the alarms that wait for somebody.
 * @param {{key: string, priority: number, text: string}[]} now
 */
export function waiting(now) {
  const fresh = now.filter((c) => !calls.some((x) => x.key === c.key));
  if (calls.length > 0 || played.size > 0) fresh.forEach(notice);
  calls = now;
  tick();
}

/** @param {{text: string, key: string}} c */
function notice(c) {
  if (mine && document.hidden && kept(NOTICES) === "on" && "Notification" in window && Notification.permission === "granted") {
    new Notification("Calandria", { body: c.text, tag: c.key });
  }
}

function tick() {
  show();
  const list = loud().filter((c) => (TONES[c.priority] || TONES[4]).again > 0 || !played.has(c.key));
  if (!on() || !mine || list.length === 0) return;
  const first = Math.min(...list.map((c) => Math.min(c.priority, 4)));
  const again = TONES[first].again * 1000;
  if (performance.now() - last < (again || 1000) && list.every((c) => played.has(c.key))) return;
  last = performance.now();
  list.forEach((c) => played.add(c.key));
  play(first);
}

if (box) {
  box.hidden = false;
  box.addEventListener("click", async (e) => {
    const b = /** @type {HTMLElement} */ (e.target).closest("button");
    if (!b) return;
    switch (b.dataset.do) {
      case "toggle":
        keep(ON, on() ? "off" : "on");
        if (on()) await ready();
        break;
      case "silence":
        keep(SILENCED, calls.map((c) => c.key).join("\n"));
        break;
      case "test":
        await play(Number(b.dataset.priority));
        break;
      case "notices":
        if ("Notification" in window && (await Notification.requestPermission()) === "granted") keep(NOTICES, kept(NOTICES) === "on" ? "off" : "on");
        break;
    }
    tick();
  });
  if (on()) ready();
  for (const e of ["pointerdown", "keydown"]) document.addEventListener(e, () => { if (on() && audio && audio.state === "suspended") ready(); });
  setInterval(tick, 500);
}
