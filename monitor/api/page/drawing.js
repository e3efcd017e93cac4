// One kind of drawing: lines over time, a target band or limits behind them, the fan along the foot.
// uPlot is fetched when the first drawing is needed, so that the answers do not wait for it.

import { clock, day, el, moment, site } from "./words.js";

let library;
function uplot() {
  library ??= new Promise((resolve, reject) => {
    document.head.append(el("link", { rel: "stylesheet", href: "/page/uplot.css" }));
    document.head.append(el("script", { src: "/page/uplot.js", on: { load: () => resolve(window.uPlot), error: () => reject(new Error("The drawing part did not load.")) } }));
  });
  return library;
}

const colour = (name) => getComputedStyle(document.body).getPropertyValue(`--${name}`).trim();
const DASHES = [[], [7, 4], [2, 3], [10, 3, 2, 3]]; // lines differ by their dashes, too: colour is never the only sign
const LINES = ["line-a", "line-b", "line-c", "line-d"];
const drawn = new Set();

/**
 * Draw columns over time into `place`, with buttons to keep the picture or the figures.
 *
 * columns: [{ name, unit, time_ms, mean, low, high }] in display units; zones: [{ from_ms, low, high }] steps of a band;
 * limits: [{ value, label }]; fan: { from_ms, to_ms, share }; marks: [{ time_ms, value, label }].
 */
export async function draw(place, { title, summary, columns, zones = [], limits = [], fan = null, marks = [], fromMs, toMs, overDays = false, xLabel = null, top = null, fromZero = false }) {
  const uPlot = await uplot();
  const times = [...new Set(columns.flatMap((column) => column.time_ms))].sort((a, b) => a - b);
  if (!times.length) {
    place.replaceChildren(el("p", {}, "Nothing stored for this time yet."));
    return null;
  }
  const index = new Map(times.map((ms, at) => [ms, at]));
  const aligned = columns.map((column) => {
    const values = new Array(times.length).fill(null);
    column.time_ms.forEach((ms, at) => { values[index.get(ms)] = column.mean[at]; });
    return values;
  });
  const gap = overDays && times.length < 100 ? Infinity : 3 * Math.max(120e3, (toMs - fromMs) / 500);
  const x = xLabel ? times : times.map((ms) => ms / 1000);
  const [values, xs] = withGaps(aligned, x, xLabel ? Infinity : gap / 1000);

  const canvasPlace = el("div", { class: "canvas", role: "img", "aria-label": `${title}. ${summary}` });
  const readout = el("p", { class: "readout", "aria-hidden": "true" });
  const ink = colour("faint");
  const options = {
    width: Math.max(280, place.clientWidth),
    height: Math.min(320, Math.max(250, Math.round(place.clientWidth * 0.42))),
    tzDate: (seconds) => uPlot.tzDate(new Date(seconds * 1e3), site.timezone),
    legend: { show: false },
    cursor: { y: false, drag: { x: false, y: false }, points: { size: 8 } },
    scales: {
      x: { time: !xLabel, min: xLabel ? undefined : fromMs / 1000, max: xLabel ? undefined : toMs / 1000, ...(xLabel ? {} : { range: () => [fromMs / 1000, toMs / 1000] }) },
      y: { range: (_, low, high) => (top === null ? spread(fromZero ? 0 : low, high, zones, limits) : [0, top]) },
    },
    axes: [
      { stroke: ink, grid: { stroke: colour("rule"), width: 1 }, ticks: { stroke: colour("rule") }, space: 56, size: xLabel ? 48 : 36, font: "13px system-ui, sans-serif",
        ...(xLabel ? { label: xLabel, labelFont: "13px system-ui, sans-serif", labelSize: 20 } : { values: (_, ticks, __, ___, step) => ticks.map((s) => (step >= 86400 || toMs - fromMs > 10 * 86400e3 ? day(s * 1000) : clock(s * 1000))) }) },
      { stroke: ink, grid: { stroke: colour("rule"), width: 1 }, ticks: { show: false }, size: 46, font: "13px system-ui, sans-serif" },
    ],
    series: [{}, ...columns.map((column, at) => ({
      label: column.name, stroke: colour(column.stroke ?? LINES[at % LINES.length]), width: 2, dash: DASHES[at % DASHES.length], points: { show: column.time_ms.length < 3 }, spanGaps: false,
    }))],
    hooks: {
      drawClear: [(u) => { background(u); bands(u, zones); fanStrip(u, fan); }],
      draw: [(u) => { limitLines(u, limits); marking(u, marks); }],
      setCursor: [(u) => {
        const at = u.cursor.idx;
        if (at === null || at === undefined || xs[at] === undefined) return;
        const when = xLabel ? `${xLabel} ${xs[at]}` : overDays ? moment(xs[at] * 1000) : clock(xs[at] * 1000);
        const said = columns.map((column, of) => [column, values[of][at]]).filter(([, value]) => value !== null && value !== undefined)
          .map(([column, value]) => `${column.name} ${value.toFixed(column.digits ?? 1)} ${column.unit}`);
        readout.textContent = said.length ? `${when}: ${said.join(", ")}` : "";
      }],
    },
  };
  const key = el("ul", { class: "key", "aria-hidden": "true" }, columns.map((column, at) => keyLine(column, at)),
    zones.length ? el("li", {}, el("span", { class: "swatch band" }), "wanted") : null,
    fan ? el("li", {}, el("span", { class: "swatch fan" }), "fan running (at the foot)") : null);
  const plotKeep = el("div", { class: "keep" },
    el("button", { type: "button", class: "quiet", on: { click: () => keepPicture(plot, title, columns) } }, "Save picture"),
    el("button", { type: "button", class: "quiet", on: { click: () => keepFigures(title, columns, xLabel) } }, "Save figures (CSV)"));
  place.replaceChildren(key, canvasPlace, readout, el("p", { class: "summary" }, summary), plotKeep);
  const plot = new uPlot(options, [xs, ...values], canvasPlace);
  drawn.add({ plot, place });
  return plot;
}

