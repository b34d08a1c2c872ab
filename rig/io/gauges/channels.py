# SPDX-License-Identifier: MIT
"""Turn a number into a reading of its channel: unit, range, quality. Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

from rig.config.analog.channel_units import Linear, unit_of
from rig.config.gauge.model import GaugeChannel, GaugeSetup
from rig.core.records import GOOD, Condition, Sample

OUT_OF_RANGE = "out of range"
NO_NUMBER = "not a number"
UNIT_CHANGED = "unit changed"
UNIT_UNKNOWN = "unit unknown"
FRAME_REJECTED = "frame rejected"

SHOWN_MOST = 60

INVALID_FROM = 9.9e37
"""Instruments that speak IEEE 488.2 / SCPI send 9.91E37 for "no number", 9.9E37 for infinity (value
from memory)."""


class Decoded(NamedTuple):
    """The content of one frame: readings and conditions, and the factor of the pressure's unit as
    sent (None if the frame does not state it)."""

    items: list[Sample | Condition]
    factor: float | None = None


class Channel(NamedTuple):
    """A channel of a gauge: its `unit` (None if each frame states its own) and its range, in the
    same unit. A reading outside the range keeps its value and is not believed."""

    name: str
    unit: Linear | None
    low: float = -math.inf
    high: float = math.inf

    def sample(self, number: float, t_ns: int, unit: Linear | None = None) -> Sample:
        """The reading for a number as sent. `unit` is the frame's own."""
        scale = unit or self.unit
        if scale is None:
            return Sample(self.name, None, t_ns, UNIT_UNKNOWN)
        value = scale.of(number)
        if not (abs(number) < INVALID_FROM and math.isfinite(value)):
            return Sample(self.name, None, t_ns, NO_NUMBER)
        if not self.low <= value <= self.high:
            return Sample(self.name, value, t_ns, OUT_OF_RANGE)
        return Sample(self.name, value, t_ns, GOOD)


def pressure_of(gauge: GaugeSetup) -> Channel:
    """The gauge's own channel."""
    unit = None if gauge.unit is None else unit_of("pressure", gauge.unit)
    return Channel("pressure", unit, *gauge.measuring_range_kpa)


def further_of(channel: GaugeChannel) -> Channel:
    """One of its other channels."""
    if channel.unit is None:
        return Channel(channel.channel, None)
    unit = unit_of(channel.channel, channel.unit)
    low = -math.inf if channel.lowest is None else unit.of(channel.lowest)
    high = math.inf if channel.highest is None else unit.of(channel.highest)
    return Channel(channel.channel, unit, low, high)


def rejected(t_ns: int, data: bytes, why: str) -> Condition:
    """The condition for bytes that are no reading; the bytes shown are cut to a maximum length."""
    shown = repr(data[:SHOWN_MOST])[1:] + ("..." if len(data) > SHOWN_MOST else "")
    return Condition(FRAME_REJECTED, t_ns, f"{shown} {why}")
