# SPDX-License-Identifier: MIT
"""`rig clear`: a person clears a latched trip, refused while its condition stands."""

from __future__ import annotations

import time
from pathlib import Path

import click


@click.command("clear")
@click.argument("setup", required=False, type=click.Path(path_type=Path))
def command(setup: Path | None) -> None:
    """Clear a trip, once its cause is gone.

    Looks at the inputs first, without energising anything, and refuses while what tripped the rig
    still stands. With one rig known, SETUP may be left out.
    """
    from rig import compose
    from rig.bench.bench import Bench
    from rig.config.resolved import setup_from_plan
    from rig.core import places, state_file
    from rig.core.errors import RefusedError, UsageError
    from rig.desk import safe

    if setup is not None:
        from rig.cli.safe import _state_of

        paths = [_state_of(setup)]
    else:
        paths = [path for path, state in safe.states(places.state_dir()) if state.trip]
    tripped = [(path, state_file.read(path)) for path in paths]
    latched = [(path, state) for path, state in tripped if state is not None and state.trip]
    if not latched:
        click.echo("No trip is latched; nothing to clear.")
        return
    if len(latched) > 1:
        names = ", ".join(state.rig for _, state in latched)
        raise UsageError(f"Several rigs are tripped ({names}): name the SETUP of the one to clear.")
    path, state = latched[0]
    trip = state.trip
    if trip is None:
        return
    when = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(state.tripped_utc_s or 0))
    click.echo(f"{state.rig} tripped on {when}: {trip.rule}\n{trip.message}\n")
    lock = state_file.RigLock(path)
    try:
        plan = setup_from_plan(state.plan)
        hardware = compose.open_hardware(plan, None)
        try:
            found = Bench(plan, hardware).preflight()
        finally:
            hardware.close()
        for check in found.checks:
            click.echo(f"{check.name}: {check.result}: {check.shown}. {check.remedy}".rstrip())
        if found.refused:
            raise RefusedError("\nNot cleared: what is said above still stands.")
        state_file.clear_latch(path)
    finally:
        lock.close()
    click.echo("\nCleared. Find out why it tripped before the next run.")
