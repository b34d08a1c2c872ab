# SPDX-License-Identifier: MIT
"""The help page and the reader say the same."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from setups import board

import rig
from rig.analysis.analyse import SETTLE_WINDOW_S, analyse
from rig.analysis.measure import marks, pressure_at
from rig.captures import csv_in, problems, read_capture, taking
from rig.captures.columns import KNOWN
from rig.config.sheet.model import StrokesSheet

HELP = Path(rig.__file__).parents[1] / "webui" / "help"

RIG = board()


def test_every_column_is_described():
    text = (HELP / "captures.md").read_text()
    for name in KNOWN:
        assert f"`{name}`" in text
    assert f"{problems.MAX_BYTES >> 20} MiB" in text


def examples() -> list[str]:
    """The indented blocks of the page, in its order."""
    text = (HELP / "captures.md").read_text()
    blocks = re.findall(r"(?:^    .*\n)+", text, re.M)
    return ["".join(line[4:] for line in block.splitlines(keepends=True)) for block in blocks]


WIDE, LONG, RUNS, VCD = examples()


@pytest.mark.parametrize(
    ("text", "name", "response_ms", "release_ms", "bounce"),
    [
        (WIDE, "wide.csv", 45.5, 37.0, 2),
        (LONG, "long.csv", 45.5, 37.0, 2),
        (VCD, "example.vcd", 52.35, 41.0, 0),
    ],
)
def test_the_examples_read_as_they_say(tmp_path, text, name, response_ms, release_ms, bounce):
    path = tmp_path / name
    path.write_text(text)
    ((run, recording),) = read_capture(path, RIG)
    table = analyse(recording, RIG, None).strokes
    assert run is None
    assert table.response_ms[0] == pytest.approx(response_ms)
    assert table.release_ms[0] == pytest.approx(release_ms)
    assert table.bounce_on[0] == bounce
    assert recording.samples["pressure"].value.tolist() == [62, 305, 64]


def test_the_example_of_several_runs(tmp_path):
    path = tmp_path / "runs.csv"
    path.write_text(RUNS)
    runs = read_capture(path, RIG)
    tables = [analyse(run.recording, RIG, None).strokes for run in runs]
    assert [run.name for run in runs] == ["before", "after"]
    assert [table.response_ms.tolist() for table in tables] == [[95.0], [60.0]]
    assert [table.release_ms.tolist() for table in tables] == [[51.0], [41.0]]
    assert f"more than {csv_in.MAX_RUNS} runs" in " ".join(
        (HELP / "captures.md").read_text().split()
    )


def test_every_doubtful_mark_of_a_stroke_is_explained():
    text = (HELP / "numbers.md").read_text()
    of_strokes = {mark for mark in marks.STROKE_MARKS if mark in marks.DOUBTFUL}
    for mark in of_strokes | {taking.COMMAND_ON_AT_START}:
        assert mark in text, mark
    assert taking.COMMAND_ON_AT_START == marks.COMMAND_ON_AT_START


def test_the_shares_stated_are_those_used():
    text = (HELP / "numbers.md").read_text().replace("\n", " ").replace("  ", " ")
    assert (pressure_at.STROKE_SHARE, "a fifth of the stroke's" in text) == (0.2, True)
    assert (pressure_at.RAMP_SHARE, "at most a twentieth of the ramp's" in text) == (0.05, True)
    assert (pressure_at.TIME_SHARE, "half the time from the coil" in text) == (0.5, True)
    assert (pressure_at.RANGE_SHARE, "0.5 % of its measuring range" in text) == (0.005, True)
    assert SETTLE_WINDOW_S == StrokesSheet.model_fields["settle_window_s"].default == 0.02
