// SPDX-License-Identifier: MIT
// What every plot needs: colours of the scheme in force, the source written across, keeping up
// with the window's width.

import { inReaderUnits } from "./units.js";

export const AXIS_SIZE = 44; // px, the time axis below
export const TOP = 10; // px, free above the plot
export const FONT = "13px system-ui, sans-serif";
export const SMALL_FONT = "12px system-ui, sans-serif";

/** The colours of the scheme in force, read from the style sheet. */
export function colours() {
  const style = getComputedStyle(document.documentElement);
  const names = ["ink", "dim", "rule", "grid", "command", "coil", "switch", "pressure",
    "mark", "bad", "good", "watermark", "sheet"];
  return Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}

/** Call `again` whenever the colour scheme changes. */
export function onSchemeChange(again) {
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
}

/** Keep the plot as wide as its box. */
export function keepWidth(plot, box, height) {
  const watcher = new ResizeObserver(() => {
    const width = Math.floor(box.clientWidth);
    if (width > 0 && width !== plot.width) plot.setSize({ width, height });
  });
  watcher.observe(box);
  return watcher;
}

/** Write `words` across the plot, behind the data. Nothing if there are none. */
export function watermark(plot, words, colour) {
  if (!words) return;
  const { ctx, bbox } = plot;
  const size = Math.min(bbox.width / (words.length * 0.72), bbox.height / 3);
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.translate(bbox.left + bbox.width / 2, bbox.top + bbox.height / 2);
  ctx.rotate(-Math.atan2(bbox.height * 0.35, bbox.width));
  ctx.fillStyle = colour;
  ctx.font = `700 ${size}px system-ui, sans-serif`;
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  ctx.fillText(words, 0, 0);
  ctx.restore();
}

/** Draw in CSS pixels of the plotting area: `draw(ctx, width, height)` with 0, 0 at its top left. */
export function inArea(plot, draw) {
  const { ctx, bbox } = plot;
  const ratio = devicePixelRatio;
  ctx.save();
  ctx.translate(bbox.left, bbox.top);
  ctx.scale(ratio, ratio);
  draw(ctx, bbox.width / ratio, bbox.height / ratio);
  ctx.restore();
}

/** A number with this many decimals, without a minus before a zero. */
export function rounded(value, digits) {
  return value.toFixed(digits).replace(/^-(0(\.0*)?)$/, "$1");
}

/** A number with this many decimals, or an en dash if unknown. */
export function shown(value, digits) {
  return value === null || value === undefined ? "–" : rounded(value, digits);
}

/** Fetch JSON, its channels in the reader's units; a refusal or a failed connection becomes an Error with a message. */
export async function ask(address, signal, headers = {}) {
  let answer;
  try {
    answer = await fetch(address, { signal, headers: { Accept: "application/json", ...headers } });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Error("The rig did not answer. Is rig serve still running?");
  }
  const body = await answer.json().catch(() => {
    throw new Error("The rig's answer was not understood. Reload the page.");
  });
  if (!answer.ok) throw Object.assign(new Error(`${body.error}: ${body.what}`), { status: answer.status });
  return inReaderUnits(body);
}
