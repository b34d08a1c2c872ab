# SPDX-License-Identifier: MIT
"""The plunger's return in the fall of a coil's current, where the current lasts long enough.

With the contact open the coil drives its current through the clamp, whose voltage is R Ic, until it
is zero at z. The flux left at t is then (as in current_rise, Faraday's law integrated)

    integral from t to z of i dt = tau(t) i - Ic (z - t)

and tau falls while the plunger returns. A clamp of some ten volts ends the current before the
plunger has moved: then there is nothing to see, and no number is given.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.coil.current_rise import Rise
from rig.analysis.coil.flux_fit import (
    NAN,
    OPENING,
    OPENING_SHARES,
    Changing,
    plain,
    search,
    uncertainties,
)
from rig.core.recording import Float

STRONG, MIN_SHRINK = 100.0, 0.04
ALIKE = 0.15
"""Maximum difference between the time constants of the fall and those of the rise."""
MIN_SAMPLES = 16
ZERO_SHARE = 0.015
"""A current below this share of the steady one has ended."""


class Fall(NamedTuple):
    """Seconds on the samples' clock, NaN where not seen; `why` says why not."""

    leaves_s: float
    u_leaves_s: float
    seated_s: float
    u_seated_s: float
    why: str


def fall(t: Float, i: Float, opened_s: float, seen: Rise) -> Fall:
    """Analyse the samples `t` (s), `i` (A) from `opened_s`, after which the contact stays open.

    `seen` is the rise before it: both time constants must reappear, in turn, or the fall shows
    something else.
    """
    steady_a, noise_a = seen.steady_a, seen.noise_a
    start = int(np.searchsorted(t, opened_s, "right"))
    t, i = t[start:], i[start:]
    ended = np.flatnonzero(i < max(ZERO_SHARE * steady_a, 3.0 * noise_a))
    if not len(ended) or ended[0] < MIN_SAMPLES:
        return Fall(NAN, NAN, NAN, NAN, "the current ends too soon to see the plunger go back")
    last = int(ended[0])
    t, i = t[: last + 1], i[: last + 1]
    pieces = np.diff(t) * 0.5 * (i[1:] + i[:-1])
    left = np.concatenate((np.cumsum(pieces[::-1])[::-1], [0.0]))
    fixed = np.column_stack((-(t[-1] - t), np.ones(len(t))))
    samples = Changing(t, i, left, fixed)
    line, fit = plain(samples), search(samples, OPENING)
    tau_in, tau_out = float(fit.linear[0]), float(fit.linear[1])
    scatter = max(fit.square / max(len(t) - 7, 1), (noise_a * max(tau_in, 0.0)) ** 2)
    gain = (line.square - fit.square) / scatter if scatter > 0 else NAN
    shrinks = tau_in > 0 and tau_out > 0 and 1.0 - tau_out / tau_in > MIN_SHRINK
    shrinks &= abs(tau_in / seen.tau2_s - 1.0) < ALIKE and abs(tau_out / seen.tau1_s - 1.0) < ALIKE
    if not (gain > STRONG and shrinks and math.isfinite(fit.seated)):
        return Fall(NAN, NAN, NAN, NAN, "the fall shows no clear movement")
    u_leaves, u_seated, _ = uncertainties(samples, fit, scatter, OPENING_SHARES)
    return Fall(fit.leaves, u_leaves, fit.seated, u_seated, "")
