// SPDX-License-Identifier: MIT
// The form of the next run: names from the register while typing, codes by the camera, and only the
// conditions that the chosen rig does not measure. What was typed there outlives the controls changing
// hands and a look at the sheet, and is not passed over by the buttons above it.

import { cameraButtons } from "./camera.js";

const ASK_AFTER_MS = 200;
const OFFERED = 30;

function suggest(input) {
  const list = input.list;
  if (!list?.options.length) return; // an empty register has nothing to suggest
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

/** A condition is asked for if the chosen setup has no sensor for it. */
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
// the list of a new batch uses what is chosen for the next run
for (const follows of document.querySelectorAll("select[data-follows]")) {
  const leads = document.querySelector(`select[name=${follows.dataset.follows}]`);
  leads?.addEventListener("change", () => { follows.value = leads.value; });
}
/** Unsent form input, kept in this tab. */
function keepsWhatIsTyped(form) {
  const fields = [...form.elements].filter((field) => field.name && field.type !== "hidden");
  const picked = new URLSearchParams(location.search).has("sheet"); // by its own page
  const served = (field) => (field.options
    ? ([...field.options].find((option) => option.defaultSelected) ?? field.options[0])?.value
    : field.defaultValue);
  const above = [...document.querySelectorAll("#go-on button:enabled")];
  const said = document.getElementById("changed-below");
  const look = () => {
    const changed = fields.filter((field) => field.value !== served(field) || (picked && field.name === "sheet"));
    if (changed.length) {
      const typed = changed.map(({ name, value }) => [name, value]);
      sessionStorage.setItem(TYPED, JSON.stringify(Object.fromEntries(typed)));
    } else sessionStorage.removeItem(TYPED);
    for (const button of above) button.disabled = changed.length > 0;
    if (said) said.hidden = !changed.length;
  };
  const before = JSON.parse(sessionStorage.getItem(TYPED) ?? "{}");
  for (const field of fields) {
    const value = before[field.name];
    if (value === undefined || (picked && ["sheet", "setup"].includes(field.name))) continue;
    if (field.options && ![...field.options].some((option) => option.value === value)) continue;
    field.value = value;
    field.closest("details")?.setAttribute("open", "");
    field.dispatchEvent(new Event("change", { bubbles: true }));
  }
  form.addEventListener("input", look);
  form.addEventListener("change", look);
  look();
}

const TYPED = "next run";
const form = document.getElementById("next-run");
if (form) keepsWhatIsTyped(form);
else sessionStorage.removeItem(TYPED); // the rig is being looked at, or runs
document.addEventListener("submit", ({ target }) => { // a look may be refused because its page is too old
  if (target.action.endsWith("/bench/leave")) sessionStorage.removeItem(TYPED);
});
cameraButtons();
