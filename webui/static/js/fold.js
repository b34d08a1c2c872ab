// SPDX-License-Identifier: MIT
// On a narrow screen the longer parts of a page begin folded; without this script all are open.

if (matchMedia("(max-width: 699px)").matches) {
  for (const part of document.querySelectorAll("details[data-fold][open]")) {
    const named = location.hash && `#${CSS.escape(location.hash.slice(1))}`;
    const wanted = named && (part.matches(named) || part.querySelector(named));
    if (!wanted) part.open = false;
  }
}
