# SPDX-License-Identifier: MIT
"""The stream dialect's decoder: a line and its arrival in, a reading out. Pure.

The pattern language itself is in rig.config.gauge_pattern, where a setup is checked.
"""

from __future__ import annotations

import math

from rig.config.gauge_pattern import GaugePattern, PatternError, parse_pattern
from rig.config.gauge_units import table_factor
from rig.core.records import GOOD, Condition, Sample

__all__ = ["NO_NUMBER", "OUT_OF_RANGE", "UNIT_CHANGED", "UNIT_UNKNOWN"]
__all__ += ["FRAME_REJECTED", "PatternError", "StreamDecoder", "compile_pattern", "rejected"]

CHANNEL = "pressure"

OUT_OF_RANGE = "out of range"
NO_NUMBER = "not a number"
UNIT_CHANGED = "unit changed"
UNIT_UNKNOWN = "unit unknown"
FRAME_REJECTED = "frame rejected"

SHOWN_MOST = 60

_INVALID_FROM = 9.9e37
"""Instruments that speak IEEE 488.2 / SCPI send 9.91E37 for "no number", 9.9E37 for infinity
(value from memory)."""


class StreamDecoder:
    """Decodes lines of one pattern. Holds no state: the same line gives the same reading.

    `measuring_range_kpa` is what the gauge can show; a reading outside it keeps its value and says
    "out of range".
    """

    def __init__(
        self, pattern: GaugePattern, measuring_range_kpa: tuple[float, float] | None
    ) -> None:
        self._pattern, self._range_kpa = pattern, measuring_range_kpa

    def decode(self, t_ns: int, line: bytes) -> Sample | Condition:
        """The reading of a line without its terminator; a Condition where it does not match.

        `t_ns` is passed on unaltered. Anything but a finite number in the expected unit gives a
        Sample without a value whose quality says why.
        """
        found = self._pattern.regex.fullmatch(line.decode("latin-1"))
        if found is None:
            return rejected(t_ns, line, "does not match the pattern")
        factor = self._pattern.factor_kpa
        if self._pattern.unit_in_line:
            sent = table_factor(found["unit"])
            if factor is None and sent is None:
                return Sample(CHANNEL, None, t_ns, UNIT_UNKNOWN)
            if factor is not None and sent != factor:
                return Sample(CHANNEL, None, t_ns, UNIT_CHANGED)
            factor = sent
        if found["word"] is not None or factor is None:
            return Sample(CHANNEL, None, t_ns, NO_NUMBER)
        number = float(found["pressure"])
        value_kpa = number * factor
        if not (abs(number) < _INVALID_FROM and math.isfinite(value_kpa)):
            return Sample(CHANNEL, None, t_ns, NO_NUMBER)
        if self._range_kpa is not None:
            low, high = self._range_kpa
            if not low <= value_kpa <= high:
                return Sample(CHANNEL, value_kpa, t_ns, OUT_OF_RANGE)
        return Sample(CHANNEL, value_kpa, t_ns, GOOD)


def compile_pattern(
    pattern: str, unit: str | None, measuring_range_kpa: tuple[float, float] | None = None
) -> StreamDecoder:
    """The decoder of a pattern and the setup's unit (None where every line states its own).

    Raises PatternError, a ValueError with position and remedy.
    """
    return StreamDecoder(parse_pattern(pattern, unit), measuring_range_kpa)


def rejected(t_ns: int, data: bytes, why: str) -> Condition:
    """The condition of bytes that are no reading; the bytes shown are cut to a bounded length."""
    shown = repr(data[:SHOWN_MOST])[1:] + ("..." if len(data) > SHOWN_MOST else "")
    return Condition(FRAME_REJECTED, t_ns, f"{shown} {why}")
