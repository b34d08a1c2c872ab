# SPDX-License-Identifier: MIT
"""`rig commission`: prove that a rig is wired as its setup says, and store a dated record."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.output import tell, units_of_setup, units_option
from rig.cli.run_options import simulated_options
from rig.core.ending import judged

if TYPE_CHECKING:
    from rig.actions.commission.record import Record, StepResult
    from rig.config.files.loading import LoadedSetup

MARKS = {"passed": "passed", "failed": "FAILED", "not tried": "not tried", "left out": "LEFT OUT"}


@click.command("commission")
@click.argument("setup", type=click.Path(path_type=Path))
@click.option("--by", metavar="NAME", help="Who commissions the rig.")
@click.option(
    "--months", type=click.IntRange(1, 60), default=12, show_default=True,
    help="It is due again after so many months.",
)  # fmt: skip
@click.option("--show", is_flag=True, help="Show the last record; do nothing.")
@simulated_options()
@click.option("--json", "as_json", is_flag=True, help="Print the record as JSON and nothing else.")
@units_option
def command(
    setup: Path, by: str | None, months: int, show: bool, fast: bool, seed: int | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Prove step by step that the rig of SETUP is wired as SETUP says.

    A lamp or resistor of about the coil's current stands in the coil's place first; the coil comes
    last, and only where everything before it passed. On a board a person at the terminal does what
    each step asks. The record is kept, and every later result says how the rig was commissioned.
    This is no safety test: fuse, mushroom stop and relief valve are proved by hand.

    Exit codes: 0 every step that could be tried passed, 1 a step failed, 2 wrong setup or option, 3
    stopped, 4 hardware missing or refused, 5 a step was left out, or the record shown does not hold
    for SETUP, 6 COIL STILL LIVE, 7 internal fault.
    """
    from rig.actions.commission import record
    from rig.config.files.loading import load_setup
    from rig.core.errors import EXIT_UNDECIDED, UsageError

    units_of_setup(setup)
    loaded = load_setup(setup)
    simulated = loaded.setup.backend == "simulated"
    if (fast or seed is not None) and not simulated:
        raise UsageError("--fast and --seed work only with a simulated rig.")
    if show:
        found = record.records(record.rig_of(loaded.setup))
        if not found:
            raise UsageError(f"There is no record of this rig: `rig commission {setup}` makes one.")
        made = found[0]
    else:
        made = _commission(loaded, {"fast": fast, "seed": seed, "months": months}, by, as_json)
    code, against = made.exit_code, record.against(made, loaded.setup) if show else ""
    if against:
        code = code or EXIT_UNDECIDED
        click.echo(f"This record does not hold for {setup}: {against}.\n", err=as_json)
    judged(code)
    if as_json:
        click.echo(record.as_json(made))
    else:
        _show(made)
    sys.exit(code)


def _commission(
    loaded: LoadedSetup, options: dict[str, object], by: str | None, as_json: bool
) -> Record:
    from rig.actions.commission import record
    from rig.actions.commission.conduct import commission
    from rig.actions.commission.hands import hands_for
    from rig.core.errors import UsageError

    hands = hands_for(loaded.setup)
    if not by and not sys.stdin.isatty():
        raise UsageError("Give --by NAME: the record says who commissioned the rig.")
    by = by or click.prompt("Who commissions the rig?", err=True)

    def told(step: StepResult) -> None:
        if not as_json:
            tell(f"{MARKS[step.result]:>9}  {step.title}: {step.words}", err=True)

    made = commission(loaded, hands, options | {"by": by}, told)
    click.echo(f"Record kept: {record.path_of(made)}", err=True)
    return made


def _show(made: Record) -> None:
    from rig.text import words

    word = words.UNREAL.get(made.source)
    if word:
        click.echo(f"# {word}")
    click.echo(made.headline)
    click.echo(f"{made.rig}, {made.setup_name} ({made.setup_hash}), {made.software}")
    for step in made.steps:
        tell(f"\n{MARKS[step.result]}\t{step.title}\t{step.words}")
        if step.remedy:
            tell(f"\tWhat to do: {step.remedy}")
        for one in step.measured:
            tell(f"\t{one.name}\t{one.words}")
        if step.runs:
            click.echo(f"\tin run {', '.join(str(run) for run in step.runs)}")
