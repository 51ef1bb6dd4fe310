// The trends: a workbench on the archive. What is shown stands in the address;
// zoom and pan fetch what the screen can show.
import { Charts, LETTERS, clockText, index, number, reading } from "./trends-draw.js";
import { arrange } from "./lists.js";
import { search, meta } from "./trends-tags.js";
import { t } from "./words.js";

const MOST = 8;
/** The kinds of marks: one, and several. @type {Record<string, string[]>} */
const KINDS = {
  alarm: [t("alarm"), t("alarms")], cleaning: [t("cleaning"), t("cleanings")], correction: [t("correction"), t("corrections")],
  strike: [t("strike"), t("strikes")], note: [t("note"), t("notes")], gap: [t("gap"), t("gaps")],
};

/** @param {string} id */
function el(id) { return /** @type {any} */ (document.getElementById(id)); }

const host = el("charts");
const charts = new Charts(host, { zoom: (a, b) => go({ from: a, to: b, span: "" }), back: () => history.back(), cursor: readout });

/** What is shown; s since 1970. */
let at = { tags: /** @type {string[]} */ ([]), span: "8h", from: 0, to: 0, view: "lines", shift: "", one: false };
let hidden = new Set();
let last = /** @type {any} */ (null); // what was fetched: from, to, series, marks
let asking = new AbortController();
const seconds = { m: 60, h: 3600, d: 86400, s: 1 };

/** @param {string} text */
function lengthOf(text) {
  const m = /^(\d+(?:\.\d+)?)([smhd])$/.exec(text);
  return m ? Number(m[1]) * seconds[/** @type {"s"} */ (m[2])] : 0;
}

function read() {
  const q = new URLSearchParams(location.search);
  const tags = q.getAll("tag");
  if (q.get("add") && !tags.includes(q.get("add") || "")) tags.push(q.get("add") || "");
  const when = (/** @type {string | null} */ v, /** @type {any} */ field) => {
    const text = v || "";
    const n = Number(text);
    if (text && !Number.isNaN(n)) return n > 1e11 ? n / 1000 : n;
    return Number(field.dataset.s || 0) || Date.parse(text) / 1000 || 0;
  };
  at = {
    tags: tags.slice(0, MOST), span: q.get("from") ? "" : q.get("to") ? "" : q.get("span") || "8h",
    from: 0, to: 0, view: q.get("view") || "lines", shift: q.get("shift") || "", one: q.get("one") === "yes",
  };
  hidden = new Set((q.get("hide") || "").split(",").filter(Boolean));
  if (!at.span) {
    at.from = when(q.get("from"), el("from"));
    at.to = q.get("to") ? when(q.get("to"), el("to")) : Date.now() / 1000;
    if (!at.from) at.from = at.to - (lengthOf(q.get("span") || "") || 8 * 3600);
  }
}

/** @returns {[number, number]} */
function range() {
  if (!at.span) return [at.from, at.to];
  const now = Date.now() / 1000;
  return [now - (lengthOf(at.span) || 8 * 3600), now];
}

function query() {
  const q = new URLSearchParams();
  for (const t of at.tags) q.append("tag", t);
  if (at.span) q.set("span", at.span);
  else { q.set("from", String(Math.round(at.from * 1000))); q.set("to", String(Math.round(at.to * 1000))); }
  if (at.view !== "lines") q.set("view", at.view);
  if (at.shift) q.set("shift", at.shift);
  if (at.one) q.set("one", "yes");
  if (hidden.size) q.set("hide", [...hidden].join(","));
  return q;
}

/**
 * Changes what is shown, writes it into the address and fetches it.
 * @param {Partial<typeof at>} change
 */
function go(change) {
  refused = "";
  Object.assign(at, change);
  if (!at.span && at.to - at.from < 2) { const m = (at.from + at.to) / 2; at.from = m - 1; at.to = m + 1; }
  const address = "/trends?" + query(); // a drag is heard by each chart of the picture
  if (address === location.pathname + location.search) return null;
  history.pushState(null, "", address);
  return refresh();
}

