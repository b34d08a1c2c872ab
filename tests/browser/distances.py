# SPDX-License-Identifier: MIT
"""Distances between opposite actions on a page.

Every button that sends something states its direction in `data-act`: `does` (begin, keep, write) or
`undoes` (stop, leave, give back, take off). Links state it if they are beside such a button.
"""

from __future__ import annotations

from playwright.sync_api import Page

LEAST_PX = 24
"""The issue's own figure. WCAG 2.2, 2.5.8 (Target Size, Minimum) asks for 24 px as the least size
or spacing of any target: https://www.w3.org/TR/WCAG22/#target-size-minimum"""

UNMARKED = """() => [...document.querySelectorAll("form[method=post] button")]
  .filter((e) => e.checkVisibility() && !["does", "undoes"].includes(e.dataset.act))
  .map((e) => e.textContent.trim() || e.outerHTML)"""

TOO_NEAR = """(least) => {
  const found = [];
  const say = (words, apart) => { if (apart < least) found.push(`${words}: ${apart} px`); };
  const fixed = [...document.querySelectorAll(".stop-bar")]
    .filter((bar) => getComputedStyle(bar).position === "fixed");
  for (const bar of fixed) { // whatever scrolls by ends at the bar's edge
    const [outer, stop] = [bar, bar.querySelector("button")].map((e) => e.getBoundingClientRect());
    say("the stop below what scrolls by", stop.top - outer.top);
    if (outer.right < innerWidth) say("the stop beside what scrolls by", outer.right - stop.right);
  }
  const free = [...document.querySelectorAll("[data-act]")]
    .filter((e) => e.checkVisibility() && !fixed.some((bar) => bar.contains(e)))
    .map((e) => [e.dataset.act, e.textContent.trim() || e.ariaLabel, e.getBoundingClientRect()]);
  for (const [act, name, a] of free) {
    for (const [other, word, b] of free) {
      if (act !== "does" || other !== "undoes") continue;
      const across = Math.max(a.left - b.right, b.left - a.right, 0);
      const down = Math.max(a.top - b.bottom, b.top - a.bottom, 0);
      say(`${name} | ${word}`, Math.round(10 * Math.hypot(across, down)) / 10);
    }
  }
  return found;
}"""


def too_near(page: Page) -> list[str]:
    """Opposite actions less than LEAST_PX apart, and buttons without a stated direction."""
    unmarked = [f"says neither does nor undoes: {one}" for one in page.evaluate(UNMARKED)]
    return unmarked + list(page.evaluate(TOO_NEAR, LEAST_PX))
