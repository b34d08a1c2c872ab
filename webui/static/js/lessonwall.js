// SPDX-License-Identifier: MIT
// The view for a projector: the lesson alone, large, and the whole screen where the browser gives it.

const button = document.getElementById("wall");
const whole = document.documentElement;

/** Whether the large view is on. */
export function onWall() {
  return document.body.classList.contains("wall");
}

/** Whether Escape still reaches this page's Stop. In full screen it would only leave that, unless the
    browser hands over the key (Keyboard Lock); without a Stop on the page nothing is lost. */
async function escapeIsKept() {
  if (!document.querySelector(".stop-bar")) return true;
  if (!navigator.keyboard?.lock) return false;
  try { await navigator.keyboard.lock(["Escape"]); return true; } catch { return false; }
}

/** Enter or leave; `changed` is called when the layout has changed. */
export async function toggleWall(changed) {
  const on = !onWall();
  document.body.classList.toggle("wall", on);
  button.setAttribute("aria-pressed", String(on));
  button.textContent = on ? "Leave full screen" : "Full screen";
  if (on) {
    if (whole.requestFullscreen && await escapeIsKept()) await whole.requestFullscreen().catch(() => null);
  } else {
    navigator.keyboard?.unlock?.();
    if (document.fullscreenElement) await document.exitFullscreen().catch(() => null);
  }
  changed();
}

/** Leaving full screen by the browser's own means leaves the view as well. */
export function watchWall(changed) {
  document.addEventListener("fullscreenchange", () => {
    if (!document.fullscreenElement && onWall()) toggleWall(changed);
  });
}

/** Font size of the view in CSS px, 2.6 % of the height; the ordinary size elsewhere. */
export function typeSize() {
  return onWall() ? Math.max(13, 0.026 * innerHeight) : 13;
}
