# SPDX-License-Identifier: MIT
"""`rig agree`: do two rigs read the same?"""

from __future__ import annotations

import json

import click


@click.command("agree")
@click.argument("first", metavar="RUN,RUN,...")
@click.argument("second", metavar="RUN,RUN,...")
@click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else.")
def command(first: str, second: str, as_json: bool) -> None:
    """Say whether two rigs read the same, by the same valves: limits of agreement.

    The first list holds the runs of one rig, the second those of the other (or of the same rig
    after a change), each valve once in both, under the same conditions.

    Exit codes: 0 done, 2 refused.
    """
    from rig.actions.load_results import results_of
    from rig.analysis.compare.agreement_runs import agreement_of
    from rig.cli.compare import numbers_in

    one, two = ([r.result for r in results_of(numbers_in(text))] for text in (first, second))
    shape = agreement_of(one, two)
    if as_json:
        click.echo(json.dumps(shape, allow_nan=False, ensure_ascii=False))
        return
    from rig.text import words
    from rig.text.behaviour import flat

    for source in shape["sources"]:
        if source in words.UNREAL:
            click.echo(f"# {words.UNREAL[source]}: {words.NO_VALVE[source]}")
    for line in shape["words"]:
        click.echo(f"says\t{line}")
    for name, found in shape["figures"].items():
        for key, value in flat(name, found):
            click.echo(f"{key}\t{'' if value is None else value}")
