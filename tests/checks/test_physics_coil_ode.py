# SPDX-License-Identifier: MIT
"""The simulated rig's coil, plunger and valve against scipy's ODE solver.

The plant plans with closed forms, fixed steps and its own error control. Here the same circuit,
the same mass and the same oil are written down again as differential equations and solved by
scipy (RK45, Radau), with tolerances far below what the plant aims at.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from rig.config.plant.model import SimulatedRig
from rig.config.plant.parts import ElectricPart, OilPart, PlungerPart, SpoolPart
from rig.config.quantity_types import RESOLVED
from rig.physics import coil, flow, oil
from rig.simulated.coil_path.electrics import CoilCircuit, current_at
from rig.simulated.coil_path.plunger import Plunger
from rig.simulated.hydraulics.oil_valve import OilValve, oil_viscosity_pa_s
from rig.simulated.hydraulics.supply import Supply
from rig.simulated.hydraulics.valve import Hydraulics

FINE = {"rtol": 1e-9, "atol": 1e-11}


def part(model: Any, **values: Any) -> Any:
    """A part of the rig from plain numbers in the unit of their name."""
    return model.model_validate(values, context=RESOLVED)


def circuit(**electric: Any) -> CoilCircuit:
    return CoilCircuit(part(ElectricPart, **electric), 12.6, 20.0, 90.0)


def integrated(made: CoilCircuit, changes: list[tuple[float, bool]], t_s: float) -> float:
    """Coil current at `t_s`, from L di/dt = U - R i, one solve from change to change."""
    ohm = coil.copper_resistance_ohm(20.0, 90.0)
    i, now = 0.0, changes[0][0]
    for k, (start, live) in enumerate(changes):
        end = min(changes[k + 1][0] if k + 1 < len(changes) else t_s, t_s)
        if end <= start:
            break
        if live:
            solved = solve_ivp(
                lambda _t, y: [(12.6 - (ohm + made.wiring_ohm) * y[0]) / 0.06],
                (start, end), [i], **FINE,
            )  # fmt: skip
        else:

            def gone(_t: float, y: list[float]) -> float:
                return y[0]

            gone.terminal = True  # type: ignore[attr-defined]
            if i <= 0.0:
                continue
            solved = solve_ivp(
                lambda _t, y: [(-made.clamp_v - ohm * y[0]) / 0.06], (start, end), [i],
                events=gone, **FINE,
            )  # fmt: skip
        i, now = max(float(solved.y[0, -1]), 0.0), end
        if not live and len(solved.t_events[0]):
            i = 0.0
    assert now <= t_s
    return i


@settings(max_examples=40)
@given(
    st.lists(st.floats(2e-5, 4e-3), min_size=0, max_size=6).filter(lambda g: len(g) % 2 == 0),
    st.booleans(),
    st.floats(1e-4, 0.02),
)
def test_current_through_bounce_and_clamp(gaps: list[float], ends_live: bool, after: float) -> None:
    changes, t = [(0.001, True)], 0.001
    for gap in gaps:
        t += gap
        changes.append((t, not changes[-1][1]))
    if not ends_live:
        t += 0.010
        changes.append((t, False))
    made = circuit()
    pieces = made.switch(changes)
    for at in np.linspace(0.0011, t + after, 7):
        assert current_at(pieces, float(at)) == pytest.approx(
            integrated(made, changes, float(at)), abs=2e-7
        )


@settings(max_examples=10)
@given(st.floats(0.05, 0.8), st.floats(1e-4, 0.03))
def test_shorted_turns_against_two_coupled_circuits(fraction: float, after: float) -> None:
    """Wired circuit and shorted loop, coupled to 1 - 1e-6, through energise and clamp."""
    made = circuit(shorted_turns=fraction)
    off_s = 0.050
    pieces = made.switch([(0.0, True), (off_s, False)])
    r1 = coil.copper_resistance_ohm(20.0 * (1.0 - fraction), 90.0)
    ratio = fraction / (1.0 - fraction)
    l1 = 0.06 * (1.0 - fraction) ** 2
    l2, r2 = l1 * ratio**2, r1 * ratio
    mutual = math.sqrt(l1 * l2) * (1.0 - 1e-6)
    det = l1 * l2 - mutual**2

    def live(_t: float, i: list[float]) -> list[float]:
        u1, u2 = 12.6 - (r1 + made.wiring_ohm) * i[0], -r2 * i[1]
        return [(l2 * u1 - mutual * u2) / det, (l1 * u2 - mutual * u1) / det]

    def clamped(_t: float, i: list[float]) -> list[float]:
        # the clamp holds its voltage against any current and lets none pass the other way
        u1 = -made.clamp_v * math.tanh(i[0] / 1e-4) - r1 * i[0]
        u2 = -r2 * i[1]
        return [(l2 * u1 - mutual * u2) / det, (l1 * u2 - mutual * u1) / det]

    tight = {"rtol": 1e-8, "atol": 1e-10, "method": "Radau"}
    up = solve_ivp(live, (0.0, off_s), [0.0, 0.0], **tight).y[:, -1]
    end = off_s + after
    i1, i2 = solve_ivp(clamped, (off_s, end), up, **tight).y[:, -1]
    m = (i1 + i2 * ratio) * (1.0 - fraction)
    assert current_at(pieces, end) == pytest.approx(m, abs=3e-4)


def plunger_reference(
    plunger: PlungerPart, current: Callable[[float], float], mu: float, until_s: float
) -> tuple[float, float]:
    """When the plunger passes its seat and when it lands, pulled in from rest by `current`."""
    travel, left = plunger.travel_mm * 1e-3, plunger.gap_left_mm * 1e-3
    gap = travel + left
    k = plunger.spring_rest_n * (gap / plunger.pull_in_current_a) ** 2
    rate = (plunger.spring_end_n - plunger.spring_rest_n) / travel
    film = mu * plunger.bearing_area_mm2 * 1e-6 / (plunger.bearing_gap_mm * 1e-3)

    def rates(t: float, y: list[float]) -> list[float]:
        x, v = y
        force = k * current(t) ** 2 / (gap - x) ** 2 - plunger.spring_rest_n - rate * x
        if x <= 0.0 and v <= 0.0 and force <= plunger.friction_n:
            return [0.0, 0.0]
        force -= plunger.friction_n + film * v
        return [v, force / (plunger.mass_g * 1e-3)]

    def seat(_t: float, y: list[float]) -> float:
        return y[0] - plunger.pilot_at * travel

    def lands(_t: float, y: list[float]) -> float:
        return y[0] - travel

    lands.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(
        rates, (0.0, until_s), [0.0, 0.0], events=(seat, lands), max_step=2e-5, rtol=1e-8,
        atol=1e-12,
    )  # fmt: skip
    return float(solved.t_events[0][0]), float(solved.t_events[1][0])


@pytest.mark.parametrize("temperature", [90.0, 5.0])
@pytest.mark.parametrize("volt", [12.6, 8.0])
def test_plunger_flight(temperature: float, volt: float) -> None:
    made = part(PlungerPart, friction_spread=0.0)
    rig = SimulatedRig(oil=part(OilPart, temperature_degc=temperature))
    mu = oil_viscosity_pa_s(rig)
    pieces = circuit(supply_voltage_v=volt).switch([(0.0, True)])
    plunger = Plunger(made, mu, random.Random(1))
    (passing,) = plunger.follow(pieces)
    seat_s, landed_s = plunger_reference(made, lambda t: current_at(pieces, t), mu, 0.2)
    assert passing.pulled_in
    assert passing.t_s == pytest.approx(seat_s, abs=10e-6)
    assert plunger.landed[0][0] == pytest.approx(landed_s, abs=10e-6)


@pytest.mark.parametrize("temperature", [90.0, 20.0])
@pytest.mark.parametrize("free_air", [0.01, 0.10])
def test_filling_and_emptying(temperature: float, free_air: float) -> None:
    """Spool and gallery as two stiff equations, with the formulas of rig.physics."""
    rig = SimulatedRig(
        oil=part(OilPart, temperature_degc=temperature, free_air=free_air),
        spool=part(SpoolPart, friction_spread=0.0),
    )
    inlet = Supply(300e3, 6e3, 110.0, 0.7)
    made = Hydraulics(rig, OilValve(rig), inlet, Supply(0.0, 0.0, 110.0, 0.0), random.Random(1))
    spool, gallery = rig.spool, rig.gallery
    mu = oil_viscosity_pa_s(rig)
    rho = oil.density_kg_m3(860.0, temperature)
    face = math.pi / 4.0 * (spool.diameter_mm * 1e-3) ** 2
    bore = gallery.passage_diameter_mm * 1e-3
    length = gallery.passage_length_mm * 1e-3
    volume = gallery.volume_cm3 * 1e-6
    pipe = flow.pipe_resistance_pa_s_m3(bore, length, mu)
    film = mu * math.pi * spool.diameter_mm * spool.land_length_mm * 1e-6
    film /= spool.land_gap_mm * 1e-3 * face**2

    def turbulent(*areas_mm2: float) -> float:
        return sum(flow.orifice_coefficient(0.61, a * 1e-6, rho) for a in areas_mm2)

    bore_mm2 = math.pi / 4.0 * gallery.passage_diameter_mm**2
    drain_bore = math.sqrt(4.0 * gallery.drain_area_mm2 / math.pi) * 1e-3
    drain_pipe = flow.pipe_resistance_pa_s_m3(drain_bore, length, mu)

    def rates(t: float, y: list[float], on: bool) -> list[float]:
        x_mm, added_cm3 = y[0], y[1]
        supply = 300e3 + 6e3 * math.sin(2.0 * math.pi * 110.0 * t + 0.7)
        p = 0.0
        if added_cm3 > 0.0:
            squeeze = added_cm3 * 1e-6 / volume
            p = 1e3 * (oil.pressure_when_squeezed_kpa(squeeze, free_air) - oil.ATMOSPHERE_KPA)
        spring = spool.spring_rest_n + x_mm / spool.travel_mm * (
            spool.spring_end_n - spool.spring_rest_n
        )
        drive = supply if on else 0.0
        up, down = (spring + spool.friction_n) / face, (spring - spool.friction_n) / face
        v = 0.0
        if drive > up:
            b = turbulent(spool.pilot_area_mm2, gallery.screen_area_mm2, bore_mm2)
            v = flow.passage_m3_s(drive - up, pipe + film, b) / face
        elif drive < down:
            b = turbulent(spool.pilot_area_mm2)
            v = flow.passage_m3_s(drive - down, pipe + film, b) / face
        if (x_mm <= 0.0 and v < 0.0) or (x_mm >= spool.travel_mm and v > 0.0):
            v = 0.0
        q = -gallery.seals * flow.annular_leak_m3_s(
            gallery.seal_diameter_mm * 1e-3, gallery.seal_gap_mm * 1e-3,
            gallery.seal_length_mm * 1e-3, p, mu,
        )  # fmt: skip
        port_mm2 = abs(x_mm - spool.inlet_opens_mm) * spool.port_width_mm
        if x_mm > spool.inlet_opens_mm:
            b = turbulent(port_mm2, gallery.screen_area_mm2, bore_mm2)
            q += flow.passage_m3_s(supply - p, pipe, b)
        else:
            q += flow.annular_leak_m3_s(
                spool.diameter_mm * 1e-3, spool.land_gap_mm * 1e-3,
                spool.land_length_mm * 1e-3, supply - p, mu, 0.5,
            )  # fmt: skip
            if port_mm2 > 0.0:
                b = turbulent(port_mm2, gallery.drain_area_mm2)
                q -= flow.passage_m3_s(p, drain_pipe, b)
        return [v * 1e3, q * 1e6]

    def reference(y0: list[float], t0: float, on: bool, at: list[float]) -> list[float]:
        out = []
        solved = solve_ivp(
            rates, (t0, at[-1]), y0, method="RK45", max_step=1e-4, rtol=1e-6, atol=1e-7,
            args=(on,), t_eval=at,
        )  # fmt: skip
        for added_cm3 in solved.y[1]:
            squeeze = max(added_cm3, 0.0) * 1e-6 / volume
            out.append(oil.pressure_when_squeezed_kpa(squeeze, free_air) - oil.ATMOSPHERE_KPA)
        return out

    on_s = 0.4
    y0, content = made.state(on_s)
    made.pilot(on_s, True)
    at = [on_s + k * 1e-3 for k in range(4, 60, 5)]
    expected = reference([y0 * 1e3, content * 1e6], on_s, True, at)
    ours = [made.trajectory.pressure_pa(t) * 1e-3 for t in at]
    assert max(expected) > 200.0 or free_air > 0.05 or temperature < 50.0
    # near its end value the plant takes the pressure as linear: a little of the ripple differs
    assert ours == pytest.approx(expected, abs=1.5)

    off_s = on_s + 0.6
    y1, full = made.state(off_s)
    made.pilot(off_s, False)
    at = [off_s + k * 1e-3 for k in range(4, 60, 5)]
    expected = reference([y1 * 1e3, full * 1e6], off_s, False, at)
    ours = [made.trajectory.pressure_pa(t) * 1e-3 for t in at]
    assert ours == pytest.approx(expected, abs=1.5)
