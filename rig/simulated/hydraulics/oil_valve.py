# SPDX-License-Identifier: MIT
"""Spool valve and gallery with oil: forces on the spool, flows, stiffness.

Passages are a laminar and a turbulent resistance in series (rig.physics.flow), so that viscosity
matters in narrow passages and cold oil, and the opened port's area at the spool. The gallery is a
rigid volume of oil with entrained air (rig.physics.oil). SI units; pressures are gauge pressures in
Pa, `content` is the oil in the gallery beyond its full, unpressurised state, m^3: negative while
there is a void.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from rig.config.plant.model import SimulatedRig
from rig.physics import flow, oil
from rig.simulated.hydraulics.supply import Supply

DISCHARGE = 0.61
"""Sharp-edged orifice (handbook value)."""
DENSITY_15_KG_M3 = 860.0
ATMOSPHERE_PA = oil.ATMOSPHERE_KPA * 1e3
LIQUID_PA = oil.BULK_MODULUS_KPA * 1e3
LAND_ECCENTRICITY = 0.5

NetFlow = Callable[[float, float], float]
"""(gallery pressure, supply pressure) in Pa -> net flow into the gallery, m^3/s."""


def oil_viscosity_pa_s(rig: SimulatedRig) -> float:
    """Dynamic viscosity of the rig's oil at its temperature (ASTM D341)."""
    part = rig.oil
    line = oil.ViscosityTemperature.through(
        part.viscosity_40_mm2_s, 40.0, part.viscosity_100_mm2_s, 100.0
    )
    rho = oil.density_kg_m3(DENSITY_15_KG_M3, part.temperature_degc)
    return oil.dynamic_pa_s(line.kinematic_mm2_s(part.temperature_degc), rho)


MovingRates = Callable[[float, float, float], tuple[float, float, float]]
"""(time, spool position, gallery content) -> spool speed, net flow, gallery pressure."""


class Spool(NamedTuple):
    """Forces on the spool, as pressures on its face: spring at rest, spring per travel, friction of
    the present motion; and the stops that limit its travel."""

    spring_pa: float
    rate_pa_m: float
    friction_pa: float
    end_m: float
    rest_m: float = 0.0


