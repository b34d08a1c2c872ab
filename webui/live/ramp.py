# SPDX-License-Identifier: MIT
"""A ramp in progress: the pressure over time, its rate, and the allowed rate.

Pure: no clock of its own.
"""

from __future__ import annotations

import statistics
from collections import deque
from typing import NamedTuple

from rig.bench.interlock.channel_watch import as_sample
from rig.config.setup.model import Setup
from rig.config.sheet.model import RampSheet
from rig.core.records import GOOD, SWITCH, Block, Edge, Sample, Step
from webui.api.models_live import RampNow

POINTS_MOST = 300
"""At twice this many every second one is dropped, the newest kept."""
CHANGES_MOST = 40
WAYS = {"raise": 1.0, "lower": -1.0}
RATE_OVER_S = 1.0
"""The rate uses the readings of this period, and at least READINGS_LEAST of them."""
READINGS_LEAST = 4
MS, NS = 1e6, 1e9


class Pace(NamedTuple):
    """The allowed rate of the pressure, kPa/s: slower, and a way takes longer than its time;
    faster, and the readings beside the switch's change differ by more than a ramp's may, so that no
    number is given. None if no gauge states its reading rate."""

    least: float
    most: float | None

    def word(self, rate: float) -> str:
        """Whether a rate in the requested direction is right."""
        if rate < self.least:
            return "too slow"
        return "too fast" if self.most is not None and rate > self.most else "right"


def pace_of(setup: Setup, sheet: RampSheet) -> Pace:
    """The pace required by a sheet and the rig's gauge, by the rule of the analysis
    (rig.analysis.measure.ramp)."""
    from rig.analysis.measure.pressure_at import RAMP_SHARE, alike_kpa

    swing_kpa = sheet.high_kpa - sheet.low_kpa
    source = setup.pressure_source
    if source is None:
        return Pace(swing_kpa / sheet.ramp_time_max_s, None)
    apart_kpa = max(RAMP_SHARE * swing_kpa, alike_kpa(setup))
    return Pace(swing_kpa / sheet.ramp_time_max_s, apart_kpa / source.period_s)


class RampView:
    """Fed with records; `facts(now_ns)` is what a page draws."""

    def __init__(self, setup: Setup, sheet: RampSheet) -> None:
        self._setup, self._sheet = setup, sheet
        self._pace = pace_of(setup, sheet)
        period_s = 0.0 if setup.pressure_source is None else setup.pressure_source.period_s
        self._over_ns = round(max(RATE_OVER_S, READINGS_LEAST * period_s) * NS)
        self._stale_ns = round(setup.gauge_stale_s * NS)
        self._recent: deque[tuple[int, float]] = deque()
        self._points: list[tuple[int, float]] = []
        self._ways: deque[Step] = deque(maxlen=2 * sheet.ramps)
        self._changes: deque[tuple[int, bool, float | None]] = deque(maxlen=CHANGES_MOST)
        self._first_ns: int | None = None
        self._way: Step | None = None

    def put(self, record: object) -> None:
        """Add a record of the run; records irrelevant to a ramp are ignored."""
        match record:
            case Step(name=name, t_ns=t_ns):
                self._way = record if name in WAYS else None
                if self._way is not None:
                    self._first_ns = self._first_ns or t_ns
                    self._ways.append(record)
                self._recent.clear()
            case Sample(channel="pressure", value=value, t_ns=t_ns, quality=quality):
                if value is not None and quality == GOOD:
                    self._reading(t_ns, value)
            case Block(channel="pressure"):
                self.put(as_sample(record))
            case Edge(line=line, level=level, t_ns=t_ns) if line == SWITCH:
                self._change(t_ns, level == self._setup.switch_closed_level)

    def _reading(self, t_ns: int, value: float) -> None:
        if self._first_ns is None:
            return
        self._points.append((t_ns, value))
        if len(self._points) >= 2 * POINTS_MOST:
            self._points = self._points[1::2]
        self._recent.append((t_ns, value))
        while self._recent[0][0] < t_ns - self._over_ns:
            self._recent.popleft()

    def _change(self, t_ns: int, closed: bool) -> None:
        """Add a change of the contact with the last pressure; bounces merge into one change."""
        if self._first_ns is None:
            return
        if self._changes and t_ns - self._changes[-1][0] < self._sheet.settle_window_s * NS:
            self._changes.pop()
        self._changes.append((t_ns, closed, self._points[-1][1] if self._points else None))

    def _rate_kpa_s(self, now_ns: int) -> float | None:
        """Slope of the newest readings; None if they are too few or too old."""
        if len(self._recent) < READINGS_LEAST or now_ns - self._recent[-1][0] > self._stale_ns:
            return None
        times = [(t_ns - self._recent[0][0]) / NS for t_ns, _ in self._recent]
        if times[-1] == times[0]:
            return None
        return statistics.linear_regression(times, [kpa for _, kpa in self._recent]).slope

    def facts(self, now_ns: int) -> RampNow:
        """Times in ms from the first way, pressures in kPa."""
        first_ns, way, sheet = self._first_ns, self._way, self._sheet
        rate = self._rate_kpa_s(now_ns)
        pace = left_s = None
        if way is not None:
            left_s = max(0.0, sheet.ramp_time_max_s - (now_ns - way.t_ns) / NS)
            pace = None if rate is None else self._pace.word(WAYS[way.name] * rate)

        def ms(t_ns: int) -> float:
            return round((t_ns - (first_ns or 0)) / MS, 1)

        return {
            "now_ms": None if first_ns is None else ms(now_ns),
            "low_kpa": sheet.low_kpa,
            "high_kpa": sheet.high_kpa,
            "way": None if way is None else way.name,
            "left_s": None if left_s is None else round(left_s, 1),
            "rate_kpa_s": None if rate is None else round(rate, 3),
            "rate_least_kpa_s": round(self._pace.least, 3),
            "rate_most_kpa_s": None if self._pace.most is None else round(self._pace.most, 3),
            "pace": pace,
            "points": [[ms(t_ns), round(kpa, 2)] for t_ns, kpa in self._points],
            "ways": [[ms(step.t_ns), step.name] for step in self._ways],
            "changes": [
                [ms(t_ns), int(closed), None if kpa is None else round(kpa, 2)]
                for t_ns, closed, kpa in self._changes
            ],
        }
