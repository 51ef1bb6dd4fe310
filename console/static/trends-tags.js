// The tags of the house: what they are called, and a search by words.
import { t } from "./words.js";

/** @typedef {{label: string, unit: string, scale: number, offset: number, stepped: boolean, meaning: string, owner?: string}} Meta */

/** @type {Map<string, Meta>} */
const known = new Map();
/** @type {Promise<void> | null} */
let all = null;

function fetchAll() {
  all ??= fetch("/api/v1/tags").then((r) => r.json()).then((answer) => {
    for (const t of answer.tags) {
      known.set(t.path, { label: t.label, unit: t.shown_unit, scale: t.shown_scale, offset: t.shown_offset, stepped: t.dimension === "state", meaning: t.meaning, owner: t.owner });
    }
  }).catch((e) => { all = null; throw e; });
  return all;
}

/** @param {string} path @returns {Meta} */
export function meta(path) { return known.get(path) || { label: path, unit: "", scale: 1, offset: 0, stepped: false, meaning: "" }; }

/** @param {string} path @param {Meta} m */
meta.know = (path, m) => { known.set(path, m); };

/** Waits until the tags are known. @param {string[]} paths */
meta.ready = async (paths) => { if (paths.some((p) => !known.has(p))) await fetchAll(); };

/**
 * A field that finds tags by words of path, name, vessel and meaning, of one vessel
 * if one is chosen.
 * @param {HTMLInputElement} field
 * @param {HTMLSelectElement} vessel
 * @param {HTMLElement} list
 * @param {() => string[]} chosen
 * @param {(path: string) => void} take
 */
export function search(field, vessel, list, chosen, take) {
  const show = async () => {
    const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
    if (words.length === 0 && !vessel.value) { list.replaceChildren(); return; }
    await fetchAll();
    const found = [];
    for (const [path, m] of known) {
      const own = (path + " " + m.label).toLowerCase(), text = own + " " + m.meaning.toLowerCase();
      if (vessel.value && m.owner !== vessel.value || chosen().includes(path) || !words.every((w) => text.includes(w))) continue;
      found.push({ path, m, rank: words.every((w) => own.includes(w)) ? 0 : 1 });
    }
    found.sort((a, b) => a.rank - b.rank || a.path.localeCompare(b.path));
    const most = vessel.value ? 80 : 12;
    list.replaceChildren(...found.slice(0, most).map(({ path, m }) => {
      const li = document.createElement("li"), b = document.createElement("button"), small = document.createElement("small");
      b.type = "button";
      b.dataset.path = path;
      small.textContent = " " + path + (m.unit ? ", " + m.unit : "");
      b.append(m.label, small);
      b.title = m.meaning;
      b.addEventListener("click", () => { take(path); show(); field.focus(); });
      li.append(b);
      return li;
    }));
    if (found.length !== 0 && found.length <= most) return;
    const li = document.createElement("li");
    li.className = "calm";
    li.textContent = found.length ? t("{1} more: add a word", found.length - most) : t("no tag has these words");
    list.append(li);
  };
  field.addEventListener("input", show);
  vessel.addEventListener("change", show);
  field.addEventListener("keydown", (e) => {
    if (e.key === "ArrowDown") { e.preventDefault(); list.querySelector("button")?.focus(); }
  });
  list.addEventListener("keydown", (e) => {
    const step = e.key === "ArrowDown" ? 1 : e.key === "ArrowUp" ? -1 : 0;
    if (!step) return;
    e.preventDefault();
    const buttons = Array.from(list.querySelectorAll("button")), i = buttons.indexOf(/** @type {HTMLButtonElement} */ (document.activeElement)) + step;
    if (i < 0) field.focus(); else buttons[Math.min(i, buttons.length - 1)]?.focus();
  });
  field.form?.addEventListener("submit", async (e) => {
    e.preventDefault();
    await show();
    const path = known.has(field.value.trim()) ? field.value.trim() : list.querySelector("button")?.dataset.path;
    if (path) { take(path); show(); }
  });
}
