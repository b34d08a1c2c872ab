// SPDX-License-Identifier: MIT
// One stroke in slow motion. The instructor's page moves the cursor; the pages of the class ask twice a
// second where it is and move theirs alike in between.

import { ask, colours, keepWidth, onSchemeChange } from "./plotting.js";
import { buildPlot, filling, looks, plotHeight } from "./tracesplot.js";
import { answerLines, boxesOf, buildLinks, choices, lightLinks, measuredAnswer, plotWords, togetherWords } from "./lessonlinks.js";
import { showCutaway, showModel } from "./lessoncutaway.js";
import { drawModel, strokeSpans } from "./lessonmodel.js";
import { drawTally, recallGuess, sendGuess, tallyWords } from "./lessontally.js";
import { comesBack, endShare, tell, toggleCode, watchGuesses } from "./lessonshare.js";
import { onWall, toggleWall, typeSize, watchWall } from "./lessonwall.js";

const root = document.getElementById("lesson");
const find = (id) => document.getElementById(id);
const follower = root.dataset.follower === "yes";
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const SLOWER = [10, 20, 50, 100, 200, 500, 1000];
const TAUGHT = ["pressure", "coil_current"]; // more would hide the lesson
const DIPS = { on: "the dip: the plunger has landed", off: "the hump: the plunger is back" };
const ASK_MS = 500; // how often the class polls
const CALM_MS = 2000; // without motion: step through the chain

root.hidden = false; // without a script the page says what it needs instead

const state = {
  stroke: Number(root.dataset.stroke), way: root.dataset.way, at: 0, slower: 100,
  playing: false, revealed: false, model: false, tally: false,
};
let heard = { guesses: 0, tally: null, question: 0 }; // of the class, if the lesson is shared
let data = null;
let boxes = [];
let plots = [];
let tracesPlot = null;
let frame = 0;
let last = 0;

async function load() {
  cancelAnimationFrame(frame);
  const wanted = `${root.dataset.url}?stroke=${state.stroke}&way=${state.way}`;
  try {
    data = await ask(wanted);
  } catch (error) {
    find("lesson-fault").textContent = error.message;
    return;
  }
  find("lesson-fault").textContent = "";
  const title = find("lesson-title");
  title.textContent = title.textContent.replace(/^Stroke \d+/, `Stroke ${data.stroke}`);
  const off = data.way === "off";
  find("guess-edge").textContent = off ? "going dead" : "going live";
  if (!follower) {
    find("way").textContent = off ? "Switching on instead" : "Switching off instead";
    find("stroke-before").disabled = state.stroke <= 1;
    find("stroke-after").disabled = state.stroke >= Number(root.dataset.last);
    find("next").disabled = !data.next;
    find("model").hidden = !data.model;
  }
  boxes = boxesOf(data);
  buildLinks(find("links"), boxes);
  find("links-words").textContent = togetherWords(data, state.revealed);
  const options = choices(data);
  find("guess-links").replaceChildren(...options.map(({ name }, i) => {
    const label = document.createElement("label");
    const input = document.createElement("input");
    input.type = "radio"; input.name = "guess-link"; input.value = name; input.id = `guess-link-${i}`;
    label.append(input, name);
    return label;
  }));
  draw();
  show();
  root.dataset.loaded = `${data.stroke} ${data.way}`;
}

// -- drawing

function draw() {
  plots.forEach(([plot, watcher]) => { watcher.disconnect(); plot.destroy(); });
  plots = [];
  tracesPlot = null;
  if (!state.revealed) return;
  const c = colours();
  const box = find("lesson-traces");
  const followed = data.drawing.some((one) => one.follows === "pressure"); // not measured between two readings
  const channels = data.traces.channels.filter((one) => TAUGHT.includes(one.name))
    .map((one) => (one.name === "pressure" && !followed ? { ...one, apart: true } : one));
  const dip = data.dip && { t_ms: data.dip.t_ms + data.command_ms, words: DIPS[data.way] };
  const traces = { ...data.traces, channels, stroke: strokeSpans(data), dip };
  let look = looks(typeSize());
  if (onWall()) look = filling(look, traces, box.parentElement.clientHeight);
  const height = plotHeight(traces, look);
  tracesPlot = buildPlot({
    box, data: traces, height, look, across: root.dataset.across, colours: c,
    onSelect: () => {}, onWhole: () => {}, onCursor: () => {},
  });
  if (!follower) tracesPlot.over.addEventListener("click", (event) => {
    moveTo(tracesPlot.posToVal(event.offsetX, "x") - data.command_ms);
  });
  const watcher = keepWidth(tracesPlot, box, height);
  box.setAttribute("aria-label", plotWords(data, boxes));
  plots.push([tracesPlot, watcher]);
  requestAnimationFrame(placeCursor); // a plot gets its size a moment later
  if (state.model && data.model) plots.push(...drawModel(data, c));
}

