# SPDX-License-Identifier: MIT
"""Rules on coil, relay, loops and the program itself; for sensors see gauge_rules and sensor_rules.

A rule is a pure function from a measured value and a limit to a finding. Every comparison is
written so that NaN trips: `not (value <= limit)`.
"""

from __future__ import annotations

import math
from typing import Literal

from rig.bench.interlock.rule import Finding, Rule, when
from rig.core.records import BENCH_LOST, EDGE_SOURCE_RULE, READBACK_RULE, RELEASE_NOT_SEEN
from rig.core.rounding import apart

FeedSide = Literal["supply", "ground"]

ON_TIME, DUTY, COIL_HEATING, READBACK = "on time", "duty", "coil heating", READBACK_RULE
STOP_INPUT, COVER_INPUT = "stop input open", "guard cover open"
EDGE_SOURCE, RECORDER, DISK = EDGE_SOURCE_RULE, "recorder behind", "disk nearly full"
LINK, LOOP, HEARTBEAT = "link lost", "loop late", "desk and bench both dead"

EDGE_LOST_S = 0.050
"""A level that changed without an edge for this long means a dead edge source."""


def on_time(energised_s: float, limit_s: float) -> Finding | None:
    """The coil has been energised for longer than the setup allows."""
    if energised_s <= limit_s:
        return None
    return Finding(
        ON_TIME, energised_s, limit_s, "s",
        f"The coil was energised for {energised_s:.2f} s, longer than the limit of "
        f"{limit_s:.2f} s. Let it cool before the next run.",
    )  # fmt: skip


def duty(on_s: float, window_s: float, limit: float) -> Finding | None:
    """On-time in the sliding window, as a share of it, is above the limit."""
    share = on_s / window_s
    if share <= limit:
        return None
    return Finding(
        DUTY, 100 * share, 100 * limit, "%",
        f"The coil was energised for {on_s:.1f} s of the last {window_s:.0f} s "
        f"({100 * share:.0f} %), over the limit of {100 * limit:.0f} %. Let it cool, and give the "
        "sheet a longer rest.",
    )  # fmt: skip


def coil_heating(temperature_degc: float, limit_degc: float) -> Finding | None:
    """The coil's estimated temperature is above the limit."""
    if temperature_degc <= limit_degc:
        return None
    return Finding(
        COIL_HEATING, temperature_degc, limit_degc, "degC",
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
        READBACK, 1e3 * disagreeing_s, 1e3 * allowed_s, "ms",
        f"{_DISAGREEMENTS[feed_side, commanded_on]} It disagreed for {1e3 * disagreeing_s:.0f} ms "
        f"(limit {1e3 * allowed_s:.0f} ms).",
    )  # fmt: skip


def loop_open(rule: str, closed: bool) -> Finding | None:
    """Stop input or guard cover input: open, or its wire is broken."""
    if closed:
        return None
    what = {
        STOP_INPUT: "The mushroom stop was pressed, or the wire of its input is broken. "
        "Release it only when it is clear why it was pressed.",
        COVER_INPUT: "The guard cover is open, or the wire of its input is broken. "
        "Close it before the next run.",
    }[rule]
    return Finding(rule, None, None, "", what)


def edge_source(line: str, disagreeing_s: float, allowed_s: float) -> Finding | None:
    """A line's polled level differs from its last edge: edges are being lost."""
    if disagreeing_s <= allowed_s:
        return None
    return Finding(
        EDGE_SOURCE, 1e3 * disagreeing_s, 1e3 * allowed_s, "ms",
        f"The {line} line changed its level {1e3 * disagreeing_s:.0f} ms ago and no edge was "
        f"reported (limit {1e3 * allowed_s:.0f} ms). Times can no longer be trusted; restart the "
        "rig, and check the line for noise.",
    )  # fmt: skip


def edge_source_failed(detail: str) -> Finding:
    """The request for the timed lines is lost."""
    return Finding(
        EDGE_SOURCE, None, None, "",
        f"The timed lines are lost: {detail} Nothing can be timed; restart the rig.",
    )  # fmt: skip


def recorder_behind(overflowed: bool, lag_s: float, limit_s: float) -> Finding | None:
    """Records cannot be stored in time, or not without losing some."""
    if not overflowed and lag_s <= limit_s:
        return None
    return Finding(
        RECORDER, lag_s, limit_s, "s",
        f"Records have waited {lag_s:.1f} s to be stored (limit {limit_s:.1f} s)"
        f"{', and the queue is full' if overflowed else ''}. What was stored is kept. Check the "
        "storage (card, disk space), then run again.",
    )  # fmt: skip


def recorder_gone() -> Finding:
    """The recorder has exited."""
    return Finding(
        RECORDER, None, None, "",
        "The recorder process ended. What it had stored is kept; `rig recover` completes the run "
        "from its raw file.",
    )  # fmt: skip


def disk_nearly_full(free_mb: float, limit_mb: float) -> Finding | None:
    """Too little free space to go on recording, or the free space is unknown (NaN)."""
    if free_mb >= limit_mb:
        return None
    if math.isnan(free_mb):
        return Finding(
            DISK, None, limit_mb, "MB",
            "It is no longer known how much space is free where the run log is kept: its folder "
            "was removed, or its medium is gone. Look at the medium. The recorder's last words "
            "say where the records are.",
        )  # fmt: skip
    return Finding(
        DISK, free_mb, limit_mb, "MB",
        f"Only {free_mb:.0f} MB are free where the run log is kept (limit {limit_mb:.0f} MB). Make "
        "room: back the log up and move old raw files away.",
    )  # fmt: skip


