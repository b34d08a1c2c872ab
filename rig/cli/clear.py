# SPDX-License-Identifier: MIT
"""`rig clear`: a person clears a latched trip, refused while its condition stands."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.core.ending import judged
from rig.core.errors import EXIT_OK, RefusedError, StorageError, UsageError

if TYPE_CHECKING:
    from rig.config.setup.model import Setup
    from rig.core.state_file import RigState

COOLED_AFTER = 3.0
"""Time constants after which 95 % of a temperature rise is gone."""


@click.command("clear")
@click.argument("setup", required=False, type=click.Path(path_type=Path))
@click.option("--cooled", is_flag=True, help="The coil was felt and is cool; do not wait for it.")
def command(setup: Path | None, cooled: bool) -> None:
    """Clear a trip, once its cause is gone.

    Looks at the inputs first, without energising anything, and refuses while what tripped the rig
    still stands. With one rig known, SETUP may be left out.
    """
    from rig.config.files.resolved import setup_from_plan
    from rig.core import state_file

    latched = _latched(setup)
    if not latched:
        judged(EXIT_OK)
        click.echo("No trip is latched; nothing to clear.")
        return
    if len(latched) > 1:
        names = ", ".join(state.rig for _, state in latched)
        raise UsageError(f"Several rigs are tripped ({names}): name the SETUP of the one to clear.")
    path, state = latched[0]
    plan = setup_from_plan(state.plan)
    _tell(state)
    try:
        lock = state_file.RigLock(path)
        try:
            _look(plan)
            _ask_more(state, plan, cooled=cooled)
            state_file.clear_latch(path)
        finally:
            lock.close()
    except OSError as error:
        if isinstance(error, RefusedError):
            raise
        raise StorageError(f"Not cleared: {path} cannot be written ({error}).") from error
    judged(EXIT_OK)
    click.echo("\nCleared. Find out why it tripped before the next run.")


def _latched(setup: Path | None) -> list[tuple[Path, RigState]]:
    from rig.core import places, state_file
    from rig.desk import safe

    if setup is None:
        return [(path, state) for path, state in safe.states(places.state_dir()) if state.trip]
    from rig.cli.safe import state_of

    path, _ = state_of(setup)
    state = state_file.read(path)
    return [(path, state)] if state is not None and state.trip else []


def _tell(state: RigState) -> None:
    when = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(state.tripped_utc_s or 0))
    if state.trip is not None:
        click.echo(f"{state.rig} tripped on {when}: {state.trip.rule}\n{state.trip.message}\n")


def _look(plan: Setup) -> None:
    """The bench's preflight; raises RefusedError with what still stands."""
    from rig import compose
    from rig.bench.bench import Bench

    hardware = compose.open_hardware(plan, None)
    try:
        found = Bench(plan, hardware).preflight()
    finally:
        hardware.close()
    for check in found.checks:
        click.echo(f"{check.name}: {check.result}: {check.shown}. {check.remedy}".rstrip())
    if found.refused:
        raise RefusedError("\nNot cleared: what is said above still stands.")


def _ask_more(state: RigState, plan: Setup, *, cooled: bool) -> None:
    """What the preflight cannot see: is the coil cool again, is there room on the disk?"""
    from rig.bench.interlock import registry

    rule = state.trip.rule if state.trip else ""
    wait_s = 0.0
    if rule == registry.DUTY:
        wait_s = plan.limits.duty_window_s
    elif rule == registry.COIL_HEATING and plan.coil_heating is not None:
        wait_s = COOLED_AFTER * plan.coil_heating.time_constant_s
    left_s = (state.tripped_utc_s or 0.0) + wait_s - time.time()
    if not cooled and wait_s and not left_s <= 0.0:
        raise RefusedError(
            f"\nNot cleared: the coil needs {min(left_s, wait_s) / 60:.1f} min more to cool. Wait, "
            "or feel the coil with a wet finger and add --cooled."
        )
    if rule == registry.DISK:
        _require_room(plan)


def _require_room(plan: Setup) -> None:
    """As much as the next run begins with: a trip cleared with less would only come again."""
    from rig.core import places
    from rig.recorder.disk import MIN_FREE_MB, ROOM_REMEDY, free_mb

    needed_mb = max(MIN_FREE_MB, plan.limits.disk_free_mb)
    free = free_mb([places.data_dir()])
    if not free >= needed_mb:
        raise RefusedError(
            f"\nNot cleared: only {free:.0f} MB are free in {places.data_dir()}; a run begins only "
            f"with {needed_mb:.0f} MB or more. {ROOM_REMEDY}"
        )