/** A null where readings stop, so that a silence shows as a gap and not as a straight line. */
function withGaps(columns, xs, gap) {
  const outX = [];
  const out = columns.map(() => []);
  xs.forEach((x, at) => {
    if (at && x - xs[at - 1] > gap) { outX.push((x + xs[at - 1]) / 2); out.forEach((column) => column.push(null)); }
    outX.push(x);
    out.forEach((column, of) => column.push(columns[of][at]));
  });
  // where two sensors speak at different moments each keeps its own line through the other's times
  out.forEach((column) => bridge(column, outX, gap));
  return [out, outX];
}

function bridge(column, xs, gap) {
  let last = -1;
  column.forEach((value, at) => {
    if (value === null) return;
    if (last >= 0 && at - last > 1 && xs[at] - xs[last] <= gap) {
      for (let k = last + 1; k < at; k += 1) column[k] = column[last] + ((value - column[last]) * (xs[k] - xs[last])) / (xs[at] - xs[last]);
    }
    last = at;
  });
}

function spread(low, high, zones, limits) {
  const all = [low, high, ...zones.flatMap((zone) => [zone.low, zone.high]), ...limits.filter((limit) => limit.always).map((limit) => limit.value)].filter((v) => v !== null && Number.isFinite(v));
  if (!all.length) return [0, 1];
  const [least, most] = [Math.min(...all), Math.max(...all)];
  const room = Math.max((most - least) * 0.12, 0.5);
  return [least >= 0 && least < room ? 0 : least - room, most + room];
}

function background(u) {
  u.ctx.save();
  u.ctx.fillStyle = colour("paper");
  u.ctx.fillRect(0, 0, u.ctx.canvas.width, u.ctx.canvas.height);
  u.ctx.restore();
}

function bands(u, zones) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.fillStyle = colour("band");
  zones.forEach((zone, at) => {
    const from = Math.max(bbox.left, u.valToPos(zone.from_ms / 1000, "x", true));
    const to = at + 1 < zones.length ? u.valToPos(zones[at + 1].from_ms / 1000, "x", true) : bbox.left + bbox.width;
    const top = u.valToPos(zone.high, "y", true);
    ctx.fillRect(from, top, Math.max(0, Math.min(to, bbox.left + bbox.width) - from), u.valToPos(zone.low, "y", true) - top);
  });
  ctx.restore();
}

function fanStrip(u, fan) {
  if (!fan) return;
  const { ctx, bbox } = u;
  const tall = bbox.height * 0.14;
  const step = (fan.to_ms - fan.from_ms) / fan.share.length;
  ctx.save();
  ctx.fillStyle = colour("fan");
  fan.share.forEach((share, at) => {
    if (!share) return;
    const from = u.valToPos((fan.from_ms + at * step) / 1000, "x", true);
    const to = u.valToPos((fan.from_ms + (at + 1) * step) / 1000, "x", true);
    const height = Math.max(3 * devicePixelRatio, tall * share); // twenty seconds in an hour must still be seen
    ctx.fillRect(from, bbox.top + bbox.height - height, Math.max(1, to - from), height);
  });
  ctx.restore();
}

