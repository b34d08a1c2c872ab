# SPDX-License-Identifier: MIT
"""The emulated machine's parts, prepared once a session, and the figures measured with it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from build import MachineParts
from ready import PREPARATION_TIMEOUT_S, parts_or_skip

sys.path.append(str(Path(__file__).resolve().parent.parent / "io"))  # edge_conformance


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.get_closest_marker("kernel"):
            item.add_marker(pytest.mark.timeout(PREPARATION_TIMEOUT_S))


FIGURES: list[tuple[str, str]] = []


@pytest.fixture(scope="session")
def measured() -> Callable[[str, object], None]:
    """measured(what, figure): printed at the end of the run, to be published."""
    return lambda what, figure: FIGURES.append((what, str(figure)))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if not FIGURES:
        return
    terminalreporter.write_sep("=", "measured on the emulated board")
    width = max(len(what) for what, _ in FIGURES)
    for what, figure in FIGURES:
        terminalreporter.write_line(f"{what:<{width}}  {figure}")


@pytest.fixture(scope="session")
def machine_parts() -> MachineParts:
    return parts_or_skip()
