# SPDX-License-Identifier: MIT
"""The current's time constant against the closed form of an RL circuit, and the plant's sensor
current against an independent solver.

i = V/R (1 - exp(-t R/L)): R 20 ohm, L 50 mH, 12 V give tau 2.5 ms and 0.6 A (any textbook; the
solver is SciPy's solve_ivp).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "studies"))

from current_rigs import draw

from rig.analysis.coil.current_rise import NOT_SEEN, rise
from rig.simulated.plant import Plant


def test_time_constant_and_steady_current_of_the_textbook_coil():
    t = np.arange(2000) * 1e-4
    i = np.where(t > 5e-3, 12 / 20 * (1 - np.exp(-np.maximum(t - 5e-3, 0) * 20 / 0.050)), 0.0)
    found = rise(t, i, None, 1e-5)
    assert found.state == NOT_SEEN
    assert found.steady_a == pytest.approx(0.6, abs=1e-6)
    assert found.tau1_s == pytest.approx(2.5e-3, rel=2e-3)


def test_the_sensor_s_current_solves_its_own_equation():
    """d(flux)/dt = (V - R flux/L(x)) / (1 + R c) with the plant's own path x(t), by another
    solver: the plant's current is within a thousandth of the steady one."""
    from scipy.integrate import solve_ivp

    rng = np.random.default_rng(4)
    for shorted in ("0 %", "20 %"):
        rig = draw(rng, shorted_turns=shorted)
        while rig.stuck:
            rig = draw(rng, shorted_turns=shorted)
        made = rig.setup.simulated.model_copy(
            update={"relay": rig.setup.simulated.relay.model_copy(update={"bounces_max": 0})}
        )
        plant = Plant(made, rig.setup, 1)
        plant.set_relay(True, 10**9)
        plant.advance(10**9 + 60_000_000)
        closed = plant.truth.times_ns("contact closed")[0] * 1e-9
        lead, coil = plant._lead, plant._coil
        ohm = coil.resistance_ohm() + coil.wiring_ohm
        gap, growth = plant._plunger.gap_m, made.electric.inductance_growth
        rest_h = coil.coil.inductance_h
        b = growth * rest_h / (1 / (gap - plant._plunger.travel_m) - 1 / gap)

        def henry(t, plant=plant, gap=gap, b=b, rest_h=rest_h):
            return rest_h + b * (1 / (gap - plant._plunger.at(t).x_m) - 1 / gap)

        c = lead._c

        def rate(t, y, ohm=ohm, c=c, coil=coil, henry=henry):
            return (coil.supply_v - ohm * y / henry(t)) / (1 + ohm * c)

        at = closed + np.linspace(1e-4, 0.04, 60)
        got = solve_ivp(rate, (closed, closed + 0.041), [0.0], t_eval=at, max_step=2e-5, rtol=1e-8)
        want = [y / henry(t) + c * rate(t, y) for t, y in zip(got.t, got.y[0], strict=True)]
        seen = [lead.at(float(t)) for t in got.t]
        assert np.abs(np.array(seen) - want).max() < 1e-3 * max(want)
