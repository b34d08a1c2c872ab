# SPDX-License-Identifier: MIT
"""`rig doctor`: which parts of an installation are in place."""

from __future__ import annotations

import sys

import click

from rig.core.ending import judged


@click.command("doctor")
def command() -> None:
    """Say what of an installation is in place on this computer, and what to do about the rest.

    Each point is ok, LACKS, or absent: not there, and what it is not needed for. Only looks: no
    line is claimed, nothing is changed, nothing is energised. Exit code 0 where all that is needed
    is in place, 2 where something is not.
    """
    from rig.core.errors import EXIT_USAGE
    from rig.install.doctor import points

    found = points()
    for point in found:
        click.echo(f"{point.state:6}  {point.about}: {point.words}")
    remedies = dict.fromkeys(point.remedy for point in found if point.remedy)
    click.echo("To do:" if remedies else "All that is needed is in place.")
    for remedy in remedies:
        click.echo(f"  {remedy}")
    sys.exit(judged(EXIT_USAGE if remedies else 0))
