# SPDX-License-Identifier: MIT
"""In the guest: a converter on the SPI port, since the emulated machine has no SPI controller.

Emulated are lgpio's view of the kernel's SPI device, and the chip behind it bit for bit by its data
sheet. gpiozero's port and chip classes, the sampler and the bench's loop are the program's own. An
exchange is Python on the emulated processor, slower than a transfer at 500 kHz.
"""

from __future__ import annotations

import random
from typing import Any

CHIP, REFERENCE_V = "MCP3208", 3.0
VOLTS = (0.9, 2.2)
"""At the inputs: 0.45 A in the coil's shunt and a supply of 12.5 V; no limit judges them."""
NOISE_LSB = 0.5


def install() -> None:
    """From now on lgpio, once the bench loads it, finds the chip at every SPI device."""
    from rig.io import lgpio_loading
    from rig.simulated.converter.chip import ConverterChip

    chip = ConverterChip(CHIP, REFERENCE_V, lambda n: VOLTS[n], random.Random(1), NOISE_LSB)
    load = lgpio_loading.load_lgpio

    def loaded() -> Any:
        lgpio = load()
        lgpio.spi_open = lambda *_: 1
        lgpio.spi_close = lambda _: 0
        lgpio.spi_xfer = lambda _, data: (len(data), bytes(chip.exchange(data)))
        return lgpio

    lgpio_loading.load_lgpio = loaded
