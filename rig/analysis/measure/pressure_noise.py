# SPDX-License-Identifier: MIT
"""Rise and fall of the pressure where noise in the readings matters: which strokes those are, how
large the noise is, and the figures found through it (rig.analysis.stats.noisy_waveform)."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.noisy_waveform import FLAT_SETTLED, Noise, Noisy, noisy_passage
from rig.analysis.stats.waveform import TOLERANCE_PERCENT, Passages
from rig.core.recording import Bool, Float, Int64

BAND = TOLERANCE_PERCENT / 100
SLOWEST_SLOPE = 0.22
"""Slope of a first-order rise at 90 %, in amplitudes per 10-90 % duration (ln 9 / 10): there noise
moves the crossing most."""
OF_GAP = 0.25
"""Share of the time between readings: noise matters where it moves that crossing by more."""
FLOOR_SEEN = 0.1
"""Percent: below that noise does not matter for overshoot."""
PLATEAU_SHARE = 0.25
WILD = 4.0
"""Readings farther than this many robust standard deviations from a level do not affect it."""
SIGNIFICANT = 5.0
MAD = 1.4826


class Level(NamedTuple):
    """A state's level with its standard uncertainty, and the noise about it: `white` from reading
    to reading, `slow` shared by neighbours. In the readings' unit."""

    value: float
    u: float
    white: float
    slow: float


class Found(NamedTuple):
    """The passages with noisy windows found again, standard uncertainties (n,) of the instants
    beyond the time between readings, levels (n,), and the `floor` (n,) of overshoot in percent
    where it is not seen above the noise. `scattered` (n,): too much noise for a settling time."""

    seen: Passages
    u10: Float
    u50: Float
    u90: Float
    u_settling: Float
    from_level: Float
    to_level: Float
    floor: Float
    scattered: Bool


def through_noise(
    t: Float, value: Float, plateaus: tuple[Int64, Int64, Int64], seen: Passages,
    levels: tuple[Float, Float], scatters: tuple[Float, Float], step: float, left: Float,
) -> Found:  # fmt: skip
    """Analyse again every window in which noise matters.

    `plateaus` are the indices where the state before begins, the window begins, and it ends, each
    (n,); `levels` those that `seen` was found with; `scatters` (n,) robust standard deviations of
    the readings in the two states; `step` that of the gauge's display; `left` (n,) what a
    subtracted ripple may have left on the way.
    """
    n = len(left)
    from_level, to_level = levels[0].copy(), levels[1].copy()
    amplitude = np.abs(to_level - from_level)
    share = np.hypot(np.fmax(np.fmax(*scatters), left), step / math.sqrt(12)) / amplitude
    in_state = np.hypot(scatters[1], step / math.sqrt(12)) / amplitude
    count = np.maximum(plateaus[2] - plateaus[1], 2)
    floor = 100 * in_state * (np.sqrt(2 * np.log(count)) + 1)
    moves = share * seen.duration / SLOWEST_SLOPE > OF_GAP * seen.t90.gap
    noisy = np.isfinite(share) & (seen.inside > 0) & (moves | (floor > 100 * BAND))
    seen_floor = np.where(floor > FLOOR_SEEN, floor, np.nan)
    found = Found(
        _masked(seen, floor > FLOOR_SEEN, floor),
        np.zeros(n), np.zeros(n), np.zeros(n),
        # this near its level the pressure is flat, and noise matters there first
        in_state * seen.duration / FLAT_SETTLED,
        from_level, to_level, seen_floor, in_state > BAND / 2,
    )  # fmt: skip
    for row in np.flatnonzero(noisy).tolist():
        before, start, end = (int(place[row]) for place in plateaus)
        low = max(start - 1, 0)
        old = _level(value[before:start], step)
        new = _level(value[start:end], step)
        size = new.value - old.value
        if not abs(size) > 0:
            continue
        kpa = (
            max(old.white, new.white), math.hypot(max(old.slow, new.slow), float(left[row])),
            new.white, new.slow, old.u, new.u, float(left[row]),
        )  # fmt: skip
        noise = Noise(*(one / abs(size) for one in kpa))
        at = t[low:end]
        one = noisy_passage(at, (value[low:end] - old.value) / size, noise, BAND)
        _put(found, row, at, one, noise)
        from_level[row], to_level[row] = old.value, new.value
    return found


