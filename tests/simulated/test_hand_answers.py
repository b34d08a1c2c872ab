# SPDX-License-Identifier: MIT
"""Which check by hand finds which fault, gone all the way, on the simulated rig.

Which check sees which fault is common practice, no source. Voltages are by the voltage
law of Kirchhoff for a series circuit, worked out here from the numbers of the setup.
"""

from __future__ import annotations

import pytest
from simulated_rigs import setup

from rig.simulated import faults
from rig.simulated.hand_answers import answers

SOUND = {
    "oil_level": "right", "oil_label": "right", "base_gauge": "right", "warm_again": "same",
    "drive_isolated": "right", "fuse": "whole", "coil_ohms": "right", "supply_loaded": "right",
    "drive_side": "right", "relay_heard": "both", "switch_unplugged": "open",
    "switch_bridged": "closed", "switch_sense": "as_setup", "wiggle": "steady", "ramp": "right",
    "leak_check": "tight", "screen": "clean", "spool": "free", "drain": "free", "noise": "even",
    "compression": "all_rise", "air_test": "all_right",
}  # fmt: skip
FOUND: dict[str, dict[str, str]] = {
    "none": {},
    "low oil pressure": {"base_gauge": "low"},
    "oil pressure surge": {"base_gauge": "high"},
    "cold oil": {"warm_again": "right_now"},
    "oil too thick": {"oil_label": "too_thick"},
    "fuse open": {"fuse": "open", "supply_loaded": "none", "relay_heard": "relay_only"},
    "connector off": {
        "drive_isolated": "plug_off", "supply_loaded": "none", "relay_heard": "relay_only",
    },
    "open coil": {"coil_ohms": "open", "relay_heard": "relay_only"},
    "shorted turns": {"coil_ohms": "low"},
    "high-resistance joint": {"supply_loaded": "drop"},
    "low supply voltage": {"supply_loaded": "low_source"},
    "relay dead": {"relay_heard": "none", "supply_loaded": "none"},
    "driven by the vehicle": {"drive_isolated": "driven"},
    "drive on the wrong side": {"drive_side": "wrong"},
    "switch wire open": {"switch_bridged": "open"},
    "switch wire shorted": {"switch_unplugged": "closed"},
    "switch wire intermittent": {"wiggle": "moves"},
    "switch actuates too high": {"ramp": "acts_high"},
    "switch resets too low": {"ramp": "resets_low"},
    "switch stuck open": {"ramp": "acts_high"},
    "clogged inlet screen": {"screen": "clogged"},
    "blocked drain": {"drain": "blocked"},
    "sticking spool": {"spool": "sticks"},
    "spool stuck off": {"spool": "stuck_off"},
    "spool stuck on": {"spool": "stuck_on"},
    "weak return spring": {"spool": "weak_spring"},
    "leaking lock seals": {"leak_check": "fast"},
    "rocker lock stuck free": {"compression": "one_missing", "air_test": "one_free"},
    "rocker lock stuck locked": {
        "compression": "one_always_high", "air_test": "one_locked", "noise": "raps",
    },
}  # fmt: skip


@pytest.mark.parametrize("fault", FOUND)
def test_each_check_finds_its_faults_and_no_others(fault: str) -> None:
    found = {name: one.state for name, one in answers(setup(simulated={"fault": fault}), 1).items()}
    assert {name: found[name] for name in SOUND} == {**SOUND, **FOUND[fault]}


def test_the_meter_reads_what_kirchhoff_says() -> None:
    rig = setup(simulated={"fault": "high-resistance joint"})
    assert rig.simulated is not None
    electric, coil_ohm = faults.apply(rig.simulated, rig).electric, rig.coil.resistance_ohm
    supply_v = electric.supply_voltage_v or rig.coil.supply_voltage_v
    loop_ohm = coil_ohm + electric.wiring_resistance_ohm + electric.fuse_resistance_ohm
    expected = f"{supply_v * coil_ohm / loop_ohm:.1f} V across the coil"
    assert answers(rig, 1)["supply_loaded"].reading.startswith(expected)


def test_a_rig_on_air_has_no_stick() -> None:
    rig = setup().model_copy(update={"medium": "air"})
    assert not {"oil_level", "oil_label", "warm_again"} & set(answers(rig, 1))


def test_a_setup_without_a_simulated_rig_has_no_answers() -> None:
    with pytest.raises(ValueError, match="no simulated rig"):
        answers(setup().model_copy(update={"simulated": None}), 1)
