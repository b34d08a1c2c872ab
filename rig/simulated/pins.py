# SPDX-License-Identifier: MIT
"""gpiozero's mock pins, connected to the plant: the relay's output reports every change to it, the
inputs show its levels."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPin

from rig.simulated.converter.spi import SimulatedSpi

BOARD_REVISION = "a02082"
"""A board with the usual 40-pin header; only the numbers of its lines matter."""


class SimulatedPin(MockPin):  # type: ignore[misc] # gpiozero has no types
    """A mock pin that keeps no history (a long run would fill the memory) and whose output is
    wired: when reconfigured as an input, it falls to the driver's pull-down."""

    _state: bool

    def clear_states(self) -> None:
        """Keep no history."""
        self._last_change = 0.0
        self.states: list[object] = []

    def _change_state(self, value: bool) -> bool:
        if self._state == value:
            return False
        self._state = value
        if self._function == "output":
            self._factory.output_changed(self._number, value)
        return True

    def _set_function(self, value: str) -> None:
        was_high_output = self._function == "output" and bool(self._state)
        super()._set_function(value)
        if value == "input" and was_high_output:
            self._state = False
            self._factory.output_changed(self._number, False)


class SimulatedFactory(MockFactory):  # type: ignore[misc] # gpiozero has no types
    """Mock pins whose outputs call `output_changed(line, high)`."""

    def __init__(self) -> None:
        super().__init__(revision=BOARD_REVISION, pin_class=SimulatedPin)
        self.output_changed: Callable[[int, bool], None] = lambda _line, _high: None
        self.spi_peer: Callable[[Sequence[int]], list[int]] | None = None
        """What hangs on the SPI port: takes and returns bytes."""

    def _get_spi_class(self, shared: bool, hardware: bool) -> Any:
        return SimulatedSpi if hardware else super()._get_spi_class(shared, hardware)
