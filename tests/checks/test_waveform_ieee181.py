# SPDX-License-Identifier: MIT
"""Transitions against closed forms and python-control, in the terms of IEEE Std 181-2011.

Where sources disagree both are shown: overshoot (percent of state amplitude here, of the final
value in control texts) and the origin of the settling time (mid-reference instant here, the
input's step there).
"""

from __future__ import annotations

import math

import control
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.stats.waveform import Passages, passages, transition

RAMP_T = np.arange(0, 1001) * 0.1
RAMP = np.interp(RAMP_T, [0, 20, 30, 100], [10, 10, 60, 60])


def one(found: Passages) -> dict[str, float]:
    """The only row, as numbers."""
    return {
        "t10": float(found.t10.t[0]), "t50": float(found.t50.t[0]), "t90": float(found.t90.t[0]),
        "duration": float(found.duration[0]), "overshoot": float(found.overshoot[0]),
        "undershoot": float(found.undershoot[0]), "settling": float(found.settling[0]),
    }  # fmt: skip


def test_linear_ramp_with_its_true_levels():
    """A ramp of T = 10 ms: 10-90 % duration 0.8 T, mid instant T / 2."""
    found = one(transition(RAMP_T, RAMP, 10.0, 60.0))
    assert (found["t10"], found["t50"], found["t90"]) == pytest.approx((21, 25, 29))
    assert found["duration"] == pytest.approx(8.0)


def test_first_order_response():
    """tau = 20 ms: t10 tau ln(10/9), t50 tau ln 2, t90 tau ln 10, 2 % settling tau ln 25 from the
    mid-reference instant and tau ln 50 from the step; python-control's rise time and settling."""
    t, tau = np.arange(0, 600, 0.01), 20.0
    found = one(transition(t, 1 - np.exp(-t / tau), 0.0, 1.0, seek=400.0))
    exact = [tau * math.log(x) for x in (10 / 9, 2, 10)]
    assert [found["t10"], found["t50"], found["t90"]] == pytest.approx(exact, abs=1e-5)
    assert found["duration"] == pytest.approx(43.944491547, abs=1e-4)
    assert found["settling"] == pytest.approx(64.377516497, abs=1e-3)
    assert found["settling"] + found["t50"] == pytest.approx(78.240460109, abs=1e-3)
    grid = np.arange(0, 0.6, 1e-5)
    info = control.step_info(control.tf([1], [tau / 1e3, 1]), T=grid)
    assert info["RiseTime"] * 1e3 == pytest.approx(found["duration"], abs=0.02)  # no interpolation
    assert info["SettlingTime"] * 1e3 == pytest.approx(found["settling"] + found["t50"], abs=0.02)


@pytest.mark.parametrize(
    ("zeta", "over", "under", "rise", "settle"),
    [
        (0.5, 16.30335348, 2.65799335, 16.375729473, 80.763),
        (0.7, 4.59879103, 0.21148879, 21.262018697, 59.787),
    ],
)
@pytest.mark.parametrize("rising", [True, False])
def test_second_order_response(zeta, over, under, rise, settle, rising):
    """wn = 100 rad/s: overshoot exp(-pi z / sqrt(1 - z^2)), undershoot its square; times by exact
    root finding; python-control for overshoot, rise and settling."""
    plant = control.tf([1e4], [1, 200 * zeta, 1e4])
    response = control.step_response(plant, T=np.arange(0, 0.6, 1e-5))
    t, value = np.asarray(response.time) * 1e3, np.asarray(response.outputs)
    low, high = (50.0, 250.0)
    shown = low + value * 200 if rising else high - value * 200
    found = one(transition(t, shown, *((low, high) if rising else (high, low)), seek=300.0))
    assert found["overshoot"] == pytest.approx(over, abs=1e-4)
    assert found["undershoot"] == pytest.approx(under, abs=1e-4)
    assert found["duration"] == pytest.approx(rise, abs=1e-4)
    assert found["settling"] + found["t50"] == pytest.approx(settle, abs=2e-3)
    info = control.step_info(plant, T=np.arange(0, 0.6, 1e-5))
    assert info["Overshoot"] == pytest.approx(over, abs=1e-3)
    assert info["RiseTime"] * 1e3 == pytest.approx(rise, abs=0.02)
    assert info["SettlingTime"] * 1e3 == pytest.approx(settle, abs=0.03)


