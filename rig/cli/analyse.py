# SPDX-License-Identifier: MIT
"""`rig analyse`: a capture made elsewhere."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rig.config.loading import LoadedSetup, LoadedSheet

STATED = {
    "supply_voltage": ("voltage", "V"),
    "base_pressure": ("pressure", "kPa"),
}


@click.command("analyse")
@click.argument("capture", type=click.Path(path_type=Path))
@click.option("--setup", required=True, type=click.Path(path_type=Path), help="The rig as wired.")
@click.option("--sheet", type=click.Path(path_type=Path), help="What to accept.")
@click.option("--supply-voltage", metavar="Q", help='As it was with the coil on, like "13.9 V".')
@click.option("--base-pressure", metavar="Q", help='As it was before the valve, like "45 psi".')
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON and nothing else.")
def command(
    capture: Path,
    setup: Path,
    sheet: Path | None,
    supply_voltage: str | None,
    base_pressure: str | None,
    as_json: bool,
) -> None:
    """Analyse CAPTURE, a CSV file made elsewhere. Nothing is energised and nothing is logged.

    Columns: time_s or time_ms; command (1 = coil commanded on); switch (1 = contact closed);
    where known coil (1 = coil live) and pressure_kpa, pressure_psi or pressure_bar. One row for
    each change or sample; a blank cell gives no new value, a digital value holds until the next
    row that gives one.

    Exit codes: 0 conforms (or no limits given), 1 does not conform, 2 the capture, setup or sheet
    is refused, 5 undecided.
    """
    from rig import __version__
    from rig.analysis.run import analyse
    from rig.analysis.shapes import run_json
    from rig.analysis.verdict import exit_code
    from rig.captures import read_csv
    from rig.cli.render import show_result

    stated = _stated({"supply_voltage": supply_voltage, "base_pressure": base_pressure})
    loaded, loaded_sheet = _load(setup, sheet)
    recording = read_csv(capture, loaded.setup)
    result = run_json(
        analyse(recording, loaded.setup, loaded_sheet.sheet if loaded_sheet else None, stated),
        {
            "setup_hash": loaded.hash,
            "sheet_hash": loaded_sheet.hash if loaded_sheet else None,
            "note": f"capture {capture.name}",
            "conditions": stated,
            "software": f"solenoid-rig {__version__}",
        },
    )
    show_result(result, as_json=as_json)
    sys.exit(exit_code(result))


def _load(setup: Path, sheet: Path | None) -> tuple[LoadedSetup, LoadedSheet | None]:
    """Both files, each on its own: whether this rig could drive that sheet does not matter to a
    capture. Raises FileProblems with the problems of both."""
    from rig.config.loading import load_setup, load_sheet
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
        raise FileProblems(problems)
    return loaded, loaded_sheet


def _stated(texts: dict[str, str | None]) -> dict[str, dict[str, object]]:
    from rig.core.errors import UsageError
    from rig.core.quantities import QuantityError, parse

    found: dict[str, dict[str, object]] = {}
    for name, text in texts.items():
        if text is None:
            continue
        dimension, unit = STATED[name]
        try:
            found[name] = {"value": parse(text, dimension), "unit": unit, "how": "typed"}
        except QuantityError as error:
            raise UsageError(f"--{name.replace('_', '-')}: {error}") from error
    return found
