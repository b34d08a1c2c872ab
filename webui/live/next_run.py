# SPDX-License-Identifier: MIT
"""From one run to the next: which entries are kept, the tag that is probably next, and the numbers
of the run that ended."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

from rig.core.errors import RigError
from rig.core.json_values import JsonObject
from rig.runlog import register, search
from webui import log
from webui.faults import PageFault
from webui.run.figures import Card, cards
from webui.words import UNKNOWN

NOT_KEPT = ("valve", "note")
"""These belong to one run; all other entries carry over to the next one, and are shown with it."""
NAMES_MOST = 100
"""Offered before anything is typed; the script asks the register for what matches."""
NUMBERED = re.compile(r"(.*?)([0-9]{1,9})")


class Ended(NamedTuple):
    """The figures of a finished run, and how many strokes were missed; None if it has no
    strokes."""

    figures: list[Card]
    missed: tuple[int, int] | None


def kept(options: Mapping[str, object], texts: tuple[str, ...]) -> dict[str, str]:
    """Entries made for a run that hold for the next one until a person changes them."""
    return {
        name: str(options[name]) for name in texts if name not in NOT_KEPT and options.get(name)
    }


def next_tag(tag: str | None) -> str:
    """The tag after this one, if it ends in a number: V-099 -> V-100. Else empty."""
    found = NUMBERED.fullmatch(tag or "")
    if found is None:
        return ""
    before, number = found.groups()
    return f"{before}{int(number) + 1:0{len(number)}d}"


def done(now: JsonObject) -> bool:
    """Whether the run on the bench was completed: a valve that was only looked at, or whose run
    tripped or was stopped, still has to be tested."""
    return (now.get("ended") or {}).get("reason") == "finished"


class Known(NamedTuple):
    """Names to suggest while typing: the newest of the registers, and the persons of the newest
    runs."""

    valves: list[str]
    jobs: list[str]
    by: list[str]


def known() -> Known:
    """The names a form suggests; none if there is no log yet."""
    try:
        opened = log.run_log()
        valves, jobs = (
            register.names(opened, of, NAMES_MOST) for of in (register.VALVE, register.JOB)
        )
        return Known(valves, jobs, search.known(opened)["by"])
    except (RigError, PageFault, log.NoLogYet):
        return Known([], [], [])


def ended(run: int | None) -> Ended | None:
    """What the bench shows of the finished run; None if the log has no result of it."""
    if run is None:
        return None
    try:
        result = log.run_log().result(run)
    except (RigError, PageFault, log.NoLogYet):
        return None
    if result is None:
        return None
    missed = result["missed"]
    both = (missed["n"], missed["of"]) if missed["of"] else None
    return Ended([card for card in cards(result) if card.value != UNKNOWN], both)
