# SPDX-License-Identifier: MIT
"""`rig clear` looks at the rig whose trip it clears."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from live_runs import rig, write_files

from rig.cli.clear import command
from rig.config.files.loading import load_setup
from rig.config.files.resolved import dump
from rig.core import places, state_file
from rig.core.errors import HardwareError
from rig.core.records import Trip


@pytest.fixture
def tripped(tmp_path: Path) -> tuple[str, Path, dict[str, Any]]:
    """A setup, its rig's state file with a trip, and the plan that belongs in it."""
    setup = write_files(tmp_path)[0]
    loaded = load_setup(Path(setup)).setup
    name = state_file.rig_name(loaded.backend, loaded.chip, loaded.relay.line)
    path = state_file.state_path(places.state_dir(), name)
    trip = Trip("on time", 3.0, 2.0, "s", 1, "The coil was energised for 3 s.")
    plan = dump(loaded)
    rig_now = state_file.RigState(name, loaded.backend, loaded.chip, loaded.relay.line, plan)
    state_file.write(path, replace(rig_now, trip=trip, tripped_utc_s=1.0))
    return setup, path, plan


@pytest.mark.parametrize("how", ["another line", "another version", "none"])
def test_a_plan_that_is_not_of_this_rig_clears_nothing(
    tripped: tuple[str, Path, dict[str, Any]], how: str
) -> None:
    setup, path, plan = tripped
    plan["relay"]["line"] = 23 if how == "another line" else plan["relay"]["line"]
    plan |= {"a key to come": 1} if how == "another version" else {}
    state = state_file.read(path)
    assert state is not None
    state_file.write(path, replace(state, plan={} if how == "none" else plan))
    refused = rig("clear")
    assert refused.returncode == 2 and "rig clear SETUP" in refused.stderr
    still = state_file.read(path)
    assert still is not None and still.trip is not None
    assert rig("clear", setup).returncode == 0, "the person names how it is wired"
    cleared = state_file.read(path)
    assert cleared is not None and cleared.trip is None


def test_a_measured_coil_that_cannot_be_noted_is_told_and_still_counts_as_warm(
    tripped: tuple[str, Path, dict[str, Any]],
) -> None:
    setup, path, _ = tripped
    path.with_suffix(".heat").mkdir()
    for _ in range(2):  # with a trip latched, and without
        refused = rig("clear", setup, "--cooled")
        assert refused.returncode == 4 and "still counts as warm" in refused.stderr
        assert "Internal fault" not in refused.stderr and "taken as cool" not in refused.stdout
        state_file.clear_latch(path)


def test_hardware_that_fails_while_clearing_is_named_as_what_it_is(
    tripped: tuple[str, Path, dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: object) -> None:
        raise HardwareError("GPIO line 17 is in use by another program.")

    monkeypatch.setattr("rig.compose.open_hardware", busy)
    with pytest.raises(HardwareError, match=r"^GPIO line 17 is in use"):
        command.main([tripped[0]], standalone_mode=False)
