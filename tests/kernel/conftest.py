# SPDX-License-Identifier: MIT
"""Where the emulated kernel can run its tests do; elsewhere they are skipped with the reason.

With CI=true a reason not to run is a failure: a lane that quietly skips proves nothing.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from build import MachineParts, prepare

from rig.debian import CannotSetUp

sys.path.append(str(Path(__file__).resolve().parent.parent / "io"))  # edge_conformance

PREPARATION_TIMEOUT_S = 900  # the first test may have to download and build


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.get_closest_marker("kernel"):
            item.add_marker(pytest.mark.timeout(PREPARATION_TIMEOUT_S))


@pytest.fixture(scope="session")
def machine_parts() -> MachineParts:
    """Kernel and initramfs, prepared once a session."""
    try:
        return prepare()
    except CannotSetUp as reason:
        text = f"emulated kernel not run because: {reason}"
        if os.environ.get("CI", "").lower() in ("1", "true"):
            pytest.fail(text, pytrace=False)
        pytest.skip(text)
