# SPDX-License-Identifier: MIT
"""The interlock's rules: pure functions from a measured value and a limit to a finding.

Every comparison is written so that NaN trips: `not (value <= limit)`.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from rig.bench import watch

FeedSide = Literal["supply", "ground"]


class Finding(NamedTuple):
    """A rule that no longer holds, with what a person needs to know. `unit` is that of `value`
    and `limit`; either is None where the rule has no number."""

    rule: str
    value: float | None
    limit: float | None
    unit: str
    message: str


def over_pressure(pressure_kpa: float, limit_kpa: float) -> Finding | None:
    """A reading above the limit."""
    if pressure_kpa <= limit_kpa:
        return None
    return Finding(
        watch.OVER_PRESSURE,
        pressure_kpa,
        limit_kpa,
        "kPa",
        f"Pressure {pressure_kpa:.0f} kPa is over the limit of {limit_kpa:.0f} kPa. Releasing the "
        "coil does not lower the supply pressure: bring the engine to idle or shut the supply "
        "valve, and let the pressure fall before going near the fittings.",
    )


def on_time(energised_s: float, limit_s: float) -> Finding | None:
    """The coil has been energised for longer than the setup allows."""
    if energised_s <= limit_s:
        return None
    return Finding(
        watch.ON_TIME,
        energised_s,
        limit_s,
        "s",
        f"The coil was energised for {energised_s:.2f} s, longer than the limit of "
        f"{limit_s:.2f} s. Let it cool before the next run.",
    )


def duty(on_s: float, window_s: float, limit: float) -> Finding | None:
    """On-time within the sliding window, as a share of the window."""
    share = on_s / window_s
    if share <= limit:
        return None
    return Finding(
        watch.DUTY,
        100 * share,
        100 * limit,
        "%",
        f"The coil was energised for {on_s:.1f} s of the last {window_s:.0f} s "
        f"({100 * share:.0f} %), over the limit of {100 * limit:.0f} %. Let it cool, and give the "
        "sheet a longer rest.",
    )


def gauge_stale(age_s: float, limit_s: float) -> Finding | None:
    """No believable reading for longer than the limit."""
    if age_s <= limit_s:
        return None
    return Finding(
        watch.GAUGE_STALE,
        age_s,
        limit_s,
        "s",
        f"No good reading from the gauge for {age_s:.2f} s (limit {limit_s:.2f} s), so the "
        "pressure is not known. Check the gauge's supply, its cable and its settings.",
    )


def readback(
    commanded_on: bool, disagreeing_s: float, allowed_s: float, feed_side: FeedSide
) -> Finding | None:
    """The load side has not followed the command within the allowed time.

    What can be told apart depends on the feed side (rig.physics.feed).
    """
    if disagreeing_s <= allowed_s:
        return None
    if commanded_on and feed_side == "supply":
        told = (
            "The relay is commanded on but the load side stays dead: fuse open, no supply, or the "
            "relay's contact does not close."
        )
    elif commanded_on:
        told = (
            "The relay is commanded on but the load side stays at supply voltage: the relay's "
            "contact does not close, or its ground is open."
        )
    elif feed_side == "supply":
        told = (
            "The load side is live although the relay is commanded off: welded contact, or "
            "something else feeds the coil (is the plug to the control unit off?)."
        )
    else:
        told = (
            "The load side is at ground although the relay is commanded off: welded contact, fuse "
            "open, coil unplugged, or something else grounds the coil. Which one cannot be told "
            "on the ground side: take the coil to be energised."
        )
    return Finding(
        watch.READBACK,
        1e3 * disagreeing_s,
        1e3 * allowed_s,
        "ms",
        f"{told} It disagreed for {1e3 * disagreeing_s:.0f} ms (limit {1e3 * allowed_s:.0f} ms).",
    )


def edge_source(line: str, disagreeing_s: float, allowed_s: float) -> Finding | None:
    """The polled level of a line differs from its last edge: edges are being lost."""
    if disagreeing_s <= allowed_s:
        return None
    return Finding(
        watch.EDGE_SOURCE,
        1e3 * disagreeing_s,
        1e3 * allowed_s,
        "ms",
        f"The {line} line changed its level {1e3 * disagreeing_s:.0f} ms ago and no edge was "
        "reported. Times can no longer be trusted; restart the rig, and check the line for noise.",
    )


def recorder_behind(overflowed: bool, lag_s: float) -> Finding | None:
    """Records can no longer be handed on without losing some."""
    if not overflowed:
        return None
    return Finding(
        watch.RECORDER,
        lag_s,
        None,
        "s",
        f"The recorder has not taken records for {lag_s:.1f} s and the queue is full. What was "
        "taken is kept. Check the storage (card, disk space), then run again.",
    )
