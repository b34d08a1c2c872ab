// SPDX-License-Identifier: MIT
// All strokes of a run from the coil's edge: one row a stroke for the switch, dots for the readings
// of each channel, with the median and the band that holds 90 of 100.

import { AXIS_SIZE, FONT, SMALL_FONT, TOP, ask, colours, inArea, keepWidth, onSchemeChange, watermark }
  from "./plotting.js";
import { difference, unit } from "./units.js";

/* global uPlot */

const box = document.getElementById("overlay");
const readout = document.getElementById("overlay-readout");
const words = document.getElementById("overlay-words");
const buttons = { on: document.getElementById("way-on"), off: document.getElementById("way-off") };
const LEFT = 56;
const ROW = 9; // px, the height of one stroke where there is room
const LEAST_KPA = 100;
const NAMED = 12;
const LEAST_BINS = 5;
let data = null;
let plots = [];

function axes(c, splitsToWords) {
  const axis = {
    stroke: c.dim, font: FONT, grid: { stroke: c.grid, width: 1 },
    ticks: { stroke: c.rule, width: 1, size: 5 },
  };
  return [
    { ...axis, size: AXIS_SIZE, space: 60, values: (u, splits) => splits.map((v) => `${v} ms`) },
    { ...axis, size: LEFT, space: 34, ticks: { show: false }, ...splitsToWords },
  ];
}

function plotInto(label, height, options, table) {
  const area = document.createElement("div");
  area.className = "plot";
  area.setAttribute("role", "img");
  area.setAttribute("aria-label", label);
  box.append(area);
  const c = colours();
  const made = new uPlot({
    width: Math.max(Math.floor(area.clientWidth), 40), height, padding: [TOP, 34, 0, 0],
    legend: { show: false }, cursor: { drag: { x: false, y: false }, y: false, points: { show: false } },
    ...options,
    hooks: { drawClear: [(u) => watermark(u, box.dataset.across, c.watermark)], ...options.hooks },
  }, table, area);
  plots.push([made, keepWidth(made, area, height)]);
}

function drawSwitch(c) {
  const rows = data.switch.strokes;
  const height = Math.min(Math.max(rows.length * ROW, 90), 320) + TOP + AXIS_SIZE;
  plotInto("The switch in every stroke; the words below name the strokes that stand out", height, {
    scales: {
      x: { time: false, range: () => [data.from_ms, data.to_ms] },
      y: { range: () => [rows.length, 0], dir: -1 },
    },
    series: [{}, { paths: () => null, points: { show: false } }],
    axes: axes(c, {
      splits: () => [0.5, rows.length - 0.5],
      values: () => [`${rows[0].number}`, `${rows[rows.length - 1].number}`],
      grid: { show: false },
    }),
    hooks: {
      draw: [(u) => inArea(u, (ctx, width, high) => raster(ctx, u, width, high, c))],
      setCursor: [(u) => tell(u)],
    },
  }, [[data.from_ms, data.to_ms], [0, 0]]);
}

function raster(ctx, u, width, height, c) {
  const rows = data.switch.strokes;
  const room = height / rows.length;
  const odd = new Set(data.odd);
  const x = (ms) => Math.min(Math.max(u.valToPos(ms, "x"), 0), width);
  rows.forEach((stroke, i) => {
    const top = i * room;
    let level = stroke.opens;
    let from = data.from_ms;
    ctx.fillStyle = odd.has(stroke.number) ? c.bad : c.switch;
    for (const t of [...stroke.t_ms, data.to_ms]) {
      if (level === 1) ctx.fillRect(x(from), top, Math.max(x(t) - x(from), 0.5), Math.max(room - (room > 3 ? 1 : 0), 0.5));
      from = t;
      level = 1 - level;
    }
  });
  const { p5, p50, p95 } = data.figure;
  if (p50 === null) return;
  ctx.fillStyle = c.ink;
  ctx.globalAlpha = 0.14;
  if (p5 !== null && p95 !== null) ctx.fillRect(x(p5), 0, Math.max(x(p95) - x(p5), 1), height);
  ctx.globalAlpha = 1;
  ctx.strokeStyle = c.ink;
  ctx.lineWidth = 2;
  ctx.beginPath(); ctx.moveTo(x(p50), 0); ctx.lineTo(x(p50), height); ctx.stroke();
  label(ctx, `median settled ${p50.toFixed(1)} ms`, x(p50), 3, width, c);
}

