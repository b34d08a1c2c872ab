# SPDX-License-Identifier: MIT
"""What a coil's steady current says about coil, supply and wires, compared with the setup."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.config.analog.reading_uncertainty import combined, uncertainty
from rig.config.setup.model import Setup
from rig.physics.coil import copper_resistance_ohm, copper_temperature_degc

COLDEST_DEGC, HOTTEST_DEGC = -20.0, 150.0
"""Resistance range of an unknown coil."""
SELF_HEATING_K = 60.0
"""How much warmer than the oil around it a coil on duty may be (common practice, no source)."""
SETUP_SHARE = 0.05
"""Half width of the setup's resistance (common practice, no source)."""
WIRES_OHM = 0.5
"""Maximum for supply, wires, fuse and relay together (common practice, no source)."""
VOLT_SHARE = {"measured": 0.02, "stated": 0.03, "setup": 0.10}
"""Half width of the supply, by how it is known (common practice, no source)."""
NO_CURRENT_SHARE = 0.03
STEP_TIMES, STEP_LEAST = 3.0, 0.08
"""Smallest current step at switching on that counts as a step."""

SOUND, NO_CURRENT, LOW_OHM, HIGH_OHM, LOW_CURRENT, HIGH_CURRENT, UNKNOWN = (
    "as the setup says", "no current", "resistance too low", "resistance too high",
    "too little current", "too much current", "not judged",
)  # fmt: skip


class CoilState(NamedTuple):
    """`state` is one of the words above; `found` and `next_check` are sentences. `steady_a` is the
    median steady current; `resistance_ohm` that of coil and wires, with `low_ohm` to `high_ohm` as
    expected and `u_ohm` its standard uncertainty, None where the supply is not known; `coil_degc`
    the winding temperature if the setup's resistance holds. `step`: share of the current present at
    once, None where not clear."""

    state: str
    found: str
    next_check: str
    steady_a: float | None
    u_steady_a: float | None
    resistance_ohm: float | None
    u_ohm: float | None
    low_ohm: float | None
    high_ohm: float | None
    coil_degc: float | None
    step: float | None
    supply_v: float | None
    supply_how: str


def coil_state(
    steady_a: list[float],
    step_scores: list[float],
    steps: list[float],
    setup: Setup | None,
    supply_v: tuple[float, str] | None,
    oil_degc: float | None,
    *,
    any_live: bool,
) -> CoilState:
    """Judge the steady currents of a run's strokes.

    `step_scores` and `steps`: the current step at switching on, in standard uncertainties, and as a
    share of the current. Without a setup nothing is judged.
    """
    known = np.array([value for value in steady_a if math.isfinite(value)])
    steady = float(np.median(known)) if len(known) else None
    spread = float(known.std(ddof=1) / math.sqrt(len(known))) if len(known) > 1 else None
    clear = len(step_scores) > 0 and float(np.median(step_scores)) > STEP_TIMES
    step = float(np.median(steps)) if clear and float(np.median(steps)) > STEP_LEAST else None
    if setup is None or steady is None:
        words = "" if steady is None else f"steady current {steady:.3g} A"
        return CoilState(
            UNKNOWN, words, "", steady, spread, None, None, None, None, None, step, None, ""
        )
    volt, how = supply_v or (setup.coil.supply_voltage_v, "setup")
    low, high = expected_ohm(setup, oil_degc)
    share = VOLT_SHARE[how]
    ohm = volt / steady if steady > 0 else math.inf
    u_sensor = sensor_u_a(setup, steady) / steady if steady > 0 else 0.0
    u_ohm = ohm * math.hypot(share / math.sqrt(3), u_sensor)
    share += 2.0 * u_sensor  # both must exceed what they may be off by
    state, found, check = _judge(steady, volt, how, ohm, low, high, share, step, any_live)
    sure = how != "setup" and math.isfinite(ohm) and state != NO_CURRENT
    return CoilState(
        state, found, check, steady, spread, ohm if sure else None, u_ohm if sure else None, low,
        high, copper_temperature_degc(setup.coil.resistance_ohm, ohm) if sure else None, step,
        volt, how,
    )  # fmt: skip


def sensor_u_a(setup: Setup, current_a: float) -> float:
    """Standard uncertainty of the current sensor's reading, from the setup; 0 where it has no
    channel for it (a capture)."""
    channel = setup.analog_of("coil_current")
    if channel is None or setup.converter is None:
        return 0.0
    return combined(uncertainty(current_a, channel, setup.converter))


def expected_ohm(setup: Setup, oil_degc: float | None) -> tuple[float, float]:
    """Lowest and highest resistance of coil and wires together, for the setup's coil."""
    if oil_degc is None:
        cold, hot = COLDEST_DEGC, HOTTEST_DEGC
    else:
        cold, hot = oil_degc - 10.0, oil_degc + SELF_HEATING_K
    nominal = setup.coil.resistance_ohm
    low = copper_resistance_ohm(nominal * (1 - SETUP_SHARE), cold)
    return low, copper_resistance_ohm(nominal * (1 + SETUP_SHARE), hot) + WIRES_OHM


def _judge(
    steady: float, volt: float, how: str, ohm: float, low: float, high: float,
    share: float, step: float | None, any_live: bool,
) -> tuple[str, str, str]:  # fmt: skip
    most, least = volt * (1 + share) / low, volt * (1 - share) / high
    drawn = f"the coil drew {steady:.3g} A steadily"
    if not steady > NO_CURRENT_SHARE * volt / high:
        where = "although its load side went live" if any_live else "when it was commanded on"
        return (
            NO_CURRENT, f"no current flowed in the coil {where}",
            "look at fuse, plug and wiring, then measure the coil's resistance at the plug",
        )  # fmt: skip
    stepped = (
        f", and {100 * step:.0f} % of the current is there at once" if step is not None else ""
    )
    if steady > most:
        if how == "setup":
            return (
                HIGH_CURRENT, f"{drawn}, more than {most:.3g} A, the most that the setup allows "
                f"for{stepped}",
                "measure the supply at the coil, then the coil's resistance at the plug: shorted "
                "turns make it too low",
            )  # fmt: skip
        return (
            LOW_OHM, f"{drawn}: with the supply {how} as {volt:.3g} V that is {ohm:.3g} ohm, below "
            f"the {low:.3g} ohm that this coil should have at least{stepped}",
            "measure the coil's resistance at the plug: shorted turns, another coil, or a wrong "
            "value in the setup",
        )  # fmt: skip
    if steady < least:
        if how == "setup":
            return (
                LOW_CURRENT, f"{drawn}, less than {least:.3g} A, the least that the setup's supply "
                "and coil give",
                "measure the supply at the coil while it is energised: weak supply, or resistance "
                "in plug, wiring or coil",
            )  # fmt: skip
        return (
            HIGH_OHM, f"{drawn}: with the supply {how} as {volt:.3g} V that is {ohm:.3g} ohm, "
            f"above the {high:.3g} ohm that coil and wires should have at most",
            "look at plug, wiring and joints, then measure the coil's resistance at the plug",
        )  # fmt: skip
    words = f"{drawn}, as the setup's coil should ({least:.3g} to {most:.3g} A){stepped}"
    return SOUND, words, ""
