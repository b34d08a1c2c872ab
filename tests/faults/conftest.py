# SPDX-License-Identifier: MIT
"""Fault tests use the emulated machine, the live runs and the scripted rig of their neighbours."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path += [str(Path(__file__).resolve().parent.parent / name)
             for name in ("kernel", "desk", "bench", "recorder", "io")]  # fmt: skip

from build import MachineParts
from ready import parts_or_skip

STUDY_TIMEOUT_S = 6 * 3600


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.get_closest_marker("kernel"):
            item.add_marker(pytest.mark.timeout(STUDY_TIMEOUT_S))


@pytest.fixture(scope="session")
def machine_parts() -> MachineParts:
    """Kernel and initramfs, prepared once a session."""
    return parts_or_skip()
