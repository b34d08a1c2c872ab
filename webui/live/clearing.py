# SPDX-License-Identifier: MIT
"""Latched trips of the rigs known to this page, and clearing them.

The clearing itself is `rig clear` in its own process: it opens the hardware, which the page never
does.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from rig.bench.interlock.registry import of_heat
from rig.config.files.resolved import dump
from rig.core import coil_heat, places, state_file
from rig.core.errors import RigError
from rig.core.records import Trip
from webui.live.files import Files

if TYPE_CHECKING:
    from rig.config.setup.model import Setup

CLEAR_S = 60.0


class Latched(NamedTuple):
    """A tripped rig: the name of the setup that tripped if this page has it, else of one for the
    same rig; and the trip. `fault` if its state cannot be read. `other`: the title of a setup
    unknown to this page."""

    setup: str
    trip: Trip | None
    tripped_utc_s: float | None
    fault: str = ""
    coil: str = ""
    """The coil's estimated heat, if that is what tripped."""
    ready_in_s: float = 0.0
    other: str = ""

    @property
    def of_heat(self) -> bool:
        """Whether the coil must be cool before clearing."""
        return self.trip is not None and of_heat(self.trip.rule)


def latched(files: Files) -> list[Latched]:
    """The tripped rigs among these setups, each once."""
    from rig.config.files.loading import load_pair

    rigs: dict[str, dict[str, Setup]] = {}
    for name, path in files.setups.items():
        with contextlib.suppress(RigError):
            setup = load_pair(path, None)[0].setup
            rig = state_file.rig_name(setup.backend, setup.chip, setup.relay.line)
            rigs.setdefault(rig, {})[name] = setup
    found: list[Latched] = []
    for rig, setups in rigs.items():
        path = state_file.state_path(places.state_dir(), rig)
        try:
            state = state_file.read(path)
        except RigError as error:
            found.append(Latched(next(iter(setups)), None, None, str(error)))
            continue
        if state is not None and state.trip is not None:
            name, other = _whose(state, setups)
            one = Latched(name, state.trip, state.tripped_utc_s, other=other)
            found.append(_with_heat(one, setups[name], path) if one.of_heat else one)
    return found


def is_latched(setup: Setup) -> bool:
    """Whether a trip of this setup's rig waits to be cleared; an unreadable state counts as one,
    because nothing starts with it."""
    rig = state_file.rig_name(setup.backend, setup.chip, setup.relay.line)
    try:
        state = state_file.read(state_file.state_path(places.state_dir(), rig))
    except RigError:
        return True
    return state is not None and state.trip is not None


def _whose(state: state_file.RigState, setups: Mapping[str, Setup]) -> tuple[str, str]:
    """The name of the setup that tripped, if it is one of these; else one for the same rig, and the
    title of the setup that tripped."""
    for alike in (
        lambda setup: dump(setup) == state.plan,
        lambda setup: bool(setup.title) and setup.title == state.plan.get("title"),
    ):
        for name, setup in setups.items():  # by title alone if its file has changed since
            if alike(setup):
                return name, ""
    return next(iter(setups)), str(state.plan.get("title") or "one without a title")


def _with_heat(one: Latched, setup: Setup, path: Path) -> Latched:
    """With what is known of a coil that tripped because of its heat."""
    from rig.bench.carried_heat import carried, ready_for_longest_s
    from rig.bench.preflight_coil import coil_words

    coil = carried(setup, coil_heat.past(path))
    return one._replace(coil=coil_words(setup, coil), ready_in_s=ready_for_longest_s(setup, coil))


def clear_trip(files: Files, setup: str, *, cooled: bool) -> tuple[bool, str]:
    """Clear the trip of a setup's rig: whether it was cleared, and the message."""
    if setup not in files.setups:
        return False, "There is no such setup here."
    words = [sys.executable, "-m", "rig.cli.main", "clear", str(files.setups[setup])]
    try:
        done = subprocess.run(
            [*words, *(["--cooled"] if cooled else [])],
            stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=CLEAR_S, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return False, "It took too long to look at the rig; nothing was cleared."
    return done.returncode == 0, f"{done.stdout}\n{done.stderr}".strip()
