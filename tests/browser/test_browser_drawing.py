# SPDX-License-Identifier: MIT
"""The lesson's cut-away drawing and traces, in Chromium: they move, and show only what was
measured."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from taught import FULL, SWITCH_ONLY, go_on, ready, write_taught

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def log_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("class")
    write_taught(folder)
    return folder


def at(page: Page, part: str, box: str = "#cutaway") -> float:
    """Position of a part of the drawing."""
    return float(page.locator(f'{box} .cutaway [data-part="{part}"]').get_attribute("data-at"))


def known(page: Page, part: str) -> str:
    return page.locator(f'#cutaway .cutaway [data-part="{part}"] .is').text_content()


def test_the_drawing_moves_with_the_cursor_as_far_as_it_was_measured(visit: Callable) -> None:
    page = ready(visit().open(FULL))
    assert known(page, "plunger") == ""  # nothing is revealed before the answer
    page.keyboard.press("a")
    go_on(page, 5)
    assert (at(page, "relay"), at(page, "plunger"), at(page, "switch")) == (0.0, 0.0, 0.0)
    assert known(page, "relay") == "measured: open"
    go_on(page, 4)
    assert at(page, "relay") == 1.0 and 0.0 < at(page, "plunger") < 1.0
    assert known(page, "plunger") == "inferred: moving"
    go_on(page, 6)
    assert at(page, "plunger") == 1.0 and known(page, "plunger") == "measured: at its stop"
    assert 0.0 < at(page, "spool") < 1.0 and known(page, "spool") == "inferred: moving"
    assert known(page, "coil").endswith(" A") and known(page, "passage").endswith(" kPa")
    go_on(page, 26)
    assert at(page, "switch") == 1.0 and known(page, "switch") == "measured: closed"
    assert at(page, "passage") > 0.5
    assert known(page, "drain") == "not measured"


def test_what_was_not_measured_stands_still(visit: Callable) -> None:
    page = ready(visit().open(SWITCH_ONLY))
    page.keyboard.press("a")
    for _ in range(12):
        go_on(page, 10)
        for part in ("coil", "plunger", "spool", "passage", "drain"):
            assert (at(page, part), known(page, part)) == (0.0, "not measured"), part
    assert at(page, "relay") == at(page, "switch") == 1.0
    lines = page.evaluate("""() => ["plunger", "switch"].map((part) => getComputedStyle(
      document.querySelector(`#cutaway [data-part="${part}"] .body`)).strokeDasharray)""")
    assert lines[0] != "none" and lines[1] == "none", "outline against solid"


def test_the_plants_own_motion_is_in_the_model_alone(visit: Callable) -> None:
    page = ready(visit().open(FULL))
    page.keyboard.press("a")
    assert page.locator("#model-drawing").is_hidden()
    page.keyboard.press("m")
    expect(page.locator("#model-title")).to_contain_text("Nothing here was measured")
    go_on(page, 14)
    words = page.locator("#model-drawing .is").all_text_contents()
    assert all(one.startswith("model: ") for one in words), words
    assert 0.0 < at(page, "spool", "#model-drawing") < 1.0
    assert known(page, "spool").startswith("inferred")  # the measured drawing is unchanged


def test_the_words_beside_the_drawing_say_what_it_shows(visit: Callable) -> None:
    """Screen readers and phones rely on the list instead of the drawing."""
    page = ready(visit(width=390, height=844).open(FULL))
    page.locator("#reveal").click()
    for part in ("relay", "spool", "drain"):
        line = page.locator(f'.parts [data-part="{part}"]')
        expect(line).to_be_visible()
        expect(line.locator(".is")).to_have_text(known(page, part))


def test_no_current_and_no_pressure_is_drawn_that_nobody_measured(visit: Callable) -> None:
    """Going off, long after the coil went dead: coloured windings would suggest that current
    flows."""
    page = visit().open(f"{SWITCH_ONLY}&way=off")
    expect(page.locator("#lesson")).to_have_attribute("data-loaded", "3 off")
    page.keyboard.press("a")
    go_on(page, 60)
    filled = page.locator("#cutaway .cutaway .fill").evaluate_all(
        "(all) => all.map((one) => one.getAttribute('fill-opacity'))"
    )
    assert len(filled) == 3 and set(filled) == {"0"}


@pytest.mark.parametrize("way", ["on", "off"])
def test_no_word_of_the_drawing_is_cut_off(visit: Callable, way: str) -> None:
    """Nor laid over the end of the spool's chamber, at the command and at the end."""
    watched = visit()
    page = watched.open(f"{FULL}&way={way}")
    expect(page.locator("#lesson")).to_have_attribute("data-loaded", f"3 {way}")
    page.keyboard.press("a")
    for at in ("Home", "end"):
        if at == "Home":
            page.keyboard.press("Home")
        else:
            go_on(page, 60)
        outside = page.evaluate("""() => [...document.querySelectorAll("#cutaway .cutaway text")]
          .map((e) => [e.textContent, e.getBBox()])
          .filter(([, b]) => b.x < 0 || b.x + b.width > 1000 || (b.x < 704 && b.x + b.width > 704
            && b.y < 390 && b.y + b.height > 345))
          .map(([words, b]) => `${words}: ${b.x} to ${b.x + b.width}`)""")
        assert outside == [], at


def drawn_pressure(page: Page) -> tuple[int, int]:
    """How many columns of the traces have the pressure's colour, out of how many."""
    return page.evaluate("""() => { const canvas = document.querySelector("#lesson-traces canvas");
      const all = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
      const tone = getComputedStyle(document.body).getPropertyValue("--pressure").trim();
      const [r, g, b] = [1, 3, 5].map((n) => parseInt(tone.slice(n, n + 2), 16));
      const columns = new Set();
      for (let n = 0; n < all.length; n += 4)
        if (Math.abs(all[n] - r) + Math.abs(all[n + 1] - g) + Math.abs(all[n + 2] - b) < 12
          && (n / 4 / canvas.width) > canvas.height * 0.6) columns.add((n / 4) % canvas.width);
      return [columns.size, canvas.width]; }""")


def test_no_line_joins_the_readings_of_a_gauge_that_is_too_slow(visit: Callable) -> None:
    """A straight line from the command on would suggest that the pressure rises from there."""
    page = ready(visit().open(SWITCH_ONLY))
    page.keyboard.press("a")
    page.wait_for_timeout(300)
    columns, width = drawn_pressure(page)
    assert 0 < columns < width / 4, "dots alone"
    page = ready(visit().open(FULL))
    page.keyboard.press("a")
    page.wait_for_timeout(300)
    columns, width = drawn_pressure(page)
    assert columns > width / 2, "what a fast sensor saw is a line"


def test_nothing_in_the_drawing_moves_by_itself(visit: Callable) -> None:
    page = ready(visit(reduced_motion="reduce").open(FULL))
    page.keyboard.press("a")
    moving = page.evaluate("""() => [...document.querySelectorAll(".cutaway *")].filter((e) => {
      const s = getComputedStyle(e);
      return s.animationName !== "none" || s.transitionDuration !== "0s"; }).length""")
    assert moving == 0
    page.keyboard.press(" ")
    expect(page.locator("#clock-value")).not_to_have_text("0.0")
    places = {at(page, "plunger")}
    expect(page.locator('#cutaway .cutaway [data-part="plunger"]')).to_have_attribute(
        "data-at", "1.000"
    )
    places.add(at(page, "plunger"))
    assert places == {0.0, 1.0}, "from instant to instant, not in between"
