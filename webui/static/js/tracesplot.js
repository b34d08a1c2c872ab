// SPDX-License-Identifier: MIT
// How the traces are drawn: lanes and pressure share one uPlot, so they share one time axis.

import { AXIS_SIZE, FONT, SMALL_FONT, TOP, inArea, watermark } from "./plotting.js";

/* global uPlot */

const LANE = 52; // px, one lane: its name above its trace
const TRACE = 22; // px, the height of a level
const SPANS = 40; // px, the row of response and release below the lanes
const PRESSURE = 210; // px
const EXTRA = 110; // px, each further channel
const LEAST_SPAN = 100; // kPa, so that a gauge's last digit does not look like a swing
const LEAST_SHARE = 0.05; // of a further channel's value: less is no swing
const POINT_ROOM = 5; // px a sample needs before it gets a dot

const COLOUR = { command: "command", readback: "coil", switch: "switch" };

export function plotHeight(data) {
  return TOP + AXIS_SIZE + areaHeight(data);
}

function areaHeight(data) {
  const pressure = data.channels.some((c) => c.name === "pressure") ? PRESSURE : 0;
  return data.lanes.length * LANE + SPANS + pressure + others(data).length * EXTRA;
}

/** Channels beside the pressure, each with a strip of its own between lanes and pressure. */
function others(data) {
  return data.channels.filter((c) => c.name !== "pressure" && c.value.some((v) => v !== null));
}

