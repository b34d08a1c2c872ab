// SPDX-License-Identifier: MIT
// Counts the ticked runs. Without script the style sheet counts, and says so to eyes alone.
const form = document.querySelector("form.choosing");
const count = form?.querySelector(".count");

function told() {
  const ticked = form.querySelectorAll("input[name=run]:checked").length;
  count.textContent = `${ticked} chosen`;
  for (const button of form.querySelectorAll(".chosen button")) button.disabled = ticked === 0;
}

if (form) {
  form.classList.add("scripted");
  form.addEventListener("change", told);
  addEventListener("pageshow", told); // on return, the browser restores the ticks
  told();
}