/** Redraw everything that depends on the cursor. */
function show() {
  if (!data) return;
  find("clock-value").textContent = state.at.toFixed(1);
  find("clock-words").textContent = `after the command · ${state.slower} times slower`;
  const modelled = Boolean(state.revealed && state.model && data.model);
  find("guess").hidden = state.revealed;
  find("answer").hidden = !state.revealed;
  find("traces-box").hidden = !state.revealed;
  find("model-box").hidden = !modelled;
  root.classList.toggle("modelled", modelled && !data.model.refused);
  root.classList.toggle("revealed", state.revealed);
  showTally();
  showCutaway(find("cutaway"), data, state.at, state.revealed);
  if (modelled && !data.model.refused) showModel(find("model-drawing"), data.model, state.at);
  const now = lightLinks(find("links"), boxes, data.settled_ms, state.at, state.revealed);
  if (find("told").textContent !== now) find("told").textContent = now;
  if (!follower) {
    find("shown").hidden = !state.revealed;
    find("reveal").hidden = state.revealed;
    find("play").textContent = state.playing ? "Stop" : "Play";
    find("slower").value = String(state.slower);
    find("model").setAttribute("aria-pressed", String(state.model));
  }
  placeCursor();
}

/** The guesses: only counted until the instructor shows them. */
function showTally() {
  const shown = state.tally && Boolean(heard.tally);
  find("tally").hidden = !shown;
  root.classList.toggle("tallied", shown);
  if (shown) drawTally(heard.tally, state.revealed ? measuredAnswer(data) : null);
  if (follower) return;
  find("tally-show").setAttribute("aria-pressed", String(state.tally));
  const count = `${heard.guesses} ${heard.guesses === 1 ? "phone has" : "phones have"} guessed.`;
  if (find("guess-count").textContent !== count) find("guess-count").textContent = count;
}

function placeCursor() {
  const cursor = find("cursor");
  cursor.hidden = !tracesPlot;
  if (!tracesPlot) return;
  const over = tracesPlot.over.getBoundingClientRect();
  const frameBox = cursor.parentElement.getBoundingClientRect();
  const x = tracesPlot.valToPos(state.at + data.command_ms, "x");
  cursor.style.left = `${over.left - frameBox.left + Math.min(Math.max(x, 0), over.width)}px`;
  cursor.style.top = `${over.top - frameBox.top}px`;
  cursor.style.height = `${over.height}px`;
}

function endMs() {
  return data.traces.to_ms - data.command_ms;
}

// -- moving

function moveTo(ms) {
  state.at = Math.min(Math.max(ms, data.traces.from_ms - data.command_ms), endMs());
  show();
  tell(state);
}

function play(on) {
  if (!state.revealed) return;
  state.playing = on;
  if (on && state.at >= endMs()) state.at = 0;
  cancelAnimationFrame(frame);
  last = performance.now();
  if (on) frame = requestAnimationFrame(turn);
  show();
  tell(state);
}

function turn(now) {
  if (!state.playing) return;
  if (calm.matches) {
    if (now - last >= CALM_MS) {
      last = now;
      const next = boundaries().find((ms) => ms > state.at + 1e-6);
      state.at = next ?? endMs();
    }
  } else {
    state.at += (now - last) / state.slower;
    last = now;
  }
  if (state.at >= endMs()) { state.at = endMs(); state.playing = false; }
  show();
  if (state.playing) frame = requestAnimationFrame(turn);
  tell(state, state.playing);
}

function boundaries() {
  const ends = [...data.links, ...data.together].flatMap((one) => [one.from_ms, one.to_ms]);
  return ends.filter((ms) => ms !== null).sort((a, b) => a - b);
}

// -- guess and answer

function reveal() {
  if (!data || state.revealed) return;
  state.revealed = true;
  find("links-words").textContent = togetherWords(data, state.revealed);
  find("traces-box").hidden = false;
  state.tally = false; // the traces take its place; it can be called back
  answer();
  show();
  draw();
  show();
  answerInView();
  tell(state);
}

function answer() {
  const picked = document.querySelector('input[name="guess-link"]:checked')?.value;
  const lines = answerLines(data, find("guess-ms").value, picked);
  const all = tallyWords(heard.tally, measuredAnswer(data));
  if (all) lines.push(all);
  if (data.why) lines.push(`Why this stroke: ${data.why}.`);
  find("answer").replaceChildren(...lines.map((line) => {
    const p = document.createElement("p");
    p.textContent = line;
    return p;
  }));
}

/** The page may have been scrolled to the class's code, or to the guess. */
function answerInView() {
  find("answer").scrollIntoView({ block: "nearest" });
}

function hide() {
  state.revealed = state.playing = state.tally = false;
  heard = { guesses: 0, tally: null, question: heard.question };
  if (follower) find("guess-sent").textContent = "Without a name. Your instructor shows the answer.";
  state.at = 0;
  find("guess-ms").value = "";
}

function goTo(stroke, way) {
  hide();
  state.stroke = Math.min(Math.max(stroke, 1), Number(root.dataset.last));
  state.way = way;
  load().then(() => tell(state));
}

// -- the class

