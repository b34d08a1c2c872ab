// SPDX-License-Identifier: MIT
// Tags and notes are sent by htmx; where the page does not answer, the plain form shows why.

document.addEventListener("htmx:sendError", (event) => event.detail.elt.submit());
