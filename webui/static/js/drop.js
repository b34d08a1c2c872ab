// SPDX-License-Identifier: MIT
// A file dropped anywhere on the page goes into the form's file field; the form does the rest. Beside
// the form a browser would leave the page and show the file.

const form = document.getElementById("drop");
if (form) {
  const field = form.querySelector('input[type="file"]');
  for (const name of ["dragover", "dragenter"]) {
    addEventListener(name, (event) => {
      event.preventDefault();
      form.classList.add("over");
    });
  }
  addEventListener("dragleave", () => form.classList.remove("over"));
  addEventListener("drop", (event) => {
    event.preventDefault();
    form.classList.remove("over");
    if (event.dataTransfer.files.length) field.files = event.dataTransfer.files;
  });
}

// Read progress of a large file, while the answer is awaited; without this script the form does the
// same silently.
const told = document.getElementById("progress");
const LARGE = 4e6; // smaller files are read before anyone wonders
const ASK_MS = 700;
const mb = (bytes) => (bytes / 1e6).toFixed(0);

form?.addEventListener("submit", () => {
  const size = form.elements.capture.files[0]?.size ?? Number(form.dataset.held);
  if (!(size >= LARGE)) {  // on a busy computer even a small one may take long
    const since = performance.now();
    setInterval(() => {
      const seconds = Math.floor((performance.now() - since) / 1000);
      if (seconds > 1) told.textContent = `Reading: ${seconds} s so far`;
    }, ASK_MS);
    return;
  }
  const watch = document.createElement("input");
  watch.type = "hidden"; watch.name = "watch"; watch.value = Math.random().toString(36).slice(2);
  form.append(watch);
  told.textContent = `Sending ${mb(size)} MB ...`;
  setInterval(async () => {
    const answer = await fetch(`${form.dataset.progress}?watch=${watch.value}`).catch(() => null);
    if (!answer?.ok) return;
    const { read, of } = await answer.json();
    if (of) told.textContent = `Reading: ${Math.min(100, Math.round(100 * read / of))} % of ${mb(of)} MB`;
  }, ASK_MS);
});