/**
 * @param {string} path
 * @param {URLSearchParams} q
 * @param {AbortSignal} signal
 */
async function ask(path, q, signal = asking.signal) {
  const r = await fetch(path + "?" + q, { signal });
  if (!r.ok) throw new Error((await r.json().catch(() => ({}))).error || "HTTP " + r.status);
  return r.json();
}

/**
 * The condensed values of tags in a stretch, by path.
 * @param {string[]} tags
 * @param {number} from
 * @param {number} to
 */
async function values(tags, from, to) {
  const q = new URLSearchParams({ from: String(Math.round(from * 1000)), to: String(Math.round(to * 1000)), shape: "columns", time: "s", limit: "200000",
    points: String(Math.max(100, Math.min(1500, Math.round(host.clientWidth)))) });
  for (const t of tags) q.append("tag", t);
  /** @type {Record<string, any>} */
  const out = {};
  for (const t of tags) out[t] = { time: [], min: [], mean: [], max: [], status: [], good: [] };
  for (const s of (await ask("/api/v1/series", q)).series) {
    const o = out[s.tag], { scale, offset } = meta(s.tag);
    const scaled = scale === 1 && !offset ? s.value : s.value.map((/** @type {number|null} */ v) => (v === null ? null : v * scale + offset));
    // A vacuum counts the other way.
    if (s.aggregate === (scale < 0 ? "Maximum" : "Minimum")) o.min = scaled;
    if (s.aggregate === (scale < 0 ? "Minimum" : "Maximum")) o.max = scaled;
    if (s.aggregate === "Mean") Object.assign(o, { time: s.time, mean: scaled, status: s.status, good: s.percent_good });
  }
  return out;
}

/**
 * @param {string[]} tags
 * @param {number} from
 * @param {number} to
 */
async function happened(tags, from, to) {
  const q = new URLSearchParams({ from: String(Math.round(from * 1000)), to: String(Math.round(to * 1000)) });
  for (const t of tags) q.append("tag", t);
  const marks = (await ask("/api/v1/marks", q)).marks;
  for (const m of marks) {
    m.a = Date.parse(m.from) / 1000;
    m.b = m.to ? Date.parse(m.to) / 1000 : m.open ? Infinity : m.a;
  }
  return marks;
}

/** The stretches that are laid over each other, the newest first. */
async function periods() {
  const [from, to] = range();
  if (at.view === "before") {
    const d = lengthOf(at.shift) || to - from;
    return [0, 1].map((n) => ({ label: n ? t("the time before") : t("now"), from: from - n * d, to: to - n * d }));
  }
  const owner = at.tags[0].slice(0, at.tags[0].lastIndexOf("."));
  const kind = at.view === "cycles" ? "cleaning" : "strike";
  const marks = (await happened([at.tags[0]], to - 400 * 86400, to)).filter((/** @type {any} */ m) => m.kind === kind && m.source === owner);
  const out = marks.map((/** @type {any} */ m, /** @type {number} */ i) => kind === "cleaning"
    ? { label: t("from {1}", clockText(m.b)), from: m.b, to: i + 1 < marks.length ? marks[i + 1].a : to }
    : { label: clockText(m.a), from: m.a, to: m.b });
  const some = out.filter((/** @type {any} */ p) => p.to > p.from && Number.isFinite(p.from)).reverse().slice(0, 6);
  if (some.length === 0) {
    throw new Error(kind === "cleaning" ? t("There is no recorded cleaning of {1}: choose a tag of a body that was cleaned.", owner || t("the house"))
      : t("There is no recorded strike of {1}: choose a tag of a batch pan.", owner || t("the house")));
  }
  return some;
}

// Why typed times were refused: it stands until something else is asked for, whatever
// the charts fetch meanwhile.
let refused = "";

