# SPDX-License-Identifier: MIT
import pytest
from recorder_parts import Process


@pytest.fixture
def start(tmp_path):
    """Start recorder processes that are gone after the test."""
    started = []

    def make(*options, **given):
        started.append(Process(tmp_path, *options, **given))
        return started[-1]

    yield make
    for process in started:
        process.close()


@pytest.fixture(autouse=True)
def _a_disk_that_keeps(request, monkeypatch):
    """Where these tests run may be a container's overlay, which each run would remark upon."""
    if "disk" not in request.path.name:
        monkeypatch.setattr("rig.recorder.recorder.lost_at_power_off", lambda path: None)
