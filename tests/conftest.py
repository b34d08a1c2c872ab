# SPDX-License-Identifier: MIT
"""Conditions for every test: its own data directory, and nothing left behind.

After each test no thread, process or descriptor may remain that was not there before. Known
leftovers of libraries are allowed by name below, with the reason; nothing else is.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from host_stops import pytest_runtest_protocol, pytest_terminal_summary, pytest_unconfigure  # noqa: F401  # hooks
from hypothesis import HealthCheck, settings

sys.path.insert(0, str(Path(__file__).parent / "support"))
# builders and helpers that several folders use

settings.register_profile("default", deadline=None)
settings.register_profile(
    "ci", deadline=None, derandomize=True, database=None, print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
settings.load_profile("ci" if os.environ.get("CI") else "default")

MARK = "RIG_TEST_ID"
"""Stands in the environment of everything a test starts, so that orphans are found too."""

GRACE_S = 2.0
"""How long a thread or process that is already ending may take."""


def pytest_collection_finish(session: pytest.Session) -> None:
    """Restore the state at Python's start: vcdvcd, a reader that tests compare with, makes a closed
    pipe end the process as soon as it is imported."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)


REAL_TIME_FOLDERS = {"desk", "recorder"}
"""Real processes with time limits of their own: beside other tests they would be late."""


REAL_TIME_FILES = {"test_browser_bench.py", "test_browser_next_valve.py", "test_live_run.py"}
"""Whole runs in real time, driven from a page: two browsers at once starve the bench."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.path.parent.name in REAL_TIME_FOLDERS or item.path.name in REAL_TIME_FILES:
            item.add_marker("real_time")


ALLOWED_THREADS = {
    ("lgpio", "_callback_thread"): "importing lgpio starts it; it lives as long as the process",
}
ALLOWED_DESCRIPTORS = {
    ".lgd-nfy": "the FIFO that lgpio opens when it is imported",
}


def _threads() -> set[threading.Thread]:
    return {
        thread
        for thread in threading.enumerate()
        if (type(thread).__module__, type(thread).__name__) not in ALLOWED_THREADS
    }


def _children() -> dict[int, str]:
    """Direct children, including finished ones that nobody waited for."""
    found: dict[int, str] = {}
    for listing in Path("/proc/self/task").glob("*/children"):
        try:
            pids = [int(word) for word in listing.read_text().split()]
        except OSError:  # that thread has just ended
            continue
        found.update({pid: _command(pid) for pid in pids})
    return found


def _marked(mark: str) -> dict[int, str]:
    """Processes that carry this test's mark, whoever their parent is now."""
    found: dict[int, str] = {}
    wanted = f"{MARK}={mark}".encode()
    for entry in os.scandir("/proc"):
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            try:
                environment = Path(entry.path, "environ").read_bytes()
            except OSError:  # ended, or another user's
                continue
            if wanted in environment.split(b"\0"):
                found[int(entry.name)] = _command(int(entry.name))
    return found


def _command(pid: int) -> str:
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode().strip()
    except OSError:
        return "gone"
    return words or "finished, but nobody waited for it"


def _descriptors() -> dict[int, str]:
    found: dict[int, str] = {}
    for name in os.listdir("/proc/self/fd"):
        try:
            target = os.readlink(f"/proc/self/fd/{name}")
        except OSError:  # the listing's own
            continue
        if not any(allowed in target for allowed in ALLOWED_DESCRIPTORS):
            found[int(name)] = target
    return found


def _left_behind(
    mark: str,
    threads: set[threading.Thread],
    children: dict[int, str],
    descriptors: dict[int, str],
) -> list[str]:
    left = [f"thread {thread.name!r} ({type(thread)})" for thread in _threads() - threads]
    processes = {**_children(), **_marked(mark)}
    left += [f"process {pid}: {processes[pid]}" for pid in processes.keys() - children.keys()]
    now = _descriptors()
    left += [f"descriptor {n}: {now[n]}" for n in now.keys() - descriptors.keys()]
    return left


@pytest.fixture(autouse=True)
def _nothing_left_behind(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    mark = uuid.uuid4().hex
    monkeypatch.setenv(MARK, mark)
    before = _threads(), _children(), _descriptors()
    yield
    left = _left_behind(mark, *before)
    if left:
        gc.collect()  # only now: a collection after each test would cost more than the tests
    deadline = time.monotonic() + GRACE_S
    while left and time.monotonic() < deadline:
        time.sleep(0.02)
        left = _left_behind(mark, *before)
    if left:
        pytest.fail("left behind by this test:\n  " + "\n  ".join(sorted(left)), pytrace=False)


@pytest.fixture(autouse=True)
def rig_data(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """This test's own RIG_DATA: run log, raw files and trip latch start empty."""
    path = tmp_path_factory.mktemp("rig_data")
    monkeypatch.setenv("RIG_DATA", str(path))
    return path


@pytest.fixture(autouse=True)
def home(
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Records whose own folder is lost are written in the home folder, here one of the test's
    own."""
    if request.path.parent.name in ("recorder", "desk"):
        monkeypatch.setenv("HOME", str(tmp_path_factory.mktemp("home")))


@pytest.fixture(scope="session")
def full_study() -> bool:
    """True if long studies are requested in full: `python3 tests/run.py --full`."""
    return os.environ.get("RIG_TESTS_FULL") == "1"