class OilValve:
    """Flows and forces for oil."""

    drains_at_rest = True

    def __init__(self, rig: SimulatedRig) -> None:
        spool, gallery = rig.spool, rig.gallery
        mu = oil_viscosity_pa_s(rig)
        rho = oil.density_kg_m3(DENSITY_15_KG_M3, rig.oil.temperature_degc)
        self._per_area2 = flow.orifice_coefficient(DISCHARGE, 1.0, rho)
        self._face_m2 = math.pi / 4e6 * spool.diameter_mm**2
        self._width_m = spool.port_width_mm * 1e-3
        self._opens_m = spool.inlet_opens_mm * 1e-3
        length_m = gallery.passage_length_mm * 1e-3
        passage = flow.pipe_resistance_pa_s_m3(gallery.passage_diameter_mm * 1e-3, length_m, mu)
        bore_m2 = math.pi / 4e6 * gallery.passage_diameter_mm**2
        screen = self._per_area2 * ((gallery.screen_area_mm2 * 1e-6) ** -2 + bore_m2**-2)
        pilot = self._per_area2 / (spool.pilot_area_mm2 * 1e-6) ** 2
        land_m2 = math.pi * spool.diameter_mm * spool.land_length_mm * 1e-6
        film = mu * land_m2 / (max(spool.land_gap_mm, 1e-3) * 1e-3) / self._face_m2**2
        self._feed_a, self._feed_b = passage + film, pilot + screen
        self._vent_a, self._vent_b = passage + film, pilot
        self._inlet_a, self._inlet_b = passage, screen
        self.has_drain = gallery.drain_area_mm2 > 0.0
        if self.has_drain:
            drain_m2 = gallery.drain_area_mm2 * 1e-6
            bore_m = math.sqrt(4.0 * drain_m2 / math.pi)
            self._drain_a = flow.pipe_resistance_pa_s_m3(bore_m, length_m, mu)
            self._drain_b = self._per_area2 / drain_m2**2
        self._land_gain = flow.annular_leak_m3_s(
            spool.diameter_mm * 1e-3, spool.land_gap_mm * 1e-3, spool.land_length_mm * 1e-3,
            1.0, mu, LAND_ECCENTRICITY,
        )  # fmt: skip
        self._seal_gain = gallery.seals * flow.annular_leak_m3_s(
            gallery.seal_diameter_mm * 1e-3, gallery.seal_gap_mm * 1e-3,
            gallery.seal_length_mm * 1e-3, 1.0, mu,
        )  # fmt: skip
        self._volume_m3 = gallery.volume_cm3 * 1e-6
        self._air = rig.oil.free_air
        # oil that warms is the same as oil that flows in
        self._swells = self._volume_m3 * oil.EXPANSION_PER_K * rig.oil.warming_k_min / 60.0

    # -- gallery

    def pressure(self, content_m3: float) -> float:
        """Gauge pressure of the gallery; rig.physics.oil.pressure_when_squeezed_kpa in Pa."""
        if content_m3 <= 0.0:
            return 0.0
        squeeze = self._air - ATMOSPHERE_PA / LIQUID_PA - content_m3 / self._volume_m3
        half = 0.5 * LIQUID_PA * squeeze
        product = self._air * ATMOSPHERE_PA * LIQUID_PA
        root = math.sqrt(half * half + product)
        return (root - half if half <= 0.0 else product / (root + half)) - ATMOSPHERE_PA

    def content(self, pressure_pa: float) -> float:
        """Oil content beyond full at `pressure_pa`."""
        return self._volume_m3 * oil.squeezed_fraction(
            pressure_pa + ATMOSPHERE_PA, self._air, LIQUID_PA, ATMOSPHERE_PA
        )

    def capacity(self, pressure_pa: float) -> float:
        """d content / d pressure, m^3/Pa."""
        p = pressure_pa + ATMOSPHERE_PA
        return self._volume_m3 * (1.0 / LIQUID_PA + self._air * ATMOSPHERE_PA / (p * p))

    # -- flow and motion. Written as closures: the plant spends most of its time in them.

    def moving(self, spool: Spool, source: Supply, piloted: bool) -> MovingRates:
        """Rates while the spool moves, `piloted` by the source's pressure or vented.

        Pilot oil pushes the spool as fast as it flows in; the spring pushes it out again.
        """
        spring, stiffness, friction = spool.spring_pa, spool.rate_pa_m, spool.friction_pa
        end, rest = spool.end_m, spool.rest_m
        feed_a, feed_b4, vent_a, vent_b4 = (
            self._feed_a, 4.0 * self._feed_b, self._vent_a, 4.0 * self._vent_b
        )  # fmt: skip
        feed_aa, vent_aa = feed_a * feed_a, vent_a * vent_a
        twice_per_face = 2.0 / self._face_m2
        opens, width = self._opens_m, self._width_m
        inlet_a, inlet_b, per_area2 = self._inlet_a, self._inlet_b, self._per_area2
        inlet_aa = inlet_a * inlet_a
        has_drain = self.has_drain
        drain_a, drain_b = (self._drain_a, self._drain_b) if has_drain else (1.0, 1.0)
        drain_aa = drain_a * drain_a
        land, seal, swells = self._land_gain, self._seal_gain, self._swells
        air_gap = self._air - ATMOSPHERE_PA / LIQUID_PA
        half_liquid, per_volume = 0.5 * LIQUID_PA, 1.0 / self._volume_m3
        product = self._air * ATMOSPHERE_PA * LIQUID_PA
        mean, ripple, omega, phase = source.mean, source.ripple_pa, source.omega, source.phase
        sin, sqrt = math.sin, math.sqrt

        def rates(t_s: float, y_m: float, content_m3: float) -> tuple[float, float, float]:
            supply = mean(t_s) + ripple * sin(omega * t_s + phase)
            if content_m3 > 0.0:
                half = half_liquid * (air_gap - content_m3 * per_volume)
                root = sqrt(half * half + product)
                p = (root - half if half <= 0.0 else product / (root + half)) - ATMOSPHERE_PA
            else:
                p = 0.0
            held = spring + stiffness * y_m
            drop = (supply if piloted else 0.0) - held
            if drop > friction:
                drop -= friction
                v = twice_per_face * drop / (feed_a + sqrt(feed_aa + feed_b4 * drop))
                if y_m == end:
                    v = 0.0
            elif drop < -friction:
                drop += friction
                v = twice_per_face * drop / (vent_a + sqrt(vent_aa - vent_b4 * drop))
                if y_m == rest:
                    v = 0.0
            else:
                v = 0.0
            opening = y_m - opens
            drop = supply - p
            if opening > 0.0:
                area = opening * width
                b4 = 4.0 * (inlet_b + per_area2 / (area * area))
                q = 2.0 * drop / (inlet_a + sqrt(inlet_aa + b4 * abs(drop))) - seal * p
            else:
                q = land * drop - seal * p
                if p > 0.0 and opening < 0.0 and has_drain:
                    area = opening * width
                    b4 = 4.0 * (drain_b + per_area2 / (area * area))
                    q -= 2.0 * p / (drain_a + sqrt(drain_aa + b4 * p))
            return v, q + swells, p

        return rates

    def still(self, y_m: float) -> NetFlow:
        """Net flow into the gallery with the spool held at `y_m`."""
        opening = y_m - self._opens_m
        seal, swells, sqrt = self._seal_gain, self._swells, math.sqrt
        turbulent = 0.0
        if opening:
            turbulent = self._per_area2 / (opening * self._width_m) ** 2
        if opening > 0.0:
            a, b4 = self._inlet_a, 4.0 * (self._inlet_b + turbulent)
            aa = a * a

            def inlet_open(p_pa: float, supply_pa: float) -> float:
                drop = supply_pa - p_pa
                return 2.0 * drop / (a + sqrt(aa + b4 * abs(drop))) - seal * p_pa + swells

            return inlet_open
        land = self._land_gain
        if not self.has_drain or not opening:
            return lambda p_pa, supply_pa: land * (supply_pa - p_pa) - seal * p_pa + swells
        a, b4 = self._drain_a, 4.0 * (self._drain_b + turbulent)
        aa = a * a

        def drain_open(p_pa: float, supply_pa: float) -> float:
            out = 2.0 * p_pa / (a + sqrt(aa + b4 * p_pa)) if p_pa > 0.0 else 0.0
            return land * (supply_pa - p_pa) - seal * p_pa - out + swells

        return drain_open

    def test_port(self) -> NetFlow:
        """Net flow with the hand's supply at a test port, inlet and drain shut off."""
        a, b4, seal, sqrt = self._inlet_a, 4.0 * self._inlet_b, self._seal_gain, math.sqrt

        def hand(p_pa: float, supply_pa: float) -> float:
            drop = supply_pa - p_pa
            return 2.0 * drop / (a + sqrt(a * a + b4 * abs(drop))) - seal * p_pa

        return hand
