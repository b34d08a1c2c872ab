# SPDX-License-Identifier: MIT
"""What a page says when its plots are not visible: without JavaScript, and to a screen reader."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from served import RUNS, address_of

pytestmark = pytest.mark.browser

LESSON = f"{address_of('simulated')}/lesson"
COMPARE = f"/compare?run=1&run={list(RUNS).index('long') + 1}"


@pytest.mark.parametrize("address", [LESSON, COMPARE, address_of("simulated")])
def test_without_javascript_the_page_says_what_it_needs_and_where_the_numbers_are(
    visit: Callable, address: str
) -> None:
    page = visit(java_script_enabled=False).open(address)
    told = page.locator("noscript").first
    assert told.is_visible()
    assert "JavaScript" in told.inner_text()
    if address == LESSON:
        text = page.locator("main").inner_text()
        assert "times of every stroke are in the table of run" in text
        page.click("noscript a")
        assert address_of("simulated") in page.url
        assert page.locator("table.strokes").count() == 1


def test_the_lessons_plot_tells_its_numbers(visit: Callable) -> None:
    page = visit().open(LESSON)
    page.wait_for_selector("#lesson[data-loaded]")
    page.click("#reveal")
    page.wait_for_selector("#lesson-traces canvas")
    told = page.locator("#lesson-traces").get_attribute("aria-label")
    assert told and told.startswith("Traces of stroke ")
    settled = re.search(r"the switch settled at (\d+\.\d)", told)
    assert settled and 75 < float(settled.group(1)) < 100  # written to respond after about 80 ms


def test_the_compared_plots_tell_their_numbers(visit: Callable) -> None:
    page = visit().open(COMPARE)
    page.wait_for_selector("#compare-overlay[data-drawn]")
    told = [
        one.get_attribute("aria-label") or ""
        for one in page.locator("#compare-overlay [role=img]").all()
    ]
    (closed,) = [one for one in told if "live: strokes with the switch closed" in one]
    halves = re.findall(r"Run (\d), \S+: from 0 to (\d+) %, half of that by (\d+\.\d) ms", closed)
    assert [number for number, _, _ in halves] == ["1", "3"], closed
    assert all(75 < float(half) < 90 for _, _, half in halves)
    assert [share for _, share, _ in halves] == ["90", "100"]  # 2 of run 1's 20 strokes missed
