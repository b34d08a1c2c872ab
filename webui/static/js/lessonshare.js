// SPDX-License-Identifier: MIT
// The instructor's side of a shared lesson: where the class stands is told by this page alone.

import { ask } from "./plotting.js";

const TELL_MS = 500; // told at most so often while it plays
const HEAR_MS = 1000; // the guesses are asked for so often
const root = document.getElementById("lesson");
const find = (id) => document.getElementById(id);
let shared = null; // {code, key} of the lesson that this page moves
let told = 0;

function headers() {
  return { "X-Lesson-Key": shared.key, "X-CSRF": root.dataset.csrf };
}

/** Say where the instructor stands; `often`: it plays, and most of these may be left out. */
export async function tell(state, often) {
  if (!shared || (often && performance.now() - told < TELL_MS)) return;
  told = performance.now();
  const query = new URLSearchParams({
    stroke: state.stroke, way: state.way, at_ms: state.at.toFixed(3), slower: state.slower,
    playing: state.playing, revealed: state.revealed, model: state.model,
    tally: state.tally,
  });
  await fetch(`${root.dataset.lessons}${shared.code}?${query}`, { method: "POST", headers: headers() })
    .catch(() => null);
}

/** Show and hide the way for the class; the first time, begin to share. True where it began. */
export async function toggleCode(state) {
  if (!shared) return share(state);
  find("share-box").hidden = !find("share-box").hidden;
  return false;
}

async function share(state) {
  const whole = find("share-whole")?.checked ? "?whole_page=true" : "";
  const answerOf = await fetch(root.dataset.share + whole, { method: "POST", headers: { "X-CSRF": root.dataset.csrf } });
  const body = await answerOf.json();
  if (!answerOf.ok) { find("lesson-fault").textContent = `${body.error}. ${body.remedy}`; return false; }
  shared = body;
  find("share-box").hidden = false;
  find("share-address").textContent = body.address ??
    "This page can only be reached from this machine. Start rig serve with --host for the class; then share again.";
  find("share-picture").hidden = !body.picture;
  if (body.picture) find("share-picture").src = body.picture;
  root.dataset.shared = body.code;
  find("share-box").scrollIntoView({ block: "nearest" });
  tell(state);
  return true;
}

/** Call `hear` with what the class has guessed, until the lesson ends. */
export async function watchGuesses(hear) {
  const mine = shared;
  while (shared === mine) {
    const there = await ask(`${root.dataset.lessons}${mine.code}`, undefined, headers()).catch(() => null);
    if (there && shared === mine) hear(there);
    await new Promise((resolve) => setTimeout(resolve, HEAR_MS));
  }
}

/** The lesson is over. */
export async function endShare() {
  await fetch(`${root.dataset.lessons}${shared.code}`, { method: "DELETE", headers: headers() });
  shared = null;
  find("share-box").hidden = true;
  delete root.dataset.shared;
}