async function refresh() {
  asking.abort();
  asking = new AbortController();
  const mine = asking;
  const say = el("chart-state");
  controls();
  if (at.tags.length === 0) {
    charts.clear();
    last = null;
    el("below").hidden = true;
    say.textContent = t("No tag is chosen.");
    return;
  }
  if (!last) say.textContent = t("Reading the archive.");
  const begun = performance.now();
  try {
    await meta.ready(at.tags);
    list();
    const [from, to] = range();
    const tags = at.tags.map((path, index) => ({ path, index, ...meta(path) }));
    if (["before", "cycles", "strikes"].includes(at.view)) {
      const over = await periods();
      const sets = await Promise.all(over.map((/** @type {any} */ p) => values(at.tags, p.from, p.to)));
      charts.overlay(tags, over, sets);
      last = null;
      statistics(tags.flatMap((tag) => over.map((/** @type {any} */ p, /** @type {number} */ i) => ({ ...p, name: nameOf(tag) + ", " + p.label, o: sets[i][tag.path] }))));
      say.textContent = t("{1} stretches, each from its own beginning.", over.length);
    } else {
      const [series, marks] = await Promise.all([values(at.tags, from, to), happened(at.tags, from, to)]);
      last = { from, to, series, marks, tags };
      if (at.view === "scatter") say.textContent = charts.scatter(tags, series);
      else {
        charts.lines(tags, series, from, to, at.one, shownMarks());
        say.textContent = refused || (at.tags.some((path) => series[path].time.length) ? "" : t("The archive holds nothing for this span."));
      }
      statistics(tags.map((tag) => ({ from, to, name: nameOf(tag), o: series[tag.path] })));
      markList();
    }
    el("below").hidden = false;
    el("marks").hidden = !last;
    host.dataset.drawn = String(Math.round(performance.now() - begun));
    host.dataset.painted ??= String(Math.round(performance.now()));
  } catch (e) {
    if (mine.signal.aborted) return;
    say.textContent = /** @type {Error} */ (e).message + (last ? " " + t("The charts are not up to date.") : "");
  }
}

function shownMarks() { return last.marks.filter((/** @type {any} */ m) => !hidden.has(m.kind)); }

/** The chosen tags beside the charts follow the state. */
function list() {
  const ol = el("chosen");
  if (at.tags.join("\n") === Array.from(ol.children, (/** @type {any} */ li) => li.dataset.path).join("\n")) return;
  ol.replaceChildren(...at.tags.map((path, i) => {
    const m = meta(path);
    const li = document.createElement("li");
    li.dataset.path = path;
    const key = document.createElement("i"), text = document.createElement("span"), name = document.createElement("b"), value = document.createElement("span");
    key.className = "key key" + i;
    key.setAttribute("aria-hidden", "true");
    name.textContent = m.label;
    name.title = m.meaning;
    value.className = "at";
    text.append(name, document.createElement("br"), value);
    const drop = document.createElement("a");
    drop.className = "drop";
    drop.href = "/trends";
    drop.textContent = "✕";
    drop.setAttribute("aria-label", t("Take out {1}", m.label));
    li.append(key, text, drop);
    return li;
  }));
}

/** Fields and forms follow the state. */
function controls() {
  const [from, to] = range();
  for (const [id, s] of /** @type {[string, number][]} */ ([["from", from], ["to", to]])) {
    if (document.activeElement !== el(id)) { el(id).value = clockText(s, true); el(id).dataset.s = String(s); }
  }
  el("stamp").textContent = t("{1} to {2}", clockText(from), clockText(to));
  el("none").hidden = at.tags.length > 0;
  el("add-form").hidden = at.tags.length >= MOST;
  el("view").value = at.view;
  el("one").checked = at.one;
  el("shift").value = at.shift;
  el("shift-field").hidden = at.view !== "before";
  for (const a of document.querySelectorAll("#spans a")) {
    const q = new URLSearchParams(/** @type {HTMLAnchorElement} */ (a).search), span = q.get("span") || "";
    if (span === at.span) a.setAttribute("aria-current", "true"); else a.removeAttribute("aria-current");
    const own = query();
    for (const name of ["from", "to"]) own.delete(name);
    own.set("span", span);
    /** @type {HTMLAnchorElement} */ (a).href = "/trends?" + own;
  }
  for (const form of [el("range"), el("export")]) {
    for (const i of form.querySelectorAll("input[name=tag]")) i.remove();
    for (const t of at.tags) {
      const i = document.createElement("input");
      Object.assign(i, { type: "hidden", name: "tag", value: t });
      form.append(i);
    }
  }
  el("export").elements.from.value = String(Math.round(from * 1000));
  el("export").elements.to.value = String(Math.round(to * 1000));
  if (el("keep")) el("keep").elements.query.value = String(query());
}

