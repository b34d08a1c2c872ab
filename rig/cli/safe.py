# SPDX-License-Identifier: MIT
"""`rig safe`: the coil off, from any state."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.actions.outcome_words import say
from rig.core.ending import judged

if TYPE_CHECKING:
    from rig.core.state_file import RigState

PULL = "Open the mushroom stop or pull the fuse."


@click.command("safe")
@click.argument("setup", required=False, type=click.Path(path_type=Path))
def command(setup: Path | None) -> None:
    """Command the coil off, from any state.

    Needs no SETUP: every rig that has a state file is made safe. With a SETUP that can be read,
    its rig alone. This is not an emergency stop; use the mushroom stop for that.
    """
    try:
        sys.exit(judged(_make_all_safe(setup)))
    except KeyboardInterrupt:
        say(f"Stopped before the end. COIL NOT CONFIRMED OFF. {PULL}")
        sys.exit(6)


def _make_all_safe(setup: Path | None) -> int:
    from rig.core import places
    from rig.core.errors import EXIT_COIL_LIVE, FileProblems
    from rig.desk import safe

    folder = places.state_dir()
    rigs: list[tuple[Path, RigState | None]] = [(path, None) for path in safe.state_files(folder)]
    if setup is not None:
        try:
            rigs = [state_of(setup)]
        except FileProblems as problems:
            say(f"{problems}\nMaking every known rig safe instead.")
    if not rigs:
        say(
            f"No run was ever started from {folder.parent}, so there is nothing known to command "
            "off. COIL NOT CONFIRMED OFF: run this as the user who started the run (not with "
            "sudo), or give its SETUP."
        )
        return EXIT_COIL_LIVE
    return max(_make_safe(path, rig) for path, rig in rigs)


def _make_safe(path: Path, rig: RigState | None) -> int:
    from rig.core.errors import EXIT_COIL_LIVE, CoilLiveError
    from rig.core.records import OFF_STATES
    from rig.desk import safe

    try:
        made = safe.make_safe(path, rig)
    except Exception as error:  # noqa: BLE001 - the other rigs come next, whatever it was
        say(f"{path.stem}: COIL NOT CONFIRMED OFF: {error}\n{PULL}")
        return EXIT_COIL_LIVE
    if made is None:
        return 0
    if made.off == OFF_STATES[2]:
        say(str(CoilLiveError(f"{made.rig}: {made.words}.")))
        return CoilLiveError.exit_code
    note = " SIMULATED: no real coil." if made.rig.startswith("simulated") else ""
    with contextlib.suppress(OSError):  # the other rigs come next
        click.echo(f"{made.rig}: {made.off}; {made.words}.{note}")
    return 0


def state_of(setup: Path) -> tuple[Path, RigState]:
    """The state file of the rig of a setup, and what it should hold. Raises FileProblems."""
    from rig.config.files.loading import load_setup
    from rig.config.files.resolved import dump
    from rig.core import places, state_file

    loaded = load_setup(setup).setup
    line = loaded.relay.line
    rig = state_file.rig_name(loaded.backend, loaded.chip, line)
    state = state_file.RigState(rig, loaded.backend, loaded.chip, line, dump(loaded))
    return state_file.state_path(places.state_dir(), rig), state
