# SPDX-License-Identifier: MIT
"""The emulated machine's parts, prepared once a session."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from build import MachineParts
from ready import PREPARATION_TIMEOUT_S, parts_or_skip

sys.path.append(str(Path(__file__).resolve().parent.parent / "io"))  # edge_conformance


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.get_closest_marker("kernel"):
            item.add_marker(pytest.mark.timeout(PREPARATION_TIMEOUT_S))


@pytest.fixture(scope="session")
def machine_parts() -> MachineParts:
    return parts_or_skip()