def _masked(seen: Passages, rows: Bool, floor: Float) -> Passages:
    """Without overshoot or undershoot that noise alone may show."""
    copies = [part._replace(t=part.t.copy(), after=part.after.copy(), before=part.before.copy())
              for part in (seen.t10, seen.t50, seen.t90)]  # fmt: skip
    return seen._replace(
        t10=copies[0], t50=copies[1], t90=copies[2],
        overshoot=np.where(rows & (seen.overshoot <= floor), np.nan, seen.overshoot),
        undershoot=np.where(rows & (seen.undershoot <= floor), np.nan, seen.undershoot),
        settling=seen.settling.copy(), inside=seen.inside.copy(),
    )  # fmt: skip


def _level(value: Float, step: float) -> Level:
    """Level of the last quarter of the readings in a state."""
    tail = value[len(value) - max(round(len(value) * PLATEAU_SHARE), 1) :]
    if not len(tail):
        return Level(math.nan, math.nan, 0.0, 0.0)
    middle = float(np.median(tail))
    scatter = MAD * float(np.median(np.abs(tail - middle)))
    steps = np.diff(tail)
    white = MAD * float(np.median(np.abs(steps))) / math.sqrt(2) if len(steps) else 0.0
    n = len(tail)
    # a difference within chance between the two estimates is no slow part
    apart = scatter**2 - white**2
    slow = math.sqrt(apart) if apart > SIGNIFICANT / math.sqrt(n) * white**2 else 0.0
    white = max(white, 0.0) if slow else max(white, scatter)
    kept = tail[np.abs(tail - middle) <= WILD * scatter] if scatter > 0 else tail
    level = float(kept.mean())
    periods = _periods(tail - middle, white, slow)
    u = math.hypot(white / math.sqrt(n), slow / max(periods, 1.0))
    if step > white:
        slow = math.hypot(slow, step / math.sqrt(12))
        u = math.hypot(u, step / math.sqrt(12))
    return Level(level, u, white, slow)


def _periods(away: Float, white: float, slow: float) -> float:
    """Number of periods of the slow part in these readings."""
    if not slow:
        return 1.0
    length = int(min(4 * (white / slow) ** 2, len(away) / 8)) + 1
    smooth = np.convolve(away, np.ones(length) / length, "valid")
    return float(np.count_nonzero(np.diff(smooth > 0))) / 2


def _put(found: Found, row: int, t: Float, one: Noisy, noise: Noise) -> None:
    seen = found.seen
    for instants, at, u in (
        (seen.t10, one.t10, found.u10), (seen.t50, one.t50, found.u50),
        (seen.t90, one.t90, found.u90),
    ):  # fmt: skip
        place = int(np.clip(np.searchsorted(t, at.t), 1, len(t) - 1)) if len(t) > 1 else 0
        known = math.isfinite(at.t) and place > 0
        instants.t[row] = at.t if known else math.nan
        instants.after[row] = t[place - 1] if known else math.nan
        instants.before[row] = t[place] if known else math.nan
        u[row] = at.u
    between = (t >= one.t10.t) & (t <= one.t90.t)
    seen.inside[row] = int(np.count_nonzero(between))
    seen.overshoot[row], seen.undershoot[row] = one.overshoot, one.undershoot
    found.floor[row] = one.floor
    found.scattered[row] = noise.at_the_end.scatter > BAND / 2
    seen.settling[row] = max(one.settled.t - one.t50.t, 0.0)
    found.u_settling[row] = math.hypot(one.settled.u, one.t50.u)
