# SPDX-License-Identifier: MIT
"""Measure again where this computer stood still: for tests that are judged by the clock.

Beside tests marked `real_time` a small process wakes up every PERIOD_S and notes when it came late.
A failed test during which it came more than STOP_S late has measured the computer, not the program,
and is run again, at most AGAIN_MOST times; the summary names each. A test that fails without such a
stop has failed, and so has one that fails in its last try.
"""

from __future__ import annotations

import select
import subprocess
import sys
import time
from typing import Any

import pytest
from _pytest.runner import runtestprotocol

PERIOD_S, STOP_S = 0.01, 0.05
"""How often the process wakes up; how late it must come. A busy processor is shared in turns of a
few milliseconds, so that this is a stop and not a load."""
AGAIN_MOST = 2
TOLD: list[str] = []

_WATCH = f"""
import time
woke = time.monotonic()
print("watching", flush=True)
while True:
    time.sleep({PERIOD_S})
    slept, woke = woke, time.monotonic()  # no instant between two turns goes unseen
    late = woke - slept - {PERIOD_S}
    if late > {STOP_S}:
        print(f"{{slept}} {{late}}", flush=True)
"""


class HostStops:
    """The stops of this computer from now on, as `(monotonic instant, seconds)`."""

    def __init__(self) -> None:
        command = [sys.executable, "-c", _WATCH]
        self._process = subprocess.Popen(command, bufsize=0, stdout=subprocess.PIPE)
        assert self._process.stdout is not None
        self._lines = self._process.stdout
        self._lines.readline()
        self._stops: list[tuple[float, float]] = []

    def since(self, t_s: float) -> list[float]:
        """Lengths of the stops that ended after `t_s`, seconds."""
        time.sleep(PERIOD_S + STOP_S)  # a stop that ends now is written a moment later
        while select.select([self._lines], [], [], 0)[0]:
            began, late = self._lines.readline().split()
            self._stops.append((float(began), float(late)))
        return [late for began, late in self._stops if began + late > t_s]

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()


_WATCHING = pytest.StashKey[HostStops]()


def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool | None:
    if item.get_closest_marker("real_time") is None:
        return None
    if _WATCHING not in item.config.stash:
        item.config.stash[_WATCHING] = HostStops()
    watch = item.config.stash[_WATCHING]
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    for left in range(AGAIN_MOST, -1, -1):
        began = time.monotonic()
        reports = runtestprotocol(item, nextitem=nextitem, log=False)
        stops = watch.since(began) if any(report.failed for report in reports) else []
        if not stops or not left:
            break
        TOLD.append(f"{item.nodeid}: stops of {', '.join(f'{1e3 * s:.0f}' for s in stops)} ms")
    for report in reports:
        item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


def pytest_terminal_summary(terminalreporter: Any) -> None:
    if TOLD:
        terminalreporter.section("run again: this computer stood still during their failure")
        for line in TOLD:
            terminalreporter.line(line)


def pytest_unconfigure(config: pytest.Config) -> None:
    if _WATCHING in config.stash:
        config.stash[_WATCHING].close()
