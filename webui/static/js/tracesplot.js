// SPDX-License-Identifier: MIT
// How the traces are drawn: lanes and pressure share one uPlot, so they share one time axis.

import { AXIS_SIZE, FONT, SMALL_FONT, TOP, inArea, watermark } from "./plotting.js";
import { difference } from "./units.js";

/* global uPlot */

/** Sizes in px. The page's own: */
const PAGE = {
  font: FONT, small: SMALL_FONT, type: 13, axis: AXIS_SIZE, values: 44,
  lane: 52, // its name above its trace
  trace: 22, // the height of a level
  spans: 40, // the row of response and release below the lanes
  pressure: 210,
  extra: 110, // each further channel
  apart: 56, // ticks of the time axis
};

/** The sizes for this font size in px, for a wall: tighter, since there is no scrolling. */
export function looks(type) {
  if (type <= PAGE.type) return PAGE;
  const font = `${type}px system-ui, sans-serif`;
  return {
    font, small: font, type, axis: 2 * type, values: 2.6 * type, lane: 2.2 * type, trace: 0.85 * type, spans: 2 * type,
    pressure: 6 * type, extra: 3.9 * type, apart: 4.6 * type,
  };
}

const LEAST_SPAN = difference(100, "kPa"); // so that the gauge's last digit does not look like a swing
const LEAST_SHARE = 0.05; // of a further channel's value: anything less is no swing
const POINT_ROOM = 5; // px a sample needs before it gets a dot

const COLOUR = { command: "command", readback: "coil", switch: "switch" };

/** The same, with the height that `room` px leave for the pressure. */
export function filling(look, data, room) {
  const spare = room - plotHeight(data, look);
  return { ...look, pressure: Math.max(look.pressure + spare, 4 * look.type) };
}

export function plotHeight(data, look = PAGE) {
  return TOP + look.axis + areaHeight(data, look);
}

function areaHeight(data, look) {
  const pressure = data.channels.some((c) => c.name === "pressure") ? look.pressure : 0;
  return data.lanes.length * look.lane + look.spans + pressure + others(data).length * look.extra;
}

/** Channels beside the pressure, each in its own strip between lanes and pressure. */
function others(data) {
  return data.channels.filter((c) => c.name !== "pressure" && c.value.some((v) => v !== null));
}

