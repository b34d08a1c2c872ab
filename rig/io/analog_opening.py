# SPDX-License-Identifier: MIT
"""Open the converter of a setup on the rig's pin factory."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any

from rig.config.setup.model import Setup
from rig.io.converter import Converter
from rig.io.sampler import Sampler


def open_analog(
    setup: Setup, factory: Any, now_ns: Callable[[], int], opened: contextlib.ExitStack
) -> Sampler | None:
    """The converter's channels, closed by `opened`; None without a converter. Runs some test rounds
    to find the fastest steady rate. Raises HardwareError."""
    if setup.converter is None:
        return None
    converter = Converter(setup.converter, setup.analog, factory)
    opened.callback(converter.close)
    return Sampler(setup.converter, setup.analog, converter.code, now_ns)


def told(setup: Setup, sampler: Sampler) -> str:
    """The converter in one phrase, for the run's description."""
    chip = setup.converter.type if setup.converter is not None else ""
    if not sampler.step_ns:
        return chip
    return f"{chip}, fast channels every {sampler.step_ns / 1000:.0f} us"
