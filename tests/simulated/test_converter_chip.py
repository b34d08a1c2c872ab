# SPDX-License-Identifier: MIT
"""gpiozero's own classes read the simulated chip: by bytes on the rig's port, and bit by bit on
gpiozero's software SPI with its own mock peer."""

from __future__ import annotations

import random
from typing import Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory, MockPin, MockSPIDevice

from rig.config.analog.model import ALWAYS_DIFFERENTIAL, INPUTS, bits_of
from rig.simulated.converter.chip import ConverterChip
from rig.simulated.pins import SimulatedFactory

REFERENCE_V = 3.0
VOLTS = [0.1, 2.9, 1.5, 0.7, 2.2, 1.1, 0.0, 3.2]


def chip_of(name: str) -> ConverterChip:
    return ConverterChip(name, REFERENCE_V, VOLTS.__getitem__, random.Random(1), 0.0)


def expected(name: str, place: int, differential: bool) -> int:
    """code = 2^n (V+ - V-) / Vref, limited to what the chip has (its data sheet)."""
    bits = bits_of(name)
    volts = VOLTS[place] - (VOLTS[place ^ 1] if differential else 0.0)
    code = round(volts / REFERENCE_V * 2**bits)
    low = -(2**bits) if differential and name.startswith("MCP33") else 0
    return min(max(code, low), 2**bits - 1)


def devices(name: str, factory: Any) -> list[tuple[Any, int, bool]]:
    """Every input of a chip, single and as a pair."""
    chip_class = getattr(gpiozero, name)
    if name in ALWAYS_DIFFERENTIAL:
        return [(chip_class(pin_factory=factory), 0, True)]
    found = []
    for differential in (False, True):
        for place in range(INPUTS[name]):
            device = chip_class(channel=place, differential=differential, pin_factory=factory)
            found.append((device, place, differential))
    return found


@pytest.mark.parametrize("name", INPUTS)
def test_every_chip_and_input_by_bytes(name: str) -> None:
    factory = SimulatedFactory()
    factory.spi_peer = chip_of(name).exchange
    for device, place, differential in devices(name, factory):
        assert device.raw_value == expected(name, place, differential), (place, differential)
        device.close()
    factory.close()


class BitPeer(MockSPIDevice):  # type: ignore[misc] # gpiozero has no types
    """The chip on gpiozero's mock lines: it gets select, clock and data as edges."""

    def __init__(self, chip: ConverterChip, factory: Any) -> None:
        self._chip = chip
        super().__init__(11, 10, 9, 8, pin_factory=factory)

    def on_start(self) -> None:
        super().on_start()
        self._chip.select()

    def on_clock(self) -> None:
        if self.select_pin.state == self.select_high and self.clock_pin.state:
            bit = self._chip.clock(int(self.mosi_pin.state))
            if bit:
                self.miso_pin.drive_high()
            else:
                self.miso_pin.drive_low()


@pytest.mark.parametrize("name", ["MCP3008", "MCP3202", "MCP3208", "MCP3301", "MCP3304", "MCP3001"])
def test_chips_bit_by_bit_on_the_mock_lines(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    factory = MockFactory(pin_class=MockPin)
    monkeypatch.setattr(gpiozero.Device, "pin_factory", factory)  # its software SPI asks there
    with BitPeer(chip_of(name), factory):
        for device, place, differential in devices(name, factory):
            assert device.raw_value == expected(name, place, differential), (place, differential)
            device.close()
    factory.reset()


def test_noise_and_steps() -> None:
    rng = random.Random(3)
    chip = ConverterChip("MCP3208", REFERENCE_V, lambda _: 1.0, rng, 0.8)
    factory = SimulatedFactory()
    factory.spi_peer = chip.exchange
    device = gpiozero.MCP3208(channel=0, pin_factory=factory)
    codes = [device.raw_value for _ in range(4000)]
    mean = sum(codes) / len(codes)
    assert mean == pytest.approx(4096 / 3.0, abs=0.06)
    variance = sum((code - mean) ** 2 for code in codes) / len(codes)
    assert variance == pytest.approx(0.8**2 + 1 / 12, rel=0.08)  # noise and steps together
    device.close()
    factory.close()
