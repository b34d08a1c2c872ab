# SPDX-License-Identifier: MIT
"""Subtract the pump's ripple from the pressure, where the engine speed was measured.

A pump driven by the engine ripples in step with its revolutions, whatever the speed does. The
ripple is therefore a wave of the engine's angle, not of time: pulses count the angle, readings of
the speed are integrated.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.config.setup.model import Setup
from rig.core.recording import Float, Int64, Recording
from rig.core.records import ENGINE_SPEED

ORDERS = np.arange(1, 49) / 2
"""Ripple periods per engine revolution that are tried: pumps on crank or camshaft."""
SCALES, FINER = 1 + np.arange(-20, 21) / 500, 1 + np.arange(-10, 11) / 5000
"""Ratios to an order that are tried, then ratios to the best of them."""
OFF_COUNTED, OFF_READ = 0.005, 0.015
"""How far from an order a wave may be and still be the pump's: with a counted speed, and with a
read one."""
LEAST_PERIODS, LEAST_READINGS = 4, 24
EXPLAINS = 0.5
"""Share of the variance in the states: a wave that explains less is not subtracted."""
MOST_STATES = 10
LEFT_OVER = 0.25
"""Share of the ripple's standard deviation that may remain while the pressure moves, since how the
ripple grows from one state to the next is not known (common practice, no source)."""


class Ripple(NamedTuple):
    """`value` (m,) without the ripple, `order` in periods per revolution, and `sd_kpa` (n,) of the
    ripple subtracted in each stroke's energised state."""

    value: Float
    order: float
    sd_kpa: Float


def without_ripple(
    recording: Recording, setup: Setup | None, t_ms: Float, value: Float, places: Int64
) -> Ripple | None:
    """The readings `value` (m,) at `t_ms` (m,) without the ripple; None where no speed was measured
    or nothing in step with it is seen.

    `places` (n, 4): indices of the readings where the rest before each stroke, its energised part
    and its released part begin, and where that ends.
    """
    angle = _angle(recording, setup, t_ms)
    if angle is None or not len(places):
        return None
    states = [(int(p[0]), int(p[1])) for p in places[:1]]
    for _, start, released, end in places.tolist():
        states += [(start, released), (released, end)]
    order = _order(angle[0], value, states, counted=angle[1])
    if order is None:
        return None
    waves = [_wave(angle[0], value, state, order) for state in states]
    cleaned, sd = value.copy(), np.zeros(len(places))
    for place, (begin, end) in enumerate(states):
        here, old = waves[place], waves[place - 1] if place else None
        if here is None:
            continue
        turned = angle[0][begin:end]
        share = np.ones(1) if old is None else _share(value[begin:end], old, here, turned, order)
        from_ = old or here
        a, b = ((1 - share) * from_[part] + share * here[part] for part in (0, 1))
        phase = 2 * np.pi * order * turned
        cleaned[begin:end] -= a * np.cos(phase) + b * np.sin(phase)
        if place % 2:
            sd[place // 2] = np.hypot(here[0], here[1]) / np.sqrt(2)
    return Ripple(cleaned, order, sd)


def _angle(recording: Recording, setup: Setup | None, t_ms: Float) -> tuple[Float, bool] | None:
    """Revolutions at each reading, and whether they were counted."""
    edges = recording.edges.get(ENGINE_SPEED)
    wired = setup.engine_speed if setup is not None else None
    if edges is not None and wired is not None:
        pulses = np.sort(edges.t_ns[edges.level == int(wired.edge == "rising")])
        if len(pulses) > 2:
            at = (pulses - recording.t0_ns) / 1e6
            turned = np.arange(len(at)) / wired.pulses_per_revolution
            return np.interp(t_ms, at, turned), True
    speed = recording.samples.get(ENGINE_SPEED)
    if speed is None or np.count_nonzero(speed.good) < 2:
        return None
    at = (speed.t_ns[speed.good] - recording.t0_ns) / 1e6
    hz = speed.value[speed.good] / 60.0
    turned = np.concatenate(([0.0], np.cumsum(np.diff(at) * (hz[1:] + hz[:-1]) / 2e3)))
    return np.interp(t_ms, at, turned), False


def _tail(state: tuple[int, int]) -> slice:
    """The last half of a state."""
    return slice((state[0] + state[1]) // 2, state[1])


def _order(
    angle: Float, value: Float, states: list[tuple[int, int]], *, counted: bool
) -> float | None:  # fmt: skip
    """Periods per revolution of the wave that explains most scatter in the energised states."""
    energised = [state for state in states[1::2] if state[1] - state[0] >= 2 * LEAST_READINGS]
    energised = energised[:: max(len(energised) // MOST_STATES, 1)]
    seen = [(angle[_tail(state)], _level_off(value[_tail(state)])) for state in energised]
    total = sum(float(y @ y) for _, y in seen)
    if not total > 0:
        return None
    tried = np.outer(ORDERS, SCALES)
    best = tried.ravel()[np.argmax(_power(seen, tried.ravel()))]
    nearest = ORDERS[np.argmin(np.abs(ORDERS - best))]
    finer = best * FINER
    power = _power(seen, finer)
    found = float(finer[np.argmax(power)])
    off = abs(found / float(nearest) - 1)
    near = off <= (OFF_COUNTED if counted else OFF_READ)
    return found if near and power.max() >= EXPLAINS * total else None


def _level_off(value: Float) -> Float:
    """Subtract a straight line."""
    x = np.arange(len(value))
    return np.asarray(value - np.polyval(np.polyfit(x, value, 1), x), np.float64)


def _power(seen: list[tuple[Float, Float]], orders: Float) -> Float:
    """Scatter explained by waves of these orders (k,); 0 where a state is too short."""
    power = np.zeros(len(orders))
    for turned, y in seen:
        periods = orders * float(turned[-1] - turned[0])
        told = (periods >= LEAST_PERIODS) & (periods < 0.4 * len(y))
        waves = np.exp(-2j * np.pi * np.outer(orders[told], turned))
        power[told] += 2 * np.abs(waves @ y) ** 2 / len(y)
    return power


def _wave(
    angle: Float, value: Float, state: tuple[int, int], order: float
) -> tuple[float, float, float] | None:
    """Cosine and sine parts and level in the last half of a state; None with too few readings."""
    tail = _tail(state)
    y = value[tail]
    if len(y) < LEAST_READINGS:
        return None
    phase = 2 * np.pi * order * angle[tail]
    columns = np.stack((np.cos(phase), np.sin(phase), np.ones(len(y))), axis=1)
    (a, b, level), *_ = np.linalg.lstsq(columns, y, rcond=None)
    return float(a), float(b), float(level)


def _share(
    value: Float, old: tuple[float, float, float], new: tuple[float, float, float],
    angle: Float, order: float,
) -> Float:  # fmt: skip
    """How far the pressure has moved from one state's level to the next, averaged over a period."""
    size = new[2] - old[2]
    if not abs(size) > np.hypot(new[0], new[1]):
        return np.ones(len(value))
    turns = float(angle[-1] - angle[0]) * order
    length = max(int(len(value) / turns), 1) if turns > 0 else 1
    padded = np.pad(value, (length // 2, length - 1 - length // 2), mode="edge")
    smooth = np.convolve(padded, np.ones(length) / length, "valid")
    return np.asarray(np.clip((smooth - old[2]) / size, 0.0, 1.0), np.float64)
