# SPDX-License-Identifier: MIT
"""Real time: the kernel's clock and select(2)."""

from __future__ import annotations

import select
from collections.abc import Sequence

from rig.core.clock import NS_PER_S, MonotonicClock


class RealWorld:
    """The World of a rig in real time. `instruction` holds the latest guidance, initially
    "hold"."""

    def __init__(self) -> None:
        self._clock = MonotonicClock()
        self.instruction = "hold"

    def now_ns(self) -> int:
        return self._clock.now_ns()

    def wait(self, until_ns: int, ready: Sequence[int]) -> None:
        """Wait in select(2), whose timeout resolves microseconds.

        A signal does not end the wait: its handler runs, then the wait continues. To wake up early,
        put a descriptor into `ready`.
        """
        left_ns = until_ns - self._clock.now_ns()
        select.select(ready, (), (), max(left_ns, 0) / NS_PER_S)

    def guide(self, instruction: str) -> None:
        self.instruction = instruction
