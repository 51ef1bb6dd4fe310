// Draws the charts of the trends. Between smallest and largest value of each
// stretch lies a band, so that a spike of a second is seen in a span of a season.
import uPlot from "./vendor/uPlot.esm.js";
import { point, t } from "./words.js";

/** How much larger than on a desk the page's letters are. */
const em = Math.max(1, parseFloat(getComputedStyle(document.documentElement).fontSize) / 17);
const DASHES = [[], [9, 5], [2, 4], [], [9, 5], [2, 4], [], [9, 5]];
/** The letters of marks. @type {Record<string, string>} */
export const LETTERS = { alarm: "A", cleaning: "C", correction: "R", strike: "S", note: "N", gap: "G" };
const MONTHS = t("Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec").split(" ");
const zone = document.getElementById("charts")?.dataset.zone || "UTC";
const clock = new Intl.DateTimeFormat("en-GB", { timeZone: zone, day: "numeric", month: "numeric", year: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });

/** A moment by the site's clock, the month in letters: 9/10 is read both ways. @param {number} s */
function parts(s) {
  const p = Object.fromEntries(clock.formatToParts(s * 1000).map((x) => [x.type, x.value]));
  return { ...p, day: String(Number(p.day)), month: MONTHS[Number(p.month) - 1], mm: p.month.padStart(2, "0"), dd: p.day.padStart(2, "0") };
}

/**
 * @param {number} s
 * @param {boolean} [field] as a form field has it
 * @param {boolean} [exact] with seconds
 */
export function clockText(s, field, exact) {
  if (!Number.isFinite(s)) return "–";
  const p = /** @type {any} */ (parts(s));
  if (field) return `${p.year}-${p.mm}-${p.dd} ${p.hour}:${p.minute}`;
  return `${p.day} ${p.month} ${p.year} ${p.hour}:${p.minute}` + (exact ? ":" + p.second : "");
}

/** @param {number} v */
export function number(v) {
  if (v === null || !Number.isFinite(v)) return "–";
  return String(Math.abs(v) < 1e4 ? Number(v.toPrecision(4)) : Math.round(v)).replace("-", "−").replace(".", point);
}

/**
 * The last entry at or before s, -1: there is none.
 * @param {number[]} time
 * @param {number} s
 */
export function index(time, s) {
  let lo = 0, hi = time.length;
  while (lo < hi) { const m = (lo + hi) >> 1; if (time[m] <= s) lo = m + 1; else hi = m; }
  return lo - 1;
}

/**
 * Value and quality of one stretch.
 * @param {any} o condensed values
 * @param {number} n
 * @param {string} unit
 */
export function reading(o, n, unit) {
  if (n < 0) return t("no value");
  const wide = o.min[n] !== null && o.max[n] - o.min[n] > Math.abs(o.mean[n]) * 1e-6;
  return (o.mean[n] === null ? t("no value") : number(o.mean[n]) + " " + unit + (wide ? " (" + t("{1} to {2}", number(o.min[n]), number(o.max[n])) + ")" : "")) +
    ", " + [t("Good"), t("Uncertain"), t("Bad"), t("Bad")][o.status[n] >>> 30] + (o.good[n] < 99.9 ? ", " + o.good[n].toFixed(0) + " % " + t("Good") : "");
}

/**
 * Marks of the time axis: a date where the day begins, 24-hour clock elsewhere.
 * @param {number[]} splits s
 * @param {number} step s between them
 */
function times(splits, step) {
  let day = "";
  return splits.map((s) => {
    const p = /** @type {any} */ (parts(s));
    const date = p.day + " " + p.month;
    const time = p.hour + ":" + p.minute + (step < 60 ? ":" + p.second : "");
    const first = date !== day;
    day = date;
    if (step >= 86400) return date;
    return first ? time + "\n" + date : time;
  });
}

/**
 * Puts an empty place where stretches are missing, so that no line is drawn
 * across a hole.
 * @param {any[][]} cols
 */
function gaps(cols) {
  const time = cols[0];
  let step = Infinity;
  for (let i = 1; i < time.length; i++) step = Math.min(step, time[i] - time[i - 1]);
  const out = cols.map(() => /** @type {any[]} */ ([]));
  time.forEach((t, i) => {
    if (i > 0 && t - time[i - 1] > 1.5 * step + 0.01) {
      out[0].push((t + time[i - 1]) / 2);
      for (let c = 1; c < cols.length; c++) out[c].push(null);
    }
    cols.forEach((col, c) => out[c].push(col[i]));
  });
  return out;
}

