# SPDX-License-Identifier: MIT
"""`rig analyse`: a capture made elsewhere."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.core.ending import judged

if TYPE_CHECKING:
    from rig.config.files.loading import LoadedSetup, LoadedSheet


@click.command("analyse")
@click.argument("capture", type=click.Path(path_type=Path))
@click.option("--setup", required=True, type=click.Path(path_type=Path), help="The rig as wired.")
@click.option("--sheet", type=click.Path(path_type=Path), help="What to accept.")
@click.option("--supply-voltage", metavar="Q", help='As it was with the coil on, like "13.9 V".')
@click.option("--base-pressure", metavar="Q", help='As it was before the valve, like "45 psi".')
@click.option("--proved", metavar="LIST", help='What was proved good, like "coil,switch".')
@click.option("--resolution", metavar="Q", help='How finely CAPTURE tells time, like "1 ms".')
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON and nothing else.")
def command(
    capture: Path,
    setup: Path,
    sheet: Path | None,
    supply_voltage: str | None,
    base_pressure: str | None,
    proved: str | None,
    resolution: str | None,
    as_json: bool,
) -> None:
    """Analyse CAPTURE, a file made elsewhere. Nothing is energised and nothing is logged.

    A CSV has the columns time_s or time_ms; command (1 = coil commanded on); switch (1 = contact
    closed); where known coil (1 = coil live) and pressure_kpa, pressure_psi or pressure_bar. One
    row for each change or sample; a blank cell gives no new value, a digital value holds until the
    next row that gives one. Or one row for each value, with the columns signal and value. A column
    run tells several runs apart: each is analysed. A VCD has signals of the same names.

    A file with a row at every look shows by itself between which rows an edge lies. For one with
    rows where something changed give --resolution, unless a comment in it says "resolution: 1 ms".

    Exit codes: 0 conforms (or no limits given), 1 does not conform, 2 the capture, setup or sheet
    is refused, 5 undecided; of several runs the worst.
    """
    from rig import __version__
    from rig.actions.conditions import conditions, refuse_apart
    from rig.actions.judge_run import judged_json
    from rig.analysis.analyse import analyse
    from rig.captures import read_capture
    from rig.diagnosis.findings.model import RunSeen

    stated = conditions(
        {"supply_voltage": supply_voltage, "base_pressure": base_pressure, "proved": proved}
    )
    loaded, loaded_sheet = _load(setup, sheet)
    sheet_read = loaded_sheet.sheet if loaded_sheet else None
    refuse_apart(loaded.setup, sheet_read, stated)
    results = []
    for name, recording in read_capture(capture, loaded.setup, _resolution_ns(resolution)):
        of_run = "" if name is None else f", run {name}"
        result = analyse(recording, loaded.setup, sheet_read, stated)
        shape = judged_json(
            RunSeen("the capture", recording, result, loaded.setup, sheet_read, stated),
            {
                "setup_hash": loaded.hash,
                "sheet_hash": loaded_sheet.hash if loaded_sheet else None,
                "note": f"capture {capture.name}{of_run}",
                "conditions": stated,
                "software": f"solenoid-rig {__version__}",
            },
        )
        results.append((name, shape))
    code = judged(_worst(results))
    _show(results, as_json=as_json)
    sys.exit(code)


Results = list[tuple[str | None, dict[str, Any]]]


def _show(results: Results, *, as_json: bool) -> None:
    """One run without a name as `rig show` would; runs with names each under its own head, in
    JSON as a list `runs`, in the order of the file."""
    from rig.cli.terminal.render import show_result
    from rig.text.words import one_line

    if results[0][0] is None:
        show_result(results[0][1], as_json=as_json)
    elif as_json:
        runs = [{"capture_run": name, **shape} for name, shape in results]
        click.echo(json.dumps({"runs": runs}, allow_nan=False, ensure_ascii=False))
    else:
        for n, (name, shape) in enumerate(results, 1):
            click.echo(f"# run {one_line(name)} ({n} of {len(results)})")
            show_result(shape)
            click.echo()


def _worst(results: Results) -> int:
    """The exit code of all runs: does not conform before undecided before conforms."""
    from rig.analysis.verdict.verdict import exit_code
    from rig.core.errors import EXIT_DOES_NOT_CONFORM, EXIT_UNDECIDED

    codes = {exit_code(shape) for _, shape in results}
    return next((code for code in (EXIT_DOES_NOT_CONFORM, EXIT_UNDECIDED) if code in codes), 0)


def _load(setup: Path, sheet: Path | None) -> tuple[LoadedSetup, LoadedSheet | None]:
    """Both files, each on its own: whether this rig could drive that sheet does not matter to a
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


def _resolution_ns(text: str | None) -> int | None:
    from rig.core.errors import UsageError
    from rig.core.quantities import QuantityError, parse

    if text is None:
        return None
    try:
        seconds = parse(text, "time")
    except QuantityError as error:
        raise UsageError(f"--resolution: {error}") from error
    ns = round(seconds * 1e9) if seconds < 3600 else 0
    if not ns > 0:
        raise UsageError(f"--resolution: {text} is no time from 1 ns to an hour; write 1 ms")
    return ns
