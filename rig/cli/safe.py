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
    its rig alone; with a folder, every known rig and every relay line that its setups name. A
    bench that had to be killed, or was found dead, is latched as a trip. This is not an emergency
    stop; use the mushroom stop for that.
    """
    try:
        sys.exit(judged(_make_all_safe(setup)))
    except KeyboardInterrupt:
        say(f"Stopped before the end. COIL NOT CONFIRMED OFF. {PULL}")
        sys.exit(6)


def _make_all_safe(setup: Path | None) -> int:
    from rig.core import places
    from rig.core.errors import FileProblems
    from rig.desk import safe

    folder = places.state_dir()
    rigs: list[tuple[Path, RigState | None]] = [(path, None) for path in safe.state_files(folder)]
    code = 0
    if setup is not None and setup.is_dir():
        named, code = _named_below(setup)
        rigs = list({**dict(rigs), **named}.items())
    elif setup is not None:
        try:
            rigs = [state_of(setup)]
        except FileProblems as problems:
            say(f"{problems}\nMaking every known rig safe instead.")
    if not rigs:
        return max(code, _nothing_known(folder.parent))
    return max(code, *(_make_safe(path, rig) for path, rig in rigs))


def _named_below(folder: Path) -> tuple[dict[Path, RigState | None], int]:
    """The rigs of the setups in a folder, and 6 where one cannot be read: its line is not known."""
    from rig.core.errors import EXIT_COIL_LIVE, FileProblems

    found: dict[Path, RigState | None] = {}
    code = 0
    for path in sorted(folder.glob("*.setup.toml")):
        try:
            state_path, rig = state_of(path)
            found[state_path] = rig
        except FileProblems as problems:
            say(f"{problems}\nNot looked at: which line it drives is not known.")
            code = EXIT_COIL_LIVE
    return found, code


def _nothing_known(folder: Path) -> int:
    """No run was ever started from here: nothing to release, unless a bench of somebody else's
    runs on this computer."""
    from rig.core.errors import EXIT_COIL_LIVE
    from rig.desk import safe

    benches = safe.unknown_benches()
    if benches:
        numbers = ", ".join(str(pid) for pid in benches)
        say(
            f"No rig was ever started from {folder}, but a bench runs on this computer (process "
            f"{numbers}). COIL NOT CONFIRMED OFF: run this as the user who started it (not with "
            f"sudo), or give its SETUP. {PULL}"
        )
        return EXIT_COIL_LIVE
    click.echo(f"No rig was ever started here ({folder}): nothing to release.")
    return 0


def _make_safe(path: Path, rig: RigState | None) -> int:
    from rig.core.errors import EXIT_COIL_LIVE, CoilLiveError
    from rig.core.records import OFF_STATES
    from rig.desk import safe
    from rig.io import chips

    try:
        board = rig is not None and rig.backend == "board" and not path.exists()
        if rig is not None and board and chips.absent(rig.chip):
            click.echo(
                f"{rig.rig}: no rig was ever started here, and this computer has no GPIO chip "
                f'"{rig.chip}": nothing to release.'
            )
            return 0
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
