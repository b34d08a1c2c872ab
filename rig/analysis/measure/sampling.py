# SPDX-License-Identifier: MIT
"""Actual sampling of each channel, its readings and their uncertainty, and how evenly the engine
turned."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import cast

import numpy as np

from rig.config.analog import reading_uncertainty
from rig.config.setup.model import Setup
from rig.core.recording import Int64, Recording, SampleSeries
from rig.core.records import CHANNEL_UNITS, ENGINE_SPEED
from rig.core.results.run import ChannelFigures, Engine

DIGITS = 6


def channel_figures(recording: Recording, setup: Setup | None) -> dict[str, ChannelFigures]:
    """Every channel of the recording; None where a number is not known.

    `rate_hz` is readings over their span; `step_us` the median time between readings, `jitter_us`
    the standard deviation of those times and `longest_ms` the largest; `half_us` half of the
    longest transfer, within which a sample's instant lies (fast channels of the converter alone).
    `mean` and `sd` are of good readings; `uncertainty` is the standard uncertainty of one reading
    at the mean (channels of the converter alone, without the sensor's own scatter).
    """
    return {
        channel: _figures(channel, series, recording, setup)
        for channel, series in recording.samples.items()
        if len(series.t_ns)
    }


def _figures(
    channel: str, series: SampleSeries, recording: Recording, setup: Setup | None
) -> ChannelFigures:
    steps = np.diff(series.t_ns)
    if (steps < 0).any():
        steps = np.diff(np.sort(series.t_ns))
    _, value = series.of_good()
    fast = recording.fast.get(channel)
    several, some = len(steps) > 0, len(value) > 0
    mean = float(value.mean()) if some else None
    return ChannelFigures(
        unit=CHANNEL_UNITS.get(channel, ""),
        readings=len(series.t_ns),
        good=int(series.good.sum()),
        fast=fast is not None,
        rate_hz=float(len(steps) * 1e9 / steps.sum()) if several and steps.sum() else None,
        jitter_us=float(steps.std()) / 1e3 if several else None,
        step_us=_median_ns(steps) / 1e3 if several else None,
        longest_ms=float(steps.max()) / 1e6 if several else None,
        half_us=fast.half_ns / 1e3 if fast is not None else None,
        mean=mean,
        sd=float(value.std(ddof=1)) if len(value) > 1 else None,
        lowest=float(value.min()) if some else None,
        highest=float(value.max()) if some else None,
        uncertainty=_uncertainty(channel, mean, recording, setup),
    )


def _median_ns(steps: Int64) -> float:
    """np.median, whose selection is several times slower than a sort where nearly all steps have
    one length. Sorts in place: a copy for a long capture is tens of megabytes."""
    steps.sort()
    n = len(steps)
    return float(steps[(n - 1) // 2 : n // 2 + 1].mean())


def _uncertainty(
    channel: str, mean: float | None, recording: Recording, setup: Setup | None
) -> float | None:
    item = setup.analog_of(channel) if setup is not None else None
    if setup is None or item is None or setup.converter is None or mean is None:
        return None
    supply = recording.samples.get("sensor_supply")
    supply_v = None
    measured = None
    if item.supply_from is not None:
        measured = setup.analog_of(item.supply_from)
        if supply is None or not supply.good.any():
            return None
        supply_v = float(supply.value[supply.good].mean())
    try:
        shares = reading_uncertainty.uncertainty(
            mean, item, setup.converter, supply_v=supply_v, supply_measured=measured
        )
    except (ValueError, ZeroDivisionError, OverflowError):
        return None
    found = reading_uncertainty.combined(shares)
    return found if math.isfinite(found) else None


def engine_figures(recording: Recording, setup: Setup | None) -> Engine | None:
    """The engine's speed from its pulses; None without at least two whole revolutions.

    `jitter` is the standard deviation of the time of one revolution, or of one pulse where there is
    less than one pulse per revolution, as a share of its mean. With whole revolutions, uneven teeth
    do not count as jitter.
    """
    edges = recording.edges.get(ENGINE_SPEED)
    wired = setup.engine_speed if setup is not None else None
    if edges is None or wired is None:
        return None
    pulses = edges.t_ns[edges.level == int(wired.edge == "rising")]
    per_rev = wired.pulses_per_revolution
    every = max(round(per_rev), 1)
    times = np.diff(pulses[::every]) * (per_rev / every) / 1e9
    times = times[(times > 0) & (times <= 60.0 / wired.slowest_rpm)]
    if len(times) < 2:
        return None
    mean_s = float(times.mean())
    return Engine(
        revolutions=len(times),
        mean_rpm=60.0 / mean_s,
        jitter=float(times.std(ddof=1)) / mean_s,
        slowest_rpm=60.0 / float(times.max()),
        fastest_rpm=60.0 / float(times.min()),
    )


def channels_json(found: Mapping[str, ChannelFigures]) -> dict[str, ChannelFigures]:
    """The same, rounded."""
    return {channel: cast("ChannelFigures", _rounded(one)) for channel, one in found.items()}


def engine_json(found: Engine | None) -> Engine | None:
    """The same, rounded."""
    return None if found is None else cast("Engine", _rounded(found))


def _rounded(values: Mapping[str, object]) -> dict[str, object]:
    return {
        name: round(value, DIGITS) + 0.0 if isinstance(value, float) else value
        for name, value in values.items()
    }
