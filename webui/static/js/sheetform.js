// SPDX-License-Identifier: MIT
// The sheet's form: another kind shows its own keys, and what is wrong is marked at its field.

const form = document.getElementById("sheet-form");

form.querySelector("[data-shows=kind]").addEventListener("change", (event) => {
  event.stopPropagation();
  document.getElementById("show-kind").click();
});

document.addEventListener("htmx:afterSettle", () => {
  for (const wrong of form.querySelectorAll("[id^=wrong-]")) {
    const field = document.getElementById("f-" + wrong.id.slice("wrong-".length));
    if (wrong.hidden) field?.removeAttribute("aria-invalid");
    else {
      field?.setAttribute("aria-invalid", "true");
      wrong.closest("details")?.setAttribute("open", "");
    }
  }
});