export function buildPlot({ box, data, height, across, colours, onSelect, onWhole, onCursor, look = PAGE }) {
  const area = areaHeight(data, look);
  const k = look.type / PAGE.type;
  const pressure = data.channels.find((c) => c.name === "pressure");
  const origin = data.stroke ? data.stroke.on_ms : 0;
  const series = [{}];
  const tables = [];
  const scales = { x: { time: false, range: () => [data.from_ms, data.to_ms] } };

  data.lanes.forEach((lane, i) => {
    const low = area - i * look.lane - look.lane + 8; // px above the plot's bottom edge
    scales[lane.name] = { range: () => [-low / look.trace, (area - low) / look.trace] };
    tables.push([lane.t_ms, lane.level]);
    series.push({
      label: lane.label, scale: lane.name, stroke: colours[COLOUR[lane.name]], width: 2,
      fill: tinted(colours[COLOUR[lane.name]]), fillTo: 0,
      paths: uPlot.paths.stepped({ align: 1 }), points: { show: false },
    });
  });
  let top = 1;
  if (pressure) {
    const [low, high] = pressureRange(pressure);
    top = high;
    const shown = look.pressure - 14; // the scale ends below the spans
    scales.pressure = { range: () => [low, low + (high - low) * area / shown] };
    tables.push([pressure.t_ms, pressure.value]);
    series.push({
      label: "pressure", scale: "pressure", stroke: colours.pressure, width: 1.5,
      paths: pressure.apart ? () => null : undefined, // single readings: no line between them
      points: {
        show: (u) => pressure.apart || pressure.t_ms.length * POINT_ROOM < u.bbox.width / devicePixelRatio,
        size: 6, fill: colours.pressure, stroke: colours.pressure,
      },
    });
  }
  const strips = others(data).map((channel, i) => {
    const values = channel.value.filter((v) => v !== null);
    const [least, most] = [Math.min(...values), Math.max(...values)];
    const room = Math.max(LEAST_SHARE * Math.max(Math.abs(least), Math.abs(most)) - (most - least), 1e-9);
    const [low, high] = [least - room / 2, most + room / 2];
    const below = (pressure ? look.pressure : 0) + i * look.extra; // px under the strip
    const shown = look.extra - 34 * k;
    scales[channel.name] = {
      range: () => [low - (high - low) * (below + 6) / shown, high + (high - low) * (area - below - 6 - shown) / shown],
    };
    tables.push([channel.t_ms, channel.value]);
    const tone = channel.name === "coil_current" ? colours.coil : colours.pressure;
    series.push({
      label: channel.name, scale: channel.name, stroke: tone, width: 1.5,
      points: { show: (u) => channel.t_ms.length * POINT_ROOM < u.bbox.width / devicePixelRatio, size: 5 },
    });
    return { channel, least, most, tone, top: area - below - look.extra };
  });
  // join leaves undefined where a trace has no point at another's time (bridged) and keeps null
  // (not known: a gap)
  const joined = uPlot.join(tables);
  const axis = {
    stroke: colours.dim, font: look.font, grid: { stroke: colours.grid, width: 1 },
    ticks: { stroke: colours.rule, width: 1, size: 5 },
  };
  return new uPlot({
    width: Math.floor(box.clientWidth), height, padding: [TOP, 20, 0, pressure ? 0 : 12],
    legend: { show: false }, scales, series,
    cursor: { drag: { x: true, y: false, setScale: false }, points: { show: false }, y: false },
    axes: [
      { ...axis, size: look.axis, space: look.apart,
        splits: (u, _i, min, max, incr) => ticksFrom(origin, min, max, incr),
        values: (u, splits) => timeLabels(splits, origin, Boolean(data.stroke)) },
      { ...axis, show: Boolean(pressure), scale: pressure ? "pressure" : "x", size: look.values,
        space: 34 * k, filter: (u, splits) => splits.map((v) => (v > top ? null : v)),
        grid: { stroke: colours.grid, width: 1, filter: (u, splits) => splits.map((v) => (v > top ? null : v)) },
        ticks: { show: false } },
    ],
    hooks: {
      drawClear: [(u) => watermark(u, across, colours.watermark)],
      draw: [(u) => inArea(u, (ctx, width) => {
        laneNames(ctx, data, width, colours, look);
        spans(ctx, u, data, colours, look);
        marks(ctx, u, data, colours, look);
        for (const { channel, least, most, tone, top: y } of strips) {
          ctx.fillStyle = colours.rule;
          ctx.fillRect(0, y, width, 1);
          label(ctx, `${channel.name.replaceAll("_", " ")}, ${channel.unit}: ${least.toPrecision(3)} to ${most.toPrecision(3)}`, 6, y + 6, tone, look.font);
        }
        if (data.dip) dip(ctx, u, data, colours, look);
        if (pressure) label(ctx, `pressure, ${pressure.unit}${pressure.apart ? ": single readings" : ""}`, 6, area - look.pressure + 6, colours.pressure, look.font);
      })],
      setSelect: [(u) => {
        const { left, width } = u.select;
        if (width > 4) onSelect(u.posToVal(left, "x"), u.posToVal(left + width, "x"));
      }],
      setCursor: [(u) => onCursor(u.cursor.left >= 0 ? u.posToVal(u.cursor.left, "x") : null)],
      ready: [(u) => u.over.addEventListener("dblclick", onWhole)],
    },
  }, joined, box);
}

function tinted(colour) {
  return /^#[0-9a-f]{6}$/i.test(colour) ? `${colour}33` : undefined;
}

function pressureRange(channel) {
  const values = channel.value.filter((v) => v !== null);
  if (!values.length) return [0, 1];
  let low = values[0];
  let high = values[0];
  for (const v of values) { low = Math.min(low, v); high = Math.max(high, v); }
  const missing = Math.max(LEAST_SPAN - (high - low), 0);
  const floor = low < 0 ? low : Math.max(low - missing / 2, 0);
  return uPlot.rangeNum(floor, Math.max(high, floor + LEAST_SPAN), 0.05, true);
}

/** Ticks at round distances from the origin, which in a stroke is its command. */
function ticksFrom(origin, min, max, incr) {
  const ticks = [];
  for (let n = Math.ceil((min - origin) / incr); origin + n * incr <= max; n++) ticks.push(origin + n * incr);
  return ticks;
}

function timeLabels(splits, origin, inStroke) {
  const step = splits.length > 1 ? splits[1] - splits[0] : 1;
  const unit = inStroke ? 1 : 1000;
  let digits = 0; // enough decimals for the step: 2.5 is neither 2 nor 3
  while (digits < 6 && Math.abs((step / unit) * 10 ** digits - Math.round((step / unit) * 10 ** digits)) > 1e-6) digits++;
  return splits.map((v) => `${((v - origin) / unit).toFixed(digits)} ${inStroke ? "ms" : "s"}`);
}

