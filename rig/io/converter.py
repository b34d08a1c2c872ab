# SPDX-License-Identifier: MIT
"""The analogue converter, through gpiozero's own class for the chip, on the rig's pin factory."""

from __future__ import annotations

import contextlib
import warnings
from typing import Any

from rig.config.analog.model import ALWAYS_DIFFERENTIAL, AnalogChannel, ConverterSetup
from rig.core.errors import HardwareError


class Converter:
    """One gpiozero device for each input in use; they share the one SPI port.

    Raises HardwareError if the port is not available. gpiozero would then fall back to toggling
    lines in software, some fifty times slower: that is refused.
    """

    def __init__(
        self, converter: ConverterSetup, channels: tuple[AnalogChannel, ...], factory: Any
    ) -> None:
        import gpiozero

        chip_class = getattr(gpiozero, converter.type)
        self._type = converter.type
        self._devices: dict[str, Any] = {}
        place = {"port": converter.port, "device": converter.device, "pin_factory": factory}
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", gpiozero.SPISoftwareFallback)
                for item in channels:
                    own: dict[str, object] = {}
                    if converter.type not in ALWAYS_DIFFERENTIAL:
                        own = {"channel": item.input, "differential": item.differential}
                    self._devices[item.channel] = chip_class(**own, **place)
        except Exception as error:
            self.close()
            raise HardwareError(
                f"The {converter.type} cannot be opened on SPI port {converter.port}, device "
                f"{converter.device}: {error}. Is SPI switched on (raspi-config, Interface "
                "Options) and may this user use it (group spi)? Nothing was energised."
            ) from error

    def code(self, channel: str) -> int:
        """One conversion of a channel. Raises HardwareError."""
        try:
            return int(self._devices[channel].raw_value)
        except Exception as error:
            raise HardwareError(f"The {self._type} did not answer: {error}.") from error

    def close(self) -> None:
        """Idempotent."""
        devices, self._devices = self._devices, {}
        for device in devices.values():
            with contextlib.suppress(Exception):
                device.close()
