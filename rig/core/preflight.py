# SPDX-License-Identifier: MIT
"""Measurements before anything is energised, as desk and bench exchange them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from rig.core.json_values import JsonObject

if TYPE_CHECKING:
    from rig.core.results.run import Rule

from rig.core.message_ids import message_id
from rig.core.records import CHANNEL_UNITS

COIL = "Coil's heat"
LOAD_SIDE = "Load side of the relay"
STOP, COVER, CONFIRM = "Mushroom stop", "Guard cover", "Confirm button"
SWITCH, GAUGE, BASE_PRESSURE = "Pressure switch", "Pressure gauge", "Base pressure"
CALIBRATION, ZERO, OWN_TIMES = "Gauge calibration", "Gauge's zero", "Rig's own times"
INTERLOCK = "Interlock"
CHANNELS = tuple(
    channel.replace("_", " ").capitalize() for channel in CHANNEL_UNITS if channel != "pressure"
)
NAMES = (
    COIL, LOAD_SIDE, STOP, COVER, CONFIRM, SWITCH, GAUGE, BASE_PRESSURE, CALIBRATION, ZERO,
    OWN_TIMES, INTERLOCK, *CHANNELS,
)  # fmt: skip
"""What is checked; a check's id is made of its name."""
GOOD, DOUBTFUL, REFUSED, NOT_WATCHED = "good", "doubtful", "refused", "not watched"


class Check(NamedTuple):
    """One check: what was found (`shown`), and what to do unless it is good. `trip` is the id of
    the trip whose condition stands."""

    name: str
    result: str
    shown: str
    remedy: str = ""
    trip: str | None = None

    @property
    def id(self) -> str:
        """Like `preflight.pressure-gauge`."""
        return message_id("preflight", self.name)


class Preflight(NamedTuple):
    """All checks, and the interlock's rules as watched or not.

    `watched` and `not_watched` are lists of {id, rule, reaction_ms, why}.
    """

    checks: list[Check]
    watched: list[Rule]
    not_watched: list[Rule]
    source: str
    hardware: dict[str, str]
    coil_live: bool
    ready_in_s: float | None = None
    """How long the coil must rest first, if that is a reason to refuse."""

    @property
    def only_warm(self) -> bool:
        """Whether coil rest is the only thing still in the way of a start."""
        return self.ready_in_s is not None and [c.name for c in self.refused] == [COIL]

    @property
    def refused(self) -> list[Check]:
        return [check for check in self.checks if check.result == REFUSED]


def from_plain(data: JsonObject) -> Preflight:
    """Build a Preflight from decoded JSON."""
    return Preflight(**{**data, "checks": [Check(*check) for check in data["checks"]]})
