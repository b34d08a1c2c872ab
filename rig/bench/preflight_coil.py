# SPDX-License-Identifier: MIT
"""The preflight's check on the coil's heat from earlier runs."""

from __future__ import annotations

import math

from rig.bench.carried_heat import Carried, ready_in_s
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet
from rig.core.coil_heat import duration_words
from rig.core.preflight import COIL, GOOD, REFUSED, Check, Preflight

NS = 1_000_000_000


def with_coil(found: Preflight, setup: Setup, sheet: Sheet, coil: Carried) -> Preflight:
    """The preflight with the coil's heat added to its checks."""
    wait_s = ready_in_s(setup, sheet, coil)
    ready = not wait_s > 0
    when = "ready" if ready else f"ready in {duration_words(wait_s)}"
    check = Check(
        COIL, GOOD if ready else REFUSED, f"{coil_words(setup, coil)}, {when}",
        "" if ready else
        "Let the coil rest that long, then start again. This is an estimate from its on-times, not "
        "a measurement: do not touch the coil to find out.",
    )  # fmt: skip
    known = {**found.hardware, "coil before the run": check.shown}
    found = found._replace(checks=[*found.checks, check], hardware=known)
    return found if ready else found._replace(ready_in_s=wait_s)


def coil_words(setup: Setup, coil: Carried) -> str:
    """What is known of the coil's heat, in words: an estimate, and whether it is assumed."""
    if math.isfinite(coil.temperature_degc):
        words = f"coil estimated at {coil.temperature_degc:.0f} degC"
    else:
        window_s = setup.limits.duty_window_s
        on_s = sum(min(on_ns / NS, window_s) - off_ns / NS for on_ns, off_ns in coil.spans)
        words = f"coil on for {on_s:.1f} s of the last {window_s:.0f} s"
    return f"{words} (assumed: {coil.assumed})" if coil.assumed else words
