# SPDX-License-Identifier: MIT
"""Plunger movement in the rise of a coil's current, found from the flux and not from the dip.

A coil of resistance R and inductance L(t) on a steady supply obeys, with I the steady current,

    integral of (I - i) dt = tau(t) i - c,      tau = L / R

whatever L does (Faraday's law, integrated). The left side is a sum over samples and has hardly any
noise. While the plunger rests, it is a straight line over i of slope tau1; when it is seated, of
slope tau2; in between, tau grows and the current dips. The movement is therefore the pair of
instants a, s between which tau has to grow for the samples to fit (least squares; tau1, tau2 and c
are linear). c covers what the first samples do not show: the exact instant of switching on, a
bounce, and the step of the current caused by shorted turns.

In a coil that does not change, whatever eddy currents or shorted turns are coupled to it, the rise
can only get less steep (a passive network's answer to a step, all poles real). A movement therefore
also requires a rise that gets steeper again.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.coil.flux_fit import (
    NAN,
    Changing,
    bend,
    plain,
    plain_uncertainties,
    search,
    uncertainties,
)
from rig.core.recording import Float

MOVED, NOT_SEEN, OPEN = "moved", "no movement seen", "not decided"

FEW_SAMPLES, LONG_S = 3, 0.2
"""Fewest samples, and shortest time, that give a coil's steady current (common practice, no
source)."""
MIN_SAMPLES = 12
"""Fewest samples in the rise; fewer show nothing."""
ONSET_SHARE = 0.03
"""A current above this share of the steady one is flowing."""
SAMPLES_PER_TAU = 4.0
"""Samples per time constant; with fewer a movement may hide between them."""
SEARCH_TAUS = 7.0
"""The steady current is reached only after this many time constants."""
MIN_GROWTH = 0.02
"""A smaller growth of tau cannot be told from a coil that does not change."""
STRONG, WEAK = 25.0, 8.0
"""Gain of the fit from a movement, in squares of the remaining scatter per sample."""
KINK_TIMES = 3.0
"""Standard deviations by which the rise must get steeper."""


class Rise(NamedTuple):
    """One rise of the current. Times in seconds on the clock of the samples, NaN where not known;
    `u_` are standard uncertainties. `state` is MOVED, NOT_SEEN or OPEN. `steady_a` is the steady
    current and `noise_a` the scatter of one sample; `onset_s` when current began to flow;
    `leaves_s` and `seated_s` of the plunger; `tau1_s`, `tau2_s` the time constant before and after;
    `step` the share of the steady current present at once."""

    state: str
    why: str
    steady_a: float
    noise_a: float
    onset_s: float
    u_onset_s: float
    leaves_s: float
    u_leaves_s: float
    seated_s: float
    u_seated_s: float
    tau1_s: float
    u_tau1_s: float
    tau2_s: float
    u_tau2_s: float
    step: float
    u_step: float

    @property
    def growth(self) -> float:
        """tau2 / tau1 - 1."""
        return self.tau2_s / self.tau1_s - 1.0


def no_rise(why: str, steady_a: float = NAN, noise_a: float = NAN) -> Rise:
    """Nothing can be said about a movement, and why."""
    return Rise(OPEN, why, steady_a, noise_a, *[NAN] * 12)


def steady_of(i: Float, resolution_a: float) -> tuple[float, float]:
    """Steady current and scatter of one sample, from the last fifth of an energised time."""
    tail = i[-max(len(i) // 5, 8) :]
    level = float(np.mean(tail))
    steps = np.diff(tail)
    noise = float(np.sqrt(np.mean(steps * steps) / 2.0)) if len(steps) else 0.0
    return level, max(noise, resolution_a / math.sqrt(12.0))


def rise(t: Float, i: Float, closed_s: float | None, resolution_a: float) -> Rise:
    """Analyse the samples `t` (s, increasing), `i` (A), both (n,), of one energised time.

    `closed_s`: from when the contact stays closed, where a read-back shows it; earlier samples are
    left out of the fit. `resolution_a`: one step of the converter.
    """
    if len(i) < MIN_SAMPLES + 8:
        # a slow channel shows no rise, but its later samples still give the steady current
        slow = len(i) >= FEW_SAMPLES and t[-1] - t[0] >= LONG_S
        level = float(np.median(i[len(i) // 2 :])) if slow else NAN
        return no_rise("too few samples", level)
    steady, noise = steady_of(i, resolution_a)
    if not steady > 6.0 * noise:
        return no_rise("no current", steady, noise)
    flows = np.flatnonzero(i > max(ONSET_SHARE * steady, 4.0 * noise))
    half = int(np.flatnonzero(i > 0.5 * steady)[0])
    before = np.flatnonzero(i[:half] <= max(ONSET_SHARE * steady, 4.0 * noise))
    start = int(before[-1]) if len(before) else 0
    first = int(flows[0])
    gap = float(t[first] - t[first - 1]) if first else NAN
    first_s = float(t[first])
    if closed_s is not None:
        start = max(start, int(np.searchsorted(t, closed_s, "left")) - 1, 0)
    t, i = t[start:], i[start:]
    flux = np.concatenate(([0.0], np.cumsum(np.diff(t) * (steady - 0.5 * (i[1:] + i[:-1])))))
    tau = float(flux[-1]) / steady
    if not tau > 0:
        return no_rise("the current never settled")
    # onset is within the gap before the first sample that shows it, less the time it takes to show
    shows = tau * max(ONSET_SHARE, 4.0 * noise / steady)
    onset = first_s - 0.5 * gap - shows
    u_onset = math.hypot(gap / math.sqrt(12.0), 0.5 * shows)
    last = _settles(t, i, steady, noise, tau)
    if t[-1] - t[0] < 1.3 * (t[last] - t[0]) or t[-1] - t[0] < SEARCH_TAUS * tau:
        return no_rise("energised for too short a time to see the steady current")
    use = slice(1, last + 1)  # the first step of the sum contains the switching on: left to c
    if last < MIN_SAMPLES:
        return no_rise("sampled too slowly to see the rise", steady, noise)
    samples = Changing(t[use], i[use], flux[use], -np.ones((last, 1)))
    return _judged(samples, steady, noise, tau, onset, u_onset)


def _settles(t: Float, i: Float, steady: float, noise: float, tau: float) -> int:
    """Index from which the current is steady and has been for a while."""
    width = max(round(0.5 * tau / max(float(np.median(np.diff(t))), 1e-9)), 1)
    smooth = np.convolve(i, np.ones(width) / width, "same")
    off = np.abs(smooth - steady) > max(5.0 * noise / math.sqrt(width), 0.004 * steady)
    off[-max(width, 1) :] = False
    moving = np.flatnonzero(off)
    end_s = float(t[moving[-1]] if len(moving) else t[0]) + tau
    return min(int(np.searchsorted(t, end_s)), len(t) - 1)


def _judged(
    samples: Changing, steady: float, noise: float, tau: float, onset: float, u_onset: float
) -> Rise:
    n = len(samples.t)
    line, fit = plain(samples), search(samples)
    # at least the samples' own noise remains, or the gain has no scale
    floor = (noise * tau) ** 2
    scatter = max(fit.square / max(n - 6, 1), floor)
    gain = (line.square - fit.square) / scatter
    u_leaves, u_seated, u_linear = uncertainties(samples, fit, scatter)
    tau1, tau2, c = (float(value) for value in fit.linear)
    u_1, u_2, u_c = (float(value) for value in u_linear)
    kink = bend(samples.t, samples.x, fit.seated, noise, 1.0)
    state, why = _state(gain, tau1, tau2, u_1, u_2, kink)
    if state == NOT_SEEN and not tau >= SAMPLES_PER_TAU * samples.step_s:
        state, why = OPEN, "sampled too slowly to tell that nothing moved"
    leaves, seated = fit.leaves, fit.seated
    if state != MOVED:
        u_line = plain_uncertainties(samples, max(line.square / max(n - 2, 1), floor))
        tau1 = tau2 = float(line.linear[0])
        u_1 = u_2 = float(u_line[0])
        c, u_c = float(line.linear[1]), float(u_line[1])
        leaves = seated = u_leaves = u_seated = NAN
    # c holds the current step, and the unknown part of the instant of switching on
    step = c / (tau1 * steady) if tau1 > 0 else NAN
    u_step = math.hypot(u_c / steady, 0.5 * samples.step_s) / tau1 if tau1 > 0 else NAN
    return Rise(
        state, why, steady, noise, onset, u_onset, leaves, u_leaves, seated, u_seated,
        tau1, u_1, tau2, u_2, step, u_step,
    )  # fmt: skip


def _state(
    gain: float, tau1: float, tau2: float, u_1: float, u_2: float, kink: float
) -> tuple[str, str]:
    if not (tau1 > 0 and tau2 > 0):
        return OPEN, "the rise is no plain one, and shows no clear movement either"
    growth = tau2 / tau1 - 1.0
    u_growth = math.hypot(u_1 / tau1, u_2 / tau2) * tau2 / tau1
    grows = growth > max(MIN_GROWTH, 3.0 * u_growth)
    if gain > STRONG and grows and kink > KINK_TIMES:
        return MOVED, ""
    if not gain > WEAK or not growth > MIN_GROWTH:
        return NOT_SEEN, ""
    return OPEN, "the rise is no plain one, and shows no clear movement either"
