# SPDX-License-Identifier: MIT
"""What the load-side read-back can know, for either feed side.

Feed side *supply*: fuse - relay contact - coil - ground. The load terminal is the coil's upper
end. Feed side *ground*: supply - fuse - coil - relay contact - ground. The load terminal is the
coil's lower end.

The read-back reports one thing: is there supply voltage at the load terminal? An input without
supply behind it is held down, so a terminal that hangs in the air counts as "no voltage".

Feed side supply: live = voltage present.

| state                  | voltage | coil live | read-back says |
|------------------------|---------|-----------|----------------|
| off                    | no      | no        | dead           |
| on                     | yes     | yes       | live           |
| fuse open, off         | no      | no        | dead           |
| fuse open, on          | no      | no        | dead           |
| contact welded, off    | yes     | yes       | live           |
| contact welded, on     | yes     | yes       | live           |
| coil unplugged, off    | no      | no        | dead           |
| coil unplugged, on     | yes     | no        | live (wrong)   |
| driven by vehicle, off | yes     | yes       | live           |
| driven by vehicle, on  | yes     | yes       | live           |

Feed side ground: live = voltage absent.

| state                  | voltage | coil live | read-back says |
|------------------------|---------|-----------|----------------|
| off                    | yes     | no        | dead           |
| on                     | no      | yes       | live           |
| fuse open, off         | no      | no        | live (wrong)   |
| fuse open, on          | no      | no        | live (wrong)   |
| contact welded, off    | no      | yes       | live           |
| contact welded, on     | no      | yes       | live           |
| coil unplugged, off    | no      | no        | live (wrong)   |
| coil unplugged, on     | no      | no        | live (wrong)   |
| driven by vehicle, off | no      | yes       | live           |
| driven by vehicle, on  | no      | yes       | live           |

Every wrong reading says live of a dead coil, never dead of a live one: the safe side. That is so
of a contact that is open or closed; one that leaks reads dead up to a limit (confirmed_off). On the
supply side an unplugged coil is not seen; on the ground side it is seen before the first stroke.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from rig.core.records import CONFIRMED_OFF_GROUND, OFF_STATES

FeedSide = Literal["supply", "ground"]

FAULTS = ("none", "fuse open", "contact welded", "coil unplugged", "driven by the vehicle")


class FeedState(NamedTuple):
    """One state of the wiring and what the read-back sees of it."""

    fault: str
    commanded_on: bool
    voltage_present: bool
    """Supply voltage at the relay's load terminal."""
    coil_live: bool
    """Current can flow in the coil."""
    reads_live: bool
    """What the read-back reports for the load terminal."""


def load_voltage_present(
    side: FeedSide, *, contact_closed: bool, fuse_ok: bool, coil_connected: bool, vehicle: bool
) -> bool:
    """Whether the load terminal carries supply voltage.

    `vehicle`: the vehicle's own control unit drives the coil (feeds its upper end on the supply
    side, grounds its lower end on the ground side), bypassing our relay, and our fuse where it
    feeds.
    """
    if side == "supply":
        return (contact_closed and fuse_ok) or vehicle
    return fuse_ok and coil_connected and not contact_closed and not vehicle


def coil_is_live(
    side: FeedSide, *, contact_closed: bool, fuse_ok: bool, coil_connected: bool, vehicle: bool
) -> bool:
    """Whether current can flow in the coil."""
    if side == "supply":
        return coil_connected and ((contact_closed and fuse_ok) or vehicle)
    return coil_connected and fuse_ok and (contact_closed or vehicle)


def reads_live(side: FeedSide, voltage_present: bool) -> bool:
    """What the read-back reports for the coil: voltage on the supply side, none on the ground
    side."""
    return voltage_present if side == "supply" else not voltage_present


def confirmed_off(side: FeedSide) -> str:
    """Which of OFF_STATES a read-back that reads dead confirms."""
    return OFF_STATES[0] if side == "supply" else CONFIRMED_OFF_GROUND


def feed_state(side: FeedSide, commanded_on: bool, fault: str = "none") -> FeedState:
    """One row of the truth table of `side`. `fault` is one of FAULTS."""
    if fault not in FAULTS:
        raise ValueError(f"unknown feed fault {fault!r}; known are {', '.join(FAULTS)}")
    wiring = {
        "contact_closed": commanded_on or fault == "contact welded",
        "fuse_ok": fault != "fuse open",
        "coil_connected": fault != "coil unplugged",
        "vehicle": fault == "driven by the vehicle",
    }
    voltage = load_voltage_present(side, **wiring)
    live = coil_is_live(side, **wiring)
    return FeedState(fault, commanded_on, voltage, live, reads_live(side, voltage))


def truth_table(side: FeedSide) -> tuple[FeedState, ...]:
    """Every fault, commanded off and on."""
    return tuple(feed_state(side, on, fault) for fault in FAULTS for on in (False, True))
