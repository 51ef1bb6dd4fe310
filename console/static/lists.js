// Long lists. A table marked data-sort is sorted by a press on a head: up, down, as it
// was. A list marked data-filter gets a field that leaves only what has all its words.
// Both are by the name that the mark gives, so that a part that renews itself stays so.
import { t } from "./words.js";

const MANY = 8; // rows from which a field is worth its place

/** Column and direction by the name of the table. @type {Map<string, [number, number]>} */
const sorts = new Map();
/** Words by the name of the list. @type {Map<string, string>} */
const filters = new Map();

/** @param {string} text */
function number(text) {
  const s = text.trim().replace("−", "-").replace(/[\s\u202f]/g, "").replace(/,(?=\d+$)/, ".");
  return /^[+-]?[\d.]/.test(s) ? parseFloat(s) : NaN;
}

/** Rows that belong to the one before go with it. @param {HTMLElement} row */
const follows = (row) => row.matches(".members, .more");

/** @param {HTMLTableElement} table */
function sort(table) {
  const [column, direction] = sorts.get(table.dataset.sort || "") ?? [0, 0];
  const heads = Array.from(table.tHead?.rows[0]?.cells ?? []);
  heads.forEach((head, i) => {
    if (!head.textContent?.trim()) return;
    if (!head.querySelector("button.sort")) {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "sort";
      button.append(...head.childNodes);
      head.append(button);
    }
    head.ariaSort = i === column && direction ? (direction > 0 ? "ascending" : "descending") : "none";
  });
  for (const body of table.tBodies) {
    const groups = /** @type {HTMLTableRowElement[][]} */ ([]);
    Array.from(body.rows).forEach((r, i) => {
      r.dataset.place ??= String(i);
      if (groups.length && follows(r)) groups[groups.length - 1].push(r);
      else groups.push([r]);
    });
    const text = (/** @type {HTMLTableRowElement[]} */ g) => g[0].cells[column]?.textContent?.trim() ?? "";
    const place = (/** @type {HTMLTableRowElement[]} */ g) => Number(g[0].dataset.place);
    groups.sort((a, b) => {
      const first = Number(b[0].className === "group") - Number(a[0].className === "group");
      if (first || direction === 0) return first || place(a) - place(b);
      const [x, y] = [text(a), text(b)], [m, n] = [number(x), number(y)];
      if (Number.isNaN(m) !== Number.isNaN(n)) return Number.isNaN(m) ? 1 : -1; // no figure: last
      return direction * (Number.isNaN(m) ? x.localeCompare(y) : m - n) || place(a) - place(b);
    });
    const rows = groups.flat();
    if (rows.some((r, i) => r !== body.rows[i])) body.append(...rows);
  }
}

/** @param {Element} list */
function rowsOf(list) {
  return /** @type {HTMLElement[]} */ (Array.from(list.matches("ul") ? list.children : list.querySelectorAll(":scope > tbody > tr:not(.group)")));
}

/** @param {HTMLElement} list */
function filter(list) {
  const name = list.dataset.filter || "", rows = rowsOf(list), place = list.closest(".scroll") ?? list;
  const key = "filter " + name;
  let line = place.previousElementSibling;
  if (line?.getAttribute("data-key") !== key) {
    if (rows.length <= MANY && !filters.get(name)) return;
    line = document.createElement("p");
    line.className = "filter-line";
    line.setAttribute("data-key", key);
    const field = document.createElement("input");
    field.type = "search";
    field.className = "filter";
    field.dataset.of = name;
    field.placeholder = field.ariaLabel = t("Only rows with …");
    line.append(field, document.createElement("b"));
    place.before(line);
  }
  const wanted = (filters.get(name) ?? "").toLowerCase().split(/\s+/).filter(Boolean);
  let fits = true, left = 0;
  for (const row of rows) {
    if (!follows(row)) fits = wanted.every((w) => row.textContent?.toLowerCase().includes(w));
    row.hidden = !fits;
    if (!fits) left++;
  }
  // What is hidden is not to be forgotten: an alarm may be among it.
  const said = line?.querySelector("b");
  if (said) said.textContent = left ? t("{1} hidden by these words", left) : "";
}

/** Sorts and filters the lists of a page, or of a part before it is put in. @param {ParentNode} root */
export function arrange(root) {
  root.querySelectorAll("table[data-sort]").forEach((e) => sort(/** @type {HTMLTableElement} */ (e)));
  root.querySelectorAll("[data-filter]").forEach((e) => filter(/** @type {HTMLElement} */ (e)));
}

document.addEventListener("click", (e) => {
  const head = /** @type {Element} */ (e.target).closest("button.sort")?.closest("th");
  const table = head?.closest("table");
  if (!head || !table) return;
  const next = { none: 1, ascending: -1, descending: 0 }[head.ariaSort || "none"] ?? 1;
  sorts.set(table.dataset.sort || "", [head.cellIndex, next]);
  sort(table);
});
document.addEventListener("input", (e) => {
  const field = /** @type {HTMLInputElement} */ (e.target);
  if (!field.matches(".filter")) return;
  filters.set(field.dataset.of || "", field.value);
  document.querySelectorAll("[data-filter]").forEach((l) => { if (l instanceof HTMLElement && l.dataset.filter === field.dataset.of) filter(l); });
});
arrange(document);
