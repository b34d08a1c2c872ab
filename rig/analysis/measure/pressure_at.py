# SPDX-License-Identifier: MIT
"""The pressure at an instant, only where the readings beside it determine it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.measure.gauge_calibration import corrected
from rig.analysis.stats.waveform import reduced
from rig.config.gauge.marks import CONTROL
from rig.config.gauge.model import TWO_WORDS, GaugeSetup
from rig.config.setup.model import Setup
from rig.core.clock import NS_PER_S
from rig.core.recording import Bool, Float, Int64, Recording, SampleSeries

STROKE_SHARE = 0.2
"""In a stroke, the two readings beside the change may differ by this share of the stroke's pressure
swing: the pressure is then known to a tenth of the swing either way."""

TIME_SHARE = 0.5
"""... and may lie at most this share of the time from coil to switch apart: a gauge that smooths
shows no step even where there was one."""

RAMP_SHARE = 0.05
"""In a slow ramp: this share of the ramp's pressure swing."""

RANGE_SHARE = 0.005
"""Readings that differ by less than this share of the measuring range are equal, where the setup
states no accuracy (common practice, no source)."""


@dataclass(frozen=True)
class PressureAt:
    """Pressure at n instants: `value` (n,) kPa, NaN where not known. Reasons: `slow` (n,) the
    readings beside it differ too much or are too far apart, `bad` (n,) one is bad or missing."""

    value: Float
    slow: Bool
    bad: Bool


NUMBER_CHARACTERS, UNIT_CHARACTERS, LINE_END = 5, 3, 2
AFTER_TEXT = tuple(f"{{{name}}}" for name in (*CONTROL, "bcc"))
"""Endings of a pattern that need no line end after them."""
SENTENCE_CHARACTERS = 24
"""Characters that fill a gauge's pattern, to find how long its line takes on the wire."""


def line_characters(gauge: GaugeSetup) -> int:
    """Length of the gauge's line on the wire, including its end, as far as its pattern shows; for a
    Modbus reply: address, function, count, registers and CRC."""
    if gauge.modbus is not None:
        return 5 + (4 if gauge.modbus.type in TWO_WORDS else 2)
    if gauge.pattern is None:  # $, address, four fields, * and checksum of a transducer sentence
        return SENTENCE_CHARACTERS + LINE_END
    text = gauge.pattern
    for name in ("pressure", *(channel.channel for channel in gauge.channels)):
        text = text.replace(f"{{{name}}}", " " * NUMBER_CHARACTERS)
    lengths = {"unit": UNIT_CHARACTERS, "*": 0, "xor": 2, "sum": 2, "bcc": 1}
    lengths |= dict.fromkeys(CONTROL, 1)
    for field, length in lengths.items():
        text = text.replace(f"{{{field}}}", " " * length)
    return len(text) + (0 if gauge.pattern.endswith(AFTER_TEXT) else LINE_END)


def seconds_per_character(gauge: GaugeSetup) -> float:
    """A start bit, the data bits, a parity bit where there is one, and the stop bits
    (asynchronous serial framing)."""
    return gauge.byte_s


def reading_age_s(gauge: GaugeSetup) -> float:
    """Age of a reading when its last byte arrives: latency and the time of its line.

    The length of the line comes from the pattern, a number as 5 characters, and so is known to a
    few characters; instrument_uncertainty.age_left_ms carries that as uncertainty.
    """
    return gauge.latency_s + line_characters(gauge) * seconds_per_character(gauge)


def pressure_of(recording: Recording, setup: Setup | None = None) -> SampleSeries | None:
    """The pressure readings in order of the time they refer to; None where there are none.

    In a rig's own recording the age of each reading (reading_age_s) is subtracted here, once; a
    capture made elsewhere is used as it is. The setup's calibration is also applied here, and
    nowhere else.
    """
    samples = recording.samples.get("pressure")
    if samples is None or not len(samples.t_ns):
        return None
    samples = corrected(recording, setup)
    t_ns = samples.t_ns
    if recording.source != "capture" and setup is not None and setup.gauge is not None:
        t_ns = t_ns - round(reading_age_s(setup.gauge) * NS_PER_S)
    if (np.diff(t_ns) < 0).any():
        order = np.argsort(t_ns, kind="stable")
        return SampleSeries(t_ns[order], samples.value[order], samples.good[order])
    return SampleSeries(t_ns, samples.value, samples.good)


def alike_kpa(setup: Setup | None) -> float:
    """Readings that differ by no more than this are equal: the gauge's accuracy."""
    source = setup.pressure_source if setup is not None else None
    if source is None:
        return 0.0
    if source.accuracy_kpa is not None:
        return source.accuracy_kpa
    low, high = source.measuring_range_kpa
    return RANGE_SHARE * (high - low)


def swing_kpa(samples: SampleSeries, start_ns: Int64, end_ns: Int64) -> Float:
    """Largest minus smallest good reading in each [start, end), including the one before it.

    Windows (n,) in order, not overlapping. 0 where there is no good reading.
    """
    t_ns, value = samples.of_good()
    if not len(t_ns) or not len(start_ns):
        return np.zeros(len(start_ns))
    low = np.maximum(np.searchsorted(t_ns, start_ns, "left") - 1, 0)
    high = np.maximum(np.searchsorted(t_ns, end_ns, "left"), low + 1)
    biggest = reduced(np.maximum, value, low, high)
    smallest = reduced(np.minimum, value, low, high)
    return np.asarray(biggest - smallest, dtype=np.float64)


def pressure_at(
    samples: SampleSeries,
    t_ns: Int64,
    swing: Float,
    share: float,
    alike: float,
    apart_ns: Int64,
) -> PressureAt:
    """Pressure at the instants `t_ns` (n,), by a straight line between the readings beside each.

    A value is given where a good reading has exactly that instant, or where the readings next to it
    on both sides are good, differ by at most `share * swing` (or are `alike`) and are at most
    `apart_ns` apart. Otherwise the change lies somewhere between them and no number is known.
    """
    n = len(samples.t_ns)
    place = np.searchsorted(samples.t_ns, t_ns, "left")
    after, before = np.minimum(place, n - 1), np.maximum(place - 1, 0)
    exact = samples.t_ns[after] == t_ns
    before = np.where(exact, after, before)
    missing = ((place == 0) & ~exact) | (place >= n)
    bad = missing | ~samples.good[before] | ~samples.good[after]
    t_before, t_after = samples.t_ns[before], samples.t_ns[after]
    v_before, v_after = samples.value[before], samples.value[after]
    step = np.abs(v_after - v_before)
    near = (step <= np.maximum(share * swing, alike)) & (t_after - t_before <= apart_ns)
    slow = ~bad & ~near
    part = (t_ns - t_before) / np.maximum(t_after - t_before, 1)
    value = np.where(bad | slow, np.nan, v_before + (v_after - v_before) * part)
    return PressureAt(value, slow, bad)


def rate_kpa_ms(samples: SampleSeries, t_ns: float, reach: int = 4) -> float:
    """How fast the pressure moves around `t_ns`: least squares through `reach` good readings to
    either side; NaN with fewer than two."""
    t, value = samples.of_good()
    place = int(np.searchsorted(t, t_ns))
    near = slice(max(place - reach, 0), place + reach)
    x: Float = np.asarray((t[near] - t_ns) / 1e6, np.float64)
    if len(x) < 2 or not np.ptp(x) > 0:
        return float("nan")
    x -= x.mean()
    return float(x @ (value[near] - value[near].mean()) / (x @ x))
