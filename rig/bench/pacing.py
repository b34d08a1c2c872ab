# SPDX-License-Identifier: MIT
"""How the loop waits: asleep or, with a converter, sampling it.

The converter is sampled in the loop's own thread, in slices no longer than SLICE_NS. A separate
thread would share the interpreter's lock with the interlock: each could hold the other up for the
switch interval (5 ms) at arbitrary instants, and the simulated rig would no longer be the same for
the same seed. Here the interlock is late by one transfer at most, the kernel stamps edges whatever
the loop does, and a converter that hangs stops the heartbeat.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.config.analog.model import FAST_PERIOD_S
from rig.core.ports import AnalogPort, World

SLICE_NS = int(FAST_PERIOD_S * 1e9) // 2
"""Longest slice, after which the loop collects the samples and checks everything else."""


def wait(world: World, analog: AnalogPort | None, until_ns: int, ready: Sequence[int]) -> None:
    """As World.wait, and run the converter's rounds when due. Returns early when something arrives,
    and after SLICE_NS if there are fast channels."""
    if analog is None:
        world.wait(until_ns, ready)
        return
    now_ns = world.now_ns()
    if analog.step_ns:
        until_ns = min(until_ns, now_ns + SLICE_NS)
    while True:
        due_ns = min(analog.due_ns, until_ns)
        world.wait(due_ns, ready)  # even when a round is due: arrivals must not wait
        now_ns = world.now_ns()
        if now_ns < due_ns:
            return
        if analog.due_ns <= min(now_ns, until_ns):
            analog.sample()
        if now_ns >= until_ns:
            return
