# SPDX-License-Identifier: MIT
"""`rig agree`: do two rigs read the same?"""

from __future__ import annotations

import json
import shutil

import click

from rig.cli.output import one_form, tsv_option


@click.command("agree")
@click.argument("first", metavar="RUN,RUN,...")
@click.argument("second", metavar="RUN,RUN,...")
@click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else.")
@tsv_option
def command(first: str, second: str, as_json: bool, tsv: bool) -> None:
    """Say whether two rigs read the same, by the same valves: limits of agreement.

    The first list holds the runs of one rig, the second those of the other (or of the same rig
    after a change), each valve once in both, under the same conditions.

    Exit codes: 0 done, 2 refused.
    """
    one_form(as_json=as_json, tsv=tsv)
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
    from rig.text.wrapped import wrapped

    for source in shape["sources"]:
        if source in words.UNREAL:
            click.echo(f"# {words.UNREAL[source]}: {words.NO_VALVE[source]}")
    width = min(96, shutil.get_terminal_size().columns)
    for line in shape["words"]:
        for part in [f"says\t{line}"] if tsv else wrapped(line, width):
            click.echo(part)
    for name, found in shape["figures"].items() if tsv else ():
        for key, value in flat(name, found):
            click.echo(f"{key}\t{'' if value is None else value}")