export class Charts {
  /**
   * @param {HTMLElement} host
   * @param {{zoom: (a: number, b: number) => void, back: () => void, cursor: (s: number | null) => void}} heard
   */
  constructor(host, heard) {
    this.host = host;
    this.heard = heard;
    /** @type {uPlot[]} */
    this.charts = [];
    this.probe = document.createElement("i");
  }

  /** A colour of the present look, as #rrggbb. @param {string} name */
  token(name) {
    this.probe.style.color = "var(" + name + ")";
    this.host.append(this.probe);
    const rgb = getComputedStyle(this.probe).color.match(/\d+/g) || [];
    this.probe.remove();
    return "#" + rgb.slice(0, 3).map((v) => Number(v).toString(16).padStart(2, "0")).join("");
  }

  clear() {
    for (const c of this.charts) c.destroy();
    this.charts = [];
    this.host.replaceChildren();
  }

  pointed() { return this.charts.some((c) => c.cursor.idx != null || c.select.width > 0); }

  /** @param {number} count */
  height(count) { return Math.max(150, Math.min(680, (window.innerHeight - this.host.getBoundingClientRect().top - 150) / count - 24)); }

  /**
   * One chart.
   * @param {string} title
   * @param {any} options
   * @param {any[]} data
   * @param {number} height
   */
  add(title, options, data, height) {
    const box = document.createElement("div"), head = document.createElement("h3");
    box.className = "chart";
    head.textContent = title;
    box.append(head);
    this.host.append(box);
    const chart = new uPlot({ width: this.host.clientWidth, height, legend: { show: false }, padding: [8, 12, 0, 0], ...options }, data, box);
    box.querySelector("canvas")?.setAttribute("aria-hidden", "true");
    this.charts.push(chart);
    return chart;
  }

  axis() {
    const muted = this.token("--muted"), line = this.token("--line");
    return { stroke: muted, font: 13 * em + "px sans-serif", grid: { stroke: line, width: 1 }, ticks: { stroke: line, width: 1 } };
  }

  /**
   * Values over time: a chart for each unit, or one with an axis for each.
   * @param {any[]} tags
   * @param {Record<string, any>} series
   * @param {number} from
   * @param {number} to
   * @param {boolean} one
   * @param {any[]} marks
   */
  lines(tags, series, from, to, one, marks) {
    this.clear();
    const units = [...new Set(tags.map((t) => t.unit))];
    const groups = one ? [tags] : units.map((u) => tags.filter((t) => t.unit === u));
    const axis = this.axis(), height = this.height(groups.length);
    for (const mine of groups) {
      const own = [...new Set(mine.map((t) => t.unit))];
      const data = uPlot.join(/** @type {any} */ (mine.map((t) => { const o = series[t.path]; return gaps([o.time, o.min, o.max, o.mean]); })));
      /** @type {any[]} */
      const lines = [{}], bands = [], axes = [{ ...axis, values: (/** @type {any} */ _u, /** @type {any} */ splits, /** @type {any} */ _a, /** @type {any} */ _s, /** @type {any} */ step) => times(splits, step), space: 78 }];
      own.forEach((unit, i) => axes.push({ ...axis, scale: unit || "y", side: i % 2 ? 1 : 3, size: 62 * em, grid: { ...axis.grid, show: i === 0 }, ...(own.length > 1 ? { label: unit, labelSize: 18 * em, labelFont: 12 * em + "px sans-serif" } : {}) }));
      for (const t of mine) {
        const colour = this.token("--trace-" + t.index), n = lines.length, scale = t.unit || "y";
        const paths = t.stepped ? { paths: uPlot.paths.stepped?.({ align: 1 }) } : {};
        // The edges of the band are drawn too: a spike is one stretch wide.
        const edge = { scale, stroke: colour + "58", width: 1, points: { show: false }, ...paths };
        lines.push(edge, edge, { scale, label: t.label, stroke: colour, width: 1.6, dash: DASHES[t.index], points: { show: false }, ...paths });
        bands.push({ series: [n + 1, n], fill: colour + "40" });
      }
      const title = mine.map((t) => t.label).join(", ") + (own.length === 1 && own[0] ? " / " + own[0] : "");
      const chart = this.add(title, {
        series: lines, bands, axes,
        tzDate: (/** @type {number} */ ts) => uPlot.tzDate(new Date(ts * 1000), zone),
        scales: { x: { time: true, range: () => [from, to] } },
        cursor: { sync: { key: "trends", setSeries: false }, points: { show: false }, drag: { x: true, y: false, setScale: false, dist: 5 }, bind: { dblclick: () => () => { this.heard.back(); return null; } } },
        hooks: {
          setCursor: [(/** @type {uPlot} */ u) => this.heard.cursor(u.cursor.left == null || u.cursor.left < 0 ? null : u.posToVal(u.cursor.left, "x"))],
          setSelect: [(/** @type {uPlot} */ u) => {
            if (u.select.width < 6) return;
            const a = u.posToVal(u.select.left, "x"), b = u.posToVal(u.select.left + u.select.width, "x");
            this.heard.zoom(a, b);
          }],
          drawClear: [(/** @type {uPlot} */ u) => this.marks(u, mine, marks)],
        },
      }, data, height);
      // What happened is told by the pointer as well.
      chart.over.addEventListener("mousemove", () => {
        const s = chart.posToVal(chart.cursor.left ?? -1, "x"), near = (to - from) / 150;
        chart.over.title = marks.filter((m) => m.a - near <= s && s <= Math.max(m.b, m.a + near)).slice(-4).map((m) => m.kind + ": " + m.text).join("\n");
      });
    }
  }

