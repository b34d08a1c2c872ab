# SPDX-License-Identifier: MIT
"""Measured properties of a run's gauge and clocks, as JSON. Null where not known."""

from __future__ import annotations

from typing import Any

from rig.analysis.measure import own_timing
from rig.analysis.measure.gauge_calibration import Applied, remarks
from rig.analysis.stats.uncertainty import coverage_factor


def calibration_json(applied: Applied | None) -> dict[str, Any] | None:
    """The key `calibration` of a run; None where the setup has none."""
    if applied is None:
        return None
    made, fit = applied.made, applied.fit

    def at(kpa: float | None) -> dict[str, float] | None:
        if kpa is None:
            return None
        k = coverage_factor(fit.dof)
        return {
            "reading_kpa": round(kpa, 4),
            "correction_kpa": round(fit.correction(kpa), 4),
            "u95_kpa": round(k * fit.u(kpa), 4),
        }

    return {
        "date": made.date,
        "due": made.due,
        "state": applied.state,
        "by": made.by or None,
        "reference": made.reference,
        "reference_u_kpa": round(made.reference_uncertainty_kpa / made.reference_coverage, 6),
        "points": fit.dof + 2,
        "scatter_kpa": round(fit.s, 6),
        "correction_at_lowest": at(applied.lowest_kpa),
        "correction_at_highest": at(applied.highest_kpa),
        "beyond_points": applied.beyond,
        "bend_kpa": round(applied.bend_kpa, 4),
        "zero": None
        if applied.zero is None
        else {
            "reading_kpa": round(applied.zero.kpa, 4),
            "stored_kpa": made.zero_reading_kpa,
            "drift_kpa": round(applied.zero.drift_kpa, 4),
            "tolerance_kpa": made.zero_tolerance_kpa,
            "held": applied.zero.held,
            "taken_off_kpa": round(applied.zero.taken_off_kpa, 4),
        },
        "remarks": remarks(applied),
    }


def timing_json(applied: own_timing.Applied | None) -> dict[str, Any] | None:
    """The key `timing` of a run: the rig's own times, ms, or that they are assumed; None for a
    capture."""
    if applied is None:
        return None
    made = applied.made
    ways = {
        name: None if (way := applied.way(name)) is None else way._asdict()
        for name in ("response", "release")
    }
    return {
        "state": applied.state,
        "date": made and made.date,
        "due": made and made.due,
        "by": made and (made.by or None),
        "timed_from": made and made.timed_from,
        "run": made and made.run,
        "wired": applied.wired,
        **{
            name: None if way is None else {key: round(v, 6) for key, v in way.items()}
            for name, way in ways.items()
        },
        "remarks": own_timing.remarks(applied),
    }
