# SPDX-License-Identifier: MIT
"""Rules on coil, relay, loops and the program itself; for sensors see gauge_rules and sensor_rules.

A rule is a pure function from a measured value and a limit to a finding. Every comparison is
written so that NaN trips: `not (value <= limit)`.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from rig.bench.interlock import registry
from rig.core.rounding import apart

FeedSide = Literal["supply", "ground"]


class Finding(NamedTuple):
    """A rule that no longer holds, with what a person needs to know. `unit` applies to `value` and
    `limit`; each is None if the rule has no such number."""

    rule: str
    value: float | None
    limit: float | None
    unit: str
    message: str


def on_time(energised_s: float, limit_s: float) -> Finding | None:
    """The coil has been energised for longer than the setup allows."""
    if energised_s <= limit_s:
        return None
    return Finding(
        registry.ON_TIME, energised_s, limit_s, "s",
        f"The coil was energised for {energised_s:.2f} s, longer than the limit of "
        f"{limit_s:.2f} s. Let it cool before the next run.",
    )  # fmt: skip


def duty(on_s: float, window_s: float, limit: float) -> Finding | None:
    """On-time in the sliding window, as a share of it, is above the limit."""
    share = on_s / window_s
    if share <= limit:
        return None
    return Finding(
        registry.DUTY, 100 * share, 100 * limit, "%",
        f"The coil was energised for {on_s:.1f} s of the last {window_s:.0f} s "
        f"({100 * share:.0f} %), over the limit of {100 * limit:.0f} %. Let it cool, and give the "
        "sheet a longer rest.",
    )  # fmt: skip


def coil_heating(temperature_degc: float, limit_degc: float) -> Finding | None:
    """The coil's estimated temperature is above the limit."""
    if temperature_degc <= limit_degc:
        return None
    return Finding(
        registry.COIL_HEATING, temperature_degc, limit_degc, "degC",
        f"The coil is estimated at {apart(temperature_degc, limit_degc)} degC, over the limit of "
        f"{apart(limit_degc, temperature_degc)} degC. Let it cool, and give the sheet a "
        "longer rest.",
    )  # fmt: skip


_DISAGREEMENTS = {
    ("supply", True): (
        "The relay is commanded on but the load side stays dead: fuse open, no supply, or the "
        "relay's contact does not close."
    ),
    ("ground", True): (
        "The relay is commanded on but the load side stays at supply voltage: the relay's "
        "contact does not close, or its ground is open."
    ),
    ("supply", False): (
        "The load side is live although the relay is commanded off: contact welded, or the coil is "
        "driven by the vehicle (is the plug to the control unit off?)."
    ),
    ("ground", False): (
        "The load side is at ground although the relay is commanded off: contact welded, fuse "
        "open, coil unplugged, or driven by the vehicle. Which one cannot be told on the ground "
        "side: take the coil to be energised."
    ),
}


def readback(
    commanded_on: bool, disagreeing_s: float, allowed_s: float, feed_side: FeedSide
) -> Finding | None:
    """The load side did not follow the command within the allowed time.

    The faults that can be told apart depend on the feed side (truth tables in rig.physics.feed).
    """
    if disagreeing_s <= allowed_s:
        return None
    return Finding(
        registry.READBACK, 1e3 * disagreeing_s, 1e3 * allowed_s, "ms",
        f"{_DISAGREEMENTS[feed_side, commanded_on]} It disagreed for {1e3 * disagreeing_s:.0f} ms "
        f"(limit {1e3 * allowed_s:.0f} ms).",
    )  # fmt: skip


def loop_open(rule: str, closed: bool) -> Finding | None:
    """Stop input or guard cover input: open, or its wire is broken."""
    if closed:
        return None
    what = {
        registry.STOP_INPUT: "The mushroom stop was pressed, or the wire of its input is broken. "
        "Release it only when it is clear why it was pressed.",
        registry.COVER_INPUT: "The guard cover is open, or the wire of its input is broken. "
        "Close it before the next run.",
    }[rule]
    return Finding(rule, None, None, "", what)


def edge_source(line: str, disagreeing_s: float, allowed_s: float) -> Finding | None:
    """A line's polled level differs from its last edge: edges are being lost."""
    if disagreeing_s <= allowed_s:
        return None
    return Finding(
        registry.EDGE_SOURCE, 1e3 * disagreeing_s, 1e3 * allowed_s, "ms",
        f"The {line} line changed its level {1e3 * disagreeing_s:.0f} ms ago and no edge was "
        f"reported (limit {1e3 * allowed_s:.0f} ms). Times can no longer be trusted; restart the "
        "rig, and check the line for noise.",
    )  # fmt: skip


def edge_source_failed(detail: str) -> Finding:
    """The request for the timed lines is lost."""
    return Finding(
        registry.EDGE_SOURCE, None, None, "",
        f"The timed lines are lost: {detail} Nothing can be timed; restart the rig.",
    )  # fmt: skip


def recorder_behind(overflowed: bool, lag_s: float, limit_s: float) -> Finding | None:
    """Records cannot be stored in time, or not without losing some."""
    if not overflowed and lag_s <= limit_s:
        return None
    return Finding(
        registry.RECORDER, lag_s, limit_s, "s",
        f"Records have waited {lag_s:.1f} s to be stored (limit {limit_s:.1f} s)"
        f"{', and the queue is full' if overflowed else ''}. What was stored is kept. Check the "
        "storage (card, disk space), then run again.",
    )  # fmt: skip


def recorder_gone() -> Finding:
    """The recorder has exited."""
    return Finding(
        registry.RECORDER, None, None, "",
        "The recorder process ended. What it had stored is kept; `rig recover` completes the run "
        "from its raw file.",
    )  # fmt: skip


def disk_nearly_full(free_mb: float, limit_mb: float) -> Finding | None:
    """Too little free space to go on recording, or the free space is unknown (NaN)."""
    if free_mb >= limit_mb:
        return None
    if math.isnan(free_mb):
        return Finding(
            registry.DISK, None, limit_mb, "MB",
            "It is no longer known how much space is free where the run log is kept: its folder "
            "was removed, or its medium is gone. Look at the medium. The recorder's last words "
            "say where the records are.",
        )  # fmt: skip
    return Finding(
        registry.DISK, free_mb, limit_mb, "MB",
        f"Only {free_mb:.0f} MB are free where the run log is kept (limit {limit_mb:.0f} MB). Make "
        "room: back the log up and move old raw files away.",
    )  # fmt: skip


def loop_late(late_s: float, limit_s: float) -> Finding | None:
    """The checking loop itself ran too late: nothing was watched in the meantime."""
    if late_s <= limit_s:
        return None
    return Finding(
        registry.LOOP, 1e3 * late_s, 1e3 * limit_s, "ms",
        f"The checking loop came {1e3 * late_s:.0f} ms late (limit {1e3 * limit_s:.0f} ms): the "
        "computer was too busy to watch. Close other programs, check its cooling and supply.",
    )  # fmt: skip