  /**
   * Stretches are shaded, corrections of own tags hatched; a moment is a line with
   * the letter of its kind.
   * @param {uPlot} u
   * @param {any[]} mine
   * @param {any[]} marks
   */
  marks(u, mine, marks) {
    const { left, top, width, height } = u.bbox, ctx = u.ctx;
    const ink = this.token("--muted"), line = this.token("--line");
    const x = (/** @type {number} */ s) => Math.max(left, Math.min(left + width, Number.isFinite(s) ? u.valToPos(s, "x", true) : left + width));
    ctx.save();
    ctx.font = Math.round(11 * em * devicePixelRatio) + "px sans-serif";
    ctx.textBaseline = "top";
    ctx.textAlign = "left";
    let free = -Infinity; // letters do not lie on each other
    for (const m of marks) {
      const a = x(m.a), b = x(m.b), wide = b - a > 3;
      if (m.kind === "correction" && !mine.some((t) => t.path === m.source)) continue;
      if (m.kind === "gap" || m.kind === "cleaning") {
        ctx.fillStyle = line + (m.kind === "gap" ? "90" : "58");
        ctx.fillRect(a, top, Math.max(2, b - a), height);
      }
      if (m.kind === "correction") {
        ctx.strokeStyle = ink + "70";
        ctx.save();
        ctx.beginPath();
        ctx.rect(a, top, b - a, height);
        ctx.clip();
        ctx.beginPath();
        for (let h = a - height; h < b; h += 12) { ctx.moveTo(h, top + height); ctx.lineTo(h + height, top); }
        ctx.stroke();
        ctx.restore();
      }
      ctx.strokeStyle = ink + "b0";
      ctx.lineWidth = devicePixelRatio;
      ctx.setLineDash(m.kind === "alarm" ? [2, 3] : m.kind === "note" ? [6, 4] : []);
      ctx.beginPath();
      ctx.moveTo(a, top);
      ctx.lineTo(a, m.kind === "alarm" && wide ? top + height / 12 : top + height);
      if (m.kind === "alarm" && wide) { ctx.moveTo(a, top + 1); ctx.lineTo(b, top + 1); }
      ctx.stroke();
      if (a > free && m.a >= u.scales.x.min) {
        ctx.fillStyle = ink;
        ctx.fillText(LETTERS[m.kind], a + 3, top + 3);
        free = a + 14 * devicePixelRatio;
      }
    }
    ctx.restore();
  }

