# SPDX-License-Identifier: MIT
"""The emulated machine's parts, prepared once a session."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from build import MachineParts
from lane import parts_or_reason

sys.path.append(str(Path(__file__).resolve().parent.parent / "io"))  # edge_conformance

TIMEOUT_S = 900  # the first test may have to download and build; a guest's Python is slow


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.get_closest_marker("kernel"):
            item.add_marker(pytest.mark.timeout(TIMEOUT_S))


@pytest.fixture(scope="session")
def machine_parts() -> MachineParts:
    return parts_or_reason()
