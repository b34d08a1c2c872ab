// SPDX-License-Identifier: MIT
// The traces of a run: digital lanes above, pressure below, one time axis.
// The server thins the data to the window shown; every change of the window asks again.

import { ask, colours, keepWidth, onSchemeChange } from "./plotting.js";
import { buildPlot, plotHeight } from "./tracesplot.js";
import { digits } from "./units.js";

const box = document.getElementById("traces");
const page = {
  url: box.dataset.url,
  strokes: Number(box.dataset.strokes),
  source: box.dataset.across,
};
const readout = document.getElementById("readout");
const note = document.getElementById("traces-note");
const fault = document.getElementById("traces-fault");
const number = document.getElementById("stroke-number");
const buttons = Object.fromEntries(
  ["whole", "previous", "next", "closer", "wider", "earlier", "later"]
    .map((name) => [name, document.getElementById(`go-${name}`)]));

let plot = null;
let watcher = null;
let data = null; // the last answer
let asking = null;

async function load(query, quiet) {
  asking?.abort();
  asking = new AbortController();
  try {
    data = await ask(`${page.url}?${new URLSearchParams(query)}`, asking.signal);
  } catch (error) {
    if (error.name !== "AbortError") fault.textContent = error.message;
    return;
  }
  fault.textContent = "";
  draw();
  if (!quiet) box.dispatchEvent(new CustomEvent("shown"));
}

function draw() {
  plot?.destroy();
  watcher?.disconnect();
  const height = plotHeight(data);
  plot = buildPlot({
    box, data, height, across: page.source, colours: colours(),
    onSelect: (from, to) => showWindow(from, to),
    onWhole: showWhole,
    onCursor: tell,
  });
  watcher = keepWidth(plot, box, height);
  box.dataset.window = `${data.from_ms} ${data.to_ms}`;
  describe();
  tell(null);
}

function describe() {
  const stroke = data.stroke;
  number.value = stroke ? stroke.number : "";
  buttons.previous.disabled = page.strokes === 0 || (stroke && stroke.number <= 1);
  buttons.next.disabled = page.strokes === 0 || (stroke && stroke.number >= page.strokes);
  buttons.whole.disabled = buttons.wider.disabled = isWhole();
  buttons.earlier.disabled = data.from_ms <= 0;
  buttons.later.disabled = data.to_ms >= data.end_ms;
  const thinned = [...data.lanes, ...data.channels].filter((trace) => trace.decimated);
  const parts = [stroke
    ? `Stroke ${stroke.number}: milliseconds after the command.`
    : "Seconds after the first record."];
  if (thinned.length) {
    parts.push(`Thinned for drawing (${thinned.map((t) => t.label ?? t.name.replaceAll("_", " ")).join(", ")}): ` +
      "lowest and highest value of each interval and every kind of edge are kept. Closer shows all.");
  }
  note.textContent = parts.join(" ");
}

function isWhole() {
  return data.from_ms <= 0 && data.to_ms >= data.end_ms;
}

/** The values at the cursor, in words; without a cursor, how to get one. */
function tell(atMs) {
  if (atMs === null) {
    readout.textContent = matchMedia("(pointer: coarse)").matches
      ? "Tap the plot to read values there."
      : "Point at the plot to read values. Drag sideways to look closer.";
    return;
  }
  const words = [[timeWords(atMs), ""]];
  for (const lane of data.lanes) {
    const level = lastBefore(lane.t_ms, lane.level, atMs)[1];
    words.push([`${lane.label} `, level === null ? "not known" : lane.words[level]]);
  }
  for (const channel of data.channels) {
    const [t, value] = lastBefore(channel.t_ms, channel.value, atMs);
    const reading = value === null ? "no value" : `${value.toFixed(channel.unit === "A" ? 3 : digits("kPa", 1))} ${channel.unit}`;
    const age = value === null ? "" : `, ${(atMs - t).toFixed(0)} ms old`;
    words.push([`${channel.name.replaceAll("_", " ")} `, reading + age]);
  }
  readout.replaceChildren(...words.flatMap(([name, value], i) => {
    const strong = document.createElement("b");
    strong.textContent = value || name;
    return [i ? " · " : "", value ? name : "", strong];
  }));
}

function timeWords(atMs) {
  return data.stroke
    ? `${(atMs - data.stroke.on_ms).toFixed(2)} ms after the command`
    : `${(atMs / 1000).toFixed(4)} s`;
}

/** [time, value] of the last point at or before `at`; nulls where there is none. */
function lastBefore(times, values, at) {
  let low = 0;
  let high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] <= at) low = middle + 1; else high = middle;
  }
  return low ? [times[low - 1], values[low - 1]] : [null, null];
}

function showWindow(from, to) {
  if (to - from < 0.01) return; // 10 us: closer than any record can resolve
  load({ from_ms: Math.max(from, 0), to_ms: Math.min(to, data.end_ms) });
}

function showWhole() {
  history.replaceState(null, "", location.pathname + location.search);
  load({});
}

function showStroke(wanted) {
  const n = Math.min(Math.max(Math.round(wanted), 1), page.strokes);
  if (!Number.isFinite(n) || page.strokes === 0) return;
  history.replaceState(null, "", `#stroke-${n}`);
  load({ stroke: n });
}

/** The stroke before or after the one shown, else the first one that begins in the window. */
function step(by) {
  if (data.stroke) showStroke(data.stroke.number + by);
  else showStroke(data.first_stroke ?? 1);
}

function move(part) {
  const span = data.to_ms - data.from_ms;
  const from = Math.min(Math.max(data.from_ms + part * span, 0), data.end_ms - span);
  showWindow(from, from + span);
}

function scale(factor) {
  const middle = (data.from_ms + data.to_ms) / 2;
  const half = (data.to_ms - data.from_ms) * factor / 2;
  showWindow(middle - half, middle + half);
}

function fromAddress() {
  const match = /^#stroke-(\d+)$/.exec(location.hash);
  if (match) {
    load({ stroke: match[1] });
    box.closest("section").scrollIntoView({ block: "start" });
    return true;
  }
  return false;
}

buttons.whole.addEventListener("click", showWhole);
buttons.previous.addEventListener("click", () => step(-1));
buttons.next.addEventListener("click", () => step(1));
buttons.closer.addEventListener("click", () => scale(0.4));
buttons.wider.addEventListener("click", () => scale(2.5));
buttons.earlier.addEventListener("click", () => move(-0.5));
buttons.later.addEventListener("click", () => move(0.5));
number.addEventListener("change", () => showStroke(Number(number.value)));
addEventListener("hashchange", fromAddress);
onSchemeChange(() => data && draw());
if (!fromAddress()) load({});