function laneNames(ctx, data, width, colours, look) {
  data.lanes.forEach((lane, i) => {
    label(ctx, lane.label, 6, i * look.lane + 5, colours[COLOUR[lane.name]], look.font);
    ctx.fillStyle = colours.rule;
    ctx.fillRect(0, (i + 1) * look.lane - 1, width, 1);
  });
}

function label(ctx, words, x, y, colour, font) {
  ctx.font = font;
  ctx.textAlign = "left";
  ctx.textBaseline = "top";
  ctx.fillStyle = colour;
  ctx.fillText(words, x, y);
}

/** Response and release of the stroke shown: from the coil's edge to the settled switch. */
function spans(ctx, u, data, colours, look) {
  const stroke = data.stroke;
  if (!stroke) return;
  const y = data.lanes.length * look.lane + 11 + look.type;
  const found = [
    ["response", stroke.response_from_ms, stroke.response_ms],
    ["release", stroke.release_from_ms, stroke.release_ms],
  ].filter(([, from, lasts]) => from !== null && lasts !== null);
  ctx.font = look.font;
  const room = u.valToPos(stroke.release_from_ms ?? data.to_ms, "x") -
    u.valToPos(stroke.response_from_ms, "x");
  const short = room < ctx.measureText("response 0000.0 ms").width;
  for (const [name, from, lasts] of found) {
    const a = u.valToPos(from, "x");
    const b = u.valToPos(from + lasts, "x");
    ctx.strokeStyle = colours.ink;
    ctx.lineWidth = 1.5;
    ctx.beginPath();
    ctx.moveTo(a, y); ctx.lineTo(b, y);
    for (const x of [a, b]) { ctx.moveTo(x, y - 5); ctx.lineTo(x, y + 5); }
    ctx.stroke();
    ctx.setLineDash([3, 3]);
    ctx.lineWidth = 1;
    ctx.beginPath();
    for (const x of [a, b]) { ctx.moveTo(x, 0); ctx.lineTo(x, y - 5); }
    ctx.stroke();
    ctx.setLineDash([]);
    const words = `${short ? "" : name} ${lasts.toFixed(1)} ms`.trim();
    ctx.fillStyle = colours.sheet;
    ctx.fillRect(a + 1, y - look.type - 8, ctx.measureText(words).width + 4, look.type + 2);
    label(ctx, words, a + 3, y - look.type - 7, colours.ink, look.font);
  }
}

/** Where the coil's current shows that the plunger has moved: an arrow to the trace. */
function dip(ctx, u, data, colours, look) {
  const current = data.channels.find((c) => c.name === "coil_current");
  if (!current || !u.scales.coil_current) return;
  const { t_ms: at, words } = data.dip;
  const known = current.t_ms.map((t, n) => [Math.abs(t - at), current.value[n]]).filter(([, v]) => v !== null);
  if (!known.length) return;
  const [, value] = known.reduce((best, one) => (one[0] < best[0] ? one : best));
  const [x, y] = [u.valToPos(at, "x"), u.valToPos(value, "coil_current")];
  ctx.strokeStyle = colours.ink;
  ctx.lineWidth = 2;
  ctx.beginPath();
  ctx.moveTo(x, y + 26); ctx.lineTo(x, y + 5);
  ctx.moveTo(x - 5, y + 12); ctx.lineTo(x, y + 5); ctx.lineTo(x + 5, y + 12);
  ctx.stroke();
  label(ctx, words, x + 8, y + 14, colours.ink, look.font);
}

/** Doubts (triangle) and trips (cross) along the lower edge of the lanes. */
function marks(ctx, u, data, colours, look) {
  const y = data.lanes.length * look.lane + look.spans - 6;
  ctx.font = look.small;
  for (const mark of data.marks) {
    const x = u.valToPos(mark.t_ms, "x");
    ctx.strokeStyle = ctx.fillStyle = mark.class === "trip" ? colours.bad : colours.mark;
    ctx.lineWidth = 2;
    ctx.beginPath();
    if (mark.class === "trip") {
      ctx.moveTo(x - 5, y - 5); ctx.lineTo(x + 5, y + 5);
      ctx.moveTo(x + 5, y - 5); ctx.lineTo(x - 5, y + 5);
      ctx.stroke();
      ctx.textBaseline = "middle";
      ctx.textAlign = x > 60 ? "right" : "left";
      ctx.fillText("trip", x > 60 ? x - 9 : x + 9, y);
    } else {
      ctx.moveTo(x, y - 5); ctx.lineTo(x + 5, y + 4); ctx.lineTo(x - 5, y + 4); ctx.closePath();
      ctx.stroke();
    }
  }
}
