// SPDX-License-Identifier: MIT
// The bench page: live values and plots, beats of the operator's page, and the strike-out of old data.

import { feed } from "./feed.js";
import { attend } from "./attention.js";
import { drawDots, drawStroke } from "./benchplots.js";
import { drawRamp } from "./rampplot.js";
import { digits, reading, unit, value, words } from "./units.js";

const OLD_MS = 1000;
const BEAT_MS = 1000;
const ARM_AFTER_MS = 1000;
const root = document.getElementById("bench");
const facts = JSON.parse(root.dataset.facts);
const live = document.getElementById("live");
const old = document.getElementById("old");
let heard = performance.now();
let rigAge = null;
let phase = facts.phase;
const attention = attend(facts);

function put(name, said) {
  const text = words(said);
  for (const place of root.querySelectorAll(`[data-of="${name}"]`)) {
    if (place.dataset.said === text) continue;
    place.dataset.said = text;
    place.replaceChildren(...marked(text));
  }
}

/** A sentence of the program; what stands between back-ticks is to be typed. */
function marked(text) {
  return text.split("`").map((part, n) => {
    if (n % 2 === 0) return part;
    const typed = document.createElement("code");
    typed.textContent = part;
    return typed;
  });
}

function number(found, places, si) {
  if (found === null || found === undefined) return "–";
  return `${value(found, si).toFixed(digits(si, places))} ${unit(si)}`;
}

const COIL = {
  true: ["LIVE", "bad", "M10 1l9 17H1z"],
  false: ["dead", "good", "M3 10h14"],
  null: ["not watched", "plain", "M3 10h3m2 0h3m2 0h3"],
};

function coil(snapshot) {
  const state = document.getElementById("coil-state");
  const watched = snapshot.coil_live;
  const [word, tone, path] = COIL[String(watched ?? null)];
  const commanded = snapshot.commanded_on ? "commanded ON" : "commanded off";
  state.className = `state ${tone}`;
  state.querySelector("span").textContent = `Coil ${word}, ${commanded}`;
  state.querySelector("svg").innerHTML =
    `<path d="${path}" fill="${watched ? "currentColor" : "none"}" stroke="currentColor" stroke-width="3"/>`;
}

function left(seconds) {
  if (seconds === null || seconds === undefined) return "";
  return seconds < 120 ? `${seconds.toFixed(0)} s left` : `${(seconds / 60).toFixed(0)} min left`;
}

function inputs(rows) {
  const body = document.getElementById("inputs");
  body.replaceChildren(...rows.map((row) => {
    const line = document.createElement("tr");
    const age = row.age_ms === null ? "–" : row.age_ms < 1000 ? `${row.age_ms} ms` : `${(row.age_ms / 1000).toFixed(1)} s`;
    const state = !row.watched ? "– NOT WATCHED" : row.quality ? `▲ ${row.quality}` : row.shown === null ? "? nothing yet" : "✓ alive";
    for (const text of [row.name, reading(row.shown ?? "–"), age, state]) {
      const cell = document.createElement("td");
      cell.textContent = text;
      line.append(cell);
    }
    line.className = row.watched ? (row.quality ? "doubt" : "") : "unwatched";
    return line;
  }));
}

const PACES = { right: ["✓ right", "good"], "too slow": ["▲ too slow", "open"], "too fast": ["▲ too fast", "bad"] };

function ramp(now) {
  const [word, tone] = PACES[now.pace] ?? ["", "plain"];
  put("rate", number(now.rate_kpa_s, 1, "kPa/s"));
  put("pace", word);
  document.getElementById("pace").className = `state ${tone}`;
  put("way-left", now.way ? left(now.left_s) : "–");
  const most = now.rate_most_kpa_s;
  put("rates", `${number(now.rate_least_kpa_s, 1, "kPa/s")} ${most === null ? "or more" : `to ${number(most, 1, "kPa/s")}`}`);
  drawRamp(document.getElementById("ramp"), now);
}

