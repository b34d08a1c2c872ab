# SPDX-License-Identifier: MIT
"""How long a sheet takes and what it demands of the coil, in words: for terminal and page."""

from __future__ import annotations

from rig.config.setup.model import Setup
from rig.config.sheet.loads import load_of, wear_of, worst_duty
from rig.config.sheet.model import Sheet


def effort_words(setup: Setup, sheet: Sheet) -> str:
    """Time, energised time and operations of a completed sheet, with the setup's limits."""
    limits, load, wear = setup.limits, load_of(sheet), wear_of(sheet)
    takes = f"Takes at most {sheet.longest_s:.0f} s."
    if not wear.operations:
        return f"{takes} The coil is not energised."
    share = 100 * worst_duty(load_of(sheet, setup.relay.release_delay_s), limits.duty_window_s)
    times = "once" if wear.operations == 1 else f"{wear.operations} times"
    return (
        f"{takes} Coil energised {times}, {wear.energised_s:.4g} s in all: for up to "
        f"{load.on_s:.4g} s at a stretch (limit {limits.on_time_s:.4g} s) and {share:.0f} % of any "
        f"{limits.duty_window_s:.4g} s (limit {100 * limits.duty:.0f} %)."
    )
