# SPDX-License-Identifier: MIT
"""What follows from a setup: levels, stale time, coil current, defaults."""

from __future__ import annotations

import pytest
from config_texts import SETUP, put, without

from rig.config.files.loading import setup_from_text
from rig.config.setup.model import Setup
from rig.core.errors import FileProblems


def setup(**changes: str | None) -> Setup:
    text = SETUP
    for key, value in changes.items():
        text = put(text, key.replace("__", "."), value)
    return setup_from_text(text, "x").setup


@pytest.mark.parametrize(
    ("pull", "closed_reads", "level"),
    [
        # a closed contact joins the input to the other end of its resistor
        ('"up"', None, 0),
        ('"down"', None, 1),
        ('"external"', '"low"', 0),
        ('"external"', '"high"', 1),
        ('"up"', '"low"', 0),
    ],
)
def test_level_of_a_closed_contact(pull: str, closed_reads: str | None, level: int) -> None:
    made = setup(switch__pull=pull, switch__closed_reads=closed_reads)
    assert made.switch_closed_level == level


@pytest.mark.parametrize(
    ("feed_side", "voltage_reads", "level"),
    [
        # supply: voltage at the load terminal is a live coil; ground: no voltage is
        ('"supply"', '"high"', 1),
        ('"supply"', '"low"', 0),
        ('"ground"', '"high"', 0),
        ('"ground"', '"low"', 1),
    ],
)
def test_level_of_a_live_coil(feed_side: str, voltage_reads: str, level: int) -> None:
    made = setup(coil__feed_side=feed_side, readback__voltage_reads=voltage_reads)
    assert made.coil_live_level == level


def test_without_read_back_live_is_high() -> None:
    made = setup_from_text(put(without(SETUP, "readback"), "coil.feed_side", '"ground"'), "x").setup
    assert made.readback is None
    assert made.coil_live_level == 1


@pytest.mark.parametrize(
    ("period", "stale", "expected_s"),
    [
        ('"100 ms"', None, 0.5),
        ('"1 s"', None, 3.0),
        ('"100 ms"', '"150 ms"', 0.15),
    ],
)
def test_stale_time(period: str, stale: str | None, expected_s: float) -> None:
    made = setup(gauge__period=period, limits__gauge_stale=stale)
    assert made.gauge_stale_s == pytest.approx(expected_s)


def test_coil_current_is_ohms_law() -> None:
    # 12 V over 20 ohm is 0.6 A (Ohm's law)
    made = setup(coil__supply_voltage='"12 V"', coil__resistance='"20 ohm"')
    assert made.coil_current_a == pytest.approx(0.6)


def test_a_simulated_rig_has_parameters_and_a_board_has_none() -> None:
    text = without(SETUP, "simulated")
    assert setup_from_text(text, "x").setup.simulated is not None
    assert setup_from_text(put(text, "backend", '"board"'), "x").setup.simulated is None


def test_nothing_changes_after_loading() -> None:
    made = setup()
    with pytest.raises(ValueError, match="frozen"):
        made.limits.pressure_kpa = 1e9  # type: ignore[misc]


def test_the_fuse_may_be_loaded_to_three_quarters() -> None:
    # common practice, no source: a fuse carries 75 % of its rating for long
    setup(coil__supply_voltage='"15 V"', coil__resistance='"10 ohm"', coil__fuse='"2 A"')
    with pytest.raises(FileProblems, match="75 %"):
        setup(coil__supply_voltage='"15.01 V"', coil__resistance='"10 ohm"', coil__fuse='"2 A"')


def test_shortest_good_setup() -> None:
    made = setup_from_text(
        'backend = "board"\nmedium = "air"\n'
        '[coil]\nfeed_side = "ground"\nsupply_voltage = "12 V"\nfuse = "5 A"\n'
        'resistance = "20 ohm"\n[relay]\nline = 12\n[switch]\nline = 4\ncontact = "find"\n',
        "x",
    ).setup
    assert (made.readback, made.gauge, made.limits.pressure_kpa) == (None, None, None)
    assert (made.limits.on_time_s, made.limits.duty) == (10.0, 0.6)