function take(snapshot) {
  heard = performance.now();
  attention.heard(snapshot);
  if (snapshot.phase !== phase) {
    history.scrollRestoration = "manual"; // the important part of the new phase is on top
    // the server draws each phase. Fetched anew: reloading the answer to a refused form would submit it
    // again
    location.replace(root.dataset.page);
    return;
  }
  document.getElementById("alarm").hidden = !snapshot.alarm;
  put("alarm", snapshot.alarm || "");
  const now = snapshot.live;
  const last = document.getElementById("ended-dots");
  if (last && now) drawDots(last, now.dots, now.bands);
  live.hidden = snapshot.phase !== "running";
  if (!now || live.hidden) {
    rigAge = null;
    return;
  }
  // after the end no more data arrives: the values shown are how it ended, not stale
  const off = snapshot.ended?.off; // absent if nobody knows: then stale data stay stale
  rigAge = off ? null : now.heard_ms_ago;
  const over = document.getElementById("over");
  over.hidden = !off;
  watchAge();
  if (off) put("over", `The run is over. Coil: ${off}. The result is being worked out.`);
  coil(now);
  put("step", now.step || "waiting");
  put("number", now.number ? String(now.number) : "");
  put("of", now.of && now.number ? `/${now.of}` : "");
  put("left", `${now.ramp && now.left_s ? "at most " : ""}${left(now.left_s)}`); // of a ramp the hand decides
  put("response", number(now.last?.response_ms, 1, "ms"));
  put("release", number(now.last?.release_ms, 1, "ms"));
  put("missed", String(now.missed));
  put("switch", now.switch_closed === null ? "–" : now.switch_closed ? "closed" : "open");
  put("pressure", reading(now.inputs.find((row) => row.name === "Pressure")?.shown ?? "–"));
  const progress = document.getElementById("progress");
  progress.hidden = !now.of;
  if (now.of) progress.value = Math.min(1, now.strokes_done / now.of);
  const guide = document.getElementById("guide");
  guide.hidden = !now.guide || now.guide === "hold";
  guide.textContent = { raise: "RAISE the pressure slowly and steadily", lower: "LOWER the pressure slowly and steadily" }[now.guide] || now.guide;
  document.getElementById("conditions").textContent = words(now.conditions.join(" · "));
  const trip = document.getElementById("trip");
  if (now.trip) {
    trip.hidden = false;
    trip.dataset.id = now.trip.id;
    put("trip.rule", now.trip.rule);
    put("trip.message", now.trip.message);
  }
  inputs(now.inputs);
  for (const part of live.querySelectorAll("[data-kind]")) part.hidden = (part.dataset.kind === "ramp") !== Boolean(now.ramp);
  if (now.ramp) {
    ramp(now.ramp);
    return;
  }
  drawStroke(document.getElementById("stroke"), now.stroke);
  drawDots(document.getElementById("dots"), now.dots, now.bands);
}

/** Data older than a second say nothing about the coil now: strike out the whole page. */
function watchAge() {
  const silent = performance.now() - heard;
  const age = silent + (rigAge ?? 0);
  const goesOn = !live.hidden && document.getElementById("over").hidden;
  const struck = (goesOn && age > OLD_MS) || silent > 5 * OLD_MS;
  document.body.classList.toggle("struck", struck);
  old.hidden = !struck;
  if (struck) document.getElementById("old-for").textContent = `${(age / 1000).toFixed(1)} s`;
}

async function beat() {
  try {
    const answer = await fetch(root.dataset.beat, {
      method: "POST",
      headers: { "X-CSRF": document.querySelector('meta[name="csrf"]').content },
    });
    // another browser took over the controls: say so here, before somebody relies on these buttons
    if (answer.status === 403) location.replace(root.dataset.page);
  } catch { /* a rig that does not answer is struck out */ }
}

feed(root.dataset.events, root.dataset.live, take);
setInterval(watchAge, 200);
if (facts.operator) setInterval(beat, BEAT_MS);

// a second tap on what stood here before must arm nothing: the button comes disabled, or it could be
// tapped until this file is loaded
const go = document.getElementById("go");
if (go) {
  setTimeout(() => { go.disabled = false; }, ARM_AFTER_MS);
}

const choice = document.getElementById("sheet-choice");
const edit = document.getElementById("edit-sheet");
const setup = document.querySelector("select[name=setup]");
if (choice && edit) {
  choice.addEventListener("change", () => {
    edit.href = edit.href.replace(/[^/?]+(?=\?|$)/, encodeURIComponent(choice.value));
  });
}
setup?.addEventListener("change", () => { // a sheet is checked with the setup chosen here
  for (const link of document.querySelectorAll("a.edits")) {
    link.search = new URLSearchParams({ setup: setup.value });
  }
});
