# SPDX-License-Identifier: MIT
"""What the bench page shows of a run's lines: held against the run's own analysis."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.compose import FastRun
from rig.config.files.loading import load_pair
from webui.live.view import LiveView, bands

DEMO = Path(__file__).parents[2] / "demo"


class Lines:
    """Takes a fast run's lines."""

    lag_s, overflowed, recorder = 0.0, False, None

    def __init__(self) -> None:
        self.lines: list[bytes] = []

    def put(self, line: str) -> None:
        self.lines.append(line.encode())


@pytest.fixture(scope="module")
def run() -> tuple[LiveView, list[bytes]]:
    setup, sheet = load_pair(DEMO / "workshop.setup.toml", DEMO / "workshop.sheet.toml")
    assert sheet is not None
    fast = FastRun(setup.setup, sheet.sheet, seed=3)
    lines = Lines()
    try:
        assert not fast.preflight().refused
        fast.run(lines, lambda _: None)  # type: ignore[arg-type]
    finally:
        fast.close()
    view = LiveView(setup.setup, sheet.sheet, "simulated")
    for number, line in enumerate(lines.lines):
        view.line(line, number + 1)
    return view, lines.lines


def test_strokes_are_counted_and_shown_as_dots(run: tuple[LiveView, list[bytes]]) -> None:
    view, _ = run
    facts = view.facts(10**9)
    assert facts["strokes_done"] == facts["of"] == 20
    assert [dot[0] for dot in facts["dots"]] == list(range(1, 21))
    assert all(10 < dot[1] < 100 for dot in facts["dots"])
    assert facts["missed"] == 0 and facts["last"]["number"] == 20


def test_the_stroke_under_way_begins_at_its_command(run: tuple[LiveView, list[bytes]]) -> None:
    _, lines = run
    setup, sheet = load_pair(DEMO / "workshop.setup.toml", DEMO / "workshop.sheet.toml")
    view = LiveView(setup.setup, sheet.sheet if sheet else None, "simulated")
    commands = 0
    for line in lines:
        view.line(line, 1)
        commands += line.startswith(b'["C",true')
        if commands == 3 and line.startswith(b'["E"'):
            break
    stroke = view.facts(1)["stroke"]
    assert stroke["number"] == 3
    assert stroke["command"][-1] == [0.0, 1.0]
    assert all(0 <= t < 100 for t, _ in stroke["coil"] + stroke["switch"])


def test_everything_is_json_without_nan(run: tuple[LiveView, list[bytes]]) -> None:
    json.dumps(run[0].facts(10**9), allow_nan=False)


def test_inputs_say_what_is_not_watched(run: tuple[LiveView, list[bytes]]) -> None:
    rows = {row["name"]: row for row in run[0].facts(10**9)["inputs"]}
    assert not rows["Stop input"]["watched"] and rows["Stop input"]["shown"] is None
    assert rows["Pressure"]["watched"] and rows["Pressure"]["shown"].endswith("kPa")
    assert rows["Pressure"]["age_ms"] is not None


def test_channels_of_the_converter_are_inputs_too() -> None:
    setup, _ = load_pair(DEMO / "workshop.setup.toml", None)
    view = LiveView(setup.setup, None, "simulated")
    status = {"tell": "status", "t_ns": 10**9, "channels": {"coil_current": [0.512345, 0.02]}}
    view.line(json.dumps(status).encode(), 10**9)
    rows = {row["name"]: row for row in view.facts(10**9)["inputs"]}
    assert rows["Coil current"]["shown"] == "0.5123 A" and rows["Coil current"]["age_ms"] == 20


def test_bands_are_the_sheets_limits() -> None:
    _, sheet = load_pair(DEMO / "workshop.setup.toml", DEMO / "workshop.sheet.toml")
    assert sheet is not None
    shown = bands(sheet.sheet)
    assert shown["response"]["max"] == 80.0
    assert bands(None) == {}


@pytest.mark.parametrize("line", [b"[", b'["Q",1]', b"{", b"", b"\xff"])
def test_a_line_that_is_neither_is_refused(line: bytes) -> None:
    setup, _ = load_pair(DEMO / "workshop.setup.toml", None)
    with pytest.raises(ValueError):
        LiveView(setup.setup, None, "simulated").line(line, 1)
