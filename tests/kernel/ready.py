# SPDX-License-Identifier: MIT
"""Kernel and initramfs of the emulated machine, or the reason why there are none."""

from __future__ import annotations

import os

import pytest
from build import MachineParts, prepare

from rig.debian import CannotSetUp

PREPARATION_TIMEOUT_S = 900  # the first test may have to download and build


def parts_or_skip() -> MachineParts:
    """The parts; skips where the emulated kernel cannot run, and with CI=true fails."""
    try:
        return prepare()
    except CannotSetUp as reason:
        text = f"emulated kernel not run because: {reason}"
        if os.environ.get("CI", "").lower() in ("1", "true"):
            pytest.fail(text, pytrace=False)
        pytest.skip(text)
