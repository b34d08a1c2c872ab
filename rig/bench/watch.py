# SPDX-License-Identifier: MIT
"""Which rules are watched on a rig as wired, and how slow each is at worst."""

from __future__ import annotations

from typing import NamedTuple

from rig.config.setup import Setup

TICK_S = 0.020
"""The interlock's own tick: it also runs when nothing arrives."""


class Watch(NamedTuple):
    """A rule, whether its sensor is there, and its slowest reaction: from the condition to the
    relay line commanded off, gauge period and allowed delay included, milliseconds."""

    rule: str
    watched: bool
    reaction_ms: float | None
    why: str


OVER_PRESSURE = "over-pressure"
ON_TIME = "on time"
DUTY = "duty"
GAUGE_STALE = "gauge stale"
READBACK = "read-back disagreeing"
EDGE_SOURCE = "edge source lost"
RECORDER = "recorder behind"


def watched(setup: Setup) -> list[Watch]:
    """Every rule of the interlock for this setup, watched or not."""
    tick_ms, limits, gauge = TICK_S * 1e3, setup.limits, setup.gauge
    rules = [
        Watch(ON_TIME, True, tick_ms, "the program's own clock"),
        Watch(DUTY, True, tick_ms, "the program's own clock; on-time of earlier runs not known"),
        Watch(EDGE_SOURCE, True, EDGE_LOST_S * 1e3 + tick_ms, "line level polled beside its edges"),
        Watch(RECORDER, True, tick_ms, "the queue of records not yet taken"),
    ]
    if gauge is not None and limits.pressure_kpa is not None:
        frame_ms = (gauge.period_s + gauge.latency_s) * 1e3
        stale_ms = setup.gauge_stale_s * 1e3
        rules += [
            Watch(OVER_PRESSURE, True, frame_ms + tick_ms, "one gauge period and its latency"),
            Watch(GAUGE_STALE, True, stale_ms + tick_ms, "no good reading for the stated time"),
        ]
    else:
        rules += [
            Watch(OVER_PRESSURE, False, None, "no gauge in the setup"),
            Watch(GAUGE_STALE, False, None, "no gauge in the setup"),
        ]
    if setup.readback is not None:
        delay_ms = limits.readback_delay_s * 1e3
        rules.append(Watch(READBACK, True, delay_ms + tick_ms, "the allowed relay delay"))
    else:
        rules.append(Watch(READBACK, False, None, "no read-back input in the setup"))
    return rules


EDGE_LOST_S = 0.050
"""A level that changed without its edge for this long means a dead edge source."""
