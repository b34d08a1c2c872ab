# SPDX-License-Identifier: MIT
"""The coil current in every stroke: when the plunger left and landed, and the state of the coil.

Splits the response into an electrical part (coil live to the plunger leaving its stop), a
mechanical one (leaving to landing) and a hydraulic one (landing to the switch settled). A pure
function of recording and setup.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rig.analysis.coil.coil_state import CoilState, coil_state
from rig.analysis.coil.current_fall import Fall, fall
from rig.analysis.coil.current_rise import MOVED, NOT_SEEN, OPEN, Rise, no_rise, rise
from rig.analysis.measure.gauge_calibration import resolution_kpa
from rig.analysis.measure.instrument_uncertainty import READBACK_MS
from rig.analysis.measure.own_timing import Applied as OwnApplied
from rig.analysis.measure.own_timing import own_lines
from rig.analysis.measure.stroke_table import StrokeTable
from rig.analysis.measure.stroke_windows import NEVER, Windows, relay_bounce_ms
from rig.analysis.measure.time_stamps import stamp_half_width_ms
from rig.config.setup.model import Setup
from rig.core.recording import Float, Int64, Recording, SampleSeries

CHANNEL = "coil_current"
MOST_STROKES = 200
"""Maximum number of strokes analysed in a longer run: missed ones first, then evenly picked."""
MAY_BOUNCE_S = 0.0025
"""Without a read-back, a movement this soon after the current's onset may be contact bounce."""
FIRST_TOUCH_MS = 0.5
"""Standard uncertainty of the current's onset for the contact's first touch (simulated rigs)."""
AFTER_OFF_NS = 200_000_000
NAN = math.nan


class StrokeCurrent(NamedTuple):
    """One stroke. Times in ms, NaN where not known, `u_` their standard uncertainties.

    `relay_ms`: command to coil live. `electrical_ms`, `mechanical_ms`, `hydraulic_ms` add up to the
    response less the rig's own time, where the response is timed from the coil; `seated_ms`: coil
    live to plunger landing. `back_leaves_ms`, `back_seated_ms`: coil dead to the plunger leaving
    and landing on its return. `growth` of the time constant from before to after."""

    state: str
    why: str
    relay_ms: float
    electrical_ms: float
    u_electrical_ms: float
    mechanical_ms: float
    u_mechanical_ms: float
    hydraulic_ms: float
    u_hydraulic_ms: float
    seated_ms: float
    u_seated_ms: float
    back_leaves_ms: float
    u_back_leaves_ms: float
    back_seated_ms: float
    u_back_seated_ms: float
    steady_a: float
    tau1_ms: float
    u_tau1_ms: float
    tau2_ms: float
    growth: float
    step: float
    u_step: float


@dataclass(frozen=True)
class Signature:
    """Signature of a run: `rows` by stroke (None where not analysed), the sample rate, the coil's
    state, and how many strokes were analysed and moved or were seen not to move."""

    rows: tuple[StrokeCurrent | None, ...]
    rate_hz: float
    coil: CoilState

    def count(self, state: str) -> int:
        return sum(row is not None and row.state == state for row in self.rows)

    def states(self, rows: Int64) -> list[str]:
        """The states of the analysed `rows`."""
        found = (self.rows[row] for row in rows.tolist())
        return [row.state for row in found if row is not None]


def signature_of(
    recording: Recording,
    setup: Setup | None,
    windows: Windows,
    table: StrokeTable,
    supply_v: tuple[float, str] | None = None,
    oil_degc: float | None = None,
    own: OwnApplied | None = None,
) -> Signature | None:
    """The signature of a run; None where the coil current was not recorded.

    `supply_v`: the coil's supply and how it is known ("measured", "stated"); None: the setup's.
    `own`: the rig's own times. They lie between the switch input and the read-back input, and so in
    the hydraulic part, the only one that ends at the switch; the parts then add up to the response
    less the rig's own time.
    """
    samples = recording.samples.get(CHANNEL)
    if samples is None or not samples.good.any() or not len(windows):
        return None
    samples = SampleSeries(samples.t_ns[samples.good], samples.value[samples.good],
                           samples.good[samples.good])  # fmt: skip
    steps = np.diff(samples.t_ns)
    steps = steps[steps > 0]
    rate_hz = 1e9 / float(np.median(steps)) if len(steps) else NAN
    resolution = resolution_kpa(samples)
    half_ms = recording.fast[CHANNEL].half_ns / 1e6 if CHANNEL in recording.fast else 0.0
    chosen = set(_chosen(table))
    rows = tuple(
        _stroke(recording, samples, windows, table, row, bounce_ms, resolution, half_ms, own)
        if row in chosen
        else None
        for row, bounce_ms in enumerate(zip(*relay_bounce_ms(recording, windows), strict=True))
    )
    live = (windows.live_ns < NEVER) | np.bool_(not windows.has_readback)
    coil = coil_state(
        [row.steady_a for row in rows if row is not None],
        [row.step / row.u_step for row in rows if row is not None and row.u_step > 0],
        [row.step for row in rows if row is not None and math.isfinite(row.step)],
        setup, supply_v, oil_degc, any_live=bool(live.any()),
    )  # fmt: skip
    return Signature(rows, rate_hz, coil)


