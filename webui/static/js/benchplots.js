// SPDX-License-Identifier: MIT
// The two small plots of the bench page, drawn as SVG: few points, five times a second.

import { rounded } from "./plotting.js";
import { difference, digits, unit, value } from "./units.js";

const NS = "http://www.w3.org/2000/svg";
const LANES = [["command", "command"], ["coil", "coil"], ["switch", "contact"]];
const NAMES = { engine_speed: "engine pulses", pressure: "pressure" };
const LANE = 50; // px, a line's name and its two levels beneath
const NAME = 20; // px, of that for the name
const [STRIP, LEAST_STRIP] = [104, 56]; // px, a channel: less where several would go under the Stop
const AXIS = 22; // px
const LEAST_TOP = { kPa: 100, A: 0.1 }; // so that the sensor's last digit does not look like a swing

export function make(name, attributes, text) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  return element;
}

/** The drawing is as wide as its box, so that letters keep their size on every screen. */
export function size(svg, height = svg.viewBox.baseVal.height) {
  const width = Math.max(300, Math.round(svg.clientWidth));
  const { width: w, height: h } = svg.viewBox.baseVal;
  if (w !== width || h !== height) {
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.setAttribute("height", height);
  }
  return width;
}

function steps(points, until, x, y) {
  let path = `M${x(points[0][0])} ${y(points[0][1])}`;
  for (const [t, level] of points.slice(1)) path += `H${x(t)}V${y(level)}`;
  return `${path}H${x(until)}`;
}

function said(name) {
  return NAMES[name] ?? name.replaceAll("_", " ");
}

/** The channels to draw, pressure first: [name, unit of the program, spans of t, low, high]. */
function channelsOf(stroke) {
  const fast = Object.entries(stroke.channels ?? {}).map(([name, course]) => [
    name, course.unit, course.low.map((low, n) => [(n + 0.5) * course.step_ms, low, course.high[n]])
      .filter(([, low]) => low !== null),
  ]);
  if (!fast.some(([name]) => name === "pressure") && stroke.pressure?.length) {
    fast.push(["pressure", "kPa", stroke.pressure.map(([t, v]) => [t, v, v])]);
  }
  const drawn = fast.filter(([, , spans]) => spans.length);
  for (const [, si, spans] of drawn) {
    spans.forEach((span) => { span[1] = value(span[1], si); span[2] = value(span[2], si); });
  }
  return drawn.sort(([a], [b]) => (b === "pressure") - (a === "pressure"));
}

/** Scale relative to a laptop: a projector is read from the back of the room. */
export function enlarged(svg) {
  const times = innerWidth >= 1600 && innerHeight >= 900 ? 1.5 : 1;
  svg.classList.toggle("large", times > 1);
  return times;
}

/** Height of a channel's strip, so that all stand above the Stop while the page is not scrolled. */
function stripHeight(svg, k, others, channels) {
  const bar = document.querySelector(".stop-bar")?.offsetHeight ?? 0;
  const room = innerHeight - bar - (svg.getBoundingClientRect().top + scrollY);
  return Math.max(LEAST_STRIP, Math.min(STRIP, Math.floor((room / k - others) / channels)));
}

/** Every line and every channel since the stroke's command, each in its own strip. */
export function drawStroke(svg, stroke) {
  const k = enlarged(svg);
  const lines = [...LANES.map(([name, word]) => [name, word, stroke[name] || []]),
    ...Object.entries(stroke.lines ?? {}).map(([name, points]) => [name, said(name), points])];
  const channels = channelsOf(stroke);
  const each = stripHeight(svg, k, lines.length * LANE + AXIS, Math.max(channels.length, 1));
  const height = k * (lines.length * LANE + Math.max(channels.length, 1) * each + AXIS);
  const width = size(svg, height);
  const until = Math.max(stroke.now_ms ?? 0, 50);
  const x = (t) => (4 + Math.max(0, Math.min(t, until)) / until * (width - 8)).toFixed(1);
  const parts = [];
  lines.forEach(([name, word, points], lane) => {
    const top = k * (lane * LANE + NAME);
    parts.push(make("text", { x: 4, y: top - 5, class: "lane-name" }, points.length ? word : `${word}: –`));
    if (points.length) {
      const kind = LANES.some(([known]) => known === name) ? name : "other";
      parts.push(make("path", { d: steps(points, until, x, (v) => top + (v ? 2 : k * (LANE - NAME) - 6)), class: `lane ${kind}` }));
    }
  });
  const first = lines.length * LANE;
  channels.forEach((channel, n) => parts.push(...strip(channel, k * (first + n * each), width, x, k, each)));
  if (!channels.length) parts.push(make("text", { x: 4, y: k * (first + NAME) - 5, class: "lane-name" }, "pressure: –"));
  parts.push(make("text", { x: 4, y: height - 4, class: "axis" }, "0 ms"));
  parts.push(make("text", { x: width - 4, y: height - 4, class: "axis end" }, `${until.toFixed(0)} ms`));
  svg.replaceChildren(...parts);
}

/** One channel: a band from the lowest to the highest reading, its last value beside its name. */
function strip([name, si, spans], top, width, x, k, each) {
  const lows = spans.map((span) => span[1]);
  const highs = spans.map((span) => span[2]);
  const least = Math.min(0, ...lows);
  const most = Math.max(difference(LEAST_TOP[si] ?? 1, si), ...highs);
  const [words, above, below] = [top + k * NAME - 5, top + k * NAME + 2, top + k * each - 8];
  const y = (v) => (below - (v - least) / (most - least) * (below - above)).toFixed(1);
  const [, low, high] = spans.at(-1);
  const places = digits(si, si === "A" ? 2 : 0);
  const upper = spans.map(([t, , v], n) => `${n ? "L" : "M"}${x(t)} ${y(v)}`).join("");
  const back = [...spans].reverse().map(([t, v]) => `L${x(t)} ${y(v)}`).join("");
  return [
    make("text", { x: 4, y: words, class: "lane-name" }, `${said(name)}: ${rounded((low + high) / 2, places)} ${unit(si)}`),
    make("text", { x: width - 4, y: words, class: "axis end" }, `${rounded(least, places)} to ${rounded(most, places)} ${unit(si)}`),
    make("path", { d: `M${x(0)} ${y(least)}H${width - 4}`, class: "ground-line" }),
    make("path", { d: `${upper}${back}Z`, class: `band ${name}` }),
  ];
}

/** One mark a stroke; the sheet's limits dashed across. */
export function drawDots(svg, dots, bands) {
  const k = enlarged(svg);
  const [width, left, bottom] = [size(svg, k * 160), k * 60, k * 160 - 10];
  const values = dots.flatMap((dot) => [dot[1], dot[2]]).filter((v) => v !== null);
  const limits = Object.values(bands).flatMap((band) => [band.min, band.max]).filter((v) => v !== null && v !== undefined);
  const highest = Math.max(10, ...values, ...limits) * 1.1;
  const first = dots.length ? dots[0][0] : 0;
  const last = dots.length ? dots.at(-1)[0] : 1;
  const x = (n) => left + 10 + ((n - first) / Math.max(1, last - first)) * (width - left - 20);
  const y = (v) => bottom - (v / highest) * (bottom - 10);
  const parts = [make("text", { x: 4, y: k * 20, class: "axis" }, `${highest.toFixed(0)} ms`), make("text", { x: 4, y: bottom, class: "axis" }, "0")];
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
