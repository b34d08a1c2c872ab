// SPDX-License-Identifier: MIT
// What the simulated plant itself did, apart from everything that was measured.

import { AXIS_SIZE, FONT, TOP, keepWidth, watermark } from "./plotting.js";
import { buildLinks } from "./lessonlinks.js";
import { unit, value } from "./units.js";

/* global uPlot */

const HEIGHT = 220;

/** Input for the traces' own brackets: they count from this half's command. */
export function strokeSpans(data) {
  const from = data.command_ms + data.reference_ms;
  const lasts = data.settled_ms === null ? null : data.settled_ms - data.reference_ms;
  const on = data.way === "on";
  return {
    on_ms: data.command_ms, response_from_ms: on ? from : null, response_ms: on ? lasts : null,
    release_from_ms: on ? null : from, release_ms: on ? null : lasts,
  };
}

/** Fill the model's box; returns its plots with their resize handling. */
export function drawModel(data, c) {
  const model = data.model;
  const list = document.getElementById("model-links");
  document.getElementById("model-words").textContent = model.refused
    ? `There is no model of this stroke: ${model.refused}.`
    : `The same plant was run again from its seed and the commands of this run. Its edges lie within ${(1000 * model.apart_ms).toFixed(0)} µs of the recorded ones. The analysis never sees these values. The pressure's part begins here where it has changed by 2 % of its change, and ends where it passes the switch's own threshold.`;
  if (model.refused) {
    list.replaceChildren();
    return [];
  }
  buildLinks(list, model.links.map((link) => ({
    ...link, measured: link.took_ms !== null, happens: "", u95_ms: null,
  })), "not reached", true);
  const box = document.getElementById("model-trace");
  const [from, to] = [data.traces.from_ms - data.command_ms, data.traces.to_ms - data.command_ms];
  const axis = {
    stroke: c.dim, font: FONT, grid: { stroke: c.grid, width: 1 },
    ticks: { stroke: c.rule, width: 1, size: 5 },
  };
  const plot = new uPlot({
    width: Math.floor(box.clientWidth), height: HEIGHT, padding: [TOP, 34, 0, 0],
    legend: { show: false }, cursor: { show: false },
    scales: { x: { time: false, range: () => [from, to] } },
    series: [{}, { stroke: c.pressure, width: 3, dash: [3, 4], points: { show: false } }],
    axes: [
      { ...axis, size: AXIS_SIZE, space: 60, values: (u, splits) => splits.map((v) => `${v} ms`) },
      { ...axis, size: 64, space: 34, values: (u, splits) => splits.map((v) => `${v} ${unit("kPa")}`), ticks: { show: false } },
    ],
    hooks: { drawClear: [(u) => watermark(u, "MODEL", c.watermark)] },
  }, [model.pressure_kpa.t_ms, model.pressure_kpa.value.map((v) => value(v, "kPa"))], box);
  return [[plot, keepWidth(plot, box, HEIGHT)]];
}
