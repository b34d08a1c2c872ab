// SPDX-License-Identifier: MIT
// A file dropped anywhere on the form goes into its file field; the form does the rest.

const form = document.getElementById("drop");
if (form) {
  const field = form.querySelector('input[type="file"]');
  for (const name of ["dragover", "dragenter"]) {
    form.addEventListener(name, (event) => {
      event.preventDefault();
      form.classList.add("over");
    });
  }
  form.addEventListener("dragleave", () => form.classList.remove("over"));
  form.addEventListener("drop", (event) => {
    event.preventDefault();
    form.classList.remove("over");
    if (event.dataTransfer.files.length) field.files = event.dataTransfer.files;
  });
}
