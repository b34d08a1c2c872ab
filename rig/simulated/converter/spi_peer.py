# SPDX-License-Identifier: MIT
"""The converter on the simulated SPI port: its chip, and the duration of a transfer."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rig.config.analog.model import ConverterSetup
from rig.config.plant.parts import ConverterPart
from rig.core.clock import VirtualClock
from rig.simulated.converter.chip import ConverterChip
from rig.simulated.scatter import stream

LONG_EVERY = 2000
"""One transfer in this many takes LONG_S longer: something else ran."""
LONG_S = 150e-6


class SpiPeer:
    """`volts(input, t_ns)` queries the plant. With a `clock` each transfer takes virtual time; in
    real time it takes its actual time."""

    def __init__(
        self,
        converter: ConverterSetup,
        part: ConverterPart,
        seed: int,
        volts: Callable[[int, int], float],
        now_ns: Callable[[], int],
        clock: VirtualClock | None,
    ) -> None:
        self._part, self._now_ns, self._clock = part, now_ns, clock
        self._rng = stream(seed, "transfer times")
        self._chip = ConverterChip(
            converter.type,
            converter.reference_v,
            lambda place: volts(place, now_ns()),
            stream(seed, "converter"),
            part.noise_lsb,
        )

    def exchange(self, words: Sequence[int]) -> list[int]:
        """One transfer; the sample is taken halfway through it."""
        clock = self._clock
        if clock is None:
            return self._chip.exchange(words)
        takes_s = self._part.transfer_time_s
        takes_s += self._part.transfer_spread_s * self._rng.gauss(0.0, 1.0)
        takes_s = max(takes_s, 0.5 * self._part.transfer_time_s)
        if self._rng.randrange(LONG_EVERY) == 0:
            takes_s += LONG_S
        half_ns = round(takes_s * 0.5e9)
        clock.advance_to(clock.now_ns() + half_ns)
        answer = self._chip.exchange(words)
        clock.advance_to(clock.now_ns() + half_ns)
        return answer
