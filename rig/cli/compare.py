# SPDX-License-Identifier: MIT
"""`rig compare`: before and after, or a batch of valves side by side."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

from rig.cli.output import one_form, tsv_option, units_of_run, units_option
from rig.core.ending import judged
from rig.core.errors import EXIT_OK, EXIT_UNDECIDED


@click.command("compare")
@click.argument("runs", metavar="BEFORE AFTER [RUN...]", nargs=-1, required=True)
@click.option(
    "--sheet",
    type=click.Path(path_type=Path),
    help="Take [compare] from this sheet instead of that of the run BEFORE.",
)
@click.option(
    "--slope-runs",
    metavar="RUN,RUN,...",
    help="Runs of the same valve under other conditions: how its times go with pressure, supply, "
    "oil temperature and engine speed.",
)
@click.option(
    "--study",
    metavar="RUN,RUN,...",
    help="Runs of a rig study (see `rig study`): what mounting a valve again adds.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else.")
@tsv_option
@units_option
@click.option("--full", is_flag=True, help="Of a batch each run less the first, and all remarks.")
def command(
    runs: tuple[str, ...], sheet: Path | None, slope_runs: str | None, study: str | None,
    as_json: bool, tsv: bool, full: bool,
) -> None:  # fmt: skip
    """Compare runs of strokes: BEFORE with AFTER, or three and more as a batch.

    Runs are numbers, or "last". It says how far apart the mean response and release are, how sure
    that is, and, where the sheet's [compare] gives a margin, whether they are alike for the
    purpose. A difference is called real only with the conditions of both runs and the spread
    between mountings allowed for. Of three runs or more it ranks all, flags the one that stands
    apart, and holds each against the limits of its sheet in a table. Runs of different sources
    are not compared.

    Exit codes: 0 compared, 2 refused, 5 too few numbers to compare anything.
    """
    one_form(as_json=as_json, tsv=tsv)
    from rig.actions.load_results import results_of
    from rig.analysis.compare.beside import Beside
    from rig.analysis.compare.compare_runs import compare_runs
    from rig.cli.terminal.comparison import show_comparison

    found = results_of(runs)
    results = [one.result for one in found]
    settings = _settings(sheet, found[0].sheet)
    beside = Beside(
        *([one.result for one in results_of(numbers_in(text))] for text in (slope_runs, study))
    )
    shape = compare_runs(results, settings, [one.medium for one in found], beside)
    told = any(one is not None for pair in shape["comparisons"] for one in pair["figures"].values())
    code = judged(EXIT_OK if told else EXIT_UNDECIDED)
    if as_json:
        click.echo(json.dumps(shape, allow_nan=False, ensure_ascii=False))
    else:
        units_of_run(runs[0])
        show_comparison(shape, results, tsv=tsv, full=full)
    sys.exit(code)


def numbers_in(text: str | None) -> list[str]:
    """The runs of an option like "31,32 33"."""
    return [] if text is None else text.replace(",", " ").split()


def _settings(path: Path | None, stored: Any) -> Any:
    """`[compare]` of the named sheet, else of the stored one, else without margins."""
    from rig.config.files.loading import load_sheet
    from rig.config.sheet.compare import Compare

    sheet = load_sheet(path).sheet if path is not None else stored
    return getattr(sheet, "compare", None) or Compare()
