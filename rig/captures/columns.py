# SPDX-License-Identifier: MIT
"""Columns of a capture's CSV, and the notice on a run that measured no valve."""

from __future__ import annotations

from rig.core.recording import CAPTURE_OF
from rig.core.records import CHANNEL_UNITS

COMMAND, COIL, SWITCH_COLUMN = "command", "coil", "switch"
PRESSURE_GOOD = "pressure_good"

TIMES = {"time_s": 9, "time_ms": 6}
"""Time columns, and the number of decimals in a nanosecond."""

DIGITAL = (COMMAND, COIL, SWITCH_COLUMN, PRESSURE_GOOD)

PRESSURES = {"pressure_kpa": "kPa", "pressure_psi": "psi", "pressure_bar": "bar"}

CHANNELS = {
    f"{channel}_{unit.casefold()}": channel
    for channel, unit in CHANNEL_UNITS.items()
    if channel != "pressure"
}
"""Columns of the other channels, in the channel's own unit."""

SIGNALS = (COMMAND, COIL, SWITCH_COLUMN, *PRESSURES, PRESSURE_GOOD, *CHANNELS)
"""Signals of a capture: columns of the wide form, names in the long form and in a VCD."""

RUN = "run"
"""Column that names the run of a row."""

SIGNAL, VALUE = "signal", "value"
"""Columns of the long form."""

KNOWN = (*TIMES, *SIGNALS, RUN, SIGNAL, VALUE)

NEEDED = {COMMAND: "1 = coil commanded on", SWITCH_COLUMN: "1 = contact closed"}
"""Signals required in every run."""

NOTICES = {
    "simulated": "SIMULATED: computed by the simulated rig. No valve was measured.",
    "emulated board": "EMULATED BOARD: recorded on emulated device nodes. No valve was measured.",
}


SAYS = {NOTICES[source].split(":")[0]: kind for kind, source in CAPTURE_OF.items()}
"""First word of an export's comment, and the condition it becomes on import."""


def notice(source: str) -> str:
    """The notice on an export of this source; empty for a measurement."""
    return NOTICES.get(source, "")
