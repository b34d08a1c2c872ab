// SPDX-License-Identifier: MIT
// Response and release time of every stroke: a dot and a diamond each, a cross where the switch
// did not answer. Tapping one shows that stroke in the traces.

import { AXIS_SIZE, FONT, TOP, ask, colours, inArea, keepWidth, onSchemeChange, shown, watermark }
  from "./plotting.js";

/* global uPlot */

const HEIGHT = 250;
const box = document.getElementById("per-stroke");
const readout = document.getElementById("per-stroke-readout");
let plot = null;
let watcher = null;
let data = null;

function draw() {
  plot?.destroy();
  watcher?.disconnect();
  const c = colours();
  const axis = {
    stroke: c.dim, font: FONT, grid: { stroke: c.grid, width: 1 },
    ticks: { stroke: c.rule, width: 1, size: 5 },
  };
  const hidden = { paths: () => null, points: { show: false } };
  plot = new uPlot({
    width: Math.max(Math.floor(box.clientWidth), 40), height: HEIGHT, padding: [TOP, 20, 0, 0],
    legend: { show: false },
    scales: {
      x: { time: false, range: () => range(data.number) },
      y: { range: (u, low, high) => uPlot.rangeNum(0, highest(high ?? 1), 0.15, true) },
    },
    series: [{}, { label: "response", ...hidden }, { label: "release", ...hidden }],
    cursor: { drag: { x: false, y: false }, y: false, points: { show: false } },
    axes: [
      { ...axis, size: AXIS_SIZE, space: 60, incrs: [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000],
        values: (u, splits) => splits.map((v) => (Number.isInteger(v) && v >= 1 ? `${v}` : "")) },
      { ...axis, size: 56, space: 34, values: (u, splits) => splits.map((v) => `${v} ms`), ticks: { show: false } },
    ],
    hooks: {
      drawClear: [(u) => watermark(u, box.dataset.across, c.watermark)],
      draw: [(u) => inArea(u, (ctx, width, height) => dots(ctx, u, width, height, c))],
      setCursor: [(u) => tell(u.cursor.idx)],
      ready: [(u) => u.over.addEventListener("click", () => open(u.cursor.idx))],
    },
  }, [data.number, data.response_ms, data.release_ms], box);
  watcher = keepWidth(plot, box, HEIGHT);
}

/** Half a stroke of room on each side. */
function range(numbers) {
  return [numbers[0] - 0.5, numbers[numbers.length - 1] + 0.5];
}

/** The control limits are always on the plot; a limit of the sheet only if it is not far off. */
function highest(high) {
  const charts = Object.values(data.charts).filter((chart) => chart);
  const near = charts.flatMap((chart) => chart.limits).filter((limit) => limit < 1.6 * high);
  return Math.max(high, ...charts.map((chart) => chart.ucl), ...near);
}

function controlLimits(ctx, u, width, c) {
  for (const [key, tone] of [["response_ms", c.switch], ["release_ms", c.coil]]) {
    const chart = data.charts[key];
    if (!chart) continue;
    ctx.strokeStyle = tone;
    for (const [value, dash] of [[chart.center, []], [chart.lcl, [6, 4]], [chart.ucl, [6, 4]]]) {
      ctx.lineWidth = 1;
      ctx.setLineDash(dash);
      level(ctx, u.valToPos(value, "y"), width);
    }
    ctx.strokeStyle = c.bad;
    ctx.lineWidth = 2;
    ctx.setLineDash([2, 3]);
    for (const limit of chart.limits) level(ctx, u.valToPos(limit, "y"), width);
  }
  ctx.setLineDash([]);
}

function level(ctx, y, width) {
  ctx.beginPath(); ctx.moveTo(0, y); ctx.lineTo(width, y); ctx.stroke();
}

function dots(ctx, u, width, height, c) {
  controlLimits(ctx, u, width, c);
  const room = width / data.number.length;
  const size = room > 12 ? 4.5 : room > 5 ? 3.5 : 2.5;
  data.number.forEach((number, i) => {
    const x = u.valToPos(number, "x");
    ctx.lineWidth = 1.5;
    if (data.release_ms[i] !== null) {
      const y = u.valToPos(data.release_ms[i], "y");
      ctx.strokeStyle = c.coil;
      ctx.beginPath();
      ctx.moveTo(x, y - size); ctx.lineTo(x + size, y); ctx.lineTo(x, y + size);
      ctx.lineTo(x - size, y); ctx.closePath();
      ctx.stroke();
    }
    if (data.response_ms[i] !== null) {
      ctx.fillStyle = c.switch;
      ctx.beginPath();
      ctx.arc(x, u.valToPos(data.response_ms[i], "y"), size, 0, 2 * Math.PI);
      ctx.fill();
    } else if (data.answered[i] === false) {
      const y = height - 9;
      ctx.strokeStyle = c.bad;
      ctx.lineWidth = 2;
      ctx.beginPath();
      ctx.moveTo(x - 5, y - 5); ctx.lineTo(x + 5, y + 5);
      ctx.moveTo(x + 5, y - 5); ctx.lineTo(x - 5, y + 5);
      ctx.stroke();
    }
  });
}

function tell(i) {
  if (i === null || i === undefined) {
    readout.textContent = "Point at or tap a stroke to read it.";
    return;
  }
  const strong = document.createElement("b");
  strong.textContent = `Stroke ${data.number[i]}`;
  const missed = data.answered[i] === false ? " · switch did not answer" : "";
  readout.replaceChildren(strong, ` · response ${shown(data.response_ms[i], 2)} ms` +
    ` · release ${shown(data.release_ms[i], 2)} ms${missed}`);
}

function open(i) {
  if (i !== null && i !== undefined) location.hash = `#stroke-${data.number[i]}`;
}

async function start() {
  try {
    data = await ask(box.dataset.url);
  } catch (error) {
    readout.textContent = error.message;
    readout.classList.add("plot-fault");
    return;
  }
  if (!data.number.length) {
    readout.textContent = "No stroke was recorded.";
    return;
  }
  draw();
  tell(null);
  onSchemeChange(draw);
}

const part = box.closest("details");
if (part.open) start(); else part.addEventListener("toggle", start, { once: true });
