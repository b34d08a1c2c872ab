# SPDX-License-Identifier: MIT
"""The state of each rig of this computer in words: those of the page's setups, and every other with
a state file."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from rig.config.setup.model import Setup
from rig.core import state_file
from rig.core.clock import boot_id
from rig.core.errors import RigError
from rig.core.state_file import RigState
from webui.live.hub import ENDED, LOOKING, RUNNING, WAITING, Hub
from webui.words import Shown

AT_REST = Shown("At rest, no trip", "tick", "good")
NEVER = Shown("Not started yet", "dash", "plain")
RUNS = Shown("A run goes on", "arrow", "plain")
LOOKS = Shown("Being looked at, nothing energised", "arrow", "plain")
WAITS = Shown("Ready to be armed", "arrow", "plain")
DEAD = Shown("Its program ended with the line claimed", "triangle", "bad")
UNKNOWN = Shown("State not known", "question", "bad")
UNUSABLE = Shown("Setup cannot be used", "question", "open")
PHASES = {LOOKING: LOOKS, WAITING: WAITS, RUNNING: RUNS}


class RigSeen(NamedTuple):
    """A rig: its name, the source of its runs, its state, a message and what to do. `here`: it
    belongs to this page, so the bench and the trip page show it."""

    name: str
    source: str
    state: Shown
    told: str
    to_do: str
    here: bool
    tripped: bool = False


def seen(states: Path, hub: Hub | None) -> list[RigSeen]:
    """Every rig, those of the page's setups first."""
    setups = hub.files.read_setups() if hub is not None else {}
    found = [
        RigSeen(name, "", UNUSABLE, "", f"See what is wrong in it: `rig check {name}.setup.toml`.",
                True)
        for name, setup in setups.items() if setup is None
    ]  # fmt: skip
    of_rig: dict[str, dict[str, Setup]] = {}
    for name, setup in setups.items():
        if setup is not None:
            rig = state_file.rig_name(setup.backend, setup.chip, setup.relay.line)
            of_rig.setdefault(rig, {})[name] = setup
    try:
        left = {path.stem: path for path in state_file.state_files(states)}
    except RigError as error:
        return [*found, RigSeen(str(states), "", UNKNOWN, str(error), "", False)]
    for rig, mine in of_rig.items():
        first = next(iter(mine.values()))
        name = first.title if len(mine) == 1 and first.title else ", ".join(mine)
        source = first.backend
        driven = _driven(hub, mine)
        path = left.pop(rig, state_file.state_path(states, rig))
        found.append(_one(name, source, path, driven, here=True))
    found += [_one(rig, "", path, None, here=False) for rig, path in left.items()]
    return found


def _driven(hub: Hub | None, setups: dict[str, Setup]) -> RigSeen | None:
    """What the page itself is doing with one of these setups now."""
    now = hub.snapshot() if hub is not None else {}
    if now.get("setup") not in setups or now["phase"] == ENDED or now["phase"] not in PHASES:
        return None
    told = f"valve {now['valve']}, sheet {now['sheet']}" if now.get("valve") else now["sheet"]
    return RigSeen("", "", PHASES[now["phase"]], told, "", True)


def _one(name: str, source: str, path: Path, driven: RigSeen | None, *, here: bool) -> RigSeen:
    try:
        state = state_file.read(path)
    except RigError as error:
        return RigSeen(name, source, UNKNOWN, str(error), "", here)
    if state is None:
        shown, told = (driven.state, driven.told) if driven else (NEVER, "")
        return RigSeen(name, source, shown, told, "", here)
    title = str(state.plan.get("title") or "")
    name, source = (name if here else f"{title or name}"), source or state.backend
    if state.trip is not None:
        word = Shown(f"Tripped: {state.trip.rule}", "triangle", "bad")
        to_do = "Find the cause first; a person clears it" + (
            "." if here else ": `rig clear SETUP` with the setup that it ran with."
        )
        return RigSeen(name, source, word, state.trip.message, to_do, here, tripped=True)
    if driven is not None:
        return RigSeen(name, source, driven.state, driven.told, "", here)
    return _untripped(name, source, state, here=here)


def _untripped(name: str, source: str, state: RigState, *, here: bool) -> RigSeen:
    owner = state.owner
    if owner is not None and owner.alive():
        return RigSeen(name, source, RUNS, "Another program of this computer drives it.", "", here)
    if owner is not None and owner.boot_id == boot_id():
        return RigSeen(
            name, source, DEAD, "Nobody saw the coil released.",
            "Open the mushroom stop, then `rig safe`.", here,
        )  # fmt: skip
    return RigSeen(name, source, AT_REST, "", "", here)
