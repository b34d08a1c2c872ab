# SPDX-License-Identifier: MIT
"""One transition of a noisy waveform: crossings by local fits, with their uncertainty.

The terms are those of rig.analysis.stats.waveform (IEEE Std 181-2011). With noise, the first
reading beyond a level says little. Here a least squares parabola is fitted to the samples around
each crossing. Its width grows as long as the crossings found agree within their uncertainty (the
choice of width by Lepski's method, Theory Probab. Appl. 35 (1991) 454, from memory). The shift of
the crossing in the last widening stays in the uncertainty, as does the effect of noise on the fit.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.core.recording import Float

SMOOTH_TO = 0.01
"""Share of the amplitude: samples are averaged to this noise to locate a crossing roughly."""
SETTLED_SMOOTH = 0.15
"""Share of the settling band, likewise."""
SETTLED_SPARE = 1.25
"""This near its level the waveform is flat, and a width that seems to agree may not be the best:
the uncertainty is enlarged by this (found by simulation, tests/checks/test_noisy_waveform.py)."""
SIGMAS, ON_ONE_WAY = 1.5, 2.0
"""A swing whose peak lies nearer the edge of the band than this many standard uncertainties may end
in it or beyond it; instants farther apart than this many times the passage of a first-order answer
through that belong to two swings."""
BENT = 8.0
"""Where they are farther apart than this many standard uncertainties of the crossing, the slope on
one side of it says nothing of the other: a bend (of a first-order answer they are about 5)."""
LEAST_EACH_SIDE = 2
WIDER = 1.5
WIDEST_SHARE = 0.5
"""Maximum reach of a fit to either side, as a share of the 10-90 % duration."""
AGREE = 2.0
"""Two crossings agree within this many standard uncertainties of the narrower fit."""
CLEAR = 0.25
"""Maximum uncertainty of a fit's middle as a share of the change to either side within it."""
FLAT_90, FLAT_SETTLED = 0.22, 0.044
"""Slopes of a first-order answer at 90 % and at 98 %: ln 9 / 10, ln 9 / 50."""
PEAK_SHARE = 0.4
"""Share of the 10-90 % duration over which samples are averaged to find an overshoot."""
SLOW_PEAK = 2.0
"""Peak of a ripple over its robust standard deviation, plus a margin."""


class Noise(NamedTuple):
    """Standard deviations as shares of the amplitude: `white` from sample to sample, `slow` shared
    by neighbouring samples (ripple, the gauge's step), on the way; `end_white`, `end_slow` the same
    in the state that is reached; `low`, `high` of the two levels; `left` of what a correction may
    have left until that state is reached."""

    white: float
    slow: float
    end_white: float
    end_slow: float
    low: float
    high: float
    left: float = 0.0

    @property
    def scatter(self) -> float:
        """Of the samples on the way."""
        return math.hypot(self.white, self.slow)

    @property
    def at_the_end(self) -> Noise:
        """The same in the state that is reached."""
        return self._replace(white=self.end_white, slow=self.end_slow)


class At(NamedTuple):
    """An instant and its standard uncertainty; NaN where it was not found."""

    t: float
    u: float


NOWHERE = At(math.nan, math.nan)


class Noisy(NamedTuple):
    """As Passages for one window, with uncertainties. `overshoot` and `undershoot` (percent) are
    given only where they stand above the noise, NaN otherwise; `floor` (percent) is how large the
    two may be without being seen."""

    t10: At
    t50: At
    t90: At
    settled: At
    overshoot: float
    undershoot: float
    floor: float