def test_overshoot_is_of_the_amplitude_not_of_the_final_value():
    """10 to 60 with a peak of 65: 10 % by state amplitude, 8.33 % of the final value."""
    t = np.arange(100.0)
    value = np.interp(t, [0, 20, 30, 33, 36, 99], [10, 10, 60, 65, 60, 60])
    assert one(transition(t, value, 10.0, 60.0))["overshoot"] == pytest.approx(10.0)
    info = control.step_info(value, T=t, yfinal=60)
    assert info["Overshoot"] == pytest.approx(100 * 5 / 60, abs=1e-6)


def test_settling_that_is_not_held_or_not_watched_is_not_known():
    t = np.arange(0, 200, 1.0)
    value = np.where(t < 20, 0.0, 1.0)
    value[150] = 0.9
    assert one(transition(t, value, 0.0, 1.0, seek=100.0))["settling"] == pytest.approx(0.48)
    assert math.isnan(one(transition(t, value, 0.0, 1.0, seek=250.0))["settling"])
    value[-1] = 0.9
    assert math.isnan(one(transition(t, value, 0.0, 1.0))["settling"])


def test_delays_by_the_criteria_of_different_practices():
    """Dead time 15 ms and tau 20 ms: first change 15, 10 % 17.107, 50 % 28.863, 90 % 61.052 ms.
    Thresholds in use: first change (JIS B 8375), 10 % (ISO 12238), 50 % (CETOP
    RP111P), 90 % (NFPA T3.21.8); which standard takes which is from memory."""
    t = np.arange(0, 400, 0.02)
    value = np.where(t < 15, 0.0, 1 - np.exp(-np.maximum(t - 15, 0) / 20))
    found = passages(
        t, value, np.array([0]), np.array([len(t)]), np.zeros(1), np.ones(1), first_share=1e-6
    )
    assert found.first.t[0] == pytest.approx(15, abs=0.02)
    assert found.t10.t[0] == pytest.approx(17.107, abs=1e-3)
    assert found.t50.t[0] == pytest.approx(28.863, abs=1e-3)
    assert found.t90.t[0] == pytest.approx(61.052, abs=1e-3)


@given(
    st.floats(2, 50), st.floats(0.05, 3), st.floats(-500, 500), st.floats(1, 900),
    st.booleans(), st.integers(0, 1000),
)  # fmt: skip
def test_irregular_sampling_stays_within_its_own_bounds(tau, step, base, amplitude, falls, seed):
    """Sampled at random instants, the true duration lies between shortest and longest, and the
    true instants between the samples beside each crossing."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.1, 2, 4000) * step)
    t = t[t < 15 * tau + 5]
    t = np.concatenate(([0.0, 0.01], t + 0.02))
    change = np.where(t < 5, 0.0, 1 - np.exp(-np.maximum(t - 5, 0) / tau))
    sign = -1 if falls else 1
    found = transition(t, base + sign * amplitude * change, base, base + sign * amplitude)
    true = [5 + tau * math.log(x) for x in (10 / 9, 2, 10)]
    for at, exact in zip((found.t10, found.t50, found.t90), true, strict=True):
        assert at.after[0] - 1e-6 <= exact <= at.before[0] + 1e-6
        assert abs(at.t[0] - exact) <= at.gap[0]
    assert found.shortest[0] - 1e-6 <= true[2] - true[0] <= found.longest[0] + 1e-6


@given(st.integers(2, 6), st.integers(0, 1000))
def test_many_windows_are_each_on_its_own(n, seed):
    """Windows that share the sample between them give what each gives alone."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.5, 1.5, 60 * n))
    value = rng.normal(0, 1, 60 * n).cumsum()
    start = np.arange(n) * 60
    end = np.minimum(start + 61, 60 * n)
    levels = rng.normal(0, 3, (2, n))
    together = passages(t, value, start, end, *levels, seek=20.0)
    for row in range(n):
        part = slice(start[row], end[row])
        alone = transition(t[part], value[part], levels[0, row], levels[1, row], seek=20.0)
        for name in ("overshoot", "undershoot", "settling", "inside", "duration"):
            both = getattr(together, name)[row], getattr(alone, name)[0]
            assert both[0] == pytest.approx(both[1], nan_ok=True, abs=1e-9), name


def test_windows_without_samples_or_amplitude():
    t, value = np.arange(5.0), np.array([0.0, 0, 1, 1, 1])
    found = passages(
        t, value, np.array([0, 3, 5]), np.array([3, 3, 5]), np.zeros(3), np.array([1.0, 1, 0])
    )
    assert found.t50.t[0] == pytest.approx(1.5)
    assert np.isnan(found.t50.t[1:]).all()
    empty = passages(
        t[:0], value[:0], np.array([0]), np.array([0]), np.zeros(1), np.ones(1), seek=1.0
    )
    assert np.isnan(empty.duration).all()
