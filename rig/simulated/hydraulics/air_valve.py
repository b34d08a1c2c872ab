# SPDX-License-Identifier: MIT
"""Spool valve and gallery with compressed air: the same valve on an air bench.

Openings in series are combined by 1/A^2 = sum of 1/A^2 and flow by ISO 6358 (rig.physics.air),
isothermal at 20 degC. `content` is the air in the gallery beyond the atmosphere's, as volume at 100
kPa (ANR), m^3. Gauge pressures in Pa.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from rig.config.plant.model import SimulatedRig
from rig.physics import air
from rig.simulated.hydraulics.oil_valve import (
    ATMOSPHERE_PA,
    DISCHARGE,
    LAND_ECCENTRICITY,
    MovingRates,
    NetFlow,
    Spool,
)
from rig.simulated.hydraulics.supply import Supply

RATIO_B = 0.4
"""Critical pressure ratio of small valves and fittings; typical, no source."""
LINEAR_ABOVE = 0.99
"""Pressure ratio from which the flow goes linearly to zero: laminar, and without an infinite
slope."""


_AT_LINEAR = math.sqrt(1.0 - ((LINEAR_ABOVE - RATIO_B) / (1.0 - RATIO_B)) ** 2) / (
    1.0 - LINEAR_ABOVE
)


def _flow(conductance: float, a_pa: float, b_pa: float) -> float:
    """ANR volume flow from gauge pressure `a_pa` to `b_pa`, signed."""
    up, down = a_pa + ATMOSPHERE_PA, b_pa + ATMOSPHERE_PA
    if down > up:
        return -_flow(conductance, b_pa, a_pa)
    ratio = down / up
    if ratio <= RATIO_B:
        return conductance * up
    if ratio > LINEAR_ABOVE:
        return conductance * up * _AT_LINEAR * (1.0 - ratio)
    excess = (ratio - RATIO_B) / (1.0 - RATIO_B)
    return conductance * up * math.sqrt(1.0 - excess * excess)


def _series(*areas_m2: float) -> float:
    """Conductance C of openings in series."""
    area = 1.0 / math.sqrt(sum(1.0 / (a * a) for a in areas_m2))
    return air.sonic_conductance_m3_s_pa(DISCHARGE, area)


class AirValve:
    """Flows and forces for air."""

    drains_at_rest = False

    def __init__(self, rig: SimulatedRig) -> None:
        spool, gallery = rig.spool, rig.gallery
        self._face_m2 = math.pi / 4e6 * spool.diameter_mm**2
        self._width_m = spool.port_width_mm * 1e-3
        self._opens_m = spool.inlet_opens_mm * 1e-3
        self._passage_m2 = math.pi / 4e6 * gallery.passage_diameter_mm**2
        self._screen_m2 = gallery.screen_area_mm2 * 1e-6
        pilot_m2 = spool.pilot_area_mm2 * 1e-6
        self._feed = _series(pilot_m2, self._passage_m2, self._screen_m2)
        self._vent = _series(pilot_m2, self._passage_m2)
        self._drain_m2 = gallery.drain_area_mm2 * 1e-6
        self.has_drain = self._drain_m2 > 0.0
        land = air.annular_leak_anr_m3_s(
            spool.diameter_mm * 1e-3, spool.land_gap_mm * 1e-3, spool.land_length_mm * 1e-3,
            1.0, 0.0, LAND_ECCENTRICITY,
        )  # fmt: skip
        seal = gallery.seals * air.annular_leak_anr_m3_s(
            gallery.seal_diameter_mm * 1e-3, gallery.seal_gap_mm * 1e-3,
            gallery.seal_length_mm * 1e-3, 1.0, 0.0,
        )  # fmt: skip
        self._land_gain, self._seal_gain = land, seal
        self._volume_m3 = gallery.volume_cm3 * 1e-6

    # -- gallery: isothermal ideal gas

    def pressure(self, content_m3: float) -> float:
        """Gauge pressure of the gallery."""
        return content_m3 * air.REFERENCE_PRESSURE_PA / self._volume_m3

    def content(self, pressure_pa: float) -> float:
        """Air content beyond the atmosphere's at `pressure_pa`."""
        return pressure_pa * self._volume_m3 / air.REFERENCE_PRESSURE_PA

    def capacity(self, pressure_pa: float) -> float:  # noqa: ARG002 - the same at any pressure
        """d content / d pressure, m^3/Pa."""
        return self._volume_m3 / air.REFERENCE_PRESSURE_PA

    # -- flow and motion

    def moving(self, spool: Spool, source: Supply, piloted: bool) -> MovingRates:
        """Rates while the spool moves, `piloted` by the source's pressure or vented.

        The pilot's air counts at the pressure that balances the spool; the little that fills the
        pilot chamber itself is neglected.
        """
        spring, stiffness, friction, end, rest = spool
        feed, vent, opens, width = self._feed, self._vent, self._opens_m, self._width_m
        per_face = air.REFERENCE_PRESSURE_PA / self._face_m2
        inlet_others = self._passage_m2**-2 + self._screen_m2**-2
        drain_others = self._drain_m2**-2 if self.has_drain else math.inf
        per_area = air.sonic_conductance_m3_s_pa(DISCHARGE, 1.0)
        land, seal = self._leak(self._land_gain), self._leak(self._seal_gain)
        at, pressure = source.at, self.pressure

        def rates(t_s: float, y_m: float, content_m3: float) -> tuple[float, float, float]:
            supply, p = at(t_s), pressure(content_m3)
            held = spring + stiffness * y_m
            drive = supply if piloted else 0.0
            v = 0.0
            if drive > held + friction:
                held += friction
                if y_m != end:
                    v = _flow(feed, drive, held) * per_face / (held + ATMOSPHERE_PA)
            elif drive < held - friction:
                held -= friction
                if y_m != rest:
                    v = _flow(vent, drive, held) * per_face / (held + ATMOSPHERE_PA)
            opening = y_m - opens
            q = -seal(p, 0.0)
            if opening > 0.0:
                port = (opening * width) ** -2
                q += _flow(per_area / math.sqrt(port + inlet_others), supply, p)
            else:
                q += land(supply, p)
                if opening < 0.0:
                    port = (opening * width) ** -2
                    q -= _flow(per_area / math.sqrt(port + drain_others), p, 0.0)
            return v, q, p

        return rates

    def still(self, y_m: float) -> NetFlow:
        """Net flow with the spool held at `y_m`."""
        opening = y_m - self._opens_m
        seal = self._leak(self._seal_gain)
        port_m2 = abs(opening) * self._width_m
        if opening > 0.0:
            inlet = _series(port_m2, self._passage_m2, self._screen_m2)
            return lambda p_pa, supply_pa: _flow(inlet, supply_pa, p_pa) - seal(p_pa, 0.0)
        land = self._leak(self._land_gain)
        if not self.has_drain or not opening:
            return lambda p_pa, supply_pa: land(supply_pa, p_pa) - seal(p_pa, 0.0)
        drain = _series(port_m2, self._drain_m2)

        def drain_open(p_pa: float, supply_pa: float) -> float:
            return land(supply_pa, p_pa) - seal(p_pa, 0.0) - _flow(drain, p_pa, 0.0)

        return drain_open

    def test_port(self) -> NetFlow:
        """Net flow with the hand's supply at a test port, inlet and drain shut off."""
        hose = _series(self._passage_m2, self._screen_m2)
        seal = self._leak(self._seal_gain)
        return lambda p_pa, supply_pa: _flow(hose, supply_pa, p_pa) - seal(p_pa, 0.0)

    @staticmethod
    def _leak(gain: float) -> Callable[[float, float], float]:
        def leak(a_pa: float, b_pa: float) -> float:
            up, down = a_pa + ATMOSPHERE_PA, b_pa + ATMOSPHERE_PA
            return gain * (up * up - down * down)

        return leak
