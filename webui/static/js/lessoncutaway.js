// SPDX-License-Identifier: MIT
// The cut-away drawing at one instant: where each part is, and whether that was measured.

import { rounded } from "./plotting.js";
import { digits, unit, value as read } from "./units.js";

const OPEN_DEG = -24; // an open contact's blade
const LINE = { measured: "measured", inferred: "inferred", "not measured": "unmeasured" };
const CLOSED = { readback: ["open", "closed"], switch: ["open", "closed"] };

/** What was measured, at `at` ms after the command. `known` false: nothing is revealed before the
    answer. */
export function showCutaway(box, data, at, known) {
  const rest = data.way === "on" ? 0 : 1;
  for (const part of data.drawing) {
    const there = known ? placeOf(part, data, at, rest) : { at: rest, known: "not measured", words: "" };
    put(box, part.name, there, known ? said(there) : "");
  }
  box.classList.toggle("asked", !known);
}

/** The simulated plant's own motion, from the model alone. */
export function showModel(box, model, at) {
  const m = model.motion;
  const n = Math.max(firstAfter(m.t_ms, at) - 1, 0);
  const most = (column) => Math.max(...column.map(Math.abs), 1e-9);
  const closed = (name) => ({ at: m[name][n], words: m[name][n] ? "closed" : "open" });
  const parts = {
    relay: closed("relay"),
    coil: { at: m.current_a[n] / most(m.current_a), words: `${rounded(m.current_a[n], 2)} A` },
    plunger: share(m.plunger[n]), spool: share(m.spool[n]),
    passage: { at: m.pressure_kpa[n] / most(m.pressure_kpa), words: `${rounded(read(m.pressure_kpa[n], "kPa"), digits("kPa", 0))} ${unit("kPa")}` },
    switch: closed("switch"),
    drain: { at: 0, words: m.spool[n] > model.opens_at ? "shut" : "open" },
  };
  for (const [name, there] of Object.entries(parts)) put(box, name, { ...there, known: "model" }, `model: ${there.words}`);
}

function share(value) {
  return { at: value, words: `at ${rounded(100 * value, 0)} %` };
}

function said(there) {
  return there.words ? `${there.known}: ${there.words}` : there.known;
}

function placeOf(part, data, at, rest) {
  if (part.follows) return followed(part, data, at, rest);
  const now = part.stretches.find((one) => (one.from_ms ?? -Infinity) <= at && at < (one.to_ms ?? Infinity));
  if (!now) return { at: rest, known: part.known, words: "" };
  const lasts = (now.to_ms ?? 0) - (now.from_ms ?? 0);
  const gone = now.from_ms === null || now.to_ms === null || lasts <= 0 ? 0 : (at - now.from_ms) / lasts;
  return { at: now.from_at + gone * (now.to_at - now.from_at), known: now.known, words: now.words };
}

/** A part that one trace shows from moment to moment: a contact's level, a current, a pressure. */
function followed(part, data, at, rest) {
  const lane = data.traces.lanes.find((one) => one.name === part.follows);
  const t = at + data.command_ms;
  if (lane) {
    const level = lane.level[Math.max(firstAfter(lane.t_ms, t) - 1, 0)];
    if (level === null) return { at: rest, known: "not measured", words: "" };
    return { at: level, known: "measured", words: CLOSED[part.follows][level] };
  }
  const channel = data.traces.channels.find((one) => one.name === part.follows);
  const value = between(channel, t);
  if (value === null) return { at: rest, known: "not measured", words: "" };
  const most = Math.max(...channel.value.map((v) => Math.abs(v ?? 0)), 1e-9);
  return {
    at: Math.min(Math.max(value / most, 0), 1), known: "measured",
    words: `${rounded(value, channel.unit === "A" ? 2 : digits("kPa", 0))} ${channel.unit}`,
  };
}

/** The reading at `t`: interpolated linearly, as the trace is drawn; null in a gap. */
function between({ t_ms: times, value }, t) {
  const n = firstAfter(times, t);
  if (n === 0 || n === times.length) return value[n === 0 ? 0 : n - 1];
  const [a, b] = [value[n - 1], value[n]];
  if (a === null || b === null) return null;
  return a + (b - a) * (t - times[n - 1]) / (times[n] - times[n - 1]);
}

/** Index of the first of the ascending `times` after `t`. */
function firstAfter(times, t) {
  let [low, high] = [0, times.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] <= t) low = middle + 1; else high = middle;
  }
  return low;
}

// -- moving what is drawn

function put(box, name, there, words) {
  const group = box.querySelector(`.cutaway [data-part="${name}"]`);
  group.setAttribute("class", LINE[there.known] ?? there.known);
  group.dataset.at = rounded(there.at, 3);
  write(group.querySelector(".is"), words);
  const line = box.querySelector(`.parts [data-part="${name}"] .is`);
  if (line) write(line, words);
  for (const piece of group.querySelectorAll(".moves")) {
    const [x, y] = numbers(piece.dataset.by);
    piece.setAttribute("transform", `translate(${x * there.at} ${y * there.at})`);
  }
  for (const piece of group.querySelectorAll(".blade")) {
    const [x, y] = numbers(piece.dataset.pivot);
    piece.setAttribute("transform", `rotate(${OPEN_DEG * (1 - there.at)} ${x} ${y})`);
  }
  const filled = there.known === "not measured" ? 0 : 0.75 * there.at; // only measured current or pressure
  for (const piece of group.querySelectorAll(".fill")) piece.setAttribute("fill-opacity", filled);
  for (const piece of group.querySelectorAll(".spring")) squeeze(piece, group, there.at);
}

/** A spring keeps its fixed end; its free end moves with the part. */
function squeeze(piece, group, at) {
  const [x, y] = numbers(group.querySelector(".moves").dataset.by);
  const [fixed, free] = [Number(piece.dataset.fixed), Number(piece.dataset.free)];
  const scale = (free + (x || y) * at - fixed) / (free - fixed);
  const [sx, sy] = x ? [scale, 1] : [1, scale];
  const [dx, dy] = x ? [fixed * (1 - scale), 0] : [0, fixed * (1 - scale)];
  piece.setAttribute("transform", `matrix(${sx} 0 0 ${sy} ${dx} ${dy})`);
}

function write(node, words) {
  if (node.textContent !== words) node.textContent = words;
}

function numbers(text) {
  return text.split(" ").map(Number);
}
