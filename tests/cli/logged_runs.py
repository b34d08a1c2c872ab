# SPDX-License-Identifier: MIT
"""A run in the test's own log, recorded edge by edge, and a setup and sheet for it."""

from __future__ import annotations

from pathlib import Path

import click
from click.testing import CliRunner, Result
from setups import BOARD, toml

from rig.core.clock import WallTime
from rig.core.records import GOOD, Command, Edge, End, Level, Record, Sample, Trip, encode_lines
from rig.runlog.header import RunHeader
from rig.runlog.store import RunLog

MS = 1_000_000

SETUP = toml(BOARD | {"readback": {"line": 23}})

SHEET = """
kind = "strokes"
strokes = {strokes}
on_time = "500 ms"
rest = "500 ms"
base_pressure_min = "200 kPa"
[[accept]]
figure = "response"
max = "80 ms"
[[accept]]
figure = "missed"
max = 0
"""


def records(strokes: int, *, missed: tuple[int, ...] = (), slow: tuple[int, ...] = ()):
    """Strokes of 1 s from 1 s; response 50 ms (95 in `slow`), release 36 ms."""
    found: list[Record] = [Level("switch", 1, 0), Level("readback", 0, 0)]
    switch = readback = 0

    def edge(line: str, level: int, ms: float) -> Edge:
        nonlocal switch, readback
        switch, readback = switch + (line == "switch"), readback + (line == "readback")
        return Edge(line, level, round(ms * MS), switch if line == "switch" else readback, "plant")

    for number in range(1, strokes + 1):
        at = number * 1000
        response = 95 if number in slow else 50
        found += [
            Sample("pressure", 300.0, (at - 100) * MS, GOOD),
            Command(True, at * MS, at * MS + 200, number),
            edge("readback", 1, at + 8),
        ]
        if number not in missed:
            found += [edge("switch", 0, at + 8 + response)]
        found += [Command(False, (at + 500) * MS, (at + 500) * MS, number)]
        found += [edge("readback", 0, at + 504)]
        if number not in missed:
            found += [edge("switch", 1, at + 540)]
    return found


def log_run(
    folder: Path, strokes: int = 3, *, source: str = "simulated", status: str = "finished",
    trip: bool = False, end: bool = True, **kinds: tuple[int, ...],
) -> int:  # fmt: skip
    """Put a run into the log in `folder`; returns its number."""
    rows = records(strokes, **kinds)
    last = (strokes + 1) * 1000 * MS
    if trip:
        rows.append(Trip("over-pressure", 620.0, 600.0, "kPa", last - 1, "too high"))
    ended = End(status, "confirmed off", last)
    if end:
        rows.append(ended)
    header = RunHeader(
        source=source,
        seed=4 if source == "simulated" else None,
        setup_text=SETUP,
        setup_hash="a" * 16,
        setup_name="a.setup.toml",
        sheet_text=SHEET.format(strokes=strokes),
        sheet_hash="b" * 16,
        sheet_name="b.sheet.toml",
        software="solenoid-rig test",
        wall=WallTime(1_700_000_000.0, 0, "boot", True),
        valve="V-1 [bold]x[/bold]",
        by="demo person",
        conditions={"oil_temperature": {"value": 92.0, "unit": "degC", "how": "typed"}},
        not_watched=[{"rule": "over-pressure", "reaction_ms": None, "why": "no gauge"}],
    )
    with RunLog(folder / "runs.sqlite") as log:
        run = log.begin_run(header)
        log.append_chunk(run, len(rows), encode_lines(rows))
        if end:
            log.end_run(run, status, ended)
    return run


def call(command: click.Command, *arguments: str | Path) -> Result:
    """Call a command as a program would: standard output is no terminal."""
    done = CliRunner().invoke(command, [str(argument) for argument in arguments])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done
