// SPDX-License-Identifier: MIT
// A button that copies what stands in a field. Without the clipboard, which browsers keep from pages
// of plain HTTP, the text is marked for the person to copy.

function show() {
  for (const button of document.querySelectorAll("button[data-copies]")) button.hidden = false;
}

document.addEventListener("click", async (event) => {
  const button = event.target.closest("button[data-copies]");
  if (!button) return;
  const field = document.getElementById(button.dataset.copies);
  const said = button.parentElement.querySelector("[data-copied]");
  field.focus();
  field.select();
  try {
    await navigator.clipboard.writeText(field.value);
    said.textContent = "Copied.";
  } catch {
    said.textContent = "Marked: copy it with Ctrl-C, or hold a finger on it.";
  }
});

document.addEventListener("htmx:afterSwap", show);
show();
