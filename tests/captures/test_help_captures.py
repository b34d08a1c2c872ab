# SPDX-License-Identifier: MIT
"""The help page and the reader say the same."""

from __future__ import annotations

from pathlib import Path

import pytest

import rig
from rig.analysis import marks, pressure
from rig.analysis.run import SETTLE_WINDOW_S, analyse
from rig.captures import csv_in, read_csv
from rig.captures.columns import KNOWN
from rig.config.setup import Setup
from rig.config.sheet import StrokesSheet

HELP = Path(rig.__file__).parents[1] / "webui" / "help"

RIG = Setup.model_validate(
    {
        "backend": "board",
        "medium": "oil",
        "coil": {
            "feed_side": "supply", "supply_voltage": "12.6 V", "fuse": "5 A",
            "resistance": "14.5 ohm",
        },
        "relay": {"line": 17},
        "switch": {"line": 22, "contact": "normally open"},
    }
)  # fmt: skip


def test_every_column_is_described():
    text = (HELP / "captures.md").read_text()
    for name in KNOWN:
        assert f"`{name}`" in text
    assert f"{csv_in.MAX_BYTES >> 20} MiB" in text


def test_the_example_reads_as_it_says(tmp_path):
    text = (HELP / "captures.md").read_text()
    lines = [line[4:] for line in text.splitlines() if line.startswith("    ")]
    path = tmp_path / "example.csv"
    path.write_text("\n".join(lines) + "\n")
    table = analyse(read_csv(path, RIG), RIG, None).strokes
    assert table.response_ms[0] == pytest.approx(45.5)
    assert table.release_ms[0] == pytest.approx(37.0)
    assert table.bounce_on[0] == 2


def test_every_doubtful_mark_of_a_stroke_is_explained():
    text = (HELP / "numbers.md").read_text()
    of_strokes = {mark for mark in marks.STROKE_MARKS if mark in marks.DOUBTFUL}
    for mark in of_strokes | {csv_in.COMMAND_ON_AT_START}:
        assert mark in text, mark
    assert csv_in.COMMAND_ON_AT_START == marks.COMMAND_ON_AT_START


def test_the_shares_stated_are_those_used():
    text = (HELP / "numbers.md").read_text().replace("\n", " ").replace("  ", " ")
    assert (pressure.STROKE_SHARE, "a fifth of the stroke's" in text) == (0.2, True)
    assert (pressure.RAMP_SHARE, "at most a twentieth of the ramp's" in text) == (0.05, True)
    assert (pressure.TIME_SHARE, "half the time from the coil" in text) == (0.5, True)
    assert (pressure.RANGE_SHARE, "0.5 % of its measuring range" in text) == (0.005, True)
    assert SETTLE_WINDOW_S == StrokesSheet.model_fields["settle_window_s"].default == 0.02
