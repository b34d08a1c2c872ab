# SPDX-License-Identifier: MIT
"""The rocker locks: what holds, what a transducer in the cylinder sees of it, and that nothing else
does."""

from __future__ import annotations

import itertools

import pytest
from simulated_rigs import MS, NS, plant, run, setup

from rig.simulated import faults
from rig.simulated.converter.signals import true_values
from rig.simulated.engine import Engine
from rig.simulated.scatter import stream

PERIOD_NS = 160 * MS
"""Two revolutions at 750 rpm."""


def peak_kpa(energised: bool, **simulated: object) -> float:
    """Highest pressure in the cylinder over some cycles, read through the plant's own signals."""
    chosen = setup(simulated=simulated)
    assert chosen.simulated is not None
    rig = faults.apply(chosen.simulated, chosen)
    source = plant(simulated=simulated)
    if energised:
        source.set_relay(True, NS)
    source.advance(2 * NS)
    engine = Engine(rig.engine, stream(1, "engine"))
    true = true_values(
        rig, source._coil, None, source._transducer_kpa, engine, source._locks.intake_gain_kpa
    )["cylinder_pressure"]
    return max(true((2 * NS + n * PERIOD_NS // 400) * 1e-9) for n in range(1600))


def compressed_kpa(intake_kpa: float) -> float:
    """p V^1.3 = const from bottom to top dead centre at the ratio 9.5, gauge pressure: the
    polytropic of any textbook of thermodynamics."""
    return float(intake_kpa * 9.5**1.3 - 101.325)


def test_the_lift_shows_in_the_running_compression() -> None:
    free, locked = peak_kpa(False), peak_kpa(True)
    assert free == pytest.approx(compressed_kpa(40.0), rel=0.003)
    assert locked == pytest.approx(compressed_kpa(43.7), rel=0.003)
    assert 60.0 < locked - free < 80.0  # some 70 kPa: common practice, no source


@pytest.mark.parametrize("energised", [False, True])
def test_stuck_locks_take_the_difference_away(energised: bool) -> None:
    peaks = [
        [
            peak_kpa(energised, fault=f"rocker lock stuck {how}:{share}")
            for share in (0, 0.4, 0.7, 1)
        ]
        for how in ("free", "locked")
    ]
    moved = peaks[0] if energised else peaks[1][::-1]
    still = peaks[1] if energised else peaks[0]
    assert all(a > b for a, b in itertools.pairwise(moved))
    assert still == pytest.approx([still[0]] * 4)
    assert moved[-1] == pytest.approx(peak_kpa(False), rel=0.003)


def test_an_answer_of_the_switch_says_nothing_of_them() -> None:
    _, sound, _ = run(3)
    _, stuck, _ = run(3, simulated={"fault": "rocker lock stuck free"})
    assert sound == stuck