function label(ctx, text, x, y, width, c) {
  ctx.font = SMALL_FONT;
  const wide = ctx.measureText(text).width + 8;
  const left = x - wide - 3 > 0 ? x - wide - 3 : Math.min(x + 3, width - wide);
  ctx.fillStyle = c.sheet;
  ctx.fillRect(left, y, wide, 17);
  ctx.fillStyle = c.ink;
  ctx.textAlign = "left";
  ctx.textBaseline = "top";
  ctx.fillText(text, left + 4, y + 3);
}

function drawChannel(channel, c) {
  const tone = channel.name === "coil_current" ? c.coil : c.pressure;
  const [p5, p50, p95] = channel.band;
  const least = channel.unit === unit("kPa") ? difference(LEAST_KPA, "kPa") : 0;
  const low = Math.min(...channel.value);
  const high = Math.max(...channel.value);
  const missing = Math.max(least - (high - low), 0);
  const range = uPlot.rangeNum(Math.max(low - missing / 2, Math.min(low, 0)), high + missing / 2, 0.08, true);
  const line = { stroke: tone, width: 2, points: { show: false } };
  const edge = { stroke: tone, width: 1, dash: [4, 3], points: { show: false } };
  plotInto(`${channel.name.replace("_", " ")} in every stroke`, 220, {
    scales: { x: { time: false, range: () => [data.from_ms, data.to_ms] }, y: { range: () => range } },
    series: [
      {}, { paths: () => null, points: { show: true, size: 4, fill: tone, stroke: tone } }, line, edge, edge,
    ],
    axes: axes(c, {}),
    hooks: {
      draw: [(u) => inArea(u, (ctx, width) => label(ctx,
        `${channel.name.replace("_", " ")}, ${channel.unit}: every reading, median, 5 and 95 of 100`, width, 3, width, c))],
      setCursor: [(u) => tell(u)],
    },
  }, uPlot.join([[channel.t_ms, channel.value], [channel.band_t_ms, p50], [channel.band_t_ms, p5], [channel.band_t_ms, p95]]));
}

function tell(u) {
  if (!(u.cursor.left >= 0)) return;
  const at = u.posToVal(u.cursor.left, "x");
  const parts = [`${at.toFixed(1)} ms after the ${data.counts_from === "coil" ? "coil's edge" : "command"}`];
  if (data.switch) {
    const i = data.switch.share_t_ms.findIndex((t) => t >= at);
    const share = data.switch.share[i < 0 ? data.switch.share.length - 1 : i];
    parts.push(`switch ${data.switch.words[1]} in ${Math.round(100 * share)} of 100 strokes`);
  }
  readout.textContent = parts.join(" · ");
}

/** A gauge that reads only at a few places of the stroke shows no curve. */
function enough(channel) {
  return channel.band[1].filter((v) => v !== null).length >= LEAST_BINS ||
    (data.strokes < 10 && channel.value.length >= 3 * LEAST_BINS);
}

function describe() {
  const slow = data.channels.filter((channel) => !enough(channel)).map((channel) => channel.name.replace("_", " "));
  const few = slow.length ? ` Too few readings in this time to draw: ${slow.join(", ")}.` : "";
  const edge = data.counts_from === "coil" ? "the coil's edge" : "the command, as no read-back shows the coil";
  const thinned = data.switch && data.switch.drawn < data.strokes
    ? ` ${data.switch.drawn} of ${data.strokes} strokes are drawn, those that stand out among them.` : "";
  const odd = data.odd.length
    ? ` In another colour, missed or far from the others: stroke ${data.odd.slice(0, NAMED).join(", ")}${data.odd.length > NAMED ? " and more" : ""}.`
    : " No stroke stands out.";
  words.textContent = `From ${edge}. One row a stroke, the first on top; filled where the switch was closed.` +
    ` The line is the median, the shade holds 90 of 100.${odd}${thinned}${few}`;
}

function draw() {
  plots.forEach(([plot, watcher]) => { watcher.disconnect(); plot.destroy(); });
  plots = [];
  box.replaceChildren();
  const c = colours();
  if (data.switch && data.switch.strokes.length) drawSwitch(c);
  data.channels.filter(enough).forEach((channel) => drawChannel(channel, c));
  describe();
  readout.textContent = "Point at or tap a plot to read it.";
  box.dataset.way = data.way;
}

async function show(way) {
  for (const [name, button] of Object.entries(buttons)) {
    button.setAttribute("aria-pressed", String(name === way));
  }
  try {
    data = await ask(`${box.dataset.url}?way=${way}`);
  } catch (error) {
    readout.textContent = error.message;
    return;
  }
  draw();
}

function begin() {
  show("on");
  onSchemeChange(() => data && draw());
}

for (const [way, button] of Object.entries(buttons)) button.addEventListener("click", () => show(way));
const part = box.closest("details");
if (part.open) begin(); else part.addEventListener("toggle", begin, { once: true });
