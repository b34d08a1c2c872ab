# SPDX-License-Identifier: MIT
"""Sample the converter's channels on a steady grid, and record the time of every transfer.

It runs in the bench's own thread, in the time that the loop would sleep (rig.bench.pacing).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

from rig.config.analog import signal
from rig.config.analog.model import AnalogChannel, ConverterSetup
from rig.config.analog.signal import Line
from rig.core.clock import NS_PER_MS, NS_PER_S
from rig.core.errors import HardwareError
from rig.core.records import GOOD, Block, Condition, Sample

CONVERTER_LOST = "converter lost"
CONVERTER_BACK = "converter back"
RETRY_NS = NS_PER_S // 2
TRIAL_ROUNDS = 40
ROOM = 1.25
"""Step of the grid, as a multiple of the time within which nine rounds in ten are done."""
WAKE_NS = 100_000
"""Allowance for the kernel's timer, which wakes a sleeper up to this late (50 us of slack,
timer_slack in proc(5), and the way back into this program)."""
SUPPLY_AGE_NS = NS_PER_S
"""A measured sensor supply older than this is treated as unknown."""

NEVER = 1 << 62


class _Fast:
    """Readings of one fast channel since the last block."""

    def __init__(self, channel: AnalogChannel) -> None:
        self.channel = channel
        self.times: list[int] = []
        self.codes: list[int] = []
        self.half_ns = 0


class _Slow:
    """A slow channel: when it is due, and the conversions of the reading in progress."""

    def __init__(self, channel: AnalogChannel, due_ns: int) -> None:
        self.channel, self.due_ns = channel, due_ns
        self.sum = self.taken = self.since_ns = 0


class Sampler:
    """The AnalogPort: `code` makes one conversion of a channel and may raise HardwareError."""

    def __init__(
        self,
        converter: ConverterSetup,
        channels: tuple[AnalogChannel, ...],
        code: Callable[[str], int],
        now_ns: Callable[[], int],
    ) -> None:
        self._converter, self._code, self._now_ns = converter, code, now_ns
        self._fast = [_Fast(item) for item in channels if item.fast]
        self._times = {item.channel: signal.oversampling(item, converter) for item in channels}
        self._lines: dict[str, Line | None] = {}
        self._measured = [item for item in channels if item.supply_from is not None]
        self._supply: tuple[int, float] | None = None
        for item in channels:
            if signal.is_linear(item) and item.supply_from is None:
                self._lines[item.channel] = signal.code_line(item, converter)
        self._out: list[Block | Sample | Condition] = []
        self._lost = False
        slow = [item for item in channels if not item.fast]
        self.step_ns = self._steady_step(slow) if self._fast else 0
        """Step of the grid of the fast channels; 0 if there are none."""
        start_ns = now_ns()
        self._round_ns = start_ns
        self._slow = [_Slow(item, start_ns + n * NS_PER_MS) for n, item in enumerate(slow)]
        self._find_due()

    def _steady_step(self, slow: list[AnalogChannel]) -> int:
        """The shortest grid that the converter keeps up with, from rounds that are discarded."""
        taken = []
        for _ in range(TRIAL_ROUNDS):
            before_ns = self._now_ns()
            for item in self._fast:
                self._convert(item.channel)
            if slow:
                self._code(slow[0].channel)
            taken.append(self._now_ns() - before_ns)
        step_ns = int(ROOM * sorted(taken)[TRIAL_ROUNDS * 9 // 10]) + WAKE_NS
        capped = self._converter.rate_hz
        if capped is not None:
            step_ns = max(step_ns, int(NS_PER_S / capped))
        return -(-step_ns // 1000) * 1000

    def _convert(self, item: AnalogChannel) -> int:
        name, code = item.channel, self._code
        return sum(code(name) for _ in range(self._times[name]))

    def sample(self) -> None:
        """Do what is due: a round of the fast channels, then at most one conversion of a slow one,
        so that the rounds stay even."""
        now_ns = self._now_ns()
        try:
            if self._fast and now_ns >= self._round_ns:
                self._fast_round()
                late = (now_ns - self._round_ns) // self.step_ns
                self._round_ns += self.step_ns * (1 + late)
            for slow in self._slow:
                if now_ns >= slow.due_ns:
                    self._slow_conversion(slow)
                    break
            if self._lost:
                self._lost = False
                self._out.append(Condition(CONVERTER_BACK, now_ns, self._converter.type))
        except HardwareError as error:
            if not self._lost:
                self._out.append(Condition(CONVERTER_LOST, now_ns, str(error)))
            self._lost = True
            later_ns = now_ns + RETRY_NS
            self._round_ns = later_ns
            for slow in self._slow:
                slow.sum = slow.taken = 0
                slow.due_ns = max(slow.due_ns, later_ns)
        self._find_due()

    def _find_due(self) -> None:
        slow_ns = min((slow.due_ns for slow in self._slow), default=NEVER)
        self.due_ns = self._round_ns if self._fast else slow_ns
        """When `sample` has work to do."""

    def _fast_round(self) -> None:
        for fast in self._fast:
            before_ns = self._now_ns()
            code = self._convert(fast.channel)
            after_ns = self._now_ns()
            fast.times.append((before_ns + after_ns) // 2)
            fast.codes.append(code)
            fast.half_ns = max(fast.half_ns, (after_ns - before_ns + 1) // 2)

    def _slow_conversion(self, slow: _Slow) -> None:
        """Do one conversion; the last one completes the reading, timed at the middle of all."""
        item = slow.channel
        if slow.taken == 0:
            slow.since_ns = self._now_ns()
        slow.sum += self._code(item.channel)
        slow.taken += 1
        if slow.taken < self._times[item.channel]:
            return
        now_ns = self._now_ns()
        code, t_ns = slow.sum, (slow.since_ns + now_ns) // 2
        slow.sum = slow.taken = 0
        slow.due_ns = max(slow.due_ns + int(item.period_s * NS_PER_S), now_ns)
        line = self._line(item, t_ns)
        value, quality = signal.reading(code, item, self._converter, line)
        if quality not in (GOOD, signal.OUT_OF_RANGE):
            value = None
        self._out.append(Sample(item.channel, value, t_ns, quality))
        if item.channel == "sensor_supply" and quality == GOOD and value is not None:
            self._flush(only=self._measured)  # earlier samples belong to the previous supply value
            self._supply = (t_ns, value)

    def _line(self, item: AnalogChannel, t_ns: int) -> Line | None:
        if item.supply_from is None:
            return self._lines.get(item.channel)
        supply = self._supply
        if supply is None or t_ns - supply[0] > SUPPLY_AGE_NS:
            return None
        if not signal.supply_works(item, supply[1]):
            return None
        return signal.code_line(item, self._converter, supply[1])

    def drain(self) -> list[Block | Sample | Condition]:
        """Everything since the last call: samples and conditions, then one block per fast
        channel."""
        self._flush()
        out, self._out = self._out, []
        return out

    def _flush(self, only: list[AnalogChannel] | None = None) -> None:
        for fast in self._fast:
            if fast.codes and (only is None or fast.channel in only):
                self._out.append(self._block(fast))
                fast.times, fast.codes, fast.half_ns = [], [], 0

    def _block(self, fast: _Fast) -> Block:
        item, times, codes = fast.channel, fast.times, fast.codes
        line = self._line(item, times[-1])
        runs: list[list[Any]] = []
        scale, offset = (line.scale, line.offset) if line is not None else (0.0, 0.0)
        for n, code in enumerate(codes):
            if line is None:
                quality = signal.NO_SUPPLY
            else:
                quality = signal.quality(code, offset + scale * code, item, self._converter)
            if not runs or runs[-1][1] != quality:
                runs.append([n, quality])
        steps = [b - a for a, b in itertools.pairwise(times)]
        return Block(item.channel, times[0], steps, codes, scale, offset, fast.half_ns, runs)
