# SPDX-License-Identifier: MIT
"""Whether the rig's own times are in date, shown with the preflight checks."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from rig.config.dated import IN_DATE
from rig.core.preflight import DOUBTFUL, GOOD, OWN_TIMES, Check

if TYPE_CHECKING:
    from rig.config.setup.model import Setup


def timing_checks(setup: Setup, source: str) -> list[Check]:
    """The check on `[timing]` for a run with that source; none if there is no such table."""
    made, name = setup.timing, OWN_TIMES
    if made is None:
        return []
    today = datetime.datetime.now(datetime.UTC).date()
    state, why = made.standing(today, setup.wired_for_timing, source)
    if state == IN_DATE:
        return [Check(name, GOOD, f"measured {made.date}, due {made.due}")]
    clock = "" if made.state(today) == IN_DATE else " Or look at the clock of this computer."
    return [Check(name, DOUBTFUL, f"measured {made.date}, due {made.due}", why + clock)]
