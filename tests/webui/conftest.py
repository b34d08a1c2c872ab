# SPDX-License-Identifier: MIT
"""A run log with written runs, and the page's test client on it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import written_runs
from flask.testing import FlaskClient

from rig.runlog.store import RunLog
from webui.app import create_app


@pytest.fixture
def log_path(rig_data: Path) -> Path:
    """Where this test's run log lies; nothing is there yet."""
    return rig_data / "runs.sqlite"


@pytest.fixture
def client(log_path: Path) -> FlaskClient:
    return create_app({"RUN_LOG": log_path, "TESTING": False}).test_client()


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
