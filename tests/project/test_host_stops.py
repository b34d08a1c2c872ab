# SPDX-License-Identifier: MIT
"""A failure is measured again only where the computer stood still, and never without saying so."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

TESTS = Path(__file__).parents[1]
SAMPLE = """
import os, signal, time
from pathlib import Path
import pytest

def stop_the_watch():
    for entry in Path("/proc/self/task").glob("*/children"):
        for pid in map(int, entry.read_text().split()):
            os.kill(pid, signal.SIGSTOP)
            time.sleep(0.2)
            os.kill(pid, signal.SIGCONT)

TRIES = []

@pytest.fixture
def kept(tmp_path):
    return tmp_path / "made anew"

@pytest.mark.real_time
def test_disturbed_once(kept):
    assert not kept.exists()
    kept.touch()
    TRIES.append(1)
    if len(TRIES) == 1:
        stop_the_watch()
        assert False

@pytest.mark.real_time
def test_disturbed_always():
    stop_the_watch()
    assert False

@pytest.mark.real_time
def test_wrong():
    assert False

def test_not_of_the_clock():
    stop_the_watch()
    assert False
"""


def test_only_a_disturbed_failure_is_run_again(tmp_path: Path) -> None:
    (tmp_path / "test_sample.py").write_text(SAMPLE)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "host_stops", "-p", "no:cacheprovider",
         "-rA", "-Wignore", "test_sample.py"],
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(TESTS)}, capture_output=True, text=True,
        check=False, timeout=60,
    )  # fmt: skip
    lines = done.stdout.splitlines()
    results = {line for line in lines if line.startswith(("PASSED", "FAILED"))}
    assert results == {
        "PASSED test_sample.py::test_disturbed_once",
        "FAILED test_sample.py::test_disturbed_always - assert False",
        "FAILED test_sample.py::test_wrong - assert False",
        "FAILED test_sample.py::test_not_of_the_clock - assert False",
    }, done.stdout
    told = [line.split(":")[2] for line in lines if ": stops of " in line]
    assert told == ["test_disturbed_once", "test_disturbed_always", "test_disturbed_always"]
