// SPDX-License-Identifier: MIT
// What the class guesses: sent from a phone, counted, and shown as bars.

import { rounded } from "./plotting.js";

const find = (id) => document.getElementById(id);
const root = find("lesson");

const SENT = "✓ Sent. You can change it until the answer is shown.";

/** After a reload of the phone's page: say that its guess for this question counts. */
export function recallGuess(question) {
  try {
    if (sessionStorage.getItem(root.dataset.code) === String(question)) find("guess-sent").textContent = SENT;
  } catch { /* it counts all the same */ }
}

/** A phone's guess: the newest counts until the answer is shown. */
export async function sendGuess(question) {
  const said = find("guess-sent");
  const ms = find("guess-ms").value;
  const part = document.querySelector('input[name="guess-link"]:checked')?.value;
  const query = new URLSearchParams({ question });
  if (ms !== "") query.set("ms", ms);
  if (part) query.set("part", part);
  let body;
  try {
    const answer = await fetch(`${root.dataset.lessons}${root.dataset.code}/guess?${query}`, {
      method: "POST", headers: { "X-CSRF": root.dataset.csrf, Accept: "application/json" },
    });
    body = await answer.json();
    if (answer.ok) {
      said.textContent = SENT;
      try { sessionStorage.setItem(root.dataset.code, question); } catch { /* only a reload forgets it */ }
      return;
    }
  } catch {
    said.textContent = "The rig did not answer. Send it again.";
    return;
  }
  said.textContent = `Not sent. ${body.what} ${body.remedy}`;
}

/** The bars. `measured`: the right answers, once they may be seen. */
export function drawTally(tally, measured) {
  const most = Math.max(1, ...tally.parts.map((one) => one.n), ...tally.times.map((one) => one.n));
  find("tally-title").textContent = tally.n === 1 ? "What was guessed: 1 guess" : `What was guessed: ${tally.n} guesses`;
  fill("tally-parts", tally.parts.map((one) => [one.name, one.n, Boolean(measured?.parts.includes(one.name))]), most);
  fill("tally-times", tally.times.map((one) => [
    one.to_ms === null ? `${short(one.from_ms)} ms and more` : `${short(one.from_ms)} to ${short(one.to_ms)} ms`, one.n,
    Boolean(measured) && measured.ms !== null && measured.ms >= one.from_ms && measured.ms < (one.to_ms ?? Infinity),
  ]), most);
}

function short(ms) {
  return rounded(ms, Number.isInteger(ms) ? 0 : 1);
}

function fill(id, rows, most) {
  find(id).replaceChildren(...rows.map(([name, n, right]) => {
    const item = document.createElement("li");
    const bar = document.createElement("span");
    bar.className = "bar";
    bar.style.width = `${100 * n / most}%`;
    bar.setAttribute("aria-hidden", "true");
    const label = document.createElement("span");
    label.className = "bar-name";
    label.textContent = right ? `${name} ◀ measured` : name;
    const count = document.createElement("b");
    count.textContent = n;
    const lane = document.createElement("span");
    lane.className = "bar-lane";
    lane.append(bar);
    item.append(label, lane, count);
    if (right) item.className = "right";
    return item;
  }));
}

/** Summary of all guesses, for the answer. */
export function tallyWords(tally, measured) {
  if (!tally?.n) return "";
  const said = tally.parts.reduce((sum, one) => sum + (measured.parts.includes(one.name) ? one.n : 0), 0);
  const named = tally.parts.reduce((sum, one) => sum + one.n, 0);
  const times = tally.median_ms === null ? "" : `The middle of the guesses: ${rounded(tally.median_ms, 1)} ms. `;
  return `${times}${named && measured.parts.length ? `${said} of ${named} named the longest part.` : ""}`;
}
