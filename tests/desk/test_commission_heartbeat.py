# SPDX-License-Identifier: MIT
"""The heartbeat's drop-out time, measured on a rig whose loop is really stopped (SIGSTOP)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from rig.actions.commission.energised import STEPS
from rig.actions.commission.hands import SimulatedHands
from rig.actions.commission.lab import Lab, StoppedError
from rig.actions.commission.step import Found
from rig.config.files.loading import load_setup

WORKSHOP = (Path(__file__).parents[2] / "demo" / "workshop.setup.toml").read_text()
TRIES = 3
TICK_MS, RELEASE_MS = 20.0, 3.5
"""Of the interlock's loop, which beats; of the simulated relay."""


def heartbeat(folder: Path, wiring: str) -> Found:
    file = folder / "rig.setup.toml"
    file.write_text(f"{WORKSHOP}\n[heartbeat]\nline = 24\n[simulated.wiring]\n{wiring}\n")
    options: dict[str, Any] = {"by": "a test", "fast": False, "seed": 1, "months": 12}
    lab = Lab(load_setup(file), SimulatedHands(), options)
    step = next(one for one in STEPS if one.id == "heartbeat")
    assert step.needs(lab) == ""
    for _ in range(TRIES):
        try:
            return step.measure(lab)
        except StoppedError:  # this machine left the desk itself without a processor
            continue
    pytest.fail("the desk was stopped each time")


def test_a_sound_circuit_drops_out_after_its_hold_time(tmp_path: Path) -> None:
    """The last beat was up to a tick before the stop; a busy machine may miss one more."""
    found = heartbeat(tmp_path, 'heartbeat_hold = "270 ms"')
    assert found.result == "passed", found.words
    (dropped,) = found.measured
    assert dropped.value is not None
    assert 270 - 2 * TICK_MS < dropped.value < 270 + RELEASE_MS + 1.0


@pytest.mark.parametrize("wiring", ["heartbeat_bypassed = true", 'heartbeat_hold = "2 s"'])
def test_a_circuit_that_does_not_let_go_is_found(wiring: str, tmp_path: Path) -> None:
    found = heartbeat(tmp_path, wiring)
    assert found.result == "failed", found.words