async function follow() {
  let seen = -1;
  for (;;) {
    try {
      const there = await ask(`${root.dataset.lessons}${root.dataset.code}`);
      if (there.version !== seen) {
        seen = there.version;
        await goAlong(there);
      } else if (there.tally) {
        heard = there;
        if (data) showTally();
      }
      find("lesson-fault").textContent = "";
    } catch (error) {
      find("lesson-fault").textContent = error.message;
    }
    await new Promise((resolve) => setTimeout(resolve, ASK_MS));
  }
}

async function goAlong(there) {
  if (String(there.run) !== root.dataset.run) { location.reload(); return; } // the class changed to another run
  const another = there.stroke !== state.stroke || there.way !== state.way || !data;
  if (another) { hide(); state.stroke = there.stroke; state.way = there.way; await load(); }
  const opens = there.revealed && !state.revealed;
  const closes = !there.revealed && state.revealed;
  const model = there.model !== state.model;
  const asksAnew = there.question !== heard.question;
  if (asksAnew && !another) hide();
  if (asksAnew && follower) recallGuess(there.question);
  heard = there;
  Object.assign(state, {
    slower: there.slower, playing: there.playing, revealed: there.revealed, model: there.model, tally: there.shows_tally,
  });
  state.at = there.at_ms + (there.playing ? there.age_ms / there.slower : 0);
  if (data) {
    state.at = Math.min(state.at, endMs());
    if (opens) answer();
    if (opens || closes) find("links-words").textContent = togetherWords(data, state.revealed);
    show();
    if (opens || closes || model) { draw(); show(); }
    if (opens) answerInView();
  }
  cancelAnimationFrame(frame);
  last = performance.now();
  if (state.playing) frame = requestAnimationFrame(turn);
}

// -- hands and keys

const ALWAYS = ["a", "c", "o", "g", "n", "f", "PageUp", "PageDown"]; // the others wait for the answer

function key(event) {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const within = event.target.closest("input, select, textarea");
  if (within || (event.key === " " && event.target.closest("button, summary, a"))) return;
  const pressed = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const step = event.shiftKey ? 0.1 : 1;
  const at = SLOWER.indexOf(state.slower);
  const does = {
    " ": () => play(!state.playing), ArrowLeft: () => moveTo(state.at - step), ArrowRight: () => moveTo(state.at + step),
    Home: () => moveTo(0), ArrowUp: () => slower(SLOWER[Math.min(at + 1, SLOWER.length - 1)]),
    ArrowDown: () => slower(SLOWER[Math.max(at - 1, 0)]), a: reveal, o: () => goTo(state.stroke, state.way === "on" ? "off" : "on"),
    PageUp: () => goTo(state.stroke - 1, state.way), PageDown: () => goTo(state.stroke + 1, state.way), m: toggleModel,
    g: toggleTally, n: nextQuestion, f: () => toggleWall(redraw), c: code,
  }[pressed];
  if (!does || !data || (!state.revealed && !ALWAYS.includes(pressed))) return;
  event.preventDefault();
  does();
}

function slower(times) {
  state.slower = times;
  show();
  tell(state);
}

function toggleModel() {
  if (!data.model) return;
  state.model = !state.model;
  redraw();
  tell(state);
}

/** The layout has changed: boxes first, then what is drawn into them. */
function redraw() {
  if (!data) return;
  show();
  draw();
  show();
}

function toggleTally() {
  if (!heard.tally) return;
  state.tally = !state.tally;
  redraw();
  tell(state);
}

function nextQuestion() {
  if (data?.next) goTo(data.next.stroke, data.next.way);
}

async function code() {
  if (await toggleCode(state)) watchGuesses(hear);
}

/** The class's guesses so far. */
function hear(there) {
  heard = there;
  find("guess-count").hidden = find("tally-show").hidden = false;
  if (data) showTally();
}

if (!follower) {
  find("slower").replaceChildren(...SLOWER.map((times) => new Option(`${times} times`, String(times))));
  const on = (id, act) => find(id).addEventListener("click", act);
  on("play", () => play(!state.playing));
  on("back", () => moveTo(0));
  on("step-back", () => moveTo(state.at - 1));
  on("step-on", () => moveTo(state.at + 1));
  on("way", () => goTo(state.stroke, state.way === "on" ? "off" : "on"));
  on("stroke-before", () => goTo(state.stroke - 1, state.way));
  on("stroke-after", () => goTo(state.stroke + 1, state.way));
  on("model", toggleModel);
  on("reveal", reveal);
  on("next", nextQuestion);
  on("tally-show", toggleTally);
  on("wall", () => toggleWall(redraw));
  on("share", code);
  on("share-hide", () => { find("share-box").hidden = true; });
  on("share-end", endShare);
  find("slower").addEventListener("change", () => slower(Number(find("slower").value)));
  addEventListener("keydown", key);
  root.addEventListener("click", (event) => { // after a mouse click the space bar plays again
    if (event.detail > 0) event.target.closest("button")?.blur();
  });
  watchWall(redraw);
  load().then(comesBack).then(async (there) => {
    if (!there) return;
    await goAlong(there);
    watchGuesses(hear);
  });
} else {
  find("guess-send").addEventListener("click", () => sendGuess(heard.question));
  follow();
}
addEventListener("resize", () => data && (onWall() ? redraw() : placeCursor()));
onSchemeChange(redraw);