function limitLines(u, limits) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
  ctx.textAlign = "left";
  for (const limit of limits) {
    const y = u.valToPos(limit.value, "y", true);
    if (y < bbox.top || y > bbox.top + bbox.height) continue;
    ctx.strokeStyle = colour("bad");
    ctx.fillStyle = colour("bad");
    ctx.setLineDash([6, 5]);
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
    ctx.fillText(limit.label, bbox.left + 6, y - 7 * devicePixelRatio);
  }
  ctx.restore();
}

function marking(u, marks) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.fillStyle = colour("ink");
  ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
  ctx.textAlign = "center";
  for (const mark of marks) {
    const x = u.valToPos(mark.time_ms / 1000, "x", true);
    const y = u.valToPos(mark.value, "y", true) - 8;
    ctx.beginPath();
    ctx.moveTo(x, y + 4);
    ctx.lineTo(x - 5, y - 4);
    ctx.lineTo(x + 5, y - 4);
    ctx.fill();
    // only the word is kept inside the drawing; the mark itself stands at its true moment
    const half = ctx.measureText(mark.label).width / 2;
    ctx.fillText(mark.label, Math.min(bbox.left + bbox.width - half, Math.max(bbox.left + half, x)), y - 9);
  }
  ctx.restore();
}

function keyLine(column, at) {
  const line = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  line.setAttribute("viewBox", "0 0 30 6");
  line.setAttribute("class", `swatch ${column.stroke ?? LINES[at % LINES.length]}`);
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  path.setAttribute("d", "M0 3H30");
  path.setAttribute("stroke-dasharray", DASHES[at % DASHES.length].join(" "));
  line.append(path);
  return el("li", {}, line, column.name);
}

const fileName = (title) => title.toLowerCase().replaceAll(/[^a-z0-9]+/g, "-").replaceAll(/^-|-$/g, "");

function keep(blob, name) {
  const link = el("a", { href: URL.createObjectURL(blob), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

function keepPicture(plot, title, columns) {
  const from = plot.ctx.canvas;
  const head = 30 * devicePixelRatio;
  const whole = el("canvas", { width: from.width, height: from.height + 2 * head });
  const ctx = whole.getContext("2d");
  ctx.fillStyle = colour("paper");
  ctx.fillRect(0, 0, whole.width, whole.height);
  ctx.fillStyle = colour("ink");
  ctx.font = `bold ${15 * devicePixelRatio}px system-ui, sans-serif`;
  ctx.fillText(title, 8 * devicePixelRatio, head * 0.7);
  ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
  ctx.drawImage(from, 0, head);
  let x = 8 * devicePixelRatio;
  columns.forEach((column, at) => {
    const y = whole.height - head * 0.4;
    ctx.strokeStyle = colour(column.stroke ?? LINES[at % LINES.length]);
    ctx.lineWidth = 2 * devicePixelRatio;
    ctx.setLineDash(DASHES[at % DASHES.length].map((n) => n * devicePixelRatio));
    ctx.beginPath();
    ctx.moveTo(x, y - 4 * devicePixelRatio);
    ctx.lineTo(x + 28 * devicePixelRatio, y - 4 * devicePixelRatio);
    ctx.stroke();
    x += 34 * devicePixelRatio;
    ctx.fillText(column.name, x, y);
    x += ctx.measureText(column.name).width + 16 * devicePixelRatio;
  });
  whole.toBlob((blob) => keep(blob, `${fileName(title)}.png`), "image/png");
}

const quoted = (text) => (/[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);

/** The figures as drawn: one row a step; times in RFC 3339, values in the units of the page. */
export function csv(columns, xLabel = null) {
  const rows = [["series", xLabel ?? "time", "low", "mean", "high", "unit"]];
  for (const column of columns) {
    column.time_ms.forEach((ms, at) => rows.push([
      column.name, xLabel ? String(ms) : new Date(ms).toISOString(), column.low?.[at] ?? "", column.mean[at] ?? "", column.high?.[at] ?? "", column.unit,
    ]));
  }
  return rows.map((row) => row.map((cell) => quoted(typeof cell === "number" ? String(Number(cell.toFixed(4))) : cell)).join(",")).join("\r\n");
}

function keepFigures(title, columns, xLabel) {
  keep(new Blob([csv(columns, xLabel), "\r\n"], { type: "text/csv" }), `${fileName(title)}.csv`);
}

let resizing;
addEventListener("resize", () => {
  clearTimeout(resizing);
  resizing = setTimeout(() => {
    for (const each of drawn) {
      if (!each.place.isConnected) { each.plot.destroy(); drawn.delete(each); continue; }
      each.plot.setSize({ width: Math.max(280, each.place.clientWidth), height: each.plot.height });
    }
  }, 150);
});