def noisy_passage(t: Float, change: Float, noise: Noise, band: float) -> Noisy:
    """The transition of `change` (m,), which goes from 0 to 1, at the times `t` (m,) in order.

    `settled` is where the change enters within `band` of 1 and stays, NaN where it does not.
    """
    nothing = Noisy(NOWHERE, NOWHERE, NOWHERE, NOWHERE, math.nan, math.nan, math.nan)
    length = _length(noise.white, SMOOTH_TO)
    smooth = _smoothed(change, length)
    beyond = np.flatnonzero(smooth >= 0.5)
    if len(t) < 4 or not len(beyond) or not beyond[0]:
        return nothing
    mid = int(beyond[0])
    below = np.flatnonzero(smooth[:mid] <= 0.1)
    above = np.flatnonzero(smooth[mid:] >= 0.9)
    if not len(below) or not len(above):
        return nothing
    first, last = int(below[-1]), mid + int(above[0])
    rise = float(t[last] - t[first])
    if not rise > 0:  # all of it at one stamp: nothing is known of its shape
        return nothing
    t10, t50, t90 = (
        _crossing(t, change, place, level, rise, noise, slope=slope)
        for place, level, slope in ((first, 0.1, 0.8), (mid, 0.5, 0.8), (last, 0.9, FLAT_90))
    )
    end = noise.at_the_end
    over, under, floor = _extremes(t, change, mid, t90.t - t10.t, end)
    end = end._replace(slow=math.hypot(end.slow, noise.left))
    return Noisy(t10, t50, t90, _settled(t, change, mid, rise, end, band), over, under, floor)


def _length(white: float, wanted: float) -> int:
    """Number of samples that averages white noise down to `wanted`."""
    return max(math.ceil((white / wanted) ** 2), 1)


