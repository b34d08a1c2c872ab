# SPDX-License-Identifier: MIT
"""`rig clear`: a person clears a latched trip, refused while its condition stands."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.output import tell, units_option
from rig.core.ending import judged
from rig.core.errors import EXIT_OK, RefusedError, RigError, StorageError, UsageError

if TYPE_CHECKING:
    from rig.config.setup.model import Setup
    from rig.core.state_file import RigState


@click.command("clear")
@click.argument("setup", required=False, type=click.Path(path_type=Path))
@click.option(
    "--cooled", is_flag=True, help="The coil was measured and is cool; do not wait for it."
)
@units_option
def command(setup: Path | None, cooled: bool) -> None:
    """Clear a trip, once its cause is gone.

    Looks at the inputs first, without energising anything, and refuses while what tripped the rig
    still stands. With one rig known, SETUP may be left out.

    How warm the coil is comes from an estimate that is carried from run to run. --cooled, with
    SETUP, says that a measurement (winding resistance, or a thermometer without contact) showed the
    coil as cool as its surroundings; the estimate then begins there. Do not touch a coil to find
    out.
    """
    from rig.core import coil_heat, state_file

    latched = _latched(setup)
    if not latched:
        if cooled and setup is not None:
            _measured_cool(setup)
        judged(EXIT_OK)
        click.echo("No trip is latched; nothing to clear.")
        if cooled and setup is not None:
            click.echo(COOL)
        return
    if len(latched) > 1:
        names = ", ".join(state.rig for _, state in latched)
        raise UsageError(f"Several rigs are tripped ({names}): name the SETUP of the one to clear.")
    path, state = latched[0]
    plan = _plan(state, setup)
    _tell(state)
    try:
        lock = state_file.RigLock(path)
        try:
            _look(plan)
            coil_heat.settle(path)  # the preflight drove its line off
            _ask_more(path, state, plan, cooled=cooled)
            if cooled:
                _keep_cool(path, plan)
            state_file.clear_latch(path)
        finally:
            lock.close()
    except RigError:
        raise
    except OSError as error:
        raise StorageError(f"Not cleared: {path} cannot be written ({error}).") from error
    judged(EXIT_OK)
    if cooled:
        click.echo(COOL)
    click.echo("\nCleared. Find out why it tripped before the next run.")


def _latched(setup: Path | None) -> list[tuple[Path, RigState]]:
    from rig.cli.safe import state_of
    from rig.core import places, state_file

    paths = state_file.state_files(places.state_dir()) if setup is None else [state_of(setup)[0]]
    found = [(path, state_file.latch_dead_owner(path)) for path in paths]
    return [(path, state) for path, state in found if state is not None and state.trip]


def _plan(state: RigState, setup: Path | None) -> Setup:
    """The setup that tripped. Where the state file holds none of this rig, or one of another
    version of the program, it is read from the file that the person names."""
    from rig.config.files.loading import load_setup
    from rig.config.files.resolved import setup_from_plan
    from rig.core import state_file

    try:
        plan = setup_from_plan(state.plan)
    except RigError:
        plan = None
    if plan is not None:
        rig = state_file.rig_name(plan.backend, plan.chip, plan.relay.line)
        if rig == state.rig:
            return plan
    if setup is None:
        raise UsageError(
            f"The state file of {state.rig} does not say how that rig is wired. Not cleared: give "
            "its setup, as in `rig clear SETUP`."
        )
    return load_setup(setup).setup


def _tell(state: RigState) -> None:
    when = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(state.tripped_utc_s or 0))
    if state.trip is not None:
        tell(f"{state.rig} tripped on {when}: {state.trip.rule}\n{state.trip.message}\n")


def _look(plan: Setup) -> None:
    """Run the bench's preflight; raises RefusedError naming what still stands."""
    from rig import compose
    from rig.bench.bench import Bench

    hardware = compose.open_hardware(plan, None)
    try:
        found = Bench(plan, hardware).preflight()
    finally:
        hardware.close()
    for check in found.checks:
        tell(f"{check.name}: {check.result}: {check.shown}. {check.remedy}".rstrip())
    if found.refused:
        raise RefusedError(
            "\nNot cleared: what is said above still stands.", id_="refusal.condition-stands"
        )


def _measured_cool(setup: Path) -> None:
    """Record it for a rig that is not tripped, if the carried heat would hold up its next run."""
    from rig.cli.safe import state_of
    from rig.config.files.loading import load_setup
    from rig.core import state_file

    path, _ = state_of(setup)
    lock = state_file.RigLock(path)
    try:
        _keep_cool(path, load_setup(setup).setup)
    finally:
        lock.close()


def _keep_cool(path: Path, plan: Setup) -> None:
    from rig.core import coil_heat

    heating, window_ns = plan.coil_heating, round(plan.limits.duty_window_s * 1e9)
    cold_degc = heating.surroundings_degc if heating is not None else None
    try:
        coil_heat.keep(path, cold_degc, [], window_ns, MEASURED)
    except OSError as error:
        raise StorageError(
            f"{coil_heat.heat_path(path)} cannot be written ({error}): the coil still counts as "
            "warm. Make room on that disk, or make the folder writable."
        ) from error


COOL = "The coil is taken as cool from now on, as was measured."
MEASURED = "a person measured that it was as cool as its surroundings"


def _ask_more(path: Path, state: RigState, plan: Setup, *, cooled: bool) -> None:
    """What the preflight cannot see: is the coil cool again, is there room on the disk?"""
    from rig.bench.carried_heat import carried, ready_for_longest_s
    from rig.bench.interlock.coil_and_program_rules import DISK
    from rig.bench.interlock.registry import of_heat
    from rig.bench.preflight_coil import coil_words
    from rig.core import coil_heat

    rule = state.trip.rule if state.trip else ""
    coil = carried(plan, coil_heat.past(path))
    wait_s = ready_for_longest_s(plan, coil)
    when = f"ready in {coil_heat.duration_words(wait_s)}" if wait_s > 0 else "ready"
    tell(f"Coil's heat: {coil_words(plan, coil)}, {when} for the longest stroke allowed.")
    if wait_s > 0 and not cooled and of_heat(rule):
        raise RefusedError(
            f"\nNot cleared: the coil needs {coil_heat.duration_words(wait_s)} more to cool. Wait. "
            "Or measure it (winding resistance, or a thermometer without contact), and add "
            "--cooled where it is as cool as its surroundings. Do not touch it.",
            id_="refusal.coil-warm",
        )
    if rule == DISK:
        _require_room(plan)


def _require_room(plan: Setup) -> None:
    """As much as the next run needs at its start: a trip cleared with less would only recur."""
    from rig.core import places
    from rig.recorder.disk import MIN_FREE_MB, ROOM_REMEDY, free_mb

    needed_mb = max(MIN_FREE_MB, plan.limits.disk_free_mb)
    free = free_mb([places.data_dir()])
    if not free >= needed_mb:
        raise RefusedError(
            f"\nNot cleared: only {free:.0f} MB are free in {places.data_dir()}; a run begins only "
            f"with {needed_mb:.0f} MB or more. {ROOM_REMEDY}",
            id_="refusal.disk-full",
        )
