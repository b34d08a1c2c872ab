# SPDX-License-Identifier: MIT
"""What cannot stand together in `[calibration]`."""

from __future__ import annotations

from collections.abc import Iterator

from rig.config.files.problems import Finding
from rig.config.gauge.calibration import CalibrationSetup
from rig.config.setup.model import Setup

MIN_POINTS = 3


def calibration_rules(setup: Setup) -> Iterator[Finding]:
    """Contradictions within `[calibration]`, and with the rest of the setup."""
    made = setup.calibration
    if made is None:
        return
    where = ("calibration",)
    if setup.pressure_source is None:
        yield Finding(where, "nothing measures the pressure that this calibration is of",
                      "describe the [gauge], or leave [calibration] out")  # fmt: skip
    if len({point.reading_kpa for point in made.points}) < MIN_POINTS:
        yield Finding((*where, "points"), "a line needs at least three different readings",
                      "calibrate at five or more pressures: `rig calibrate`")  # fmt: skip
    elif not _rises(made):
        yield Finding((*where, "points"), "the readings do not rise with the reference",
                      "look for a point that was typed wrong, or for a swapped pair")  # fmt: skip
    if not made.date <= made.due:
        yield Finding((*where, "due"), "it ran out before it was made", "check both dates")
    if made.zero_check and (made.zero_reading_kpa is None or made.zero_tolerance_kpa is None):
        yield Finding((*where, "zero_check"), "a zero check needs zero_reading and zero_tolerance",
                      "give both, or take zero_check out")  # fmt: skip


def _rises(made: CalibrationSetup) -> bool:
    n = len(made.points)
    mean_x = sum(point.reading_kpa for point in made.points) / n
    mean_y = sum(point.reference_kpa for point in made.points) / n
    return sum((p.reading_kpa - mean_x) * (p.reference_kpa - mean_y) for p in made.points) > 0.0
