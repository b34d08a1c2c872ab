# SPDX-License-Identifier: MIT
"""`rig show`: one run of the log."""

from __future__ import annotations

import sys

import click

from rig.cli.output import full_option, one_form, tsv_option, units_option
from rig.core.ending import judged


@click.command("show")
@click.argument("run", metavar="RUN")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON and nothing else.")
@tsv_option
@full_option
@units_option
@click.option("--budget", is_flag=True, help="Print the uncertainty budgets, line by line.")
def command(run: str, as_json: bool, tsv: bool, full: bool, budget: bool) -> None:
    """Show RUN (its number, or "last"): verdict, what to do first, figures and doubts.

    --full shows all tables, --tsv gives a program every stroke. The exit code is that of the
    verdict: 0 conforms or no limits, 1 does not conform, 3 tripped or stopped, 5 undecided, 6 the
    coil was still live at the end.
    """
    one_form(as_json=as_json, tsv=tsv, full=full)
    from rig.actions.analyse_run import analysed, opened_log, run_number, saved_result
    from rig.actions.exercise.store import Exercises
    from rig.analysis.verdict.verdict import exit_code
    from rig.cli.terminal.render import show_result
    from rig.core.reader_units import of_setup_text, use_unless_chosen

    with opened_log() as log:
        number = run_number(log, run)
        stored = Exercises.beside(log.path).without_seed(log.load(number))
        result = saved_result(log, stored) or analysed(stored)
    use_unless_chosen(of_setup_text(stored.header.setup_text))
    result["seed"] = stored.header.seed
    result["purpose"] = stored.header.purpose
    code = judged(exit_code(result))
    if budget and not as_json:
        from rig.text.budget import budget_lines

        for line in budget_lines(result):
            click.echo(line)
    else:
        show_result(result, as_json=as_json, tsv=tsv, full=full)
    sys.exit(code)
