# SPDX-License-Identifier: MIT
"""The installed units are tried in the emulated machine of the kernel tests."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).resolve().parent.parent / "kernel"))

from build import MachineParts
from ready import PREPARATION_TIMEOUT_S, parts_or_skip

FIGURES: list[str] = []


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.path.parent == Path(__file__).parent:
            item.add_marker(pytest.mark.timeout(3 * PREPARATION_TIMEOUT_S))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    for figure in FIGURES:
        terminalreporter.write_line(figure)


@pytest.fixture(scope="session")
def machine_parts() -> MachineParts:
    return parts_or_skip()
