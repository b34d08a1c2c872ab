// SPDX-License-Identifier: MIT
// Of what can be found only what belongs to the chosen check is offered; without this script all is.

const check = document.getElementById("check");
const found = document.getElementById("found");

function offer() {
  const words = check.selectedOptions[0].textContent;
  for (const group of found.querySelectorAll("optgroup")) {
    group.hidden = group.disabled = group.label !== words;
  }
  if (found.selectedOptions[0]?.parentElement.disabled) found.value = "";
}

if (check) {
  check.addEventListener("change", offer);
  addEventListener("pageshow", offer); // on return, the browser restores the choice
}
