# SPDX-License-Identifier: MIT
"""What each check by hand finds of each fault, and that it finds nothing of the others.

Which check sees which fault is common practice, no source.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from simulated_rigs import setup

from rig.config.plant.fault_names import FAULT_KINDS
from rig.simulated.by_hand import ByHand, checks

SEEN: dict[str, set[str]] = {
    "none": set(),
    "low oil level": {"oil_level", "free_air", "base_pressure_kpa"},
    "oil too thick": {"oil_mm2_s"},
    "oil too thin": {"oil_mm2_s", "base_pressure_kpa"},
    "dirty oil": {"spool_friction", "screen_open"},
    "low oil pressure": {"base_pressure_kpa"},
    "aerated oil": {"free_air"},
    "cold oil": {"oil_mm2_s", "oil_temperature_degc"},
    "oil pressure surge": set(),  # it begins during the run
    "low supply voltage": {"plug_v"},
    "high-resistance joint": {"plug_v"},
    "connector off": {"connector_seated"},
    "drive on the wrong side": {"switched_pole"},
    "open coil": {"coil_ohm"},
    "shorted turns": {"coil_ohm"},
    "fuse open": {"fuse_whole", "plug_v"},
    "contact welded": set(),  # it begins during the run
    "relay dead": {"relay_clicks", "plug_v"},
    "relay slow": set(),  # no ear hears some milliseconds
    "driven by the vehicle": {"live_without_the_rig"},
    "read-back inverted": set(),  # the rig's own: seen in the first stroke
    "stuck plunger": {"plunger_friction"},
    "spool stuck off": {"spool_travel"},
    "spool stuck on": {"spool_travel"},
    "sticking spool": {"spool_friction"},
    "weak return spring": {"spool_spring"},
    "clogged inlet screen": {"screen_open"},
    "blocked drain": {"drain_open"},
    "leaking lock seals": {"seal_gap"},
    "switch stuck open": set(),  # at rest it is open when it is sound
    "switch stuck closed": {"switch_closed_at_rest"},
    "switch chattering": set(),
    "switch sense inverted": {"switch_closed_at_rest"},
    "switch actuates too high": {"actuation_kpa"},
    "switch resets too low": {"reset_kpa"},
    "switch wire open": {"bridged_reads_closed"},
    "switch wire shorted": {"unplugged_reads_closed"},
    "switch wire intermittent": {"wire_moves"},
    "gauge silent": set(),
    "gauge garbage": set(),
    "gauge NaN": set(),
    "gauge frozen": set(),
    "gauge disconnected": set(),
    "gauge in the wrong unit": set(),  # zero is zero in every unit
    "gauge offset": {"gauge_at_rest_kpa"},
    "gauge line blocked": set(),
    "gauge lagging": set(),
    "rocker lock stuck free": {"locked_with_air"},
    "rocker lock stuck locked": {"locked_without_air"},
}


def found(fault: str, **more: Any) -> ByHand:
    return checks(setup(simulated={"fault": fault}, **more))


def test_every_fault_is_asked_for() -> None:
    assert set(SEEN) == set(FAULT_KINDS)


@pytest.mark.parametrize(("fault", "fields"), SEEN.items())
def test_each_check_finds_its_own(fault: str, fields: set[str]) -> None:
    sound, now = found("none"), found(fault)
    assert {name for name in ByHand._fields if getattr(now, name) != getattr(sound, name)} == fields


def test_a_sound_rig() -> None:
    sound = found("none")
    assert sound.coil_ohm == 20.0
    # Ohm's law: 12.6 V over 20 ohm and 0.15 ohm in series
    assert sound.plug_v == pytest.approx(12.6 * 20.0 / 20.15)
    assert (sound.unplugged_reads_closed, sound.bridged_reads_closed) == (False, True)
    assert (sound.locked_without_air, sound.locked_with_air) == (0.0, 1.0)
    assert sound.spool_travel == sound.screen_open == sound.drain_open == 1.0


def test_figures_of_some_faults() -> None:
    assert found("open coil").coil_ohm == math.inf
    assert found("open coil:0.5").coil_ohm == pytest.approx(40.0)
    assert found("shorted turns").coil_ohm == pytest.approx(11.0)
    assert found("fuse open:0.5").plug_v == pytest.approx(12.6 * 20.0 / 40.15)
    assert found("clogged inlet screen").screen_open == pytest.approx(0.08)
    assert found("low oil level:0.4").oil_level == pytest.approx(0.6)


@pytest.mark.parametrize("contact", ["normally open", "normally closed"])
def test_the_wire_does_not_care_what_the_switch_is(contact: str) -> None:
    switch = {"contact": contact}
    assert not found("switch wire open", switch=switch).bridged_reads_closed
    assert found("switch wire shorted", switch=switch).unplugged_reads_closed
    assert found("none", switch=switch).switch_closed_at_rest == (contact == "normally closed")


def test_a_board_has_none() -> None:
    board = setup().model_copy(update={"simulated": None})
    with pytest.raises(ValueError, match="no simulated rig"):
        checks(board)
