// Draws the chosen tags: one chart for each unit, one common cursor. Between
// smallest and largest value of each bucket lies a band, so that a spike of a
// second is seen in a span of sixty days.
import uPlot from "./vendor/uPlot.esm.js";

const DASHES = [[], [9, 5], [2, 4], [], [9, 5], [2, 4]];

const host = /** @type {HTMLElement} */ (document.getElementById("charts"));
const state = document.getElementById("chart-state");
const zone = host.dataset.zone || "UTC";

const clock = new Intl.DateTimeFormat("en-GB", { timeZone: zone, day: "numeric", month: "numeric", year: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });

const probe = document.createElement("i");
host.append(probe);

/**
 * A colour of the present look, as #rrggbb.
 * @param {string} name
 */
function token(name) {
  probe.style.color = "var(" + name + ")";
  if (!probe.isConnected) host.append(probe);
  const rgb = getComputedStyle(probe).color.match(/\d+/g) || [];
  return "#" + rgb.slice(0, 3).map((v) => Number(v).toString(16).padStart(2, "0")).join("");
}

/** @type {{path: string, unit: string, label: string, scale: number, index: number}[]} */
const tags = Array.from(document.querySelectorAll(".chosen li")).map((li, index) => {
  const d = /** @type {HTMLElement} */ (li).dataset;
  return { path: d.path || "", unit: d.unit || "", label: d.label || "", scale: Number(d.scale || 1), index };
});

/** @type {uPlot[]} */
let charts = [];
let whole = [0, 0]; // the span asked for, s

async function load() {
  const q = new URLSearchParams(host.dataset.query || "");
  for (const t of tags) q.append("tag", t.path);
  q.set("points", String(Math.max(100, Math.min(1500, Math.round(host.clientWidth)))));
  const r = await fetch("/api/v1/trend?" + q);
  if (!r.ok) throw new Error("HTTP " + r.status);
  return r.json();
}

/** @param {any} answer */
function draw(answer) {
  for (const c of charts) c.destroy();
  charts = [];
  host.replaceChildren();
  const units = [...new Set(tags.map((t) => t.unit))];
  const muted = token("--muted"), line = token("--line");
  const from = Date.parse(answer.from) / 1000, to = Date.parse(answer.to) / 1000;
  whole = [from, to];
  const height = Math.max(150, Math.min(680, (window.innerHeight - host.getBoundingClientRect().top - 120) / units.length - 24));
  let values = 0;
  for (const unit of units) {
    const mine = tags.filter((t) => t.unit === unit);
    const tables = mine.map((t) => {
      const s = answer.series.find((/** @type {any} */ x) => x.path === t.path);
      values += s.time.length;
      const by = (/** @type {number[]} */ col) => col.map((v) => (v === null ? null : v * t.scale));
      return gaps([s.time, by(s.min), by(s.max), by(s.mean)], (to - from) / answer.points);
    });
    const data = uPlot.join(tables);
    /** @type {any[]} */
    const series = [{}];
    /** @type {any[]} */
    const bands = [];
    for (const t of mine) {
      const colour = token("--trace-" + t.index);
      const n = series.length;
      // The edges of the band are drawn too: a spike is one bucket wide.
      const edge = { stroke: colour + "58", width: 1, points: { show: false } };
      series.push(edge, edge,
        { label: t.label, stroke: colour, width: 1.6, dash: DASHES[t.index], points: { show: false } });
      bands.push({ series: [n + 1, n], fill: colour + "40" });
    }
    const box = document.createElement("div");
    box.className = "chart";
    const head = document.createElement("h3");
    head.textContent = mine.map((t) => t.label).join(", ") + (unit ? " / " + unit : "");
    box.append(head);
    host.append(box);
    const axis = { stroke: muted, font: "13px sans-serif", grid: { stroke: line, width: 1 }, ticks: { stroke: line, width: 1 } };
    charts.push(new uPlot({
      width: host.clientWidth, height, series, bands,
      tzDate: (ts) => uPlot.tzDate(new Date(ts * 1000), zone),
      scales: { x: { time: true, min: from, max: to, range: (u, a, b) => (a === null ? [from, to] : [a, b]) } },
      axes: [{ ...axis, values: (u, splits, _axis, _space, step) => times(splits, step), space: 78 }, { ...axis, size: 62 }],
      cursor: { sync: { key: "trends" }, points: { show: false } },
      legend: { show: false },
      hooks: { setCursor: [(u) => readout(u, mine, head, unit)], drawClear: [(u) => shade(u, mine, answer.corrections, muted)] },
      padding: [8, 12, 0, 0],
    }, data, box));
    box.querySelector("canvas")?.setAttribute("aria-hidden", "true");
  }
  const list = document.getElementById("corrections");
  if (list) list.hidden = answer.corrections.length === 0;
  list?.replaceChildren(...answer.corrections.map((/** @type {any} */ c) => {
    const li = document.createElement("li"), a = document.createElement("a");
    a.href = "/past?tag=" + encodeURIComponent(c.path);
    a.textContent = `hatched: ${c.path} is read ${c.reads} from ${moment(c.from)} ${c.to ? "to " + moment(c.to) : "on"}`;
    li.append(a, ` (${c.by}: ${c.reason}); the line is the raw value`);
    return li;
  }));
  if (state) state.textContent = values === 0 ? "The archive holds nothing for this span." : "";
}

