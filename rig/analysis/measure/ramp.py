# SPDX-License-Identifier: MIT
"""Ramps: the pressure at which the switch goes on while rising and off while falling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.measure import marks
from rig.analysis.measure.pressure_at import (
    RAMP_SHARE,
    PressureAt,
    pressure_at,
    rate_kpa_ms,
    swing_kpa,
)
from rig.analysis.measure.stroke_windows import NEVER
from rig.analysis.measure.switch_state import SwitchTrack
from rig.analysis.measure.switch_transitions import Transitions, transitions
from rig.core.recording import Bool, Float, Int64, Recording, SampleSeries


@dataclass(frozen=True)
class RampTable:
    """One row per ramp. Pressures kPa, NaN where not known; `marks` a list of words by row;
    `rate_up_kpa_ms`, `rate_down_kpa_ms` how fast the pressure moved where the switch changed.

    `differential_kpa` is actuation less reset pressure of the same ramp.
    """

    number: Int64
    actuation_kpa: Float
    reset_kpa: Float
    marks: tuple[tuple[str, ...], ...]
    rate_up_kpa_ms: Float
    rate_down_kpa_ms: Float

    def __len__(self) -> int:
        return len(self.number)

    def figure(self, key: str) -> Float:
        """The column of a figure (rig.core.figures), (n,)."""
        found: Float = getattr(self, key)
        return found

    @property
    def differential_kpa(self) -> Float:
        return self.actuation_kpa - self.reset_kpa

    @property
    def doubtful(self) -> Bool:
        """Rows with a mark that makes numbers doubtful."""
        return np.array([bool(marks.doubtful(words)) for words in self.marks], dtype=np.bool_)


def ramp_table(
    recording: Recording,
    track: SwitchTrack,
    pressure: SampleSeries | None,
    window_ns: int,
    last_ns: int,
    alike_kpa: float = 0.0,
) -> RampTable:
    """Every ramp: the way up from its "raise" step, the way down from its "lower" step.

    A recording without these steps (a capture) is split at the edges after which the switch had
    settled: up to one on, down to the next one off.
    """
    number, bounds = _ways(recording, track, window_ns, last_ns)
    n = len(number)
    to_on = np.tile(np.array([True, False]), n)
    holds = recording.source == "capture"
    never = np.full(2 * n, NEVER)
    moves = transitions(
        track, bounds[:-1], bounds[1:], never, to_on, window_ns, last_ns, holds=holds
    )
    settled = moves.settled >= 0
    t_ns = np.append(track.t_ns, 0)[moves.first]
    if pressure is None:
        found = PressureAt(np.full(2 * n, np.nan), np.zeros(2 * n, bool), np.zeros(2 * n, bool))
    else:
        swing = swing_kpa(pressure, bounds[:-1], bounds[1:])
        found = pressure_at(pressure, t_ns, swing, RAMP_SHARE, alike_kpa, never)
    value = np.where(settled, found.value, np.nan)
    words = tuple(_marks(moves, found, settled, row) for row in range(n))
    rates = np.full(2 * n, np.nan)
    if pressure is not None:
        for way in np.flatnonzero(np.isfinite(value)):
            rates[way] = rate_kpa_ms(pressure, float(t_ns[way]))
    return RampTable(number, value[0::2], value[1::2], words, rates[0::2], rates[1::2])


def _marks(moves: Transitions, found: PressureAt, settled: Bool, row: int) -> tuple[str, ...]:
    words: list[str] = []
    if moves.start_on[2 * row]:
        words.append(marks.ON_BEFORE_RAMP)
    for way in (2 * row, 2 * row + 1):
        seen = [
            (not settled[way], marks.NO_CHANGE),
            (settled[way] and found.slow[way], marks.TOO_SLOW),
            (settled[way] and found.bad[way], marks.BAD_BESIDE),
            (moves.fell_back[way] or moves.after_settled[way] > 0, marks.SEVERAL_SWITCHINGS),
        ]
        words += [mark for true, mark in seen if true and mark not in words]
    return tuple(words)


def _ways(
    recording: Recording, track: SwitchTrack, window_ns: int, last_ns: int
) -> tuple[Int64, Int64]:
    """Ramp numbers (n,) and the 2n + 1 bounds of their ways: up, down, up, down ... end."""
    steps = [step for step in recording.steps if step.name in ("raise", "lower")]
    if steps:
        up = [step for step in steps if step.name == "raise"]
        bounds: list[int] = []
        for place, step in enumerate(up):
            next_up = up[place + 1].t_ns if place + 1 < len(up) else last_ns + 1
            down = [s.t_ns for s in steps if s.name == "lower" and step.t_ns < s.t_ns < next_up]
            bounds += [step.t_ns, down[0] if down else next_up]
        bounds.append(last_ns + 1)
        return np.array([step.number for step in up], np.int64), np.array(bounds, np.int64)
    following = np.append(track.t_ns[1:], NEVER)[: len(track.t_ns)]
    quiet = following - track.t_ns >= window_ns
    t_ns, on = track.t_ns[quiet], track.on[quiet]
    turns = t_ns[np.concatenate(([True], on[1:] != on[:-1]))[: len(on)]] if len(on) else t_ns
    start_ns = recording.t0_ns
    if len(on) and not on[0]:  # the capture begins on the way down
        start_ns, turns = int(turns[0]) + 1, turns[1:]
    n = (len(turns) + 1) // 2
    bounds_ns = np.append(start_ns, turns[: 2 * n] + 1)
    if len(bounds_ns) < 2 * n + 1:
        bounds_ns = np.append(bounds_ns, last_ns + 1)
    return np.arange(1, n + 1, dtype=np.int64), bounds_ns.astype(np.int64)
