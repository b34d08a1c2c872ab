# SPDX-License-Identifier: MIT
"""The plots in use: data are drawn where they were recorded, and every way to move works."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from served import RUNS, Server, address_of

pytestmark = pytest.mark.browser

MADE = RUNS["simulated"]
LANE, TOP, TRACE_MIDDLE = 52, 10, 33  # px: tracesplot.js and plotting.js


def window(page: Page) -> tuple[float, float]:
    """The window that the traces show, ms."""
    from_ms, to_ms = page.locator("#traces").get_attribute("data-window").split()
    return float(from_ms), float(to_ms)


def until(page: Page, script: str, argument: object = None) -> Any:
    """The first answer of `script` that counts as true. Polled from outside: the page's own policy
    forbids a script given as text that waits inside it."""
    for _ in range(100):
        found = page.evaluate(script, argument)
        if found:
            return found
        page.wait_for_timeout(50)
    raise AssertionError(f"not true within 5 s: {script}")


def moved(page: Page, act: Callable[[], object]) -> tuple[float, float]:
    """Do something and wait until the window changes."""
    before = page.locator("#traces").get_attribute("data-window")
    act()
    expect(page.locator("#traces")).not_to_have_attribute("data-window", before)
    return window(page)


FILLED = """([row, over]) => {
  const canvas = document.querySelector("#traces canvas");
  const scale = canvas.width / canvas.getBoundingClientRect().width;
  const area = document.querySelector("#traces .u-over").getBoundingClientRect();
  const box = canvas.getBoundingClientRect();
  const left = Math.round((area.left - box.left) * scale);
  const width = Math.floor(area.width * scale);
  const at = Math.round((area.top - box.top + row) * scale);
  const pixels = canvas.getContext("2d").getImageData(left, at, width, 1).data;
  const base = getComputedStyle(document.documentElement).getPropertyValue(`--${over}`).trim();
  const want = [1, 3, 5].map((i) => parseInt(base.slice(i, i + 2), 16));
  const hits = [];
  for (let x = 0; x < width; x++) {
    const p = pixels.slice(x * 4, x * 4 + 4);
    if (p[3] > 40 && want.every((w, i) => Math.abs(w - p[i]) < 40)) hits.push((x + 0.5) / width);
  }
  return hits;
}"""


def filled_ms(page: Page, lane: int, colour: str) -> tuple[float, float]:
    """First and last instant, ms, at which the lane is drawn high, read from the canvas."""
    hits = until(page, FILLED, [lane * LANE + TRACE_MIDDLE, colour])
    from_ms, to_ms = window(page)
    return tuple(from_ms + part * (to_ms - from_ms) for part in (hits[0], hits[-1]))


@pytest.mark.parametrize("width", [390, 1366])
def test_what_is_drawn_stands_where_it_was_recorded(visit: Callable, width: int) -> None:
    sharp = 2 if width < 700 else 1  # screen pixels for one of the page
    page = visit(width=width, sharp=sharp).open(address_of("simulated") + "#stroke-3")
    from_ms, to_ms = window(page)
    pixel_ms = (to_ms - from_ms) / page.locator("#traces .u-over").bounding_box()["width"]
    on = MADE.on_at(3)
    expected = [
        ("command", on, on + 500),
        ("coil", on + 8, on + 508),
        ("switch", on + 88 + MADE.spread(3) - 1.5, on + 563 + MADE.spread(3) / 2),
    ]
    for lane, (colour, begins, ends) in enumerate(expected):
        found = filled_ms(page, lane, colour)
        assert found == pytest.approx((begins, ends), abs=2.5 * pixel_ms), colour


WATERMARK = """(selector) => {
  const canvas = document.querySelector(`${selector} canvas`);
  const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
  let n = 0;
  for (let i = 0; i < data.length; i += 4) {
    const [r, g, b, a] = data.slice(i, i + 4);
    if (a > 30 && a < 46 && r > 100 && r < 140 && g > 60 && g < 100 && b < 25) n++;
  }
  return n;
}"""


@pytest.mark.parametrize("plot", ["#traces", "#per-stroke"])
def test_simulated_is_written_across_each_plot(visit: Callable, plot: str) -> None:
    for run, marked in (("simulated", True), ("emulated", True), ("tripped", False)):
        page = visit().open(address_of(run))
        found = page.evaluate(WATERMARK, plot)
        assert (found > 2_000) == marked, (run, found)
        assert found == 0 or marked, (run, found)


def test_buttons_move_from_stroke_to_stroke_and_back_to_the_whole(visit: Callable) -> None:
    page = visit().open(address_of("simulated"))
    assert window(page) == (0, MADE.end_ms)
    assert page.locator("#go-whole").is_disabled()
    for n in (1, 2, 3):
        from_ms, to_ms = moved(page, page.locator("#go-next").click)
        assert from_ms < MADE.on_at(n) < to_ms < MADE.on_at(n + 1)
        assert page.locator("#stroke-number").input_value() == str(n)
        assert page.url.endswith(f"#stroke-{n}")
    moved(page, page.locator("#go-previous").click)
    assert page.locator("#stroke-number").input_value() == "2"
    assert moved(page, page.locator("#go-whole").click) == (0, MADE.end_ms)
    assert "#" not in page.url


def test_the_first_and_last_stroke_are_the_ends(visit: Callable) -> None:
    page = visit().open(address_of("simulated") + "#stroke-1")
    assert page.locator("#go-previous").is_disabled()
    page.locator("#stroke-number").fill("999")
    moved(page, lambda: page.locator("#stroke-number").press("Enter"))
    assert page.locator("#stroke-number").input_value() == "20"
    assert page.locator("#go-next").is_disabled()


def test_closer_wider_earlier_later(visit: Callable) -> None:
    page = visit().open(address_of("simulated"))
    whole = window(page)
    closer = moved(page, page.locator("#go-closer").click)
    assert closer[1] - closer[0] == pytest.approx(0.4 * whole[1])
    later = moved(page, page.locator("#go-later").click)
    assert later[0] == pytest.approx(closer[0] + 0.5 * (closer[1] - closer[0]))
    assert moved(page, page.locator("#go-earlier").click) == pytest.approx(closer)
    assert moved(page, page.locator("#go-wider").click) == pytest.approx(whole)


def test_dragging_over_the_plot_looks_closer_and_a_double_click_shows_all(visit: Callable) -> None:
    page = visit().open(address_of("simulated"))
    page.locator("#traces").scroll_into_view_if_needed()
    box = page.locator("#traces .u-over").bounding_box()
    y = box["y"] + box["height"] / 2

    def drag() -> None:
        page.mouse.move(box["x"] + 0.25 * box["width"], y)
        page.mouse.down()
        page.mouse.move(box["x"] + 0.5 * box["width"], y, steps=5)
        page.mouse.up()

    found = moved(page, drag)
    assert found == pytest.approx((0.25 * MADE.end_ms, 0.5 * MADE.end_ms), abs=MADE.end_ms / 300)
    assert moved(page, page.locator("#traces .u-over").dblclick) == (0, MADE.end_ms)


def test_values_at_the_pointer_stand_below(visit: Callable) -> None:
    page = visit().open(address_of("simulated") + "#stroke-3")
    page.locator("#traces").scroll_into_view_if_needed()
    box = page.locator("#traces .u-over").bounding_box()
    from_ms, to_ms = window(page)

    def point_at(ms: float) -> str:
        part = (ms - from_ms) / (to_ms - from_ms)
        page.mouse.move(box["x"] + part * box["width"], box["y"] + 100)
        until(page, "document.getElementById('readout').textContent.includes('command')")
        return page.inner_text("#readout")

    on = MADE.on_at(3)
    during, after = point_at(on + 300), point_at(on + 800)
    assert "command on · coil read-back live · switch contact closed" in during
    assert "kPa" in during
    assert "command off · coil read-back dead · switch contact open" in after
    point_at(on + 300)
    assert page.inner_text("#readout").startswith(("299", "300", "301"))


def test_a_tap_reads_values_too(visit: Callable) -> None:
    page = visit(width=390).open(address_of("simulated"))
    assert page.inner_text("#readout").startswith("Tap the plot")
    page.locator("#traces .u-over").tap(position={"x": 100, "y": 100})
    expect(page.locator("#readout")).to_contain_text("command")


def test_a_dot_opens_its_stroke(visit: Callable) -> None:
    page = visit().open(address_of("simulated"))
    box = page.locator("#per-stroke .u-over").bounding_box()
    x = (5 - 0.5) / MADE.strokes * box["width"]
    moved(page, lambda: page.locator("#per-stroke .u-over").click(position={"x": x, "y": 60}))
    assert page.locator("#stroke-number").input_value() == "5"


def test_a_number_in_the_table_opens_its_stroke(visit: Callable) -> None:
    page = visit(width=390).open(address_of("simulated"))
    page.locator("#strokes > summary").click()
    moved(page, page.locator(".strokes a", has_text="7").first.click)
    assert page.locator("#stroke-number").input_value() == "7"
    assert page.evaluate("scrollY") > 0


def test_the_keyboard_alone_is_enough(visit: Callable) -> None:
    page = visit().open(address_of("simulated"))
    seen: list[str] = []
    for _ in range(60):
        page.keyboard.press("Tab")
        name = page.evaluate("document.activeElement.id")
        seen.append(name)
        if name == "go-next":
            break
    assert "go-next" in seen
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert outline == "3px"  # seen where the focus is
    moved(page, lambda: page.keyboard.press("Enter"))
    assert page.locator("#stroke-number").input_value() == "1"


def test_a_long_run_says_that_it_is_thinned_and_closer_shows_all(visit: Callable) -> None:
    page = visit().open(address_of("long"))
    expect(page.locator("#traces-note")).to_contain_text("Thinned for drawing")
    for _ in range(4):
        moved(page, page.locator("#go-closer").click)
    expect(page.locator("#traces-note")).not_to_contain_text("Thinned")


def test_another_colour_scheme_redraws_the_plots(visit: Callable) -> None:
    page = visit().open(address_of("simulated") + "#stroke-3")
    light = filled_ms(page, 0, "command")
    page.emulate_media(color_scheme="dark")
    until(
        page, "getComputedStyle(document.body).getPropertyValue('--command').trim() === '#56b4e9'"
    )
    assert filled_ms(page, 0, "command") == pytest.approx(light, abs=5)


def test_a_narrower_window_keeps_the_plots_inside(visit: Callable) -> None:
    page = visit().open(address_of("simulated"))
    page.set_viewport_size({"width": 700, "height": 800})
    until(
        page, "document.querySelector('#traces canvas').getBoundingClientRect().right <= innerWidth"
    )
    assert page.evaluate("document.documentElement.scrollWidth") <= 700


def test_a_server_that_went_away_is_said_in_words(visit: Callable, log_folder: Path) -> None:
    gone = Server(log_folder)
    try:
        watched = visit(url=gone.url)
        page = watched.open(address_of("simulated"))
        watched.forgiven.append("ERR_CONNECTION_REFUSED")
    finally:
        gone.stop()
    page.locator("#go-next").click()
    expect(page.locator("#traces-fault")).to_contain_text("did not answer")
