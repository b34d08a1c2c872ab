# SPDX-License-Identifier: MIT
"""Runs in the test's own log with chosen response times."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from logged_runs import MS, SETUP, SHEET

from rig.config.files.loading import text_hash
from rig.core.clock import WallTime
from rig.core.records import Command, Edge, End, Level, Record, Sample, encode_lines
from rig.runlog.header import RunHeader
from rig.runlog.store import RunLog


def log_times(
    folder: Path, responses: Sequence[float | None], *, source: str = "board",
    oil: float | None = None, sheet: str = "", **known: Any,
) -> int:  # fmt: skip
    """A finished run with these responses (ms; None: missed) and releases of 30 ms; returns its
    number. `sheet` is added to the sheet's text; `known` are fields of the header."""
    rows: list[Record] = [Level("switch", 1, 0), Level("readback", 0, 0)]
    count = {"switch": 0, "readback": 0}

    def edge(line: str, level: int, ms: float) -> None:
        count[line] += 1
        rows.append(Edge(line, level, round(ms * MS), count[line], "kernel"))

    for number, response in enumerate(responses, 1):
        at = number * 1000
        rows.append(Sample("pressure", 300.0, (at - 100) * MS, "good"))
        rows.append(Command(True, at * MS, at * MS + 200, number))
        edge("readback", 1, at + 8)
        if response is not None:
            edge("switch", 0, at + 8 + response)
        rows.append(Command(False, (at + 500) * MS, (at + 500) * MS, number))
        edge("readback", 0, at + 504)
        if response is not None:
            edge("switch", 1, at + 534)
    ended = End("finished", "confirmed off", (len(responses) + 1) * 1000 * MS)
    conditions = {}
    if oil is not None:
        conditions["oil_temperature"] = {"value": oil, "unit": "degC", "how": "typed"}
    text = SHEET.format(strokes=len(responses)) + sheet
    header = RunHeader(
        source=source, setup_text=SETUP, setup_hash="a" * 16, setup_name="a.setup.toml",
        sheet_text=text, sheet_hash=text_hash(text), sheet_name="b.sheet.toml",
        software="solenoid-rig test", wall=WallTime(1_700_000_000.0, 0, "boot", True),
        conditions=conditions, **known,
    )  # fmt: skip
    with RunLog(folder / "runs.sqlite") as log:
        run = log.begin_run(header)
        log.append_chunk(run, len(rows) + 1, encode_lines([*rows, ended]))
        log.end_run(run, "finished", ended)
    return run
