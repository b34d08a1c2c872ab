# SPDX-License-Identifier: MIT
"""The bench page in a browser: a technician's run from look to stop, on a phone, and what a second
browser may do."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from distances import too_near
from playwright.sync_api import Page, expect
from served import Server

DEMO = Path(__file__).parents[2] / "demo"
pytestmark = pytest.mark.timeout(400)
TIMEOUT_MS = 100_000


class BenchServer(Server):
    """`rig serve` with the demo's rig."""

    def __init__(self, folder: Path) -> None:
        import os

        patient = folder / "workshop.setup.toml"  # the test machine may be busy
        patient.write_text((DEMO / "workshop.setup.toml").read_text().replace(
            "[limits]\n",
            '[limits]\nreadback_delay = "500 ms"\ngauge_stale = "5 s"\n'))  # fmt: skip
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rig.cli.main", "serve", "--port", "0", "--setup", str(patient),
             "--sheet", str(DEMO)],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
            env={**os.environ, "RIG_DATA": str(folder / "data"), "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        found = None
        for line in self.process.stdout or ():
            found = found or re.search(r"http://\S+", line)
            if "Ctrl-C" in line:
                break
        assert found, "rig serve did not start"
        self.url = found.group(0).rstrip("/")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[BenchServer]:
    made = BenchServer(tmp_path)
    yield made
    made.stop()


def take_controls(page: Page, url: str) -> None:
    page.goto(f"{url}/controls")
    page.click("button.main")


def begin(page: Page) -> None:
    page.fill("input[name=valve]", "V-101")
    page.select_option("select[name=sheet]", "workshop")
    page.click("text=Check the rig")
    page.wait_for_selector("text=Arm and run", timeout=TIMEOUT_MS)
    page.click("#go:enabled")
    page.wait_for_selector("#live:not([hidden])", timeout=TIMEOUT_MS)
    expect(page.locator('[data-of="response"]').first).to_have_text(
        re.compile(r"\d+\.\d ms"), timeout=TIMEOUT_MS
    )


BOTH = """addEventListener("DOMContentLoaded", () => {
  const [over, old] = ["over", "old"].map((id) => document.getElementById(id));
  if (over && old) setInterval(() => {
    if (!over.hidden && !old.hidden) sessionStorage.setItem("both", "yes");
  }, 20);
});"""


@pytest.mark.parametrize("way", ["tap", "key"])
def test_a_technicians_run_is_stopped_and_told(
    bench: BenchServer, visit: Callable, way: str
) -> None:
    watched = visit(width=390, height=844, url=bench.url)
    page = watched.page
    page.add_init_script(BOTH)
    take_controls(page, bench.url)
    begin(page)
    # as tall as with three fast channels: the watermark across it is turned
    page.evaluate("document.querySelector('.watermarked').style.height = '534px'")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    stop = page.locator("button.stop")
    box = stop.bounding_box()
    assert box and box["height"] >= 80 and box["y"] + box["height"] <= 844, "not in reach"
    if way == "tap":
        stop.click()
    else:
        page.keyboard.press("Escape")
    expect(page.locator(".stop-said")).to_contain_text(
        re.compile("Confirmed off|NOT CONFIRMED: use the mushroom stop"), timeout=5000
    )
    page.wait_for_selector("text=How it ended", timeout=TIMEOUT_MS)
    expect(page.locator("text=confirmed off").first).to_be_visible()
    both = page.evaluate("sessionStorage.getItem('both')")
    assert both is None, "the mushroom stop is named beside a coil that is confirmed off"
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


AT_FIRST = """new MutationObserver(() => {
  const go = document.getElementById("go");
  if (go && window.wasOff === undefined) window.wasOff = go.disabled;
}).observe(document, { childList: true, subtree: true });"""
"""As it came, before any script of the page was there."""


def middle(page: Page, words: str) -> tuple[float, float]:
    box = page.locator(f"text={words}").first.bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


@pytest.mark.parametrize("size", [(390, 844), (1366, 768), (1920, 1080)])
def test_opposite_actions_lie_apart_and_a_second_tap_arms_nothing(
    bench: BenchServer, visit: Callable, size: tuple[int, int]
) -> None:
    page = visit(*size, url=bench.url).page
    page.add_init_script(AT_FIRST)
    take_controls(page, bench.url)
    assert too_near(page) == []
    page.select_option("select[name=sheet]", "workshop")
    tapped = middle(page, "Check the rig")
    page.click("text=Check the rig")
    page.wait_for_selector("text=Arm and run", timeout=TIMEOUT_MS)
    page.wait_for_load_state("load")
    assert page.evaluate("wasOff"), "a second tap would arm"
    assert too_near(page) == []
    for x, y in (tapped, middle(page, "Cancel: coil stays off")):
        under = page.evaluate("([x, y]) => document.elementFromPoint(x, y)?.id", [x, y])
        assert under != "go"
    left = middle(page, "Cancel: coil stays off")
    page.click("#go:enabled")
    page.wait_for_selector("#live:not([hidden])", timeout=TIMEOUT_MS)
    assert too_near(page) == []
    under = page.evaluate("([x, y]) => document.elementFromPoint(x, y)?.dataset.act ?? ''", left)
    assert under != "does", "under the finger that wanted to leave"
    page.click("button.stop")
    page.wait_for_selector("text=How it ended", timeout=TIMEOUT_MS)
    assert too_near(page) == []
    small = page.locator("button.stop").bounding_box()
    assert small and 48 <= small["height"] < 60 and small["y"] + small["height"] <= size[1]
    if size[1] == 1080:  # on a wall: type for discussion in class, a fortieth of the height
        for line in page.locator("#how-ended p").all():
            assert line.evaluate("(e) => parseFloat(getComputedStyle(e).fontSize)") >= size[1] / 40


def test_the_next_valve_of_a_batch_takes_two_taps(bench: BenchServer, visit: Callable) -> None:
    """The tag counts up, typed entries are kept and shown, and the last run's numbers are above."""
    page = visit(width=390, height=844, url=bench.url).page
    take_controls(page, bench.url)
    page.goto(f"{bench.url}/bench/sheet/workshop")
    page.fill('input[name="f:strokes"]', "3")
    page.fill('input[name="keep_as"]', "three")
    page.click("text=Check and keep")
    page.goto(f"{bench.url}/bench")
    page.fill("input[name=valve]", "V-099")
    page.fill("input[name=job]", "J-1")
    page.select_option("select[name=sheet]", "three")
    page.click("summary:has-text('Conditions')")
    page.fill("input[name=oil_temperature]", "90 degC")
    page.click("text=Check the rig")
    page.click("#go:enabled", timeout=TIMEOUT_MS)
    page.wait_for_selector("text=How it ended", timeout=TIMEOUT_MS)
    numbers = page.locator("#ended-values")
    expect(numbers).to_contain_text("V-099")
    expect(numbers).to_contain_text(re.compile(r"Response time, mean\s+\d+(?:\.\d+)? ms"))
    expect(page.locator("#ended-dots circle.response")).to_have_count(3)
    expect(page.locator("#go-on")).to_contain_text("oil temperature 90 degC")
    page.click("text=Next valve: look at the rig")
    page.wait_for_selector("#go:enabled", timeout=TIMEOUT_MS)
    expect(page.locator(".arms")).to_contain_text("V-100")
    page.click("#go")
    page.wait_for_selector("#live:not([hidden])", timeout=TIMEOUT_MS)
    assert page.evaluate("scrollY") == 0, "the live values stand on top"
    page.wait_for_selector("text=How it ended", timeout=TIMEOUT_MS)
    page.goto(f"{bench.url}/runs/2")
    expect(page.locator("main")).to_contain_text("V-100")
    expect(page.locator("main")).to_contain_text("90")


def test_what_was_refused_is_not_sent_again_when_the_page_goes_on(
    bench: BenchServer, visit: Callable
) -> None:
    """A browser reloads the answer to a form by sending the form again."""
    watched = visit(width=390, height=844, url=bench.url)
    watched.forgiven.append("400 (BAD REQUEST)")
    page = watched.page
    take_controls(page, bench.url)
    page.select_option("select[name=sheet]", "workshop")
    page.click("summary:has-text('Conditions')")
    page.fill("input[name=oil_temperature]", "92")
    page.fill("input[name=proved]", "a hose")
    page.click("text=Check the rig")
    expect(page.locator("#wrong-oil_temperature")).to_contain_text("has no unit")
    expect(page.locator("#wrong-proved")).to_contain_text("not a part of the chain")
    # the same rig, looked at by another page of this browser
    second = page.context.new_page()
    second.goto(f"{bench.url}/bench")
    second.fill("input[name=valve]", "V-101")
    second.select_option("select[name=sheet]", "workshop")
    second.click("text=Check the rig")
    page.wait_for_selector("text=Arm and run", timeout=TIMEOUT_MS)
    expect(page.locator("text=Not done")).to_have_count(0)
    second.close()
    page.click("text=Cancel: coil stays off")
    page.wait_for_selector("text=Check the rig", timeout=TIMEOUT_MS)


FAST = """async () => {
  const { drawStroke } = await import("/static/js/benchplots.js");
  document.body.classList.remove("at-rest");  // the Stop as large as while a run goes on
  document.getElementById("live").hidden = false;
  const course = { unit: "kPa", step_ms: 10, low: [0, 100, 300], high: [1, 120, 301] };
  const stroke = { now_ms: 30, command: [[0, 1]], lines: { engine_speed: [[0, 1]] },
    channels: { pressure: course, coil_current: course, cylinder_pressure: course } };
  const svg = document.getElementById("stroke");
  drawStroke(svg, stroke);
  const top = (e) => e.getBoundingClientRect();
  return [top(svg).bottom, top(document.querySelector(".stop-bar")).top];
}"""


@pytest.mark.parametrize("size", [(390, 844), (1366, 768), (1920, 1080)])
def test_three_fast_channels_stand_above_the_stop(
    bench: BenchServer, visit: Callable, size: tuple[int, int]
) -> None:
    page = visit(*size, url=bench.url).page
    page.goto(f"{bench.url}/bench")
    # during a run nothing but its state stands above the plots
    page.evaluate("document.querySelector('#bench > section.sheet.row').remove()")
    if size[0] < 700:
        page.evaluate("document.querySelector('header nav').remove()")
    drawn, stop = page.evaluate(FAST)
    assert drawn <= stop


def test_a_second_browser_looks_and_stops_and_does_not_operate(
    bench: BenchServer, visit: Callable
) -> None:
    operator = visit(url=bench.url).page
    take_controls(operator, bench.url)
    begin(operator)
    other = visit(width=390, height=844, url=bench.url).page
    other.goto(f"{bench.url}/bench")
    expect(other.locator("#live")).to_be_visible(timeout=TIMEOUT_MS)
    wide = other.evaluate("""() => { // as tall as with three fast channels
      document.getElementById("stroke").style.height = "600px";
      return document.documentElement.scrollWidth; }""")
    assert wide <= 390, "the turned word beside the plot makes the page wider"
    expect(other.locator("text=Another browser has the controls")).to_be_visible()
    assert other.locator("text=Arm and run").count() == 0
    other.locator("button.stop").click()
    operator.wait_for_selector("text=How it ended", timeout=TIMEOUT_MS)


def test_a_page_whose_controls_were_taken_over_says_so(bench: BenchServer, visit: Callable) -> None:
    first = visit(url=bench.url)
    first.forgiven.append("403 (FORBIDDEN)")
    take_controls(first.page, bench.url)
    first.page.fill("input[name=valve]", "V-7")
    other = visit(url=bench.url).page
    other.goto(f"{bench.url}/controls")
    other.check("input[name=take_over]")
    other.click("button.main")
    expect(first.page.locator("text=Another browser has the controls")).to_be_visible()
    expect(first.page.locator("input[name=valve]"), "what was typed").to_have_value("V-7")


def test_an_operators_page_that_closes_ends_the_run(bench: BenchServer, visit: Callable) -> None:
    watched = visit(url=bench.url)
    take_controls(watched.page, bench.url)
    begin(watched.page)
    watched.page.goto("about:blank")
    viewer = visit(url=bench.url).page
    viewer.goto(f"{bench.url}/bench")
    viewer.wait_for_selector("text=page was silent for 5 s", timeout=TIMEOUT_MS)


def test_old_data_are_struck_out(bench: BenchServer, visit: Callable) -> None:
    watched = visit(url=bench.url)
    watched.forgiven += ["Failed to load resource", "ERR_CONNECTION", "net::"]
    page = watched.page
    take_controls(page, bench.url)
    begin(page)
    expect(page.locator("#old")).to_be_hidden()
    bench.process.send_signal(19)  # SIGSTOP: the page hangs, and nothing is received
    try:
        expect(page.locator("#old")).to_be_visible(timeout=10_000)
        assert "struck" in (page.locator("body").get_attribute("class") or "")
    finally:
        bench.process.send_signal(18)
    time.sleep(0.2)


def test_without_scripts_the_stop_is_a_plain_button(bench: BenchServer, visit: Callable) -> None:
    page = visit(url=bench.url, java_script_enabled=False).page
    page.goto(f"{bench.url}/help/")
    page.click("button.stop")
    expect(page.locator("h1")).to_contain_text("Nothing to stop")
    expect(page.locator("text=not an emergency stop").first).to_be_visible()


def test_a_sheet_is_edited_with_the_files_own_messages(bench: BenchServer, visit: Callable) -> None:
    watched = visit(url=bench.url)
    watched.forgiven.append("400 (BAD REQUEST)")
    page = watched.page
    take_controls(page, bench.url)
    page.goto(f"{bench.url}/bench/sheet/workshop")
    page.fill('input[name="f:strokes"]', "0")
    page.fill('input[name="f:on_time"]', "3")
    # validated while typing, at its field
    expect(page.locator("#wrong-on_time")).to_contain_text("plain number without its unit")
    expect(page.locator("#f-on_time")).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#checked")).to_contain_text("2 things to mend")
    page.fill('input[name="keep_as"]', "mine")
    page.wait_for_timeout(1000)
    watched_status = page.expect_response(lambda r: r.request.method == "POST")
    with watched_status as found:
        page.click("text=Check and keep")
    assert found.value.status == 400
    problems = page.locator(".problems li")
    assert problems.count() >= 2
    page.fill('input[name="f:strokes"]', "4")
    page.fill('input[name="f:on_time"]', "300 ms")
    expect(page.locator("#checked")).to_contain_text("Coil energised 4 times, 1.2 s in all")
    expect(page.locator("#wrong-on_time")).to_be_hidden()
    page.click("text=Check and keep")
    expect(page.locator("text=Kept as")).to_be_visible()
    page.goto(f"{bench.url}/bench")
    assert "mine" in page.locator("select[name=sheet]").inner_text()
