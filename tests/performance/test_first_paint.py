# SPDX-License-Identifier: MIT
"""How soon a long run's page shows something, against the run list, and how much it is sent."""

from __future__ import annotations

import json
import statistics
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import Ratios
from playwright.sync_api import Browser

sys.path.insert(0, str(Path(__file__).parents[1] / "browser"))

from served import Server, chromium_with
from written_runs import Made, write

pytestmark = pytest.mark.browser

STROKES = 1_000
OTHERS = 40
VISITS = 9
MOST_POINTS = 5_000
MOST_TIMES = 3.0
FIRST_PAINT = """() => performance.getEntriesByType("paint")
  .find((entry) => entry.name === "first-contentful-paint")?.startTime ?? null"""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("speed")
    for _ in range(OTHERS):
        write(folder / "runs.sqlite", Made(strokes=2))
    write(folder / "runs.sqlite", Made(strokes=STROKES, gauge_period_ms=10))
    with Server(folder) as started:
        yield started


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with chromium_with(()) as browser:
        yield browser


def first_paint_ms(chromium: Browser, address: str) -> float:
    """Of one visit with nothing in the browser's memory."""
    context = chromium.new_context(viewport={"width": 1366, "height": 768})
    try:
        page = context.new_page()
        page.goto(address)
        deadline = time.monotonic() + 20
        while (found := page.evaluate(FIRST_PAINT)) is None:
            assert time.monotonic() < deadline, f"{address} painted nothing"
            time.sleep(0.02)
        return float(found)
    finally:
        context.close()


def test_a_long_run_paints_about_as_soon_as_the_list(
    chromium: Browser, server: Server, ratios: Ratios
) -> None:
    run, listed = f"{server.url}/runs/{OTHERS + 1}", f"{server.url}/runs"
    first_paint_ms(chromium, run)  # the server reads its templates and libraries once
    pairs = [
        (first_paint_ms(chromium, listed), first_paint_ms(chromium, run)) for _ in range(VISITS)
    ]
    of_list, of_run = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratios.at_most(
        f"first paint of a run of {STROKES} strokes over that of the run list",
        of_run / of_list, MOST_TIMES, f"({of_run:.0f} ms, {of_list:.0f} ms)",
    )  # fmt: skip


def got(server: Server, address: str) -> Any:
    with urllib.request.urlopen(f"{server.url}{address}") as answer:
        return json.load(answer)


def test_no_trace_is_sent_more_points_than_a_screen_can_use(server: Server, ratios: Ratios) -> None:
    run = f"/api/runs/{OTHERS + 1}"
    counts: dict[str, int] = {}
    for where in ("traces", "traces?from_ms=1000&to_ms=900000", "traces?stroke=500"):
        found = got(server, f"{run}/{where}")
        for trace in [*found["lanes"], *found["channels"]]:
            counts[f"{where} {trace['name']}"] = len(trace["t_ms"])
    counts["per stroke"] = len(got(server, f"{run}/strokes")["number"])
    for way in ("on", "off"):
        found = got(server, f"{run}/overlay?way={way}")
        rows = found["switch"]["strokes"]
        counts[f"overlay {way} switch"] = sum(len(row["t_ms"]) + 2 for row in rows)
        for channel in found["channels"]:
            counts[f"overlay {way} {channel['name']}"] = len(channel["t_ms"])
    assert max(counts.values()) > MOST_POINTS / 2, "this run is too short to say anything"
    ratios.at_most("points sent of one trace over 5,000", max(counts.values()) / MOST_POINTS, 1.0)
