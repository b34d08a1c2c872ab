# SPDX-License-Identifier: MIT
"""`rig analyse`: a capture made elsewhere."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.output import full_option, one_form, tsv_option, units_of_setup, units_option
from rig.core.ending import judged

if TYPE_CHECKING:
    from rig.captures import Plan
    from rig.config.files.loading import LoadedSetup, LoadedSheet
    from rig.config.setup.model import Setup
    from rig.core.results.run import Result


@click.command("analyse")
@click.argument("capture", type=click.Path(path_type=Path))
@click.option("--setup", required=True, type=click.Path(path_type=Path), help="The rig as wired.")
@click.option("--sheet", type=click.Path(path_type=Path), help="What to accept.")
@click.option("--supply-voltage", metavar="Q", help='As it was with the coil on, like "13.9 V".')
@click.option("--base-pressure", metavar="Q", help='As it was before the valve, like "45 psi".')
@click.option("--proved", metavar="LIST", help='What was proved good, like "coil,switch".')
@click.option("--resolution", metavar="Q", help='How finely CAPTURE tells time, like "1 ms".')
@click.option(
    "--map", "maps", multiple=True, metavar="SIGNAL=COLUMN",
    help='Which column is what, like switch="Channel 2"; "not Channel 2" where 0 counts.',
)  # fmt: skip
@click.option(
    "--threshold", "thresholds", multiple=True, metavar="SIGNAL=LOW..HIGH",
    help="Of a level in volts: 0 below LOW, 1 above HIGH, like switch=2..3.",
)  # fmt: skip
@click.option(
    "--scale", "scales", multiple=True, metavar="SIGNAL=FACTOR",
    help="What a column's readings are multiplied by.",
)  # fmt: skip
@click.option("--rate", metavar="Q", help='Samples a second of rows without a time, like "10 kHz".')
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON and nothing else.")
@tsv_option
@units_option
@full_option
def command(
    capture: Path,
    setup: Path,
    sheet: Path | None,
    supply_voltage: str | None,
    base_pressure: str | None,
    proved: str | None,
    resolution: str | None,
    maps: tuple[str, ...],
    thresholds: tuple[str, ...],
    scales: tuple[str, ...],
    rate: str | None,
    as_json: bool,
    tsv: bool,
    full: bool,
) -> None:
    """Analyse CAPTURE, a file made elsewhere. Nothing is energised and nothing is logged.

    A CSV has the columns time_s or time_ms; command (1 = coil commanded on); switch (1 = contact
    closed); where known coil (1 = coil live) and pressure_kpa, pressure_psi or pressure_bar. One
    row for each change or sample; a blank cell gives no new value, a digital value holds until the
    next row that gives one. Or one row for each value, with the columns signal and value. A column
    run tells several runs apart: each is analysed. A VCD has signals of the same names.

    A file with a row for every sample shows by itself between which rows an edge lies. For one with
    rows where something changed give --resolution, unless a comment in it says "resolution: 1 ms".

    A file as an instrument writes it, with any names of columns, is read by --map. What is not
    stated is guessed, and shown with the first strokes; it counts when confirmed, on the terminal
    or by stating it, and is then kept for files like it.

    Exit codes: 0 conforms (or no limits given), 1 does not conform, 2 the capture, setup or sheet
    is refused, 5 undecided; of several runs the worst.
    """
    one_form(as_json=as_json, tsv=tsv, full=full)
    from rig import __version__
    from rig.actions.capture_maps import kept
    from rig.actions.conditions import conditions, refuse_apart
    from rig.actions.judge_run import judged_json
    from rig.analysis.analyse import analyse
    from rig.captures import plan_capture, read_capture, stated_resolution_ns
    from rig.captures.mapping import stated as stated_columns
    from rig.diagnosis.findings.model import RunSeen
    from rig.results.run_json import AboutRun

    stated = conditions(
        {"supply_voltage": supply_voltage, "base_pressure": base_pressure, "proved": proved}
    )
    units_of_setup(setup)
    loaded, loaded_sheet = _load(setup, sheet)
    sheet_read = loaded_sheet.sheet if loaded_sheet else None
    refuse_apart(loaded.setup, sheet_read, stated)
    resolution_ns = stated_resolution_ns(resolution)
    columns = stated_columns(maps, thresholds, scales, rate)
    plan = plan_capture(capture, loaded.setup, columns, kept)
    with _progress(capture) as progress:
        plan = _confirmed(plan, capture, loaded.setup)
        captured = read_capture(capture, loaded.setup, resolution_ns, plan, progress)
    results = []
    for name, recording in captured:
        of_run = "" if name is None else f", run {name}"
        result = analyse(recording, loaded.setup, sheet_read, stated)
        shape = judged_json(
            RunSeen("the capture", recording, result, loaded.setup, sheet_read, stated),
            AboutRun(
                setup_hash=loaded.hash,
                sheet_hash=loaded_sheet.hash if loaded_sheet else None,
                note=f"capture {capture.name}{of_run}",
                conditions=stated,
                software=f"solenoid-rig {__version__}",
            ),
        )
        if plan is not None and plan.by is not None:
            shape["columns"] = {"map": plan.by.as_typed(), "remarks": list(plan.remarks)}
        results.append((name, shape))
    code = judged(_worst(results))
    _show(results, as_json=as_json, tsv=tsv, full=full)
    sys.exit(code)


PROGRESS_BYTES = 4 << 20
"""Smaller files are read before anyone wonders."""


@contextlib.contextmanager
def _progress(capture: Path) -> Iterator[Callable[[int], None] | None]:
    """Progress of reading a large file, on the terminal's error output."""
    size = capture.stat().st_size if capture.is_file() else 0
    if size < PROGRESS_BYTES:
        yield None
        return
    shown = -1

    def progress(read: int) -> None:
        nonlocal shown
        percent = min(100, 100 * read // size)
        step = 1 if sys.stderr.isatty() else 25
        if percent // step > shown:
            shown = percent // step
            end = "\r" if sys.stderr.isatty() else "\n"
            click.echo(f"# read {percent} % of {size >> 20} MiB{end}", nl=False, err=True)

    yield progress
    if sys.stderr.isatty():
        click.echo(err=True)


def _confirmed(plan: Plan | None, capture: Path, setup: Setup) -> Plan | None:
    """The plan, shown when columns are mapped; a guess is used only if a person on the terminal
    agrees. Raises FileProblems if nobody can be asked."""
    from rig.actions.capture_maps import keep
    from rig.analysis.analyse import analyse
    from rig.captures import read_capture
    from rig.captures.csv_in import unsure
    from rig.captures.problems import Problems
    from rig.text.first_strokes import first_strokes
    from rig.text.words import one_line

    if plan is None:
        return None
    if plan.left_out:
        names = one_line(", ".join(plan.left_out))
        click.echo(f"# columns left out: {names}", err=True)
    if plan.by is None:
        return plan
    if not plan.sure:
        if plan.by.missing() or not sys.stdin.isatty():
            raise unsure(plan, Problems(capture))
        click.echo(f"Guessed: {one_line(plan.by.as_typed())}", err=True)
        for remark in plan.remarks:
            click.echo(f"  {one_line(remark)}", err=True)
        for _, recording in read_capture(capture, setup, plan=plan):
            for line in first_strokes(recording, analyse(recording, setup, None).strokes):
                click.echo(f"  {line}", err=True)
        if not click.confirm("Is that right?", default=False, err=True):
            raise unsure(plan, Problems(capture))
    click.echo(f"# columns: {one_line(plan.by.as_typed())}", err=True)
    if plan.sure:
        for remark in plan.remarks:
            click.echo(f"# {one_line(remark)}", err=True)
    keep(plan.key, plan.by)
    return plan


Results = list[tuple[str | None, "Result"]]


def _show(results: Results, *, as_json: bool, tsv: bool, full: bool) -> None:
    """An unnamed run as `rig show` would print it; named runs each under its own heading, in JSON
    as a list `runs`, in file order."""
    from rig.cli.terminal.render import show_result
    from rig.text.words import one_line

    if results[0][0] is None:
        show_result(results[0][1], as_json=as_json, tsv=tsv, full=full)
    elif as_json:
        runs = [{"capture_run": name, **shape} for name, shape in results]
        click.echo(json.dumps({"runs": runs}, allow_nan=False, ensure_ascii=False))
    else:
        for n, (name, shape) in enumerate(results, 1):
            click.echo(f"# run {one_line(name)} ({n} of {len(results)})")
            show_result(shape, tsv=tsv, full=full)
            click.echo()


def _worst(results: Results) -> int:
    """The exit code of all runs: does not conform before undecided before conforms."""
    from rig.analysis.verdict.verdict import exit_code
    from rig.core.errors import EXIT_DOES_NOT_CONFORM, EXIT_UNDECIDED

    codes = {exit_code(shape) for _, shape in results}
    return next((code for code in (EXIT_DOES_NOT_CONFORM, EXIT_UNDECIDED) if code in codes), 0)


def _load(setup: Path, sheet: Path | None) -> tuple[LoadedSetup, LoadedSheet | None]:
    """Load both files separately: whether this rig could drive that sheet does not matter for a
    capture. Raises FileProblems with the problems of both."""
    from rig.config.files.loading import load_setup, load_sheet
    from rig.core.errors import FileProblems, Problem

    problems: list[Problem] = []
    loaded = loaded_sheet = None
    try:
        loaded = load_setup(setup)
    except FileProblems as error:
        problems += error.problems
    try:
        loaded_sheet = load_sheet(sheet) if sheet else None
    except FileProblems as error:
        problems += error.problems
    if loaded is None or problems:
        raise FileProblems(problems, "nothing was analysed")
    return loaded, loaded_sheet
