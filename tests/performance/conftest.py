# SPDX-License-Identifier: MIT
"""Ratios measured in one run, printed as a table at the end of the lane."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Literal

import pytest

ROWS: list[tuple[str, str, str]] = []


class Ratios:
    """Records a ratio and holds it to its limit."""

    def at_most(self, what: str, value: float, limit: float, note: str = "") -> None:
        self._hold(what, value, limit, "at most", note, value <= limit)

    def at_least(self, what: str, value: float, limit: float, note: str = "") -> None:
        self._hold(what, value, limit, "at least", note, value >= limit)

    def note(self, what: str, shown: str) -> None:
        """A figure that is published and not held to anything."""
        ROWS.append((what, shown, ""))

    def _hold(
        self, what: str, value: float, limit: float, sense: Literal["at most", "at least"],
        note: str, held: bool,
    ) -> None:  # fmt: skip
        ROWS.append((what, f"{value:.3g} {note}".strip(), f"{sense} {limit:g}"))
        assert held, f"{what}: {value:.3g}, {sense} {limit:g}"


@pytest.fixture
def ratios() -> Ratios:
    return Ratios()


def best_s(what: Callable[[], object], times: int = 3) -> float:
    """Shortest of several wall times of a call: what the machine can do when nobody disturbs."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        what()
        taken.append(time.perf_counter() - start)
    return min(taken)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if not ROWS:
        return
    terminalreporter.write_sep("=", "measured in this run")
    width = max(len(row[0]) for row in ROWS)
    for what, shown, limit in ROWS:
        terminalreporter.write_line(f"{what:<{width}}  {shown:<28}  {limit}".rstrip())
