# SPDX-License-Identifier: MIT
"""`rig safe`: the coil off, from any state."""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command("safe")
@click.argument("setup", required=False, type=click.Path(path_type=Path))
def command(setup: Path | None) -> None:
    """Command the coil off, from any state.

    Needs no SETUP: every rig that has a state file is made safe. With a SETUP that can be read,
    its rig alone. This is not an emergency stop; use the mushroom stop for that.
    """
    from rig.core import places
    from rig.core.errors import EXIT_HARDWARE, FileProblems, RigError
    from rig.core.records import OFF_STATES
    from rig.desk import safe

    paths = [path for path, _ in safe.states(places.state_dir())]
    if setup is not None:
        try:
            paths = [_state_of(setup)]
        except FileProblems as problems:
            click.echo(f"{problems}\nMaking every known rig safe instead.", err=True)
    code = 0
    for path in paths:
        try:
            made = safe.make_safe(path)
        except RigError as error:
            click.echo(f"{path.stem}: COIL NOT CONFIRMED OFF: {error}", err=True)
            click.echo("Open the mushroom stop or pull the fuse.", err=True)
            code = max(code, EXIT_HARDWARE)
            continue
        if made is None:
            click.echo(f"{path.stem}: no run was ever started on it; nothing to command off.")
            continue
        if made.off == OFF_STATES[2]:
            from rig.core.errors import CoilLiveError

            error_text = str(CoilLiveError(f"{made.rig}: {made.words}."))
            click.echo(error_text, err=True)
            code = CoilLiveError.exit_code
            continue
        click.echo(f"{made.rig}: {made.off}; {made.words}.")
    if not paths:
        click.echo("No rig was ever started here; nothing to command off.")
    sys.exit(code)


def _state_of(setup: Path) -> Path:
    from rig.config.loading import load_setup
    from rig.core import places, state_file

    loaded = load_setup(setup).setup
    rig = state_file.rig_name(loaded.backend, loaded.chip, loaded.relay.line)
    return state_file.state_path(places.state_dir(), rig)
