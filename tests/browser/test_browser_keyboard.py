# SPDX-License-Identifier: MIT
"""Every page in the address map, by keyboard alone: Tab reaches every control, in page order, and
leaves the page again; the focus is visible.

Checked against WCAG 2.2: 2.1.1 keyboard, 2.1.2 no trap, 2.4.3 order, 2.4.7 and 2.4.11 focus visible
and not hidden.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page
from served import Server
from test_browser_audit import operating, pages, shared_lesson  # noqa: F401 - a fixture

pytestmark = pytest.mark.browser

MOST_STEPS = 400
NUMBERED = """() => {
  const all = [...document.querySelectorAll(
    "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex]")];
  const of = (e) => {  // of radio buttons the chosen one is come to, else the first
    if (e.type !== "radio") return false;
    const group = [...document.querySelectorAll(`input[type=radio][name="${CSS.escape(e.name)}"]`)];
    return e !== (group.find((one) => one.checked) ?? group[0]);
  };
  const native = (e) => e.matches("a[href], button, input, select, textarea, summary");
  // a mark in a chart leads where its row in the table below leads
  const twice = (e) => e.tabIndex < 0 && all.some((one) =>
    one.tabIndex >= 0 && e.hasAttribute("href") && one.checkVisibility() &&
    one.getAttribute("href") === e.getAttribute("href"));
  const open = all.filter((e) => (native(e) || e.tabIndex >= 0) && !twice(e) && !e.disabled
    && e.checkVisibility({ visibilityProperty: true }) && !of(e));
  open.forEach((e, n) => { e.dataset.walk = n; });
  return open.map((e) => (e.textContent.trim() || e.name || e.id).slice(0, 60));
}"""
DRAWN = """() => new Promise((done) => {  // plots come later, and move what stands below them
  let height = -1, since = 0;
  const look = (now) => {
    if (document.documentElement.scrollHeight !== height) {
      [height, since] = [document.documentElement.scrollHeight, now];
    }
    if (now - since > 300) done(); else requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
})"""
HERE = """() => {
  const e = document.activeElement;
  if (!e || e === document.body) return null;
  const box = e.getBoundingClientRect(), style = getComputedStyle(e);
  const drawn = (style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0)
    || style.boxShadow !== "none";
  const inside = (x, y) => x >= 0 && y >= 0 && x < innerWidth && y < innerHeight;
  const points = [0.02, 0.25, 0.5, 0.75, 0.98].flatMap((a) => [0.1, 0.5, 0.9].map((b) =>
    [box.left + a * box.width, box.top + b * box.height]));
  const seen = points.filter(([x, y]) => inside(x, y)).some(([x, y]) => {
    const top = document.elementFromPoint(x, y);
    return top && (e.contains(top) || top.contains(e) || top.closest("label")?.contains(e));
  });
  return { walk: e.dataset.walk === undefined ? null : Number(e.dataset.walk), drawn, seen,
    name: (e.textContent.trim() || e.name || e.id || e.tagName).slice(0, 60) };
}"""


def walked(page: Page) -> list[str]:
    """Faults of a walk through a page by Tab."""
    page.evaluate(DRAWN)
    names = page.evaluate(NUMBERED)
    page.evaluate("() => { document.activeElement?.blur(); scrollTo(0, 0); }")
    found: list[str] = []
    order: list[int] = []
    for _ in range(MOST_STEPS):
        page.keyboard.press("Tab")
        here = page.evaluate(HERE)
        if here is not None and not here["seen"]:
            page.wait_for_timeout(300)  # a plot drawn just now has moved it
            here = page.evaluate(HERE)
        if here is None or (order and here["walk"] == order[0]):
            break
        if not here["drawn"]:
            found.append(f"no mark of the focus: {here['name']}")
        if not here["seen"]:
            found.append(f"the focus is hidden: {here['name']}")
        if here["walk"] is not None:
            order.append(here["walk"])
    else:
        found.append(f"no way out within {MOST_STEPS} steps")
        return found
    found += [f"never reached: {names[n]}" for n in range(len(names)) if n not in order]
    if order != sorted(order):
        found.append("not in the order of the page")
    return found


@pytest.mark.timeout(400)
def test_every_page_by_keyboard(visit: Callable, operating: Server) -> None:  # noqa: F811
    watched = visit(url=operating.url)
    faults = []
    for address in pages(shared_lesson(operating.url), all_help=False):
        page = watched.open(address)
        faults += [f"{address} {one}" for one in walked(page)]
    watched.faults.clear()  # the audit covers these
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize(
    ("spoilt", "words"),
    [
        ("document.querySelector('main button').tabIndex = -1", "never reached"),
        ("document.querySelector('main a, main button').tabIndex = 5", "order"),
        ("document.querySelectorAll('*').forEach((e) => { e.style.outline = 'none'; "
         "e.style.boxShadow = 'none'; })", "no mark"),
        ("document.querySelector('.stop-bar').style.cssText = "
         "'position: fixed; inset: 0; z-index: 9'", "hidden"),
        ("document.addEventListener('keydown', (e) => "
         "e.target.closest('main') && e.preventDefault())", "no way out"),
    ],
)  # fmt: skip
def test_the_walk_here_can_fail(
    visit: Callable,
    operating: Server,  # noqa: F811
    spoilt: str,
    words: str,
) -> None:
    page = visit(url=operating.url).open("/controls")
    assert walked(page) == []
    page.evaluate(spoilt)
    assert any(words in one for one in walked(page))
