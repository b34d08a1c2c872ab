// SPDX-License-Identifier: MIT
// The instructor's side of a shared lesson: where the class stands is told by this page alone.

import { ask } from "./plotting.js";

const TELL_MS = 500; // shortest interval between reports while it plays
const HEAR_MS = 1000; // interval between requests for the guesses
const root = document.getElementById("lesson");
const find = (id) => document.getElementById(id);
const KEPT = "lesson"; // of this tab: a reloaded page continues with its class
let shared = null; // {code, key} of the lesson that this page moves
let told = 0;

/** What this tab shares, whatever run it shows; null if it shares nothing. */
function kept() {
  try { return JSON.parse(sessionStorage.getItem(KEPT)); } catch { return null; }
}

function keep(lesson) {
  shared = lesson;
  if (lesson) root.dataset.shared = lesson.code; else delete root.dataset.shared;
  try {
    if (lesson) sessionStorage.setItem(KEPT, JSON.stringify(lesson)); else sessionStorage.removeItem(KEPT);
  } catch { /* without it a page that is loaded anew has to share anew */ }
}

/** After a reload of the page that shares this run: where the class stands. Null if none follows. */
export async function comesBack() {
  const before = kept();
  const [how] = performance.getEntriesByType("navigation");
  if (!before || String(before.run) !== root.dataset.run || how?.type === "navigate") return null;
  shared = before;
  try {
    const there = await ask(`${root.dataset.lessons}${before.code}`, undefined, headers());
    keep(before);
    return there;
  } catch (error) {
    heardFault(error);
    return null;
  }
}

/** The rig did not answer, or no longer knows the lesson: the class receives nothing any more. */
function heardFault(error) {
  const over = error.status === 404;
  if (over) keep(null);
  find("lesson-fault").textContent = over
    ? "The class does not follow any more: nobody moved this lesson for three hours, or the page was started again. Show to the class again; the phones need the new code."
    : `The class may not follow: ${error.message}`;
}

function headers() {
  return { "X-Lesson-Key": shared.key, "X-CSRF": root.dataset.csrf };
}

/** Report the instructor's position; `often`: it is playing, and most reports may be dropped. */
export async function tell(state, often) {
  if (!shared || (often && performance.now() - told < TELL_MS)) return;
  told = performance.now();
  const query = new URLSearchParams({
    stroke: state.stroke, way: state.way, at_ms: state.at.toFixed(3), slower: state.slower,
    playing: state.playing, revealed: state.revealed, model: state.model,
    tally: state.tally,
  });
  await fetch(`${root.dataset.lessons}${shared.code}?${query}`, { method: "POST", headers: headers() })
    .catch(() => null); // watchGuesses reports it if the rig does not answer
}

/** Show or hide the class's address; the first time, begin to share. True if sharing began. */
export async function toggleCode(state) {
  if (!shared) return share(state);
  if (find("share-box").hidden) showCode(); else find("share-box").hidden = true;
  return false;
}

async function share(state) {
  const before = kept();
  const asked = find("share-whole")?.checked ? { whole_page: true } : {};
  let answerOf = before && await beginShare({ ...asked, going_on: before.code }, { "X-Lesson-Key": before.key });
  if (!answerOf?.ok) answerOf = await beginShare(asked); // none before, or it is over
  const body = await answerOf.json();
  if (!answerOf.ok) { find("lesson-fault").textContent = `${body.error}. ${body.remedy}`; return false; }
  find("lesson-fault").textContent = "";
  keep({ ...body, run: root.dataset.run });
  showCode();
  find("share-box").scrollIntoView({ block: "nearest" });
  tell(state);
  return true;
}

function beginShare(asked, more = {}) {
  const query = new URLSearchParams(asked);
  return fetch(`${root.dataset.share}?${query}`, { method: "POST", headers: { "X-CSRF": root.dataset.csrf, ...more } });
}

function showCode() {
  find("share-box").hidden = false;
  find("share-address").textContent = shared.address ??
    "This page can only be reached from this machine. Start rig serve with --host for the class; then share again.";
  find("share-picture").hidden = !shared.picture;
  if (shared.picture) find("share-picture").src = shared.picture;
}

/** Call `hear` with the class's guesses, until the lesson ends. */
export async function watchGuesses(hear) {
  const mine = shared;
  while (shared === mine) {
    try {
      const there = await ask(`${root.dataset.lessons}${mine.code}`, undefined, headers());
      if (shared !== mine) return;
      if (String(there.run) !== root.dataset.run) { shared = null; return; } // this tab shows another run now
      find("lesson-fault").textContent = "";
      hear(there);
    } catch (error) {
      if (shared === mine) heardFault(error);
    }
    await new Promise((resolve) => setTimeout(resolve, HEAR_MS));
  }
}

/** The lesson is over. */
export async function endShare() {
  await fetch(`${root.dataset.lessons}${shared.code}`, { method: "DELETE", headers: headers() });
  keep(null);
  find("share-box").hidden = true;
}
