# SPDX-License-Identifier: MIT
"""Contradictions in `[calibration]` and in `[timing]`."""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Iterator

from rig.config.dated import Dated
from rig.config.files.problems import Finding, Where
from rig.config.gauge.calibration import CalibrationSetup
from rig.config.setup.model import Setup

MIN_POINTS = 3
BEYOND_SHARE = 0.05
"""How far outside the gauge's measuring range a point may lie, as a fraction of that range."""
OFF_SHARE = 0.025
"""Fraction of the measuring range: a point closer than this to the others' line is never
refused."""
FAR = 6.0
"""Robust standard deviations about the line (common practice, no source)."""
APART_SHARE = 0.2
"""Fraction of the measuring range: two gauges farther apart are not at the same pressure, or in the
same unit (common practice, no source)."""
MAD_TO_SD = 1.4826
WRITTEN_TO_S = 1e-6
"""`[timing]` is written with its delays rounded outwards."""


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
    else:
        yield from _wrong_points(made, setup)
    yield from _dates(made, where)
    if made.zero_check and (made.zero_reading_kpa is None or made.zero_tolerance_kpa is None):
        yield Finding((*where, "zero_check"), "a zero check needs zero_reading and zero_tolerance",
                      "give both, or take zero_check out")  # fmt: skip


def timing_rules(setup: Setup) -> Iterator[Finding]:
    """Contradictions within `[timing]`, and with the wiring."""
    made = setup.timing
    if made is None:
        return
    yield from _dates(made, ("timing",))
    if made.source is not None and (made.source == "simulated") != (setup.backend == "simulated"):
        yield Finding(
            ("timing", "source"),
            f'"{made.source}" was measured, and backend is "{setup.backend}": one says nothing of '
            "the other",
            "take [timing] out, and measure this rig: `rig calibrate --timing`",
        )
    wired = "command" if setup.readback is None else "read-back"
    if made.timed_from != wired:
        yield Finding(
            ("timing", "timed_from"),
            f"this rig times from the {wired} as it is wired, and was measured otherwise",
            "take [timing] out, and measure it as it is wired now: `rig calibrate --timing`",
        )
    relay = setup.relay
    for key, delays_s, most_s in (
        ("operate_delay", made.operate_delay_s, relay.operate_delay_s),
        ("release_delay", made.release_delay_s, relay.release_delay_s),
    ):
        if not delays_s[0] > 0:
            yield Finding(
                ("timing", key, 0),
                "the coil cannot have answered before its command",
                "take [timing] out, and measure it again: `rig calibrate --timing`",
            )
        if made.timed_from == "command" and delays_s[1] > most_s + WRITTEN_TO_S:
            yield Finding(
                ("timing", key, 1),
                f"{1e3 * delays_s[1]:.4g} ms is more than the {1e3 * most_s:g} ms that [relay] "
                f"{key} states at most: a valve may have answered, and not the loop",
                "take [timing] out, and measure without a valve: `rig calibrate --timing`; only if "
                f"the relay itself is so slow, by its data sheet, state it in [relay] {key}",
            )


def relay_delay_order(setup: Setup) -> Iterator[Finding]:
    """The relay's shortest delay is no longer than its longest."""
    relay = setup.relay
    for key, (least_s, most_s) in (
        ("operate_delay", relay.operate_range_s), ("release_delay", relay.release_range_s),
    ):  # fmt: skip
        if not least_s <= most_s:
            yield Finding(
                ("relay", f"{key}_least"),
                f"the shortest delay is above the longest ({1e3 * most_s:g} ms in {key})",
                f"write it below {key}, or leave it out",
            )


def _dates(made: Dated, where: Where) -> Iterator[Finding]:
    if not made.date <= made.due:
        yield Finding((*where, "due"), "it ran out before it was made", "check both dates")


def _rises(made: CalibrationSetup) -> bool:
    n = len(made.points)
    mean_x = sum(point.reading_kpa for point in made.points) / n
    mean_y = sum(point.reference_kpa for point in made.points) / n
    return sum((p.reading_kpa - mean_x) * (p.reference_kpa - mean_y) for p in made.points) > 0.0


def _wrong_points(made: CalibrationSetup, setup: Setup) -> Iterator[Finding]:
    """Points that cannot come from this gauge, or lie far from the line of the others."""
    source = setup.pressure_source
    if source is None:
        return
    low, high = source.measuring_range_kpa
    span = high - low
    away = _from_the_line(made)
    typical = MAD_TO_SD * statistics.median(abs(off) for off in away)
    far = max(OFF_SHARE * span, FAR * typical)
    for n, (point, off) in enumerate(zip(made.points, away, strict=True)):
        where = ("calibration", "points", n)
        both = {"reference": point.reference_kpa, "reading": point.reading_kpa}
        for key, kpa in both.items():
            if not low - BEYOND_SHARE * span <= kpa <= high + BEYOND_SHARE * span:
                yield Finding((*where, key), f"{kpa:.5g} kPa lies beyond the measuring range of "
                              f"the {source.name}, {low:.5g} to {high:.5g} kPa",
                              "check number and unit of this point")  # fmt: skip
        shown = f"the point {point.reference_kpa:.5g} kPa = {point.reading_kpa:.5g} kPa"
        if abs(point.reference_kpa - point.reading_kpa) > APART_SHARE * span:
            yield Finding((*where, "reading"), f"{shown}: the two gauges lie more than "
                          f"{APART_SHARE * span:.4g} kPa apart",
                          "check both numbers and units; a gauge that wrong is to be mended, "
                          "not corrected")  # fmt: skip
        elif abs(off) > far:
            yield Finding((*where, "reading"), f"{shown} lies {abs(off):.3g} kPa off the line of "
                          f"the others (allowed {far:.3g} kPa)",
                          "check number and unit, or take this point again")  # fmt: skip


def _from_the_line(made: CalibrationSetup) -> list[float]:
    """Distance of each point from a line that a few wrong ones do not affect: median of the slopes
    between all pairs (Sen, J. Am. Stat. Assoc. 63 (1968) 1379), median of the residuals."""
    points = [(p.reading_kpa, p.reference_kpa) for p in made.points]
    slope = statistics.median(
        (y2 - y1) / (x2 - x1)
        for (x1, y1), (x2, y2) in itertools.combinations(points, 2)
        if x1 != x2
    )
    rests = [y - slope * x for x, y in points]
    middle = statistics.median(rests)
    return [rest - middle for rest in rests]