def _smoothed(change: Float, length: int) -> Float:
    """Running mean over `length` samples (odd), shorter at the ends."""
    half = min(length // 2, max((len(change) - 1) // 2, 0))
    if not half:
        return change
    total = np.concatenate(([0.0], np.cumsum(change)))
    place = np.arange(len(change))
    low, high = np.maximum(place - half, 0), np.minimum(place + half + 1, len(change))
    return np.asarray((total[high] - total[low]) / (high - low), np.float64)


def _crossing(
    t: Float, change: Float, place: int, level: float, rise: float, noise: Noise, *,
    slope: float, falls: bool = False,
) -> At:  # fmt: skip
    """Where the change crosses `level` near the sample at `place`, upward (or downward). `slope` is
    the approximate slope there, in amplitudes per 10-90 % duration `rise`."""
    rising, reach = -1.0 if falls else 1.0, WIDEST_SHARE * rise
    at, found = float(t[place]), NOWHERE
    every = float(t[-1] - t[0]) / (len(t) - 1)
    moved, each = 0.0, _least_each_side(noise.scatter, slope * every / rise)
    tried: list[At] = []
    while True:
        middle = int(np.searchsorted(t, at))
        low, high = max(middle - round(each), 0), min(middle + round(each) + 1, len(t))
        fit = _fitted(t[low:high], change[low:high], at, level, rising, noise.white)
        if fit is not None:
            here, steep = fit
            if any(abs(here.t - one.t) > AGREE * one.u for one in tried):
                break
            moved = abs(here.t - found.t) if tried else 0.0
            tried.append(here)
            found, at, slope = here, here.t, steep
        each *= WIDER
        wide = t[min(high, len(t) - 1)] - t[low]
        if (tried and wide > 2 * reach) or (low == 0 and high == len(t)):
            break
    if not tried:
        return NOWHERE
    levels = math.hypot((1 - level) * noise.low, level * noise.high)
    return At(found.t, math.hypot(found.u, moved, math.hypot(noise.slow, levels) / slope))


def _least_each_side(scatter: float, slope: float) -> float:
    """Samples to either side needed for the slope (amplitudes per sample) to stand clear of the
    scatter: a fit to fewer may find any slope."""
    each = float(LEAST_EACH_SIDE)
    while slope > 0 and scatter * 1.5 / math.sqrt(2 * each + 1) > CLEAR * slope * each:
        each *= WIDER
    return each


def _fitted(
    t: Float, change: Float, at: float, level: float, rising: float, white: float
) -> tuple[At, float] | None:
    """The crossing of the parabola through these samples, and its slope there; None where it has
    none among them."""
    if len(t) < 2 * LEAST_EACH_SIDE:
        return None
    scale = max(float(t[-1] - t[0]) / 2, 1e-12)
    x = (t - at) / scale
    powers = np.stack((np.ones(len(x)), x, x * x))
    try:
        inverse = np.linalg.inv(powers @ powers.T)
    except np.linalg.LinAlgError:
        return None
    a, b, c = inverse @ (powers @ (change - level))
    roots = np.roots((c, b, a)) if abs(c) > 1e-12 else np.array([-a / b]) if b else np.zeros(0)
    real = roots[np.isreal(roots)].real
    real = real[(rising * (b + 2 * c * real) > 0) & (real >= x[0]) & (real <= x[-1])]
    if not len(real):
        return None
    root = float(real[np.argmin(np.abs(real))])
    slope = abs(b + 2 * c * root)
    here = np.array((1.0, root, root * root))
    u = white * math.sqrt(max(float(here @ inverse @ here), 0.0)) / slope
    return At(at + root * scale, u * scale), slope / scale


def _settled(
    t: Float, change: Float, mid: int, rise: float, noise: Noise, band: float
) -> At:  # fmt: skip
    """Where the change enters the band for good; NaN where it is not in it at the end."""
    length = _length(noise.white, SETTLED_SMOOTH * band)
    smooth = _smoothed(change, length)
    away = np.abs(smooth[mid:] - 1.0)

    def last(beyond: float) -> int:
        outside = np.flatnonzero(away > beyond)
        return mid + int(outside[-1]) if len(outside) else mid

    place = last(band)
    if place + LEAST_EACH_SIDE >= len(t):
        return NOWHERE
    falls = bool(smooth[place] > 1.0)
    level = 1.0 + band if falls else 1.0 - band
    at = _crossing(t, change, place, level, rise, noise, slope=FLAT_SETTLED, falls=falls)
    # a swing that only just leaves the band, or just does not, may be on either side of it
    unsure = SIGMAS * math.hypot(noise.white / math.sqrt(length), noise.slow, noise.high)
    early, late = last(band + unsure), last(max(band - unsure, 0.0))
    apart = max(float(t[late]) - at.t, at.t - float(t[early]), 0.0)
    # smoothing rounds a bend at the band's edge, and moves the instant by up to half its length
    rounded = length / 2 * float(t[-1] - t[mid]) / max(len(t) - 1 - mid, 1)
    swings = apart > ON_ONE_WAY * unsure * rise / FLAT_SETTLED
    # with more scatter than that nobody is told a settling time
    bent = noise.scatter <= band / 2 and apart + rounded > BENT * at.u
    other = apart + rounded if bent else apart if swings else 0.0
    return At(at.t, max(SETTLED_SPARE * at.u, other / math.sqrt(3)))


def _extremes(
    t: Float, change: Float, mid: int, rise: float, noise: Noise
) -> tuple[float, float, float]:
    """Overshoot, undershoot and their floor, percent."""
    after = len(t) - mid
    every = float(t[-1] - t[mid]) / max(after - 1, 1)
    length = max(int(PEAK_SHARE * rise / every), 1) if math.isfinite(rise) and every > 0 else 1
    smooth = _smoothed(change[mid:], length)
    independent = max(after / length, 2.0)
    left = noise.white / math.sqrt(length) * (math.sqrt(2 * math.log(independent)) + 1)
    floor = left + SLOW_PEAK * noise.slow + 2 * noise.high
    over = float(smooth.max()) - 1.0
    reached = np.flatnonzero(smooth >= 1.0)
    under = 1.0 - float(smooth[reached[0] :].min()) if len(reached) else 0.0
    return (
        100 * over if over > floor else math.nan,
        100 * under if under > floor else math.nan,
        100 * floor,
    )
