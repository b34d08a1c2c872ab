# SPDX-License-Identifier: MIT
"""A GPIO chip whose kernel is played by a test."""

from __future__ import annotations

from pathlib import Path

import fake_gpiod
import pytest

from rig.io import chips


@pytest.fixture
def path(tmp_path: Path) -> str:
    return str(tmp_path / "gpiochip0")


@pytest.fixture
def kernel(path: str, monkeypatch: pytest.MonkeyPatch) -> fake_gpiod.FakeKernel:
    made = fake_gpiod.kernel([Path(path)], ["pinctrl-rp1"])
    monkeypatch.setattr(chips, "gpiod_module", made.package)
    return made
