# SPDX-License-Identifier: MIT
"""What the coil's current adds to the chain in front of the valve, and to what is said of it."""

from __future__ import annotations

import numpy as np

from rig.analysis.coil import coil_state
from rig.analysis.coil.current_rise import MOVED, NOT_SEEN
from rig.analysis.coil.plunger_timing import Signature
from rig.analysis.measure.stroke_table import StrokeTable

GAPS = (
    coil_state.NO_CURRENT, coil_state.HIGH_OHM, coil_state.LOW_CURRENT, coil_state.LOW_OHM,
    coil_state.HIGH_CURRENT,
)  # fmt: skip
LONGEST_SHARE = 0.6
"""A part that is so much of the whole response is named as the one to look at."""


def coil_sound(signature: Signature | None) -> bool:
    """The coil's current was measured and is as the setup says."""
    return signature is not None and signature.coil.state == coil_state.SOUND


def plunger_words(signature: Signature | None, table: StrokeTable) -> tuple[str, str]:
    """Of the missed strokes: what the current showed of the plunger, and where to look for that;
    both empty where it showed nothing."""
    if signature is None:
        return "", ""
    rows = np.flatnonzero(table.missed)
    states = signature.states(rows)
    moved, still = states.count(MOVED), states.count(NOT_SEEN)
    others = signature.count(MOVED) - moved
    if moved and not still:
        return (
            f"the current shows that the plunger moved in {moved} of the {len(rows)} missed "
            "strokes",
            "",
        )
    if still and not moved:
        aside = (
            f", and does in {others} others" if others
            else ", nor in any other: a coil whose current does not show it looks the same"
        )  # fmt: skip
        return (
            f"the current does not show the plunger move in {still} of the {len(rows)} missed "
            f"strokes{aside}",
            "the plunger (stuck, dirt, a spring too strong, too little current)",
        )
    if still:
        return (
            f"of the missed strokes the plunger moved in {moved} and was not seen to in {still}",
            "the plunger (sticks at times)",
        )
    return "", ""


def longest_part(signature: Signature | None) -> tuple[str, str]:
    """Which part most of the response goes to, and where to look for it; empty where no part is
    most of it, or the parts are not known."""
    if signature is None:
        return "", ""
    rows = [row for row in signature.rows if row is not None and row.state == MOVED]
    means = {
        name: float(np.nanmean(values))
        for name in ("electrical", "mechanical", "hydraulic")
        if len(values := [getattr(row, f"{name}_ms") for row in rows]) and np.isfinite(values).any()
    }
    if len(means) < 3:
        return "", ""
    whole = sum(means.values())
    name = max(means, key=lambda part: means[part])
    if not means[name] > LONGEST_SHARE * whole:
        return "", ""
    where = {
        "electrical": "supply and coil resistance",
        "mechanical": "the plunger (oil too thick, dirt, friction)",
        "hydraulic": "inlet screen and passages, pilot and spool",
    }[name]
    words = (
        f"By the coil's current {means[name]:.3g} of {whole:.3g} ms are {name} (electrical "
        f"{means['electrical']:.3g}, mechanical {means['mechanical']:.3g}, hydraulic "
        f"{means['hydraulic']:.3g} ms)"
    )
    return words, where
