# SPDX-License-Identifier: MIT
"""An analogue-to-digital converter bit by bit: its output at every clock.

Three families by their data sheets' timing diagrams: chips with a start bit, a single/differential
bit and three channel bits; chips with two inputs (channel bit and byte-order bit); chips with one
pair and no command bits. Data are sent most significant bit first after a null bit.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

from rig.config.analog.model import ALWAYS_DIFFERENTIAL, INPUTS, bits_of

SIGN_BIT = 4096
"""Of the 13-bit two's complement codes of the signed chips."""


class ConverterChip:
    """`volts(input)` is the voltage at an input at the instant of the sample. `noise_lsb` is the
    standard deviation of its own noise, `gain` and `offset_lsb` its errors."""

    def __init__(
        self,
        chip: str,
        reference_v: float,
        volts: Callable[[int], float],
        rng: random.Random,
        noise_lsb: float,
    ) -> None:
        self._bits = bits_of(chip)
        self._lsb_v = reference_v / float(2**self._bits)
        self._volts, self._rng, self._noise_lsb = volts, rng, noise_lsb
        self._inputs = INPUTS[chip]
        self._length = self._bits + chip.startswith("MCP33")
        """Of an answer, its sign bit included."""
        self._signed = chip.startswith("MCP33")
        self._commands = 0 if chip in ALWAYS_DIFFERENTIAL else 3 if self._inputs == 2 else 4
        # clocks from the last command bit to the null bit: one to sample in, except where the
        # byte-order bit is that one
        self._wait = 2 if self._commands == 0 else 0 if self._commands == 3 else 1
        self.select()

    def select(self) -> None:
        """The select line goes active: a conversion begins."""
        self._started = self._commands == 0
        self._command = self._taken = 0
        self._answer = -1
        self._left = 0

    def clock(self, bit_in: int) -> int:
        """One clock: takes a bit, returns the bit that the master reads in the same clock."""
        if not self._started:
            self._started = bool(bit_in)
            return 0
        if self._taken < self._commands:
            self._command = self._command << 1 | bit_in
            self._taken += 1
            return 0
        if self._answer < 0:
            self._answer = self._convert(self._command)
            self._left = self._wait + 1 + self._length
        self._left -= 1
        return self._answer >> self._left & 1 if self._left >= 0 else 0

    def exchange(self, words: Sequence[int]) -> list[int]:
        """Bytes as the hardware port shifts them, under a single select: the same as `clock` for
        each bit, computed on the whole number at once."""
        sent = int.from_bytes(bytes(words), "big")
        left = 8 * len(words)  # clocks after the current one
        if self._commands:
            left = sent.bit_length() - 1 - self._commands  # the highest 1 is the start bit
            if left < 0:
                return [0] * len(words)
        command = sent >> left & ((1 << self._commands) - 1)
        shift = left - self._wait - 1 - self._length
        code = self._convert(command)
        answer = code << shift if shift >= 0 else code >> -shift
        return list(answer.to_bytes(len(words), "big"))

    def _convert(self, command: int) -> int:
        single, place = self._asked(command)
        volts = self._volts(place)
        if not single:
            volts -= self._volts(place ^ 1)
        noise = self._noise_lsb * self._rng.gauss(0.0, 1.0)
        code = round(volts / self._lsb_v + noise)
        top = 2**self._bits - 1
        if self._signed:
            return int(min(max(code, 0 if single else -SIGN_BIT), top) % (2 * SIGN_BIT))
        return int(min(max(code, 0), top))

    def _asked(self, command: int) -> tuple[bool, int]:
        """Whether one input against ground was requested, and which (the first of a pair)."""
        if self._commands == 0:
            return False, 0
        if self._commands == 3:
            return bool(command >> 2), command >> 1 & 1
        return bool(command >> 3), (command & 7) % self._inputs