export function buildPlot({ box, data, height, across, colours, onSelect, onWhole, onCursor }) {
  const area = areaHeight(data);
  const pressure = data.channels.find((c) => c.name === "pressure");
  const origin = data.stroke ? data.stroke.on_ms : 0;
  const series = [{}];
  const tables = [];
  const scales = { x: { time: false, range: () => [data.from_ms, data.to_ms] } };

  data.lanes.forEach((lane, i) => {
    const low = area - i * LANE - LANE + 8; // px above the plot's bottom edge
    scales[lane.name] = { range: () => [-low / TRACE, (area - low) / TRACE] };
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
    const shown = PRESSURE - 14; // the scale ends below the spans
    scales.pressure = { range: () => [low, low + (high - low) * area / shown] };
    tables.push([pressure.t_ms, pressure.value]);
    series.push({
      label: "pressure", scale: "pressure", stroke: colours.pressure, width: 1.5,
      points: {
        show: (u) => pressure.t_ms.length * POINT_ROOM < u.bbox.width / devicePixelRatio,
        size: 6, fill: colours.pressure, stroke: colours.pressure,
      },
    });
  }
  const strips = others(data).map((channel, i) => {
    const values = channel.value.filter((v) => v !== null);
    const [least, most] = [Math.min(...values), Math.max(...values)];
    const room = Math.max(LEAST_SHARE * Math.max(Math.abs(least), Math.abs(most)) - (most - least), 1e-9);
    const [low, high] = [least - room / 2, most + room / 2];
    const below = (pressure ? PRESSURE : 0) + i * EXTRA; // px under the strip
    const shown = EXTRA - 34;
    scales[channel.name] = {
      range: () => [low - (high - low) * (below + 6) / shown, high + (high - low) * (area - below - 6 - shown) / shown],
    };
    tables.push([channel.t_ms, channel.value]);
    const tone = channel.name === "coil_current" ? colours.coil : colours.pressure;
    series.push({
      label: channel.name, scale: channel.name, stroke: tone, width: 1.5,
      points: { show: (u) => channel.t_ms.length * POINT_ROOM < u.bbox.width / devicePixelRatio, size: 5 },
    });
    return { channel, least, most, tone, top: area - below - EXTRA };
  });
  // join leaves undefined where a trace has no point at another's time (bridged) and keeps null
  // (not known: a gap)
  const joined = uPlot.join(tables);
  const axis = {
    stroke: colours.dim, font: FONT, grid: { stroke: colours.grid, width: 1 },
    ticks: { stroke: colours.rule, width: 1, size: 5 },
  };
  return new uPlot({
    width: Math.floor(box.clientWidth), height, padding: [TOP, 20, 0, pressure ? 0 : 12],
    legend: { show: false }, scales, series,
    cursor: { drag: { x: true, y: false, setScale: false }, points: { show: false }, y: false },
    axes: [
      { ...axis, size: AXIS_SIZE, space: 56,
        splits: (u, _i, min, max, incr) => ticksFrom(origin, min, max, incr),
        values: (u, splits) => timeLabels(splits, origin, Boolean(data.stroke)) },
      { ...axis, show: Boolean(pressure), scale: pressure ? "pressure" : "x", size: 44,
        space: 34, filter: (u, splits) => splits.map((v) => (v > top ? null : v)),
        grid: { stroke: colours.grid, width: 1, filter: (u, splits) => splits.map((v) => (v > top ? null : v)) },
        ticks: { show: false } },
    ],
    hooks: {
      drawClear: [(u) => watermark(u, across, colours.watermark)],
      draw: [(u) => inArea(u, (ctx, width) => {
        laneNames(ctx, data, width, colours);
        spans(ctx, u, data, colours);
        marks(ctx, u, data, colours);
        for (const { channel, least, most, tone, top: y } of strips) {
          ctx.fillStyle = colours.rule;
          ctx.fillRect(0, y, width, 1);
          label(ctx, `${channel.name.replaceAll("_", " ")}, ${channel.unit}: ${least.toPrecision(3)} to ${most.toPrecision(3)}`, 6, y + 6, tone);
        }
        if (data.dip) dip(ctx, u, data, colours);
        if (pressure) label(ctx, `pressure, ${pressure.unit}`, 6, area - PRESSURE + 6, colours.pressure);
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
  let digits = 0; // as many as the step needs: 2.5 is neither 2 nor 3
  while (digits < 6 && Math.abs((step / unit) * 10 ** digits - Math.round((step / unit) * 10 ** digits)) > 1e-6) digits++;
  return splits.map((v) => `${((v - origin) / unit).toFixed(digits)} ${inStroke ? "ms" : "s"}`);
}

function laneNames(ctx, data, width, colours) {
  data.lanes.forEach((lane, i) => {
    label(ctx, lane.label, 6, i * LANE + 5, colours[COLOUR[lane.name]]);
    ctx.fillStyle = colours.rule;
    ctx.fillRect(0, (i + 1) * LANE - 1, width, 1);
  });
}

function label(ctx, words, x, y, colour) {
  ctx.font = FONT;
  ctx.textAlign = "left";
  ctx.textBaseline = "top";
  ctx.fillStyle = colour;
  ctx.fillText(words, x, y);
}

/** Response and release of the stroke shown: from the coil's edge to the settled switch. */
function spans(ctx, u, data, colours) {
  const stroke = data.stroke;
  if (!stroke) return;
  const y = data.lanes.length * LANE + 24;
  const found = [
    ["response", stroke.response_from_ms, stroke.response_ms],
    ["release", stroke.release_from_ms, stroke.release_ms],
  ].filter(([, from, lasts]) => from !== null && lasts !== null);
  ctx.font = FONT;
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
    ctx.fillRect(a + 1, y - 21, ctx.measureText(words).width + 4, 15);
    label(ctx, words, a + 3, y - 20, colours.ink);
  }
}

/** Where the coil's current shows that the plunger has moved: an arrow to the trace. */
function dip(ctx, u, data, colours) {
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
  label(ctx, words, x + 8, y + 14, colours.ink);
}

/** Doubts (triangle) and trips (cross) along the lower edge of the lanes. */
function marks(ctx, u, data, colours) {
  const y = data.lanes.length * LANE + SPANS - 6;
  ctx.font = SMALL_FONT;
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