  /**
   * Several stretches of time from one beginning: a chart for each tag.
   * @param {any[]} tags
   * @param {{label: string, from: number, to: number}[]} periods
   * @param {Record<string, any>[]} sets
   */
  overlay(tags, periods, sets) {
    this.clear();
    const axis = this.axis(), longest = Math.max(...periods.map((p) => p.to - p.from));
    const [unit, length] = longest > 2 * 86400 ? ["d", 86400] : longest > 7200 ? ["h", 3600] : ["min", 60];
    for (const t of tags) {
      const tables = sets.map((s, i) => { const o = s[t.path]; return gaps([o.time.map((/** @type {number} */ v) => (v - periods[i].from) / length), o.mean]); });
      const lines = [{}, ...periods.map((p, i) => ({ label: p.label, stroke: this.token("--trace-" + i), width: i ? 1.3 : 2, dash: DASHES[i], points: { show: false } }))];
      const title = (/** @type {uPlot} */ u) => {
        const n = u.cursor.idx;
        u.root.previousElementSibling?.replaceChildren(t.label + (t.unit ? " / " + t.unit : ""), ...periods.map((p, i) => {
          const span = document.createElement("span"), key = document.createElement("i");
          key.className = "key key" + i;
          span.className = "period";
          const o = sets[i][t.path], s = n == null ? 0 : p.from + u.data[0][n] * length;
          span.append(key, p.label + (n == null ? "" : " " + reading(o, s > p.to ? -1 : index(o.time, s), t.unit)));
          return span;
        }));
      };
      title(this.add("", {
        series: lines, scales: { x: { time: false } },
        axes: [{ ...axis, values: (/** @type {any} */ _u, /** @type {number[]} */ splits) => splits.map((v) => number(v) + " " + unit) }, { ...axis, size: 62 * em }],
        cursor: { points: { show: false } },
        hooks: { setCursor: [title] },
      }, uPlot.join(/** @type {any} */ (tables)), this.height(tags.length)));
    }
  }

  /**
   * The first tag across, the others against it. Returns what there is to say.
   * @param {any[]} tags
   * @param {Record<string, any>} series
   */
  scatter(tags, series) {
    this.clear();
    if (tags.length < 2) return t("Add a second tag: the first one goes across, the others against it.");
    const axis = this.axis(), base = series[tags[0].path];
    const of = new Map(base.time.map((/** @type {number} */ s, /** @type {number} */ i) => [Math.round(s), base.mean[i]]));
    const said = [];
    for (const tag of tags.slice(1)) {
      const o = series[tag.path];
      /** @type {[number, number][]} */
      const pairs = [];
      o.time.forEach((/** @type {number} */ s, /** @type {number} */ i) => {
        const x = of.get(Math.round(s));
        if (x != null && o.mean[i] !== null) pairs.push([x, o.mean[i]]);
      });
      pairs.sort((a, b) => a[0] - b[0]);
      const n = pairs.length, mx = pairs.reduce((s, p) => s + p[0], 0) / n, my = pairs.reduce((s, p) => s + p[1], 0) / n;
      let xx = 0, yy = 0, xy = 0;
      for (const [x, y] of pairs) { xx += (x - mx) ** 2; yy += (y - my) ** 2; xy += (x - mx) * (y - my); }
      said.push(n ? t("{1}: {2} pairs of means, correlation {3}, slope {4} {5} per {6}", tag.label, n, number(xy / Math.sqrt(xx * yy)), number(xy / xx), tag.unit, tags[0].unit || "1")
        : t("{1}: no value in common", tag.label));
      const colour = this.token("--trace-" + tag.index);
      this.add(t("{1} against {2}", tag.label + " / " + (tag.unit || "1"), tags[0].label + " / " + (tags[0].unit || "1")), {
        series: [{}, { stroke: colour, paths: () => null, points: { show: true, size: 4, fill: colour, width: 0 } }],
        scales: { x: { time: false } }, axes: [axis, { ...axis, size: 62 * em }], cursor: { points: { show: false }, drag: { x: false, y: false } },
      }, [pairs.map((p) => p[0]), pairs.map((p) => p[1])], this.height(tags.length - 1));
    }
    return said.join(". ") + ".";
  }

  /** Gives the charts as one picture. @param {string} title */
  picture(title) {
    const all = Array.from(this.host.querySelectorAll("canvas"));
    if (all.length === 0) return;
    const head = 28 * devicePixelRatio, out = document.createElement("canvas"), ctx = out.getContext("2d");
    out.width = Math.max(...all.map((c) => c.width));
    out.height = all.reduce((h, c) => h + c.height + head, head);
    if (!ctx) return;
    ctx.fillStyle = this.token("--panel");
    ctx.fillRect(0, 0, out.width, out.height);
    ctx.fillStyle = this.token("--ink");
    ctx.font = Math.round(14 * em * devicePixelRatio) + "px sans-serif";
    ctx.fillText(title, 8, head * 0.7);
    let y = head;
    for (const c of all) {
      ctx.fillText(c.closest(".chart")?.querySelector("h3")?.textContent || "", 8, y + head * 0.7);
      ctx.drawImage(c, 0, y + head);
      y += c.height + head;
    }
    out.toBlob((blob) => {
      if (!blob) return;
      const a = document.createElement("a");
      a.href = URL.createObjectURL(blob);
      a.download = "trends.png";
      a.click();
      setTimeout(() => URL.revokeObjectURL(a.href), 1000);
    });
  }
}
