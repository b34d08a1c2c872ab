# SPDX-License-Identifier: MIT
"""Whether the rig's own times are in date, beside what the bench looked at before a run."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from rig.config.dated import IN_DATE
from rig.core.preflight import DOUBTFUL, GOOD, Check

if TYPE_CHECKING:
    from rig.config.setup.model import Setup


def timing_checks(setup: Setup) -> list[Check]:
    """The check on `[timing]`; none where the rig has not measured itself."""
    made, name = setup.timing, "Rig's own times"
    if made is None:
        return []
    if made.state(datetime.datetime.now(datetime.UTC).date()) == IN_DATE:
        return [Check(name, GOOD, f"measured {made.date}, due {made.due}")]
    return [
        Check(
            name, DOUBTFUL, f"measured {made.date}, OUT OF DATE since {made.due}",
            "Results will say so. Measure them again: `rig calibrate SETUP --timing`; or look at "
            "the clock of this computer.",
        )
    ]  # fmt: skip
