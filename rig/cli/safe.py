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
    from rig.config.setup.release import RelayLine
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

    folder = places.state_dir()
    if setup is not None and not setup.is_dir():
        try:
            return _make_safe(*state_of(setup))
        except FileProblems as problems:
            say(f"{problems}\nMaking every known rig safe instead.")
            setup = None
    rigs, code = _known(folder)
    if setup is not None:
        named, named_code = _named_below(setup)
        rigs, code = {**rigs, **named}, max(code, named_code)
    owners = _owners(rigs)
    code = max(code, *(_make_safe(path, rig) for path, rig in rigs.items()), 0)
    others = _others(owners, folder.parent)
    if not rigs and not code and not others:
        click.echo(f"No rig was ever started here ({folder.parent}): nothing to release.")
    return max(code, others)


Rigs = dict[Path, "RigState | None"]


def _known(folder: Path) -> tuple[Rigs, int]:
    """The rigs that have a state file, or lost it while a bench listens, and 6 if the folder cannot
    be searched."""
    from rig.core import state_file
    from rig.core.errors import EXIT_COIL_LIVE, RefusedError

    try:
        listening = [path.with_suffix(".json") for path in folder.glob("*.sock")]
        return dict.fromkeys([*state_file.state_files(folder), *listening]), 0
    except RefusedError as error:
        say(f"COIL NOT CONFIRMED OFF: {error}\n{PULL}")
        return {}, EXIT_COIL_LIVE


def _named_below(folder: Path) -> tuple[Rigs, int]:
    """The rigs of the setups in a folder, and 6 if one cannot be read: its line is not known."""
    from rig.core.errors import EXIT_COIL_LIVE, FileProblems

    try:
        paths = sorted(path for path in folder.iterdir() if path.name.endswith(".setup.toml"))
    except OSError as error:  # glob would find nothing, silently
        say(
            f"{folder} cannot be read ({error.strerror}): which lines its setups drive is not "
            "known. COIL NOT CONFIRMED OFF."
        )
        return {}, EXIT_COIL_LIVE
    found: Rigs = {}
    code = 0
    for path in paths:
        try:
            state_path, rig = state_of(path)
            found[state_path] = rig
        except FileProblems as problems:
            say(f"{problems}\nNot looked at: which line it drives is not known.")
            code = EXIT_COIL_LIVE
    return found, code


def _owners(rigs: Rigs) -> set[int]:
    """The processes named by the state files."""
    from rig.core import state_file
    from rig.core.errors import RigError

    found = set()
    for path in rigs:
        with contextlib.suppress(RigError):  # a damaged one names nobody
            state = state_file.read(path)
            if state is not None and state.owner is not None:
                found.add(state.owner.pid)
    return found


def _others(owners: set[int], folder: Path) -> int:
    """6 if a bench runs that no state file here names: another user's, or one whose file was
    lost."""
    from rig.core.errors import EXIT_COIL_LIVE
    from rig.desk import safe

    benches = sorted(set(safe.unknown_benches()) - owners)
    if not benches:
        return 0
    numbers = ", ".join(str(pid) for pid in benches)
    say(
        f"A bench runs on this computer (process {numbers}) that no rig of {folder} names. COIL "
        "NOT CONFIRMED OFF: run this as the user who started it (not with sudo), or give its "
        f"SETUP. {PULL}"
    )
    return EXIT_COIL_LIVE


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
        click.echo(f"{path.stem}: no state file, and no program answers: nothing to release.")
        return 0
    if made.off == OFF_STATES[2]:
        say(str(CoilLiveError(f"{made.rig}: {made.words}.")))
        return CoilLiveError.exit_code
    note = " SIMULATED: no real coil." if made.rig.startswith("simulated") else ""
    with contextlib.suppress(OSError):  # continue with the other rigs
        click.echo(f"{made.rig}: {made.off}; {made.words}.{note}")
    return 0


def state_of(setup: Path) -> tuple[Path, RigState]:
    """The state file of a setup's rig, and the rig with what switching it off needs. Raises
    FileProblems if the relay line cannot be told."""
    from rig.config.files.toml_file import parse_file
    from rig.config.setup.release import relay_line
    from rig.core import places, state_file

    named = relay_line(parse_file(setup).data)
    if named is None:
        named = _by_the_model(setup)
    rig = state_file.rig_name(named.backend, named.chip, named.line)
    return state_file.state_path(places.state_dir(), rig), state_file.RigState(rig, *named)


def _by_the_model(setup: Path) -> RelayLine:
    """The same by the whole setup, every key checked. Raises FileProblems."""
    from rig.config.files.loading import load_setup
    from rig.config.files.resolved import dump
    from rig.config.setup.release import RelayLine

    loaded = load_setup(setup).setup
    return RelayLine(loaded.backend, loaded.chip, loaded.relay.line, dump(loaded))
