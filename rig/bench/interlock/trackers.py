# SPDX-License-Identifier: MIT
"""The interlock's memory between two checks: duty, coil heat, the gauge's behaviour."""

from __future__ import annotations

import math
from collections import deque

from rig.bench.interlock import gauge_rules
from rig.bench.interlock.gauge_rules import IMPLAUSIBLE_FRAMES
from rig.bench.interlock.rule import Finding
from rig.config.setup.model import Setup
from rig.core.records import GOOD, Sample
from rig.physics.coil import copper_resistance_ohm, power_w, warm_up_k

NS = 1_000_000_000


class DutyWindow:
    """On-time within a sliding window, from the coil's energised spans; constant work a call."""

    def __init__(self, window_ns: int) -> None:
        self._window_ns = window_ns
        self._spans: deque[tuple[int, int]] = deque()
        self._sum_ns = 0

    def add(self, on_ns: int, off_ns: int) -> None:
        """Add a span that has ended."""
        self._spans.append((on_ns, off_ns))
        self._sum_ns += off_ns - on_ns

    def before(self, now_ns: int) -> list[tuple[int, int]]:
        """The spans in the window that ends now, as ns from start and end of each to now."""
        self.on_ns(now_ns, None)
        return [(now_ns - on_ns, now_ns - off_ns) for on_ns, off_ns in self._spans]

    def on_ns(self, now_ns: int, on_since_ns: int | None) -> int:
        """On-time in the window that ends now, including the span still in progress."""
        start_ns = now_ns - self._window_ns
        spans = self._spans
        while spans and spans[0][1] <= start_ns:
            on_ns, off_ns = spans.popleft()
            self._sum_ns -= off_ns - on_ns
        total = self._sum_ns
        if spans and spans[0][0] < start_ns:
            total -= start_ns - spans[0][0]
        if on_since_ns is not None:
            total += now_ns - max(on_since_ns, start_ns)
        return total


def coil_temperature_degc(
    setup: Setup, before_degc: float, seconds: float, *, energised: bool
) -> float:
    """The coil's temperature `seconds` after `before_degc`: one thermal mass, heated by V squared
    over R with R at `before_degc` (physics.coil). NaN without [coil_heating]."""
    heating = setup.coil_heating
    if heating is None:
        return math.nan
    final_k = 0.0
    if energised:
        coil = setup.coil
        resistance_ohm = copper_resistance_ohm(coil.resistance_ohm, before_degc)
        heat_w = power_w(coil.supply_voltage_v, resistance_ohm)
        final_k = heat_w * heating.thermal_resistance_k_w
    above_k = before_degc - heating.surroundings_degc
    above_k = warm_up_k(seconds, above_k, final_k, heating.time_constant_s)
    return heating.surroundings_degc + above_k


class CoilHeat:
    """The coil's temperature over time. It begins at `start_degc` at `start_ns`, or at the
    temperature of the surroundings."""

    def __init__(
        self, setup: Setup, start_degc: float | None = None, start_ns: int | None = None
    ) -> None:
        self._setup = setup
        self._at_ns = start_ns
        if start_degc is None:
            heating = setup.coil_heating
            start_degc = heating.surroundings_degc if heating else math.nan
        self.temperature_degc = start_degc

    def advance(self, now_ns: int, energised: bool) -> None:
        """Advance from the last call, with the coil energised or not since then."""
        before = self._at_ns
        if before is not None and now_ns <= before:  # an edge is older than the last look
            return
        self._at_ns = now_ns
        if before is None:
            return
        self.temperature_degc = coil_temperature_degc(
            self._setup, self.temperature_degc, (now_ns - before) / NS, energised=energised
        )


class GaugeWatch:
    """The gauge over time: age of its last good reading, its rate, whether it moves at all."""

    def __init__(self, setup: Setup) -> None:
        limits = setup.limits
        self.limit_kpa = limits.pressure_kpa if setup.pressure_source else None
        self._rate_limit = limits.pressure_rate_kpa_s
        self._answer_ns = int(limits.answer_time_s * NS)
        self._stuck_strokes = limits.gauge_stuck_strokes
        self._good: Sample | None = None
        self.good_ns: int | None = None
        self._bad_in_a_row = 0
        self._commanded_ns: int | None = None
        self._low = math.inf
        self._high = -math.inf
        self._answered = 0
        self._switch_changed = False

    def command(self, t_ns: int, on: bool) -> None:
        """A stroke begins or ends; from here the pressure may respond."""
        self._commanded_ns = t_ns
        if on:
            if self._switch_changed:
                self._answered += 1
            self._switch_changed = False

    def switch_edge(self) -> None:
        self._switch_changed = True

    def see(self, sample: Sample) -> list[Finding]:
        """Judge this reading against the limits."""
        found: list[Finding | None] = []
        if sample.value is not None and self.limit_kpa is not None:
            found.append(gauge_rules.over_pressure(sample.value, self.limit_kpa))
        if sample.quality == "unit changed":
            found.append(gauge_rules.unit_changed())
        if sample.quality == GOOD and sample.value is not None:
            self._bad_in_a_row = 0
            found.append(self._rate(sample.value, sample.t_ns))
            found.append(self._stuck(sample.value))
            self._good, self.good_ns = sample, sample.t_ns
        else:
            self._bad_in_a_row += sample.quality == "out of range"
            found.append(
                gauge_rules.gauge_implausible(self._bad_in_a_row, IMPLAUSIBLE_FRAMES, sample.value)
            )
        return [finding for finding in found if finding is not None]

    def _rate(self, value_kpa: float, t_ns: int) -> Finding | None:
        before = self._good
        if self._rate_limit is None or before is None or before.value is None:
            return None
        answering = (
            self._commanded_ns is not None and before.t_ns - self._commanded_ns < self._answer_ns
        )
        if answering or t_ns <= before.t_ns:
            return None
        rate_kpa_s = (value_kpa - before.value) / ((t_ns - before.t_ns) / NS)
        return gauge_rules.pressure_rate(rate_kpa_s, self._rate_limit)

    def _stuck(self, value_kpa: float) -> Finding | None:
        self._low, self._high = min(self._low, value_kpa), max(self._high, value_kpa)
        if self._low < self._high:
            self._low = self._high = value_kpa
            self._answered = 0
        return gauge_rules.gauge_stuck(self._answered, self._stuck_strokes)
