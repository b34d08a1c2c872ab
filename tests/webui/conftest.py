# SPDX-License-Identifier: MIT
"""A run log with written runs, and the page's test client on it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import written_runs
from flask.testing import FlaskClient

from rig.core import places
from rig.runlog.store import RunLog
from webui.app import create_app
from webui.live.files import Files
from webui.live.hub import Hub

DEMO = Path(__file__).parents[2] / "demo"


@pytest.fixture
def log_path(rig_data: Path) -> Path:
    """Where this test's run log lies; nothing is there yet."""
    return rig_data / "runs.sqlite"


@pytest.fixture
def client(log_path: Path) -> Iterator[FlaskClient]:
    app = create_app({"RUN_LOG": log_path, "TESTING": False})
    yield app.test_client()
    app.extensions["captures"].close()
    app.extensions["held_captures"].close()


@pytest.fixture
def hub(tmp_path: Path) -> Iterator[Hub]:
    """What the page knows of the rigs, with the demo's setups and sheets."""
    made = Hub(places.state_dir(), Files([DEMO], [DEMO], tmp_path / "own"))
    yield made
    made.close()


@pytest.fixture(scope="session")
def blank_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty run log: making one costs more than most of these tests."""
    path = tmp_path_factory.mktemp("blank") / "runs.sqlite"
    RunLog(path).close()
    return path


@pytest.fixture
def written(log_path: Path, blank_log: Path) -> Callable[..., int]:
    """Write a run into the log: `written(strokes=5, missed=(2,))` gives its number."""
    shutil.copy(blank_log, log_path)

    def write(*, analysed: bool = True, **made: object) -> int:
        return written_runs.write(log_path, written_runs.Made(**made), analysed=analysed)

    return write
