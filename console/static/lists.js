// Lists. Each table with heads is sorted by a press on a head: up, down, as it was; a
// matrix by any of its columns. Each table or list of many rows has a field that leaves
// only what has all its words. Both go by the name that nameOf gives, so that a part that
// renews itself stays so. A ladder of a set is none: its order is that of the flow.
import { t } from "./words.js";

const FEW = 3; // rows from which an order is worth having
const MANY = 8; // rows from which a field is worth its place
const TABLES = "table.plain:not(table table)";
const LISTS = TABLES + ", ul[data-filter]";

/** Column and direction by the name of the table. @type {Map<string, [number, number]>} */
const sorts = new Map();
/** Words by the name of the list. @type {Map<string, string>} */
const filters = new Map();

const months = Array.from({ length: 12 }, (_, m) => shortMonth(new Date(2001, m).toLocaleString(document.documentElement.lang, { month: "short" })));
/** @param {string} name */
function shortMonth(name) { return name.slice(0, 3).toLowerCase(); }

/**
 * What a text is put in order by: a moment or a length of time in seconds, else its figure.
 * A day without a year is the one nearest to now. NaN for words, and for dates that are in
 * order as they are written.
 * @param {string} text
 */
export function rank(text) {
  const s = text.trim().replace("−", "-"), now = new Date();
  const long = /^(?:([\d.]+) d)? ?(?:([\d.]+) h)? ?(?:([\d.]+) min)? ?(?:([\d.]+) s)?$/.exec(s);
  if (s && long) return [86400, 3600, 60, 1].reduce((sum, of, i) => sum + of * Number(long[i + 1] ?? 0), 0);
  const [, day, month = "", year, minus, h, min, sec] = /^(?:\p{L}+,? )?(?:(\d+) (\p{L}{3})\p{L}*(?: (\d{4}))?,? ?)?(?:(-?)\+?(\d+):(\d\d)(?::(\d\d))?)?/u.exec(s) ?? [];
  const m = months.indexOf(shortMonth(month)), clock = (Number(h ?? 0) * 3600 + Number(min ?? 0) * 60 + Number(sec ?? 0)) * (minus ? -1 : 1);
  if (m >= 0 || h) {
    const date = m < 0 ? new Date(now.getFullYear(), now.getMonth(), now.getDate()) : new Date(Number(year ?? now.getFullYear()), m, Number(day));
    const ahead = (date.getTime() - now.getTime()) / 864e5;
    if (!year && Math.abs(ahead) > 183) date.setFullYear(date.getFullYear() - Math.sign(ahead));
    return date.getTime() / 1000 + clock;
  }
  const figure = s.replace(/[\s\u202f]/g, "").replace(/,(?=\d+$)/, ".");
  return /^[+-]?[\d.]/.test(figure) && !/^\d{4}-\d\d-/.test(figure) ? parseFloat(figure) : NaN;
}

/** @param {HTMLElement} list @param {Element} [part] that the list is put into */
function nameOf(list, part) {
  const of = list.dataset.filter ?? list.closest(".scroll")?.ariaLabel ?? (list.closest("[id]") ?? part)?.id;
  return of + "|" + (list instanceof HTMLTableElement ? list.tHead?.textContent?.replace(/\s+/g, " ") : "");
}

/** The head of each column, also where two rows of heads stand. @param {HTMLTableElement} table */
function headsOf(table) {
  const [first, second] = Array.from(table.tHead?.rows ?? [], (r) => Array.from(r.cells));
  return second ? first.flatMap((h) => h.rowSpan > 1 ? [h] : second.splice(0, h.colSpan)) : first ?? [];
}

/** Rows that belong to the one before go with it. @param {HTMLElement} row */
const follows = (row) => row.matches(".members, .more");

/** @param {HTMLTableElement} table @param {Element} [part] */
function sort(table, part) {
  const [column, direction] = sorts.get(nameOf(table, part)) ?? [0, 0];
  if (rowsOf(table).length < FEW && !direction) return;
  headsOf(table).forEach((head, i) => {
    if (!head.textContent?.trim() || head.querySelector("a")) return;
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
      const [x, y] = [text(a), text(b)], [m, n] = [rank(x), rank(y)];
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

/** @param {HTMLElement} list @param {Element} [part] */
function filter(list, part) {
  const name = nameOf(list, part), rows = rowsOf(list), place = list.closest(".scroll") ?? list;
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

/** Sorts and filters the lists of a page, or of a part before it is put in. @param {ParentNode} root @param {Element} [part] */
export function arrange(root, part) {
  root.querySelectorAll(TABLES).forEach((e) => sort(/** @type {HTMLTableElement} */ (e), part));
  root.querySelectorAll(LISTS).forEach((e) => filter(/** @type {HTMLElement} */ (e), part));
}

document.addEventListener("click", (e) => {
  const head = /** @type {Element} */ (e.target).closest("button.sort")?.closest("th");
  const table = head?.closest("table");
  if (!head || !table) return;
  const next = { none: 1, ascending: -1, descending: 0 }[head.ariaSort || "none"] ?? 1;
  sorts.set(nameOf(table), [headsOf(table).indexOf(head), next]);
  arrange(document);
});
document.addEventListener("input", (e) => {
  const field = /** @type {HTMLInputElement} */ (e.target);
  if (!field.matches(".filter")) return;
  filters.set(field.dataset.of || "", field.value);
  arrange(document);
});
arrange(document);
