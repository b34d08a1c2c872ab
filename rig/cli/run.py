# SPDX-License-Identifier: MIT
"""`rig run`: a setup and a sheet go in, a logged run comes out."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from rig.cli.output import full_option, one_form, tsv_option, units_of_setup, units_option
from rig.cli.run_options import run_options


@click.command("run")
@click.argument("setup", type=click.Path(path_type=Path))
@click.argument("sheet", type=click.Path(path_type=Path))
@click.option("--valve", metavar="TAG", help="Tag of the valve under test.")
@click.option("--job", metavar="ID", help="Job this run belongs to.")
@click.option("--by", metavar="NAME", help="Who runs it.")
@click.option(
    "--mount",
    type=click.IntRange(1, 2**31 - 1),
    metavar="N",
    help="Number of the mounting, for rig studies.",
)
@click.option("--note", metavar="TEXT", help="Anything worth keeping with the run.")
@click.option("--oil-temperature", metavar="Q", help='As read or typed, like "92 degC".')
@click.option("--base-pressure", metavar="Q", help='Oil pressure before the valve, like "30 psi".')
@click.option("--supply-voltage", metavar="Q", help='At the relay, like "13.9 V".')
@click.option("--idle-speed", metavar="Q", help='Engine speed, like "750 rpm".')
@click.option("--ambient-temperature", metavar="Q", help='Room or bay, like "21 degC".')
@click.option("--oil-grade", metavar="TEXT", help="Grade on the can.")
@click.option("--oil-level", metavar="TEXT", help="As read from the dipstick.")
@click.option(
    "--proved",
    metavar="LIST",
    help='Proved good by hand before this run: "supply,base pressure,coil,switch" or some of it.',
)
@run_options()
@click.option(
    "--fault",
    multiple=True,
    metavar="NAME[:SEVERITY]",
    help='Simulated rig only: a fault in place of its own, as "gauge offset:0.6"; repeatable.',
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON and nothing else.")
@tsv_option
@full_option
@units_option
def command(setup: Path, sheet: Path, **options: Any) -> None:
    """Do SHEET on the rig of SETUP and log the run.

    It ends with a summary: verdict, what to do first, figures, doubts. --full prints everything.

    On a board a person confirms first: the drive is unplugged from the control unit; engine at
    idle in park with the brake set, or bench supply on; exhaust led away; hands clear; fuse,
    mushroom stop and relief valve in place. Scripts pass --confirmed-by NAME.

    Exit codes: 0 finished and conforms (or no limits given), 1 does not conform, 2 wrong setup,
    sheet or option, 3 tripped or stopped, 4 hardware missing or refused, 5 undecided, 6 COIL STILL
    LIVE, 7 internal fault.
    """
    from rig.actions.conduct_run import Run
    from rig.core.errors import UsageError

    one_form(as_json=options["as_json"], tsv=options["tsv"], full=options["full"])
    if options["valve"] is not None and not options["valve"].strip():
        raise UsageError("--valve is empty: give the tag of the valve under test, or leave it out.")
    units_of_setup(setup)
    code = Run(setup, sheet, options).go()
    sys.exit(code)
