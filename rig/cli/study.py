# SPDX-License-Identifier: MIT
"""`rig study`: is this rig good enough for this limit?"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.output import one_form, tsv_option
from rig.core.errors import EXIT_OK, EXIT_UNDECIDED

if TYPE_CHECKING:
    from rig.core.results.comparison import Study

ROWS = (
    ("repeatability", "repeatability_ms"),
    ("reproducibility", "reproducibility_ms"),
    ("rig (GRR)", "grr_ms"),
    ("valves", "valves_ms"),
    ("total", "total_ms"),
    ("%GRR of the total", "grr_pct"),
    ("groups told apart (ndc)", "ndc"),
    ("% of the limits (P/T)", "precision_to_tolerance_pct"),
    ("repeatability limit", "repeatability_limit_ms"),
)
METHODS = {"anova": "analysis of variance", "average_range": "average and range"}


@click.command("study")
@click.argument("runs", metavar="RUN...", nargs=-1, required=True)
@click.option(
    "--sheet",
    type=click.Path(path_type=Path),
    help="Take the limits from this sheet instead of that of the first run.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else.")
@tsv_option
def command(runs: tuple[str, ...], sheet: Path | None, as_json: bool, tsv: bool) -> None:
    """Study the rig: the same valve, taken off and mounted again several times by several people.

    Every run needs --by and --mount. Its mean is one measurement. The study says how much one
    person's mountings differ (repeatability), how much people differ (reproducibility), and how
    much of the room between the sheet's limits that takes up. With two valves or more also how
    much of their spread is the rig's own. Two methods give different numbers and are named apart.

    Exit codes: 0 done, 2 refused, 5 no figure could be studied.
    """
    one_form(as_json=as_json, tsv=tsv)
    from rig.actions.load_results import results_of
    from rig.analysis.compare.study_runs import study_runs
    from rig.config.files.loading import load_sheet

    found = results_of(runs)
    used = load_sheet(sheet).sheet if sheet is not None else found[0].sheet
    shape = study_runs([one.result for one in found], used.accept if used else ())
    if as_json:
        click.echo(json.dumps(shape, allow_nan=False, ensure_ascii=False))
    else:
        for line in lines(shape, for_person=not tsv):
            click.echo(line)
    told = any(one is not None for one in shape["figures"].values())
    sys.exit(EXIT_OK if told else EXIT_UNDECIDED)


def lines(shape: Study, *, for_person: bool) -> Iterator[str]:
    """The study as text: words and a table, or lines of fields separated by tabs."""
    import textwrap

    from rig.text import words

    word = words.UNREAL.get(shape["source"])
    if word:
        yield f"# {word}: {words.NO_VALVE[shape['source']]}"
    people = ", ".join(words.one_line(person) for person in shape["people"])
    yield f"{shape['mountings']} mountings by {people}"
    for line in shape["words"]:
        yield from textwrap.wrap(line, 96) if for_person else [f"says\t{line}"]
    for figure, one in shape["figures"].items():
        if one is None:
            continue
        name = figure.removesuffix("_ms")
        both = (("anova", one["anova"]), ("average_range", one["average_range"]))
        methods = [(method, dict(found.items())) for method, found in both if found is not None]
        if for_person:
            yield ""
            titles = "".join(f"{METHODS[method]:>22}" for method, _ in methods)
            yield f"{name + ', ms':<26}{titles}"
        for title, key in ROWS:
            values = [found[key] for _, found in methods]
            if not for_person:
                for (method, _), value in zip(methods, values, strict=True):
                    yield f"{figure}.{method}.{key}\t{'' if value is None else value}"
            elif any(value is not None for value in values):
                yield f"{title:<26}" + "".join(f"{words.number(v, 3):>22}" for v in values)
