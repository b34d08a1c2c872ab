# SPDX-License-Identifier: MIT
"""Leak-down: pressure that trapped oil gains or loses because it warms or cools."""

from __future__ import annotations

import math

import numpy as np

from rig.analysis.measure.hold import HoldResult, energised_at
from rig.analysis.measure.pressure_decay import Rate, rate_of
from rig.analysis.stats.straight_line import display_step
from rig.analysis.stats.uncertainty import Line
from rig.core.recording import Float, Recording, SampleSeries
from rig.physics.oil import ATMOSPHERE_KPA, trapped_kpa_per_k

FREE_AIR = 0.005, 0.05
"""Entrained air of engine oil at atmospheric pressure (common practice, no source). It decides how
stiff the oil is; what walls and hoses give is within it."""
DRIFT_K_S = 1.5 / 60.0
"""Half width of the oil's warming or cooling where it is not measured: a valve body of 1.5 kg of
aluminium and 0.05 m^2, 60 K above still air (10 W/(m^2 K)), cools by 1.3 K/min (common practice, no
source)."""
TRAPPED, COOLING, STIFFNESS = "oil's temperature", "oil's cooling", "stiffness of the trapped oil"


def trapped_oil_lines(
    recording: Recording, held: HoldResult, pressure: SampleSeries
) -> tuple[list[Line], float]:
    """Lines of the decay rate's budget, and the correction (kPa/s); none with the coil energised,
    since the supply then sets the pressure.

    What is lost through the leak is the rate less what cooling takes: trapped_kpa_per_k times the
    cooling rate. Both factors are uncertain, so the sensitivity is the root of the mean square of
    the stiffness (JCGM 100:2008, 5.1.2, note). The air is the same throughout and may be at either
    end of its range, hence two-point. The oil's temperature counts as measured where its
    readings in the same part of the watch give a rate better than the assumed bound.
    """
    from_ns, to_ns = held.rate_from_ns, held.rate_to_ns
    if from_ns is None or to_ns is None or energised_at(recording, held.from_ns):
        return [], 0.0
    _, kpa = _between(pressure, from_ns, to_ns)
    at_kpa = max(float(kpa.mean()), 0.0) + ATMOSPHERE_KPA
    stiff, soft = (trapped_kpa_per_k(at_kpa, air) for air in FREE_AIR)
    middle, half = (stiff + soft) / 2, (stiff - soft) / 2
    typical = math.hypot(middle, half)
    air = "{:g} to {:g} % of free air, assumed".format(*(100 * air for air in FREE_AIR))
    measured = _cooling(recording, from_ns, to_ns)
    if measured is None:
        note = f"not measured: up to {60 * DRIFT_K_S:g} K/min either way, and {air}"
        return [Line(TRAPPED, DRIFT_K_S, "K/s", "rectangular", -typical, note=note)], 0.0
    lost = middle * measured.kpa_s
    told = f"measured; {abs(lost):.3g} kPa/s {'subtracted' if lost >= 0 else 'added'}"
    return [
        Line(COOLING, measured.error, "K/s", "t", -typical, max(measured.dof, 1.0), told),
        Line(STIFFNESS, half, "kPa/K", "two-point", -measured.kpa_s, note=air),
    ], -lost


def _cooling(recording: Recording, from_ns: int, to_ns: int) -> Rate | None:
    """How fast the oil cools (K/s), None where that is known no better than assumed."""
    samples = recording.samples.get("oil_temperature")
    if samples is None:
        return None
    t_s, degc = _between(samples, from_ns, to_ns)
    fitted = rate_of(t_s, degc)
    if fitted is None or not fitted[0].sure or not np.ptp(degc) > 0:
        return None  # readings that stay the same do not show their step
    found = fitted[0]
    rounded = display_step(degc) / math.sqrt(6) / float(np.ptp(t_s))
    error = math.hypot(found.error, rounded)
    return found._replace(error=error) if error < DRIFT_K_S / math.sqrt(3) else None


def _between(samples: SampleSeries, from_ns: int, to_ns: int) -> tuple[Float, Float]:
    t_ns, value = samples.of_good()
    inside = (t_ns >= from_ns) & (t_ns <= to_ns)
    return (t_ns[inside] - from_ns) / 1e9, value[inside]
