// SPDX-License-Identifier: MIT
// Several runs on one time axis from the coil's edge. Runs are told apart by dashes as well as by
// colour; each line carries its run's number in the key.

import { AXIS_SIZE, FONT, TOP, ask, colours, keepWidth, onSchemeChange, watermark } from "./plotting.js";
import { difference, digits, unit as readersUnit } from "./units.js";

/* global uPlot */

const box = document.getElementById("compare-overlay");
const key = document.getElementById("overlay-key");
const readout = document.getElementById("overlay-readout");
const TONES = ["switch", "coil", "command", "pressure", "ink", "good", "bad", "dim"];
const DASHES = [[], [10, 4], [3, 3], [12, 4, 3, 4], [1, 4], [16, 6], [6, 2, 2, 2], [8, 8]];
const LEAST_POINTS = 5; // fewer medians than this show no curve
const LEAST_KPA = 100; // so that the gauge's last digit does not look like a swing
const WAYS = { on: "After the coil went live", off: "After the coil went dead" };
let answer = null;
let plots = [];

/** Digits after the point of a value in this unit: as fine as this many in the program's. */
function places(unit, many) {
  return unit === readersUnit("kPa") ? digits("kPa", many) : many;
}

function nameOf(run) {
  return `Run ${run.run}${run.valve ? `, ${run.valve}` : ""}`;
}

function drawKey(c) {
  key.replaceChildren(...answer.runs.map((run, i) => {
    const item = document.createElement("li");
    const canvas = document.createElement("canvas");
    canvas.className = "line";
    canvas.width = 80; canvas.height = 32;
    const ctx = canvas.getContext("2d");
    ctx.scale(2, 2);
    ctx.strokeStyle = c[TONES[i]];
    ctx.setLineDash(DASHES[i]);
    ctx.lineWidth = 2;
    ctx.beginPath(); ctx.moveTo(0, 8); ctx.lineTo(40, 8); ctx.stroke();
    item.append(canvas, nameOf(run));
    return item;
  }));
}

function line(title, way, tables, unit, c, range) {
  const holder = document.createElement("div");
  const head = document.createElement("h3");
  head.textContent = title;
  const area = document.createElement("div");
  area.className = "plot";
  area.setAttribute("role", "img");
  area.setAttribute("aria-label", `${title}. ${tables.map((table, i) => courseWords(i, table, unit)).join("; ")}.`);
  holder.append(head, area);
  box.append(holder);
  const axis = {
    stroke: c.dim, font: FONT, grid: { stroke: c.grid, width: 1 },
    ticks: { stroke: c.rule, width: 1, size: 5 },
  };
  const height = 230;
  const { from_ms: from, to_ms: to } = way;
  const plot = new uPlot({
    width: Math.floor(area.clientWidth), height, padding: [TOP, 34, 0, 0], legend: { show: false },
    scales: { x: { time: false, range: () => [from, to] }, y: { range } },
    cursor: { drag: { x: false, y: false }, y: false },
    series: [{}, ...answer.runs.map((run, i) => ({
      label: nameOf(run), stroke: c[TONES[i]], dash: DASHES[i], width: 2, spanGaps: true,
      points: { show: false },
    }))],
    axes: [
      { ...axis, size: AXIS_SIZE, space: 60, values: (u, splits) => splits.map((v) => `${v} ms`) },
      { ...axis, size: 64, space: 34, values: (u, splits) => splits.map((v) => `${v} ${unit}`), ticks: { show: false } },
    ],
    hooks: {
      drawClear: [(u) => watermark(u, box.dataset.across, c.watermark)],
      setCursor: [(u) => tell(u, unit)],
    },
  }, uPlot.join(tables), area);
  plots.push([plot, keepWidth(plot, area, height)]);
}

/** One run's line described in numbers, for those who cannot see it. */
function courseWords(i, [t, values], unit) {
  const known = t.map((at, n) => [at, values[n]])
    .filter(([, value]) => value !== null && value !== undefined);
  if (!known.length) return `${nameOf(answer.runs[i])}: not measured`;
  const [first, last] = [known[0][1], known.at(-1)[1]];
  const half = (first + last) / 2;
  const passed = first === last ? undefined
    : known.find(([, value]) => (last > first ? value >= half : value <= half));
  const at = passed ? `, half of that by ${passed[0].toFixed(1)} ms` : "";
  return `${nameOf(answer.runs[i])}: from ${first.toFixed(places(unit, 0))} to ${last.toFixed(places(unit, 0))} ${unit}${at}`;
}

function spread(values, least) {
  const low = Math.min(...values);
  const missing = Math.max(least - (Math.max(...values) - low), 0);
  return uPlot.rangeNum(Math.max(low - missing / 2, Math.min(low, 0)),
    Math.max(...values) + missing / 2, 0.08, true);
}

function tell(u, unit) {
  const i = u.cursor.idx;
  if (i === null || i === undefined) return;
  const parts = answer.runs.map((run, n) => {
    const value = u.data[n + 1][i];
    return value === null || value === undefined ? null : `${nameOf(run)}: ${value.toFixed(places(unit, 1))} ${unit}`;
  }).filter((part) => part);
  readout.textContent = `${u.data[0][i].toFixed(1)} ms after the coil's edge. ${parts.join(" · ")}`;
}

function draw() {
  plots.forEach(([plot, watcher]) => { watcher.disconnect(); plot.destroy(); });
  plots = [];
  box.replaceChildren();
  const c = colours();
  drawKey(c);
  for (const [way, words] of Object.entries(WAYS)) {
    const laid = answer.ways[way];
    if (laid.some((one) => one.switch)) {
      const tables = laid.map((one) => one.switch
        ? [one.switch.share_t_ms, one.switch.share.map((v) => 100 * v)] : [[0], [null]]);
      line(`${words}: strokes with the switch closed`, laid[0], tables, "%", c, () => [-3, 103]);
    }
    for (const name of ["pressure", "coil_current"]) {
      const channels = laid.map((one) => one.channels.find((ch) => ch.name === name));
      const known = channels.map((ch) => (ch ? ch.band[1].filter((v) => v !== null) : []));
      if (!known.some((values) => values.length >= LEAST_POINTS)) continue; // gauge too slow
      const tables = channels.map((ch) => (ch ? [ch.band_t_ms, ch.band[1]] : [[0], [null]]));
      const unit = channels.find((ch) => ch).unit;
      line(`${words}: ${name.replace("_", " ")}, median`, laid[0], tables, unit, c,
        () => spread(known.flat(), name === "pressure" ? difference(LEAST_KPA, "kPa") : 0));
    }
  }
  readout.textContent = "Point at or tap a plot to read it.";
}

async function start() {
  try {
    answer = await ask(box.dataset.url);
  } catch (error) {
    readout.textContent = error.message;
    readout.classList.add("plot-fault");
    return;
  }
  draw();
  box.dataset.drawn = "yes";
  onSchemeChange(draw);
}

start();
