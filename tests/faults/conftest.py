# SPDX-License-Identifier: MIT
"""Fault tests use the emulated machine, the live runs and the scripted rig of the neighbouring test
folders."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path += [
    str(Path(__file__).resolve().parent.parent / name) for name in ("kernel", "recorder", "io")
]

from build import MachineParts
from ready import parts_or_skip

STUDY_TIMEOUT_S = 6 * 3600


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.get_closest_marker("kernel"):
            item.add_marker(pytest.mark.timeout(STUDY_TIMEOUT_S))


TOLD: list[str] = []


@pytest.fixture(scope="session")
def measured() -> Callable[[str], None]:
    """measured(text): shown at once, and printed at the end of the lane, for publication."""

    def tell(text: str) -> None:
        print(text, flush=True)
        TOLD.append(text)

    return tell


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if TOLD:
        terminalreporter.write_sep("=", "measured under faults")
    for text in TOLD:
        terminalreporter.write_line(text)


@pytest.fixture(scope="session")
def machine_parts() -> MachineParts:
    """Kernel and initramfs, prepared once a session."""
    return parts_or_skip()
