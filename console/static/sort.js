// Tables marked data-sort are sorted by a click on a head: up, down, as they were.
// The heads become buttons, so that the keyboard reaches them.

/** @param {string} text */
function number(text) {
  const t = text.trim().replace("−", "-").replace(/[\s\u202f]/g, "");
  return /^[+-]?[\d.]/.test(t) ? parseFloat(t) : NaN;
}

/** @param {HTMLTableElement} table @param {number} column @param {number} direction */
function sort(table, column, direction) {
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  rows.forEach((r, i) => { r.dataset.place ??= String(i); });
  const text = (/** @type {HTMLTableRowElement} */ r) => r.cells[column]?.textContent?.trim() ?? "";
  rows.sort((a, b) => {
    if (direction === 0) return Number(a.dataset.place) - Number(b.dataset.place);
    const [x, y] = [text(a), text(b)], [m, n] = [number(x), number(y)];
    if (Number.isNaN(m) !== Number.isNaN(n)) return Number.isNaN(m) ? 1 : -1; // no figure: last
    const order = Number.isNaN(m) ? x.localeCompare(y) : m - n;
    return direction * order || Number(a.dataset.place) - Number(b.dataset.place);
  });
  body.append(...rows);
}

for (const table of /** @type {NodeListOf<HTMLTableElement>} */ (document.querySelectorAll("table[data-sort]"))) {
  const heads = Array.from(table.tHead?.rows[0]?.cells ?? []);
  heads.forEach((head, column) => {
    if (!head.textContent?.trim()) return;
    const button = document.createElement("button");
    button.type = "button";
    button.className = "sort";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const next = { none: "ascending", ascending: "descending", descending: "none" }[head.ariaSort || "none"] ?? "none";
      for (const h of heads) h.ariaSort = "none";
      head.ariaSort = next;
      sort(table, column, next === "ascending" ? 1 : next === "descending" ? -1 : 0);
    });
  });
}
