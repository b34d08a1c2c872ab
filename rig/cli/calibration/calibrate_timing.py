# SPDX-License-Identifier: MIT
"""`rig calibrate --timing`: what the rig itself adds to a time, as a table for its setup."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.core.errors import EXIT_UNDECIDED

if TYPE_CHECKING:
    from rig.actions.calibrate_timing import TimingRecord
    from rig.analysis.measure.own_timing import Way

CAUTION = (
    "Caution: no valve is energised here. Coil supply off while you wire. A resistor or lamp in "
    "the coil's place gets as warm as the coil would: keep it off what burns. Fuse and stop stay."
)
STEP_MS = 1e-4
"""Shortest and longest times are rounded outwards to this."""


def timing(setup: Path, strokes: int, date: str, due: str, options: Mapping[str, Any]) -> int:
    """Measure, show, and write `[timing]` on request; returns the exit code."""
    from rig.actions.calibrate_timing import TimingRecord, do_run, times_of
    from rig.analysis.measure.own_timing import NoLoopError

    click.echo(CAUTION, err=True)
    run_options = ("by", "confirmed_by", "accept_not_watched", "wait", "fast", "seed")
    code, run = do_run(setup, strokes, {name: options[name] for name in run_options})
    if code or run is None:
        return code
    try:
        times, source, setup_hash, wired = times_of(run)
    except NoLoopError as error:
        click.echo(
            f"Run {run} is kept, and nothing was written: {error}. Is the resistor in the coil's "
            "place, and the load side led into the switch input in place of the switch? See "
            "`rig calibrate --help` and the help page on calibration.",
            err=True,
        )
        return EXIT_UNDECIDED
    by = options["by"] or ""
    record = TimingRecord(run, source, setup_hash, wired, date, due, by, times)
    for line in shown(record):
        click.echo(line)
    if options["record"] is not None:
        from rig.core.atomic_file import whole_file

        try:
            with whole_file(options["record"]) as file:
                file.write(json.dumps(record.as_json(), indent=1) + "\n")
        except OSError as error:
            click.echo(f"{options['record']} could not be written ({error}).", err=True)
    _keep(setup, table_text(record), write=options["write"])
    return 0


def shown(record: TimingRecord) -> Iterator[str]:
    """The result, in plain words."""
    times = record.times
    if record.source != "board":
        yield f"{record.source.upper()}: no rig was measured."
    yield f"Run {record.run}, timed from the {times.timed_from}; true value 0."
    yield f"{'':9}{'n':>6} {'mean ms':>10} {'sd ms':>9} {'u(mean) ms':>11}   relay least to most ms"
    for name, way in (("response", times.response), ("release", times.release)):
        u = way.sd_ms / math.sqrt(way.n)
        yield (
            f"{name:9}{way.n:6d} {way.mean_ms:10.4f} {way.sd_ms:9.4f} {u:11.5f}   "
            f"{way.least_ms:.3f} to {way.most_ms:.3f}"
        )
    if times.left_out:
        yield f"{times.left_out} strokes without both edges are left out."
    if times.response.n != times.release.n:
        yield "Strokes whose bounce one input alone showed are left out of that row."


def table_text(record: TimingRecord) -> str:
    """The `[timing]` table as TOML."""
    times = record.times
    lines = [
        "[timing]", f'date = "{record.date}"', f'due = "{record.due}"',
        f"by = {json.dumps(record.by, ensure_ascii=False)}", f'timed_from = "{times.timed_from}"',
        f'source = "{record.source}"', f"run = {record.run}",
        f"wired = {json.dumps(record.wired, ensure_ascii=False)}",
    ]  # fmt: skip
    for name, way in (("response", times.response), ("release", times.release)):
        lines += [
            f"{name}_n = {way.n}",
            f'{name}_mean = "{way.mean_ms:.6f} ms"',
            f'{name}_sd = "{way.sd_ms:.6f} ms"',
        ]
    for name, way in (("operate", times.response), ("release", times.release)):
        least, most = _outwards(way)
        lines.append(f'{name}_delay = ["{least:.4f} ms", "{most:.4f} ms"]')
    return "\n".join(lines) + "\n"


def _outwards(way: Way) -> tuple[float, float]:
    low, high = math.floor(way.least_ms / STEP_MS), math.ceil(way.most_ms / STEP_MS)
    return low * STEP_MS, max(high, low + 1) * STEP_MS


def _keep(setup: Path, table: str, *, write: bool) -> None:
    """Show the table, and write it to the setup on request."""
    import sys

    from rig.cli.calibration.calibrate import replace_text
    from rig.cli.terminal.calibration import with_table
    from rig.config.files.loading import load_setup, setup_from_text

    click.echo("\n" + table)
    loaded = load_setup(setup)
    new = with_table(loaded.text, table, "timing")
    setup_from_text(new, loaded.path)  # refused here, before anything is written
    asks = sys.stdin.isatty()
    if not write and not (asks and click.confirm(f"Put this table into {setup}?", default=True)):
        click.echo("Nothing was written. Copy the table into the setup, or use --write.", err=True)
        return
    replace_text(setup, new)
