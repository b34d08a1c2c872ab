# SPDX-License-Identifier: MIT
"""The simulated edge source does what the kernel's does: the same checks as in test_edges.py."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import edge_conformance
import pytest
from edge_conformance import Bench

from rig.core.records import READBACK, SWITCH
from rig.simulated.edges import SimulatedEdges
from rig.simulated.pins import SimulatedFactory

LINES = {SWITCH: (22, "external"), READBACK: (27, "external")}


@contextmanager
def simulated(real_time: bool) -> Iterator[Bench]:
    """A source fed as its plant feeds it: in real time from another thread, else from this one."""
    factory = SimulatedFactory()
    source = SimulatedEdges(factory, LINES, dict.fromkeys(LINES, 0), wakes=real_time)

    def drive(line: str, level: int) -> tuple[int, int]:
        before_ns = time.monotonic_ns()
        changes = [(line, level, time.monotonic_ns())]
        if real_time:
            feeder = threading.Thread(target=source.arrive, args=(changes,))
            feeder.start()
            feeder.join()
        else:
            source.arrive(changes)
        return before_ns, time.monotonic_ns()

    try:
        yield Bench(source, drive, stamp_tolerance_ns=0)
    finally:
        source.close()
        factory.close()


@pytest.mark.parametrize("real_time", [False, True], ids=["virtual time", "real time"])
@pytest.mark.parametrize("check", edge_conformance.CHECKS, ids=lambda check: check.__name__)
def test_conforms(check: Callable[[Bench], None], real_time: bool) -> None:
    with simulated(real_time) as bench:
        check(bench)
