// SPDX-License-Identifier: MIT
// Counts down, on the page, the time that a warm coil still has to rest. It only shows: nothing starts.

function words(seconds) {
  const whole = Math.ceil(seconds);
  if (whole < 60) return `${whole} s`;
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${whole % 60} s`;
  return `${Math.floor(whole / 3600)} h ${Math.floor((whole % 3600) / 60)} min`;
}

const begun = performance.now();

function turn() {
  for (const place of document.querySelectorAll("[data-ready]")) {
    const left = Number(place.dataset.ready) - (performance.now() - begun) / 1000;
    place.firstElementChild.textContent = left > 0 ? `Coil ready in ${words(left)}` : "Coil ready";
  }
}

setInterval(turn, 500);
turn();
