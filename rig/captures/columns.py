# SPDX-License-Identifier: MIT
"""The columns of a capture's CSV, and what is written across a run that measured no valve."""

from __future__ import annotations

from rig.core.recording import CAPTURE_OF
from rig.core.records import CHANNEL_UNITS

COMMAND, COIL, SWITCH_COLUMN = "command", "coil", "switch"
PRESSURE_GOOD = "pressure_good"

TIMES = {"time_s": 9, "time_ms": 6}
"""Time columns, and the digits after the point that make a nanosecond."""

DIGITAL = (COMMAND, COIL, SWITCH_COLUMN, PRESSURE_GOOD)

PRESSURES = {"pressure_kpa": "kPa", "pressure_psi": "psi", "pressure_bar": "bar"}

CHANNELS = {
    f"{channel}_{unit.casefold()}": channel
    for channel, unit in CHANNEL_UNITS.items()
    if channel != "pressure"
}
"""Columns of the other channels, in the channel's own unit."""

SIGNALS = (COMMAND, COIL, SWITCH_COLUMN, *PRESSURES, PRESSURE_GOOD, *CHANNELS)
"""What a capture may tell: columns of the wide form, names in the long form and in a VCD."""

RUN = "run"
"""Column that says which run a row belongs to."""

SIGNAL, VALUE = "signal", "value"
"""Columns of the long form."""

KNOWN = (*TIMES, *SIGNALS, RUN, SIGNAL, VALUE)

NEEDED = {COMMAND: "1 = coil commanded on", SWITCH_COLUMN: "1 = contact closed"}
"""Signals that every run must have."""

NOTICES = {
    "simulated": "SIMULATED: computed by the simulated rig. No valve was measured.",
    "emulated board": "EMULATED BOARD: recorded on emulated device nodes. No valve was measured.",
}


SAYS = {NOTICES[source].split(":")[0]: kind for kind, source in CAPTURE_OF.items()}
"""The word that a comment of an export begins with, and the condition it becomes when read."""


def notice(source: str) -> str:
    """What must stand on an export of this source; empty for a measurement."""
    return NOTICES.get(source, "")
