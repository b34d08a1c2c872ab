# SPDX-License-Identifier: MIT
"""What a person confirms before the first stroke on a board."""

from __future__ import annotations

import sys

import click

from rig.core.errors import RefusedError
from rig.core.preflight import Preflight

STATEMENTS = (
    "The drive's plug to the engine control unit is off, so nothing else feeds the coil.",
    "Engine at idle, in park or neutral, parking brake set, wheels blocked - or bench supply on.",
    "Exhaust gas is led away and the room is aired.",
    "Hands, hair and clothes are clear of belts, fans, hot oil and pressure lines.",
    "Fuse, mushroom stop in the coil's supply, and relief valve are in place.",
)


def confirm(by: str | None, found: Preflight, not_watched_accepted: bool) -> tuple[str, list[str]]:
    """Who confirmed and what, asked on a terminal or given by --confirmed-by.

    Raises RefusedError if a person is needed and nobody is there, or the person says no.
    """
    asked = sys.stdin.isatty() and by is None
    if not asked and by is None:
        raise RefusedError(
            "A run on a board needs a person who confirms that the rig may be energised. Start it "
            "in a terminal, or give --confirmed-by NAME after reading `rig run --help`.",
            id_="refusal.nobody-to-confirm",
        )
    said = list(STATEMENTS)
    if asked:
        click.echo("\nBefore the coil is energised, confirm each line:")
        for statement in STATEMENTS:
            if not click.confirm(f"  {statement}", default=False):
                raise RefusedError(
                    "Not confirmed; nothing was energised.", id_="refusal.not-confirmed"
                )
        by = click.prompt("  Your name")
    missing = [str(item["rule"]) for item in found.not_watched]
    if missing:
        words = f"NOT WATCHED on this rig: {', '.join(missing)}"
        if asked and not not_watched_accepted:
            not_watched_accepted = click.confirm(f"  {words}. Run all the same?", default=False)
        if not not_watched_accepted:
            raise RefusedError(
                f"{words}. Wire the sensor, or accept it: --accept-not-watched. "
                "Nothing was energised.",
                id_="refusal.not-watched",
            )
        said.append(f"accepted: {words}")
    return str(by), said
