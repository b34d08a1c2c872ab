// SPDX-License-Identifier: MIT
// A ramp's pressure over time, drawn as SVG: the band to be passed through, the ways, the contact.

import { enlarged, make, size } from "./benchplots.js";
import { rounded } from "./plotting.js";
import { digits, unit, value } from "./units.js";

const HEIGHT = 260; // px

/** `ramp` as in the live answer (webui/live/ramp.py). */
export function drawRamp(svg, ramp) {
  const k = enlarged(svg);
  const width = size(svg, k * HEIGHT);
  const [left, top, bottom] = [k * 44, k * 8, k * (HEIGHT - 26)];
  const values = ramp.points.map(([, kpa]) => kpa);
  const most = Math.max(ramp.high_kpa * 1.1, ...values);
  const least = Math.min(0, ...values);
  const until = Math.max(ramp.now_ms ?? 0, 1000);
  const x = (t) => (left + Math.max(0, Math.min(t, until)) / until * (width - left - 6)).toFixed(1);
  const y = (kpa) => (bottom - (kpa - least) / (most - least) * (bottom - top)).toFixed(1);
  const parts = [make("rect", { x: left, y: y(ramp.high_kpa), width: width - left, height: y(ramp.low_kpa) - y(ramp.high_kpa), class: "target" })];
  for (const end of [ramp.low_kpa, ramp.high_kpa]) {
    parts.push(make("line", { x1: left, x2: width, y1: y(end), y2: y(end), class: "limit" }));
    parts.push(make("text", { x: left - 4, y: Number(y(end)) + 5, class: "axis end" }, rounded(value(end, "kPa"), digits("kPa", 0))));
  }
  for (const [t] of ramp.ways) parts.push(make("line", { x1: x(t), x2: x(t), y1: top, y2: bottom, class: "ground-line" }));
  if (ramp.points.length) {
    const path = ramp.points.map(([t, kpa], n) => `${n ? "L" : "M"}${x(t)} ${y(kpa)}`).join("");
    parts.push(make("path", { d: path, class: "course" }));
  }
  for (const [t, closed, kpa] of ramp.changes) {
    if (kpa === null) continue;
    if (closed) parts.push(make("circle", { cx: x(t), cy: y(kpa), r: 5 * k, class: "dot response" }));
    else parts.push(make("path", { d: `M${x(t)} ${y(kpa) - 6 * k}l${6 * k} ${6 * k}-${6 * k} ${6 * k}-${6 * k}-${6 * k}z`, class: "dot release" }));
  }
  parts.push(make("text", { x: left, y: k * HEIGHT - 5, class: "axis" }, "0 s"));
  parts.push(make("text", { x: 4, y: k * 16, class: "axis" }, unit("kPa")));
  parts.push(make("text", { x: width - 4, y: k * HEIGHT - 5, class: "axis end" }, `${(until / 1000).toFixed(0)} s`));
  svg.replaceChildren(...parts);
}
