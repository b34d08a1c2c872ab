# SPDX-License-Identifier: MIT
"""The SPI port of the simulated board: gpiozero's devices shift real bytes through it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from gpiozero.mixins import SharedMixin
from gpiozero.pins import SPI

Exchange = Callable[[Sequence[int]], list[int]]


class SimulatedSpi(SharedMixin, SPI):  # type: ignore[misc] # gpiozero has no types
    """A port whose other end is `pin_factory.spi_peer`. It reserves its pins, as the real one
    does."""

    def __init__(
        self, clock_pin: int, mosi_pin: int, miso_pin: int, select_pin: int, pin_factory: Any
    ) -> None:
        self._open = False
        super().__init__(pin_factory=pin_factory)
        pins = [pin for pin in (clock_pin, mosi_pin, miso_pin, select_pin) if pin is not None]
        pin_factory.reserve_pins(self, *pins)
        self._open = True

    @classmethod
    def _shared_key(cls, **pins: Any) -> tuple[int, int, int]:
        return id(pins["pin_factory"]), pins["clock_pin"], pins["select_pin"]

    def transfer(self, data: Sequence[int]) -> list[int]:
        """Shift words out and in at once."""
        exchange: Exchange | None = self.pin_factory.spi_peer
        if exchange is None:
            raise OSError("nothing is wired to the simulated SPI port")
        return exchange(data)

    def close(self) -> None:
        """Idempotent."""
        if getattr(self, "_open", False):
            self._open = False
            self.pin_factory.release_all(self)
        super().close()

    @property
    def closed(self) -> bool:
        return not self._open
