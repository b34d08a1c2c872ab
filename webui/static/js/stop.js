// SPDX-License-Identifier: MIT
// The stop button: one tap, or Escape. It asks on two ways at once and shows the answer; without this
// script the form does the same by itself.

const bar = document.querySelector(".stop-bar");
const said = bar.querySelector(".stop-said");
const LATE_MS = 1000;

function show(text, sure) {
  bar.classList.add("spoke");
  said.textContent = text;
  said.className = `stop-said ${sure ? "sure" : "unsure"}`;
}

export async function stop() {
  show("Stopping ...", false);
  const second = bar.dataset.second;
  if (second) {
    // bypasses this page's own queue; its answer does not matter
    fetch(`${location.protocol}//${location.hostname}:${second}/stop`, { method: "POST" })
      .catch(() => {});
  }
  const late = setTimeout(() => {
    show("NOT CONFIRMED: use the mushroom stop", false);
  }, LATE_MS);
  try {
    const answer = await fetch(bar.action, { method: "POST", headers: { Accept: "application/json" } });
    const body = await answer.json();
    clearTimeout(late);
    if (body.off === "NOT CONFIRMED") show(`NOT CONFIRMED: use the mushroom stop. ${body.words}`, false);
    else show(`${body.off[0].toUpperCase()}${body.off.slice(1)}. ${body.words}`, body.sure);
  } catch {
    clearTimeout(late);
    show("NOT CONFIRMED: the rig does not answer. Use the mushroom stop.", false);
  }
}

bar.addEventListener("submit", (event) => {
  event.preventDefault();
  stop();
});
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && !event.repeat) stop();
});
