// SPDX-License-Identifier: MIT
// The two small plots of the bench page, drawn as SVG: few points, five times a second.

const NS = "http://www.w3.org/2000/svg";
const LANES = [["command", "command"], ["coil", "coil"], ["switch", "contact"]];
const HEIGHT = 44;

function make(name, attributes, text) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  return element;
}

/** The drawing's width is the box's, so that letters keep their size on every screen. */
function size(svg) {
  const width = Math.max(300, Math.round(svg.clientWidth));
  const height = svg.viewBox.baseVal.height;
  if (svg.viewBox.baseVal.width !== width) svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  return width;
}

function steps(points, until, x, y) {
  if (!points.length) return "";
  let path = `M${x(points[0][0])} ${y(points[0][1])}`;
  for (const [t, level] of points.slice(1)) path += `H${x(t)}V${y(level)}`;
  return `${path}H${x(until)}`;
}

/** Command, coil, contact and pressure since the stroke's command. */
export function drawStroke(svg, stroke) {
  const [width, height] = [size(svg), 250];
  const until = Math.max(stroke.now_ms ?? 0, 50);
  const x = (t) => (90 + Math.max(0, Math.min(t, until)) / until * (width - 100)).toFixed(1);
  const parts = [];
  LANES.forEach(([name, word], lane) => {
    const top = 10 + lane * (HEIGHT + 12);
    const points = stroke[name] || [];
    parts.push(make("text", { x: 4, y: top + HEIGHT / 2 + 5, class: "lane-name" }, points.length ? word : `${word}: –`));
    if (points.length) {
      parts.push(make("path", { d: steps(points, until, x, (v) => top + (v ? 4 : HEIGHT - 4)), class: `lane ${name}` }));
    }
  });
  const pressures = stroke.pressure || [];
  const top = 10 + 3 * (HEIGHT + 12);
  const bottom = height - 22;
  if (pressures.length) {
    const highest = Math.max(100, ...pressures.map((p) => p[1]));
    const y = (v) => (bottom - (v / highest) * (bottom - top)).toFixed(1);
    parts.push(make("text", { x: 4, y: (top + bottom) / 2, class: "lane-name" }, `${pressures.at(-1)[1].toFixed(0)} kPa`));
    parts.push(make("path", { d: pressures.map(([t, v], n) => `${n ? "L" : "M"}${x(t)} ${y(v)}`).join(""), class: "lane pressure" }));
  } else {
    parts.push(make("text", { x: 4, y: (top + bottom) / 2, class: "lane-name" }, "pressure: –"));
  }
  parts.push(make("text", { x: 90, y: height - 4, class: "axis" }, "0"));
  parts.push(make("text", { x: width - 10, y: height - 4, class: "axis end" }, `${until.toFixed(0)} ms`));
  svg.replaceChildren(...parts);
}

/** One mark a stroke; limits of the sheet dashed across. */
export function drawDots(svg, dots, bands) {
  const [width, left, bottom] = [size(svg), 60, 150];
  const values = dots.flatMap((dot) => [dot[1], dot[2]]).filter((v) => v !== null);
  const limits = Object.values(bands).flatMap((band) => [band.min, band.max]).filter((v) => v !== null && v !== undefined);
  const highest = Math.max(10, ...values, ...limits) * 1.1;
  const first = dots.length ? dots[0][0] : 0;
  const last = dots.length ? dots.at(-1)[0] : 1;
  const x = (n) => left + 10 + ((n - first) / Math.max(1, last - first)) * (width - left - 20);
  const y = (v) => bottom - (v / highest) * (bottom - 10);
  const parts = [make("text", { x: 4, y: 20, class: "axis" }, `${highest.toFixed(0)} ms`), make("text", { x: 4, y: bottom, class: "axis" }, "0")];
  for (const [name, band] of Object.entries(bands)) {
    for (const limit of [band.min, band.max]) {
      if (limit !== null && limit !== undefined) {
        parts.push(make("line", { x1: left, x2: width, y1: y(limit), y2: y(limit), class: `limit ${name}` }));
      }
    }
  }
  for (const [n, response, release] of dots) {
    const at = x(n);
    if (response === null) parts.push(make("path", { d: `M${at - 5} 12l10 10M${at + 5} 12l-10 10`, class: "dot missed" }));
    else parts.push(make("circle", { cx: at, cy: y(response), r: 4, class: "dot response" }));
    if (release !== null) {
      const low = y(release);
      parts.push(make("path", { d: `M${at} ${low - 5}l5 5-5 5-5-5z`, class: "dot release" }));
    }
  }
  svg.replaceChildren(...parts);
}
