# SPDX-License-Identifier: MIT
"""Kernel and initramfs of the emulated machine, or the reason why they are missing."""

from __future__ import annotations

import os

import pytest
from build import MachineParts, prepare

from rig.debian import CannotSetUp

PREPARATION_TIMEOUT_S = 900  # the first test may have to download and build


def parts_or_skip() -> MachineParts:
    """The parts; where they cannot be had the test is skipped with the reason.

    With CI=true it fails instead: a lane that quietly skips proves nothing.
    """
    try:
        return prepare()
    except CannotSetUp as reason:
        text = f"emulated kernel not run because: {reason}"
        if os.environ.get("CI", "").lower() in ("1", "true"):
            pytest.fail(text, pytrace=False)
        pytest.skip(text)
