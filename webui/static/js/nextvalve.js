// SPDX-License-Identifier: MIT
// The form of the next run: names from the register while typing, codes by the camera, and only the
// conditions that the chosen rig does not measure.

import { cameraButtons } from "./camera.js";

const ASK_AFTER_MS = 200;
const OFFERED = 30;

function suggest(input) {
  const list = input.list;
  if (!list?.options.length) return; // an empty register has nothing to ask for
  let waiting = null;
  input.addEventListener("input", () => {
    clearTimeout(waiting);
    waiting = setTimeout(async () => {
      const asked = new URLSearchParams({ find: input.value.trim(), limit: OFFERED });
      try {
        const answer = await fetch(`${input.dataset.known}?${asked}`);
        if (!answer.ok) return;
        const { entries } = await answer.json();
        list.replaceChildren(...entries.map(({ name }) => new Option(name, name)));
      } catch { /* without an answer what was offered before stands */ }
    }, ASK_AFTER_MS);
  });
}

/** A condition is asked for where the chosen setup has no sensor for it. */
function measured(choice) {
  for (const words of document.querySelectorAll(".measured")) {
    words.hidden = !words.dataset.measured.split("/").includes(choice.value);
  }
  for (const field of document.querySelectorAll("label[data-condition]")) {
    const by = [...document.querySelectorAll(`.measured[data-condition="${field.dataset.condition}"]`)];
    field.hidden = by.some((words) => !words.hidden) && !field.querySelector("[aria-invalid]");
  }
}

document.querySelectorAll("input[data-known]").forEach(suggest);
const choice = document.querySelector("select[name=setup]");
if (choice) {
  choice.addEventListener("change", () => measured(choice));
  measured(choice);
}
// the list of a batch that is being made goes by what is chosen for the next run
for (const follows of document.querySelectorAll("select[data-follows]")) {
  const leads = document.querySelector(`select[name=${follows.dataset.follows}]`);
  leads?.addEventListener("change", () => { follows.value = leads.value; });
}
cameraButtons();
