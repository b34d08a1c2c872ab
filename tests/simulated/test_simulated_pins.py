# SPDX-License-Identifier: MIT
"""Mock pins joined to the plant: outputs tell of changes, inputs of nothing, none keeps history."""

from __future__ import annotations

from rig.simulated.pins import SimulatedFactory


def test_the_plant_hears_of_every_change_of_the_relay_and_only_of_changes() -> None:
    heard: list[tuple[int, bool]] = []
    factory = SimulatedFactory()
    factory.output_changed = lambda line, high: heard.append((line, high))
    pin = factory.pin(17)
    pin.output_with_state(False)
    assert heard == []
    for state in (True, True, False, False, True):
        pin.state = state
    assert heard == [(17, True), (17, False), (17, True)]
    pin.close()  # given back while high: the driver's pull-down takes it low
    assert heard[-1] == (17, False)
    factory.close()


def test_an_input_tells_nothing() -> None:
    heard: list[tuple[int, bool]] = []
    factory = SimulatedFactory()
    factory.output_changed = lambda line, high: heard.append((line, high))
    pin = factory.pin(22)
    pin.function = "input"
    pin.drive_high()
    pin.drive_low()
    assert heard == []
    factory.close()


def test_pins_keep_no_history() -> None:
    factory = SimulatedFactory()
    pin = factory.pin(22)
    for _ in range(100):
        pin.drive_high()
        pin.drive_low()
    assert pin.states == []
    factory.close()
