# SPDX-License-Identifier: MIT
"""Which channels a rig as wired provides, their source, and the maximum age of their readings."""

from __future__ import annotations

from typing import NamedTuple

from rig.config.analog.model import FAST_PERIOD_S
from rig.config.setup.model import STALE_MIN_S, STALE_PERIODS, Setup


class Source(NamedTuple):
    """A channel's source: a word for a person, its period and its delay."""

    name: str
    period_s: float
    latency_s: float = 0.0


def sources(setup: Setup) -> dict[str, Source]:
    """Every channel of the setup with its source; the converter takes precedence over a gauge."""
    found: dict[str, Source] = {}
    gauge = setup.gauge
    if gauge is not None:
        for channel in gauge_channels(setup):
            found[channel] = Source("gauge", gauge.period_s, gauge.latency_s)
    for item in setup.analog:
        period_s = FAST_PERIOD_S if item.fast else item.period_s
        found[item.channel] = Source("converter", period_s)
    if setup.engine_speed is not None:
        speed = setup.engine_speed  # on a slow engine a reading takes as long as two pulses
        pulse_s = 60.0 / speed.pulses_per_revolution / speed.slowest_rpm
        found["engine_speed"] = Source("pulse line", max(speed.period_s, pulse_s))
    return found


def gauge_channels(setup: Setup) -> tuple[str, ...]:
    """The channels that the serial gauge's lines carry."""
    if setup.gauge is None:
        return ()
    return ("pressure", *(item.channel for item in setup.gauge.channels))


def stale_s(setup: Setup, channel: str) -> float | None:
    """Age at which a channel's reading is stale, s: as set, else three periods and at least half a
    second. None if nothing provides the channel."""
    source = sources(setup).get(channel)
    if source is None:
        return None
    if setup.limits.gauge_stale_s is not None:
        return setup.limits.gauge_stale_s
    return max(STALE_MIN_S, STALE_PERIODS * source.period_s)