/**
 * Values and quality at the cursor, null: it is nowhere.
 * @param {number | null} s
 */
function readout(s) {
  if (!last) return;
  el("stamp").textContent = s === null ? t("{1} to {2}", clockText(last.from), clockText(last.to)) : clockText(s, false, true);
  Array.from(el("chosen").children).forEach((li, i) => {
    const out = li.querySelector(".at"), o = last.series[at.tags[i]];
    if (!out || !o) return;
    const n = s === null ? o.time.length - 1 : index(o.time, s);
    out.textContent = reading(o, n, meta(at.tags[i]).unit);
  });
}

/** @param {any} tag */
function nameOf(tag) { return tag.label + (tag.unit ? ", " + tag.unit : ""); }

/** @param {{name: string, from: number, to: number, o: any}[]} rows */
function statistics(rows) {
  const body = el("stats").tBodies[0];
  body.replaceChildren(...rows.map(({ name, from, to, o }) => {
    let low = Infinity, high = -Infinity, sum = 0, weight = 0, good = 0, end = NaN;
    o.time.forEach((/** @type {number} */ _s, /** @type {number} */ i) => {
      good += o.good[i];
      if (o.mean[i] === null) return;
      low = Math.min(low, o.min[i]); high = Math.max(high, o.max[i]); end = o.mean[i];
      sum += o.mean[i] * (o.good[i] || 1e-6); weight += o.good[i] || 1e-6;
    });
    const step = o.time.length > 1 ? (o.time[o.time.length - 1] - o.time[0]) / (o.time.length - 1) : to - from;
    const share = o.time.length ? Math.min(100, good * step / (to - from)) : 0;
    const tr = document.createElement("tr"), th = document.createElement("th");
    th.scope = "row";
    th.textContent = name;
    tr.append(th);
    for (const text of [number(low), number(weight ? sum / weight : NaN), number(high), number(end), share.toFixed(0) + " %"]) {
      const td = document.createElement("td");
      td.className = "n";
      td.textContent = text;
      tr.append(td);
    }
    return tr;
  }));
  arrange(document);
}

function markList() {
  const count = new Map(Object.keys(KINDS).map((k) => [k, last.marks.filter((/** @type {any} */ m) => m.kind === k).length]));
  const some = Object.keys(KINDS).filter((k) => count.get(k));
  el("marks-count").textContent = some.map((k) => count.get(k) + " " + KINDS[k][count.get(k) === 1 ? 0 : 1]).join(", ") || t("none");
  el("mark-kinds").replaceChildren(...some.map((k) => {
    const label = document.createElement("label"), box = document.createElement("input");
    label.className = "check";
    box.type = "checkbox";
    box.checked = !hidden.has(k);
    box.addEventListener("change", () => { if (box.checked) hidden.delete(k); else hidden.add(k); go({}); });
    label.append(box, " " + LETTERS[k] + " " + KINDS[k][1]);
    return label;
  }));
  el("mark-list").replaceChildren(...shownMarks().slice(-200).reverse().map((/** @type {any} */ m) => {
    const li = document.createElement("li"), a = document.createElement("a");
    a.href = m.href;
    a.textContent = m.text;
    li.append(clockText(m.a) + (m.b > m.a ? (Number.isFinite(m.b) ? " – " + clockText(m.b) : " →") : "") + " " + KINDS[m.kind][0] + ": ", a);
    return li;
  }));
}

