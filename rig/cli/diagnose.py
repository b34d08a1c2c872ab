# SPDX-License-Identifier: MIT
"""`rig diagnose`: which part is at fault, what to check next, or why neither can be told."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from rig.cli.output import one_form, tsv_option, units_of_run, units_option
from rig.core.ending import judged


@click.command("diagnose")
@click.argument("runs", metavar="RUN...", nargs=-1, required=True)
@click.option(
    "--checks", type=click.Path(path_type=Path), metavar="FILE",
    help="Checks done by hand, and where the gauge is (TOML).",
)  # fmt: skip
@click.option("--good", metavar="RUN", help="A run of a known-good valve on the same rig.")
@click.option(
    "--causes", type=click.Path(path_type=Path), metavar="FILE",
    help="Take the causes from this file instead of the program's own.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else.")
@tsv_option
@units_option
def command(
    runs: tuple[str, ...],
    checks: Path | None,
    good: str | None,
    causes: Path | None,
    as_json: bool,
    tsv: bool,
) -> None:
    """Say what RUN... of one rig and one valve, and checks by hand, tell of the cause.

    Runs are numbers, or "last"; captures taken in on the page count as runs. It names causes with
    their probability, what speaks for and against each, the check that tells most for its minutes,
    and what cannot be told with this wiring. The help page "Diagnosis" explains the numbers.

    The probabilities come from judged numbers, not from field data: they order the search and do
    not replace the check. The engine maker's service information decides.

    Exit codes: 0 what to do is clear, 2 refused, 5 undecided, 6 the coil stayed live in a run.
    """
    one_form(as_json=as_json, tsv=tsv)
    from rig.actions.diagnose_runs import diagnosed
    from rig.cli.terminal.diagnosis import exit_code, held_against, show_diagnosis

    found = diagnosed(runs, checks, good, causes)
    code = judged(exit_code(found))
    if as_json:
        click.echo(found.model_dump_json(by_alias=True))
    else:
        units_of_run(runs[0])
        show_diagnosis(found, tsv=tsv)
        if good is None and not tsv:
            click.echo(held_against(None))
    sys.exit(code)