/** @param {string} iso */
function moment(iso) {
  const p = parts(Date.parse(iso) / 1000);
  return `${p.day} ${p.month} ${p.year} ${p.hour}:${p.minute}`;
}

/**
 * Hatches the stretches in which the values of a chart are read otherwise.
 * @param {uPlot} u
 * @param {{path: string}[]} mine
 * @param {any[]} corrections
 * @param {string} colour
 */
function shade(u, mine, corrections, colour) {
  const { left, top, width, height } = u.bbox;
  const at = (/** @type {string} */ iso) => Math.max(left, Math.min(left + width, u.valToPos(Date.parse(iso) / 1000, "x", true)));
  u.ctx.save();
  u.ctx.strokeStyle = colour + "70";
  for (const c of corrections.filter((x) => mine.some((t) => t.path === x.path))) {
    const a = at(c.from), b = c.to ? at(c.to) : left + width;
    u.ctx.beginPath();
    u.ctx.rect(a, top, b - a, height);
    u.ctx.save();
    u.ctx.clip();
    for (let x = a - height; x < b; x += 12) {
      u.ctx.moveTo(x, top + height);
      u.ctx.lineTo(x + height, top);
    }
    u.ctx.stroke();
    u.ctx.restore();
  }
  u.ctx.restore();
}

const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/**
 * A moment by the site's clock, the month in letters: 9/10 is read both ways.
 * @param {number} s
 */
function parts(s) {
  const p = Object.fromEntries(clock.formatToParts(s * 1000).map((x) => [x.type, x.value]));
  return { ...p, day: String(Number(p.day)), month: MONTHS[Number(p.month) - 1] };
}

/**
 * Marks of the time axis: a date where the day begins, 24-hour clock elsewhere.
 * @param {number[]} splits s
 * @param {number} step s between them
 */
function times(splits, step) {
  let day = "";
  return splits.map((s) => {
    const p = parts(s);
    const date = p.day + " " + p.month;
    const time = p.hour + ":" + p.minute + (step < 60 ? ":" + p.second : "");
    const first = date !== day;
    day = date;
    if (step >= 86400) return date;
    return first ? time + "\n" + date : time;
  });
}

/**
 * Puts an empty place where values are missing, so that no line is drawn
 * across a hole.
 * @param {any[][]} cols
 * @param {number} step
 */
function gaps(cols, step) {
  const out = cols.map(() => /** @type {any[]} */ ([]));
  cols[0].forEach((t, i) => {
    if (i > 0 && t - cols[0][i - 1] > 3 * step + 2) {
      out[0].push((t + cols[0][i - 1]) / 2);
      for (let c = 1; c < cols.length; c++) out[c].push(null);
    }
    cols.forEach((col, c) => out[c].push(col[i]));
  });
  return out;
}

/**
 * @param {uPlot} u
 * @param {{label: string}[]} mine
 * @param {HTMLElement} head
 * @param {string} unit
 */
function readout(u, mine, head, unit) {
  const i = u.cursor.idx;
  const p = i == null ? null : parts(u.data[0][i]);
  const at = p ? `${p.day} ${p.month} ${p.year} ${p.hour}:${p.minute}:${p.second}  ` : "";
  head.textContent = at + mine.map((t, n) => {
    const v = i == null ? null : u.data[1 + 3 * n + 2][i];
    return t.label + (v == null ? "" : " " + Number(v).toPrecision(4));
  }).join(", ") + (unit ? " / " + unit : "");
}

async function refresh() {
  try {
    draw(await load());
  } catch (e) {
    if (state) state.textContent = "The archive did not answer; the charts are not up to date. Another try follows.";
  }
}

if (state) state.textContent = "Reading the archive.";
await refresh();
let resized = 0;
window.addEventListener("resize", () => { clearTimeout(resized); resized = setTimeout(refresh, 300); });
// Follow along while the span ends now and nobody has zoomed or points at it.
setInterval(() => {
  const zoomed = charts.some((c) => c.cursor.idx != null || c.scales.x.min > whole[0] + 1 || c.scales.x.max < whole[1] - 1);
  if (!zoomed && new URLSearchParams(host.dataset.query).has("span")) refresh();
}, 15000);