/** @type {Record<string, () => void>} */
const MOVES = {
  back: () => move(-0.5, 1), on: () => move(0.5, 1), in: () => move(0, 0.5), out: () => move(0, 2),
  now: () => { const [a, b] = range(); const d = b - a; go({ span: d % 86400 === 0 ? d / 86400 + "d" : Math.max(1, Math.round(d / 60)) + "m" }); },
};

/**
 * @param {number} by lengths
 * @param {number} factor
 */
function move(by, factor) {
  const [a, b] = range(), d = (b - a) * factor, middle = (a + b) / 2 + by * (b - a);
  const to = Math.min(middle + d / 2, Date.now() / 1000);
  go({ span: "", from: to - d, to });
}

read();
for (const li of /** @type {any} */ (el("chosen").children)) {
  const d = li.dataset;
  meta.know(d.path, { label: d.label, unit: d.unit, scale: Number(d.scale || 1), offset: Number(d.offset || 0), stepped: d.stepped === "yes", meaning: d.meaning || "" });
}
el("moves").hidden = el("of-field").hidden = false;
el("png").hidden = false;
el("moves").addEventListener("click", (/** @type {any} */ e) => MOVES[e.target.dataset.do]?.());
el("view").addEventListener("change", () => go({ view: el("view").value }));
el("one").addEventListener("change", () => go({ one: el("one").checked }));
el("shift").addEventListener("change", () => go({ shift: lengthOf(el("shift").value.trim()) ? el("shift").value.trim() : "" }));
el("spans").addEventListener("click", (/** @type {any} */ e) => {
  const a = e.target.closest("a");
  if (!a || e.ctrlKey || e.metaKey || e.shiftKey) return;
  e.preventDefault();
  go({ span: new URLSearchParams(a.search).get("span") || "8h" });
});
el("chosen").addEventListener("click", (/** @type {any} */ e) => {
  const li = e.target.closest(".drop")?.closest("li");
  if (!li || e.ctrlKey || e.metaKey) return;
  e.preventDefault();
  go({ tags: at.tags.filter((t) => t !== li.dataset.path) });
});
el("range").addEventListener("submit", async (/** @type {any} */ e) => {
  e.preventDefault();
  // The program reads the times: it knows the clock of the site.
  const q = new URLSearchParams({ from: el("from").value, to: el("to").value });
  try {
    // Not by the signal of the charts: what they fetch anew must not end this question.
    const span = await ask("/api/v1/marks", q, AbortSignal.timeout(10000));
    el("range").querySelector("button").focus();
    go({ span: "", from: Date.parse(span.from) / 1000, to: Date.parse(span.to) / 1000 });
  } catch (err) { el("chart-state").textContent = refused = /** @type {Error} */ (err).message; }
});
host.addEventListener("keydown", (/** @type {any} */ e) => {
  const f = /** @type {any} */ ({ ArrowLeft: MOVES.back, ArrowRight: MOVES.on, "+": MOVES.in, "=": MOVES.in, "-": MOVES.out, 0: MOVES.now,
    m: () => { hidden = hidden.size ? new Set() : new Set(Object.keys(KINDS)); go({}); } })[e.key];
  if (!f || e.ctrlKey || e.metaKey || e.altKey) return;
  e.preventDefault();
  e.stopPropagation();
  f();
});
host.addEventListener("wheel", (/** @type {any} */ e) => {
  if (!e.ctrlKey) return;
  e.preventDefault();
  move(0, e.deltaY > 0 ? 1.5 : 1 / 1.5);
}, { passive: false });
el("png").addEventListener("click", () => charts.picture(at.tags.map((t) => meta(t).label).join(", ") + "  " + el("stamp").textContent));
search(el("add"), el("of"), el("found"), () => at.tags, (path) => { el("add").value = ""; go({ tags: [...at.tags, path] }); });
window.addEventListener("popstate", () => { read(); refresh(); });
let resized = 0;
window.addEventListener("resize", () => { clearTimeout(resized); resized = window.setTimeout(refresh, 300); });
await refresh();
// Follow along while the span ends now and nobody points at it.
setInterval(() => { if (at.span && at.view === "lines" && !charts.pointed()) refresh(); }, 15000);
