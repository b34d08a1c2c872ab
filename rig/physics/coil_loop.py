# SPDX-License-Identifier: MIT
"""A coil with short-circuited turns: the magnetising current is what pulls.

Primary (the wired part) and shorted loop are assumed perfectly coupled on one linear core. With phi
the flux per turn, N the turns and m the ampere-turns divided by the primary's turns:

    V = R1 i1 + N1 dphi/dt,   0 = R2 i2 + N2 dphi/dt,   m = i1 + i2 N2/N1,   L1 m = N1 phi

so that m + (tau1 + tau2) dm/dt = V / R1 with tau1 = L1/R1 and tau2 = L2/R2. A clamp drives the
wired current to zero and then has nothing left to act on: the flux decays with tau2 alone. Hence a
shorted coil pulls in much as before and lets go late. (Transformer equations; any textbook.)
"""

from __future__ import annotations

from typing import NamedTuple


class Shorted(NamedTuple):
    """The rest of a winding with a fraction of its turns shorted."""

    resistance_ohm: float
    inductance_h: float
    turns: float
    """Turns left, as a fraction of the whole."""
    loop_time_constant_s: float
    """L2 / R2 of the shorted turns; 0 for a sound coil."""


def short_turns(resistance_ohm: float, inductance_h: float, fraction: float) -> Shorted:
    """The winding when `fraction` (0 to below 1) of its turns is shorted on itself.

    Resistance is proportional to the turns, inductance to their square; tau1 + tau2 stays L/R.
    """
    if not 0.0 <= fraction < 1.0:
        raise ValueError(f"fraction of shorted turns {fraction} is not from 0 to below 1")
    left = 1.0 - fraction
    loop_s = inductance_h * fraction / resistance_ohm
    return Shorted(resistance_ohm * left, inductance_h * left * left, left, loop_s)


def wired_current_stops_at_a(
    clamp_v: float, inductance_h: float, loop_time_constant_s: float
) -> float:
    """Magnetising current (A) at which the clamp has brought the wired current to zero.

    Vc tau2 / L1; 0 for a sound coil, whose wired and magnetising currents are the same.
    """
    return clamp_v * loop_time_constant_s / inductance_h
