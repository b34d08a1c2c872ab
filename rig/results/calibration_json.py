# SPDX-License-Identifier: MIT
"""Measured properties of a run's gauge and clocks, as JSON. Null where not known."""

from __future__ import annotations

from rig.analysis.measure import own_timing
from rig.analysis.measure.gauge_calibration import Applied, remarks
from rig.analysis.stats.uncertainty import coverage_factor
from rig.core.results.metrology import Calibration, CorrectionAt, OwnTime, Timing


def calibration_json(applied: Applied | None) -> Calibration | None:
    """The key `calibration` of a run; None where the setup has none."""
    if applied is None:
        return None
    made, fit = applied.made, applied.fit

    def at(kpa: float | None) -> CorrectionAt | None:
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


def timing_json(applied: own_timing.Applied | None) -> Timing | None:
    """The key `timing` of a run: the rig's own times, ms, or that they are assumed; None for a
    capture."""
    if applied is None:
        return None
    made = applied.made
    return {
        "state": applied.state,
        "date": None if made is None else made.date,
        "due": None if made is None else made.due,
        "by": None if made is None else made.by or None,
        "timed_from": None if made is None else made.timed_from,
        "run": None if made is None else made.run,
        "wired": applied.wired,
        "response": _own_time(applied.way("response")),
        "release": _own_time(applied.way("release")),
        "remarks": own_timing.remarks(applied),
    }


def _own_time(way: own_timing.Way | None) -> OwnTime | None:
    if way is None:
        return None
    return {
        "n": way.n,
        "mean_ms": round(way.mean_ms, 6),
        "sd_ms": round(way.sd_ms, 6),
        "least_ms": round(way.least_ms, 6),
        "most_ms": round(way.most_ms, 6),
    }
