# SPDX-License-Identifier: MIT
"""What cannot stand together in `[calibration]` and in `[timing]`."""

from __future__ import annotations

from collections.abc import Iterator

from rig.config.dated import Dated
from rig.config.files.problems import Finding, Where
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
    yield from _dates(made, where)
    if made.zero_check and (made.zero_reading_kpa is None or made.zero_tolerance_kpa is None):
        yield Finding((*where, "zero_check"), "a zero check needs zero_reading and zero_tolerance",
                      "give both, or take zero_check out")  # fmt: skip


def timing_rules(setup: Setup) -> Iterator[Finding]:
    """Contradictions within `[timing]`, and with what is wired."""
    made = setup.timing
    if made is None:
        return
    yield from _dates(made, ("timing",))
    wired = "command" if setup.readback is None else "read-back"
    if made.timed_from != wired:
        yield Finding(
            ("timing", "timed_from"),
            f"this rig times from the {wired} as it is wired, and was measured otherwise",
            "measure it again as it is wired now: `rig calibrate --timing`; or take [timing] out",
        )
    for n, delays_s in enumerate((made.operate_delay_s, made.release_delay_s)):
        if not delays_s[0] > 0:
            yield Finding(
                ("timing", ("operate_delay", "release_delay")[n], 0),
                "the coil cannot have answered before its command",
                "measure it again: `rig calibrate --timing`",
            )


def relay_delay_order(setup: Setup) -> Iterator[Finding]:
    """The shortest delay of the relay is no longer than its longest."""
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