def _chosen(table: StrokeTable) -> list[int]:
    n = len(table)
    if n <= MOST_STROKES:
        return list(range(n))
    missed = np.flatnonzero(table.missed)[: MOST_STROKES // 2]
    even = np.linspace(0, n - 1, MOST_STROKES - len(missed)).round().astype(int)
    return sorted({*missed.tolist(), *even.tolist()})


def _stroke(
    recording: Recording, samples: SampleSeries, windows: Windows, table: StrokeTable, row: int,
    bounce_ms: tuple[float, float], resolution: float, half_ms: float, own: OwnApplied | None,
) -> StrokeCurrent:  # fmt: skip
    on_ns, off_ns = int(windows.on_ns[row]), int(windows.start_off_ns[row])
    low, high = np.searchsorted(samples.t_ns, np.array((on_ns, off_ns)), "left")
    t: Float = np.asarray((samples.t_ns[low:high] - on_ns) * 1e-9, np.float64)
    watched = bool(windows.live_ns[row] < NEVER)
    closed_s = (int(windows.live_ns[row]) - on_ns) * 1e-9 + bounce_ms[0] * 1e-3
    seen = _judged(t, samples.value[low:high], closed_s if watched else None, resolution)
    if not watched and seen.state == MOVED and seen.seated_s - seen.onset_s < MAY_BOUNCE_S:
        why = "so soon after switching on that a bouncing contact looks the same (no read-back)"
        seen = no_rise(why, seen.steady_a, seen.noise_a)
    back = _back(samples, windows, row, bounce_ms[1], seen)
    stamp = stamp_half_width_ms(recording) / math.sqrt(3)
    if watched:
        live_ms = (int(windows.live_ns[row]) - on_ns) / 1e6
        u_live = math.hypot(stamp, READBACK_MS / math.sqrt(3))
    else:
        # a first touch too short to show in the current makes the coil live too late
        live_ms, u_live = seen.onset_s * 1e3, math.hypot(seen.u_onset_s * 1e3, FIRST_TOUCH_MS)
    u_sample = half_ms / math.sqrt(3)
    leaves, u_leaves = seen.leaves_s * 1e3, math.hypot(seen.u_leaves_s * 1e3, u_sample)
    seated, u_seated = seen.seated_s * 1e3, math.hypot(seen.u_seated_s * 1e3, u_sample)
    start_ms = (int(windows.start_on_ns[row]) - on_ns) / 1e6
    settled_ms = float(table.response_ms[row]) + start_ms
    late_ms, u_late = _switch_late(own, stamp)
    dead_ms = 0.0 if windows.dead_ns[row] < NEVER else NAN
    return StrokeCurrent(
        seen.state, seen.why,
        live_ms,
        leaves - live_ms, math.hypot(u_leaves, u_live),
        seated - leaves, math.hypot(seen.u_leaves_s, seen.u_seated_s) * 1e3,
        settled_ms - seated - late_ms, math.hypot(u_seated, u_late),
        seated - live_ms, math.hypot(u_seated, u_live),
        back.leaves_s * 1e3 + dead_ms, back.u_leaves_s * 1e3,
        back.seated_s * 1e3 + dead_ms, back.u_seated_s * 1e3,
        seen.steady_a, seen.tau1_s * 1e3, seen.u_tau1_s * 1e3, seen.tau2_s * 1e3, seen.growth,
        seen.step, seen.u_step,
    )  # fmt: skip


def _switch_late(own: OwnApplied | None, stamp_ms: float) -> tuple[float, float]:
    """How much later than its instant the switch edge is stamped, and the standard uncertainty of
    that, ms; `stamp_ms` that of a stamp."""
    way = None if own is None else own.switch_late("response")
    if way is None or own is None:
        return 0.0, stamp_ms
    of_mean = [line.part for line in own_lines(way, own, single=True)]
    assumed = [stamp_ms] if own.overdue else []
    return way.mean_ms, math.hypot(*of_mean, READBACK_MS / math.sqrt(3), stamp_ms, *assumed)


def _judged(t: Float, i: Float, closed_s: float | None, resolution: float) -> Rise:
    if len(t) < 3:
        return no_rise("the current was not recorded in this stroke")
    return rise(t, i, closed_s, resolution)


def _back(samples: SampleSeries, windows: Windows, row: int, bounce_ms: float, seen: Rise) -> Fall:
    """The return, timed from coil dead."""
    none = Fall(NAN, NAN, NAN, NAN, "")
    dead_ns = int(windows.dead_ns[row])
    if dead_ns >= NEVER or seen.state != MOVED:
        return none
    end_ns = min(int(windows.next_ns[row]), dead_ns + AFTER_OFF_NS)
    low, high = np.searchsorted(samples.t_ns, (dead_ns, end_ns), "left")
    if high - low < 8:
        return none
    t: Float = np.asarray((samples.t_ns[low:high] - dead_ns) * 1e-9, np.float64)
    return fall(t, samples.value[low:high], bounce_ms * 1e-3, seen)


__all__ = ["MOVED", "NOT_SEEN", "OPEN", "Signature", "StrokeCurrent", "signature_of"]