def loop_late(late_s: float, limit_s: float) -> Finding | None:
    """The checking loop itself ran too late: nothing was watched in the meantime."""
    if late_s <= limit_s:
        return None
    return Finding(
        LOOP, 1e3 * late_s, 1e3 * limit_s, "ms",
        f"The checking loop came {1e3 * late_s:.0f} ms late (limit {1e3 * limit_s:.0f} ms): the "
        "computer was too busy to watch. Close other programs, check its cooling and supply.",
    )  # fmt: skip


RULES = (
    Rule(
        ON_TIME, "coil", "nothing", "the coil was on for longer than `limits.on_time`",
        "let the coil cool; give the sheet a shorter on time",
        lambda _: when(0.0, "the program's own clock"),
        ("on_time_s",),
    ),
    Rule(
        DUTY, "coil", "nothing",
        "on-time in the window is over `limits.duty`; earlier runs count",
        "let the coil cool; give the sheet a longer rest",
        lambda _: when(
            0.0, "the program's own clock; on-time of earlier runs is carried on"
        ),
        ("duty", "duty_window_s"), of_heat=True,
    ),
    Rule(
        COIL_HEATING, "coil", "`[coil_heating]`",
        "the coil's estimated temperature is over its limit; earlier runs count",
        "let the coil cool; give the sheet a longer rest",
        lambda setup: when(
            0.0 if setup.coil_heating else None,
            "estimated, not measured; earlier runs are carried on",
            "no [coil_heating] in the setup",
        ),
        of_heat=True,
    ),
    Rule(
        READBACK, "coil", "`[readback]`",
        "the load side does not follow the command within `limits.readback_delay`",
        "open the mushroom stop, then measure at the coil: fuse, relay contact, wiring, and "
        "whether the vehicle drives it",
        lambda setup: when(
            setup.limits.readback_delay_s if setup.readback else None,
            "the allowed relay delay", "no read-back input in the setup",
        ),
        ("readback_delay_s",),
    ),
    Rule(
        STOP_INPUT, "loop", "`[stop_input]`", "the loop opens, or its wire breaks",
        "find out why the mushroom stop was pressed; then its wire",
        lambda setup: when(
            0.0 if setup.stop_input else None, "polled", "no stop input in the setup"
        ),
    ),
    Rule(
        COVER_INPUT, "loop", "`[cover_input]`", "the loop opens, or its wire breaks",
        "close the guard cover; then look at its contact and wire",
        lambda setup: when(
            0.0 if setup.cover_input else None, "polled", "no guard cover input in the setup"
        ),
    ),
    Rule(
        EDGE_SOURCE, "program", "nothing",
        "a line's level changed and no edge was reported, or the lines are lost",
        "restart the rig, and look at the timed lines for noise",
        lambda _: when(EDGE_LOST_S, "line level polled beside its edges"),
    ),
    Rule(
        RECORDER, "program", "nothing",
        "records wait longer than `limits.recorder_lag` to be stored, or the queue is full",
        "look at the storage: card, free space, other programs that write",
        lambda setup: when(
            setup.limits.recorder_lag_s, "the age of the oldest record not stored"
        ),
        ("recorder_lag_s",),
    ),
    Rule(
        DISK, "program", "nothing", "less than `limits.disk_free_mb` is free",
        "make room where the run log is kept",
        lambda _: when(1.0, "free space, looked at once a second"),
        ("disk_free_mb",),
    ),
    Rule(
        LINK, "program", "nothing",
        "the operator's program is silent longer than `limits.link_time` while the coil is on",
        "",
        lambda setup: when(setup.limits.link_time_s, "silence of the desk"),
        ("link_time_s",), "end",
    ),
    Rule(
        LOOP, "program", "nothing", "the checking loop itself is later than `limits.loop_late`",
        "close other programs, and look at the computer's cooling and supply",
        lambda setup: when(setup.limits.loop_late_s, "the interlock's own tick"),
        ("loop_late_s",),
    ),
    Rule(
        HEARTBEAT, "program", "`[heartbeat]` and its circuit",
        "the circuit cuts the relay driver's supply",
        "",
        lambda setup: when(
            0.0 if setup.heartbeat else None,
            "the heartbeat circuit's own hold time", "no heartbeat line in the setup",
        ),
        action="hardware",
    ),
    Rule(
        BENCH_LOST, "guard", "nothing",
        "the bench died, or was silent for `limits.guard_time`, and the guard took its line",
        "find out why the bench program died or hung before the next run",
        lambda setup: when(setup.limits.guard_time_s, "silence of the bench"),
        ("guard_time_s",),
    ),
    Rule(
        RELEASE_NOT_SEEN, "guard", "nothing",
        "the bench was found dead, and no guard took its line",
        "find out why the bench program died or hung before the next run",
        lambda _: when(None, "", "found at the next start"),
    ),
)  # fmt: skip
"""One entry for each rule of this module."""
