# SPDX-License-Identifier: MIT
"""Every page at three sizes and in both colour schemes: it fits, it can be tapped and read."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from served import ARTEFACTS, address_of

pytestmark = pytest.mark.browser

SIZES = {"phone": (390, 844), "laptop": (1366, 768), "wide": (1920, 1080)}
PAGES = {
    "start": "/",
    "log": "/runs",
    "simulated": address_of("simulated"),
    "stroke": address_of("simulated") + "#stroke-3",
    "tripped": address_of("tripped"),
    "long": address_of("long"),
    "emulated": address_of("emulated"),
    "bare": address_of("bare"),
    "nasty": address_of("nasty"),
    "wordy": address_of("wordy"),
    "unknown": "/runs/4711",
    "help": "/help/",
    "help-page": "/help/page",
}

NARROW_TARGETS = """() => {
const least = (e) => // a mouse needs less room in a table of many rows
  matchMedia("(pointer: fine)").matches && e.closest(".dense") ? 31.5 : 47.5;
return [...document.querySelectorAll(
    "button, .button, input, summary, nav a, a.run, a.sort, a.meaning, .strokes a, .help-list a")]
  .filter((e) => e.checkVisibility() && e.type !== "hidden")
  .map((e) => [e, /checkbox|radio/.test(e.type ?? "") ? e.closest("label") ?? e : e])
  .map(([e, target]) =>
    [e.textContent.trim() || e.id, target.getBoundingClientRect(), least(e)])
  .filter(([, box, px]) => box.height < px || box.width < px)
  .map(([name, box]) => `${name}: ${box.width} x ${box.height}`);
}"""

SIDEWAYS = "() => Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_pages_fit_and_can_be_tapped(visit: Callable, size: str, scheme: str) -> None:
    width, height = SIZES[size]
    watched = visit(width, height, scheme)
    watched.forgiven.append("404 (NOT FOUND)")  # the browser logs the status of "unknown"
    ARTEFACTS.mkdir(parents=True, exist_ok=True)
    for name, address in PAGES.items():
        page = watched.open(address)
        picture = page.screenshot(full_page=True)
        (ARTEFACTS / f"{name}-{size}-{scheme}.png").write_bytes(picture)
        assert page.evaluate(SIDEWAYS) <= width, f"{name} scrolls sideways"
        assert page.evaluate(NARROW_TARGETS) == [], name


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition of relative luminance)."""
    channels = [int(n) / 255 for n in re.findall(r"\d+", colour)[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, definition of contrast ratio)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_here_is_that_of_the_standard() -> None:
    # WCAG 2.2: black on white is 21:1; #767676 on white is the well-known 4.54:1
    assert contrast("rgb(0, 0, 0)", "rgb(255, 255, 255)") == pytest.approx(21)
    assert contrast("rgb(118, 118, 118)", "rgb(255, 255, 255)") == pytest.approx(4.54, abs=0.005)


RESOLVED = """(names) => {
  const probe = document.createElement("i");
  document.body.append(probe);
  return Object.fromEntries(names.map((name) => {
    probe.style.color = `var(--${name})`;
    return [name, getComputedStyle(probe).color];
  }));
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_and_traces_stand_out(visit: Callable, scheme: str) -> None:
    page = visit(scheme=scheme).open("/")
    names = [
        "ground", "sheet", "ink", "dim", "link", "good", "bad", "open", "command", "coil",
        "switch", "pressure", "mark", "caution-ground", "caution-ink",
    ]  # fmt: skip
    found = page.evaluate(RESOLVED, names)
    for ground in ("ground", "sheet"):
        assert contrast(found["ink"], found[ground]) >= 7  # WCAG 2.2, 1.4.6
        for name in ("dim", "link", "good", "bad", "open"):
            assert contrast(found[name], found[ground]) >= 4.5, name  # WCAG 2.2, 1.4.3
    for name in ("command", "coil", "switch", "pressure", "mark"):
        assert contrast(found[name], found["sheet"]) >= 4.5, name  # their names are text too
    assert contrast(found["caution-ink"], found["caution-ground"]) >= 7


@pytest.mark.parametrize("motion", ["reduce", "no-preference"])
def test_motion_is_only_for_those_who_want_it(visit: Callable, motion: str) -> None:
    page = visit(reduced_motion=motion).open(address_of("simulated"))
    lasts = page.evaluate("getComputedStyle(document.querySelector('button')).transitionDuration")
    assert (lasts == "0s") == (motion == "reduce")


def test_without_javascript_the_numbers_are_still_there(visit: Callable) -> None:
    page = visit(java_script_enabled=False).open(address_of("simulated"))
    assert "need JavaScript" in page.inner_text("#content")
    assert page.locator(".strokes tbody tr").count() == 20
    assert page.locator(".figure").count() == 2


def test_nothing_that_was_typed_runs(visit: Callable) -> None:
    for address in ("/", "/runs", address_of("nasty")):
        page = visit().open(address)  # a dialog or an inline script would be a fault
        assert page.locator("main img").count() == 0
        assert "<script>alert(1)</script>" in page.inner_text("main")


def test_a_print_has_the_source_on_it(visit: Callable, tmp_path: Path) -> None:
    page = visit().open(address_of("simulated"))
    page.emulate_media(media="print")
    assert page.locator(".source-band").is_visible()
    assert not page.locator("#go-next").is_visible()
