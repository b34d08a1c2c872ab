# SPDX-License-Identifier: MIT
"""What an opened board and an opened simulated rig have in common."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass

from rig.io.gauges.open_gauge import Gauge
from rig.io.gpio import RelayCoil
from rig.io.sampler import Sampler
from rig.io.slow_lines import HeartbeatLine, LoopLine


@dataclass(kw_only=True)
class OpenedRig:
    """The parts of the Hardware port that are the same behind every backend."""

    coil: RelayCoil
    gauge: Gauge | None
    analog: Sampler | None
    loops: dict[str, LoopLine]
    heartbeat: HeartbeatLine | None
    source: str
    description: dict[str, str]
    opened: contextlib.ExitStack

    def close(self) -> None:
        """Coil off, then close everything, whatever fails on the way. Idempotent."""
        self.opened.close()
