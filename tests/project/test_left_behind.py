# SPDX-License-Identifier: MIT
"""The check that no test leaves anything behind must itself be able to fail."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

CONFTEST = Path(__file__).parent.parent / "conftest.py"
GRACE = "GRACE_S = 2.0"

INNER = """
import os, subprocess, sys, threading, time

def test_thread():
    threading.Thread(target=time.sleep, args=(1,), name="left over").start()

def test_orphan():
    start = "import subprocess, sys; subprocess.Popen([sys.executable, '-c', "
    start += "'import time; time.sleep(4)'], start_new_session=True)"
    subprocess.run([sys.executable, "-c", start], check=True)

def test_child():
    os.posix_spawnp("true", ["true"], os.environ)

def test_descriptor():
    os.dup(0)

def test_clean():
    worker = threading.Thread(target=int)
    worker.start()
    worker.join()
    subprocess.run([sys.executable, "-c", ""], check=True)
    os.close(os.dup(0))
"""


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("inner")
    text = CONFTEST.read_text()
    assert GRACE in text
    (folder / "conftest.py").write_text(text.replace(GRACE, "GRACE_S = 0.3"))
    (folder / "test_inner.py").write_text(INNER)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-ra", "-p", "no:cacheprovider", str(folder)],
        cwd=folder, capture_output=True, text=True, timeout=60,
        env={**os.environ, "PYTHONPATH": str(CONFTEST.parent)},
    )  # fmt: skip
    return done.stdout


@pytest.mark.parametrize(
    ("kind", "shown"),
    [
        ("thread", "'left over'"),
        ("orphan", "time.sleep(4)"),
        ("child", "nobody waited for it"),
        ("descriptor", "descriptor"),
    ],
)
def test_a_leak_is_an_error(kind: str, shown: str, outcome: str) -> None:
    assert f"test_inner.py::test_{kind} - Failed: left behind by this test" in outcome
    assert shown in outcome


def test_a_clean_test_passes(outcome: str) -> None:
    assert "5 passed, 4 errors" in outcome
