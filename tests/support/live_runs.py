# SPDX-License-Identifier: MIT
"""`rig run` in real time as a process of its own, for tests that signal and kill it."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from setups import BOARD, merged, toml

from rig.core import places, state_file
from rig.runlog.rows import StoredRun
from rig.runlog.store import RunLog

SETUP = toml(merged(BOARD, {
    "backend": "simulated",
    "coil": {"fuse": "2 A", "resistance": "22 ohm"},
    "readback": {"line": 27},
    "gauge": {
        "port": "none", "pattern": "{pressure} {unit}", "period": "50 ms",
        "measuring_range": ["0 psi", "100 psi"], "expected_range": ["0 psi", "60 psi"],
    },
    "limits": {
        "pressure": "80 psi", "gauge_stale": "2 s", "readback_delay": "500 ms",
        "loop_late": "500 ms",
    },
}))  # fmt: skip
# Patient limits: the machine that runs the tests may be busy, and what is tested is the signals.

SHEET = """
kind = "strokes"
strokes = 60
on_time = "150 ms"
rest = "150 ms"
settle_wait = "100 ms"
settle_window = "15 ms"
"""


@dataclass
class LiveRun:
    """A running `rig run`."""

    process: subprocess.Popen[bytes]
    folder: Path

    def state(self) -> state_file.RigState | None:
        path = state_file.state_path(places.state_dir(), "simulated-line17")
        return state_file.read(path)

    def bench_pid(self) -> int:
        state = self.state()
        assert state is not None and state.owner is not None
        return state.owner.pid

    def recorder_pid(self) -> int:
        """The recorder among the children of the desk."""
        for task in Path(f"/proc/{self.process.pid}/task").iterdir():
            for word in (task / "children").read_text().split():
                if b"rig.recorder" in Path(f"/proc/{word}/cmdline").read_bytes():
                    return int(word)
        raise AssertionError("no recorder")

    def wait_strokes(self, n: int, within_s: float = 60) -> None:
        """Wait until the raw file holds `n` energise commands."""
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            assert self.process.poll() is None, self.finish()
            commands = sum(f.read_bytes().count(b'["C",true') for f in places.raw_dir().iterdir())
            if commands >= n:
                return
            time.sleep(0.05)
        raise AssertionError("the run did not come so far")

    def finish(self, within_s: float = 60) -> tuple[int, str, str]:
        out, err = self.process.communicate(timeout=within_s)
        return self.process.returncode, out.decode(), err.decode()

    def stored(self) -> StoredRun:
        with contextlib.closing(RunLog(places.log_path(), readonly=True)) as log:
            return log.load(log.runs(limit=1)[0].id)


def command(*words: str) -> list[str]:
    return [sys.executable, "-m", "rig.cli.main", *words]


def rig(*words: str) -> subprocess.CompletedProcess[str]:
    """Run a `rig` command to its end."""
    return subprocess.run(command(*words), capture_output=True, text=True, timeout=60, check=False)


def write_files(folder: Path, setup: str = SETUP, sheet: str = SHEET) -> tuple[str, str]:
    (folder / "a.setup.toml").write_text(setup)
    (folder / "a.sheet.toml").write_text(sheet)
    return str(folder / "a.setup.toml"), str(folder / "a.sheet.toml")


@contextlib.contextmanager
def live_run(folder: Path, setup: str = SETUP, sheet: str = SHEET) -> Iterator[LiveRun]:
    """Start `rig run` in its own session, and leave nothing of it behind."""
    process = subprocess.Popen(
        command("run", *write_files(folder, setup, sheet), "--json"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    run = LiveRun(process, folder)
    try:
        yield run
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.pid, signal.SIGCONT)
        if process.poll() is None:
            process.kill()
        process.communicate()
        wait_gone(run)


def wait_gone(run: LiveRun, within_s: float = 30) -> None:
    """A bench and recorder whose desk was killed end by themselves."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        state = run.state()
        if state is None or state.owner is None or not state.owner.alive():
            return
        time.sleep(0.02)
    raise AssertionError("the bench did not end")


def result(out: str) -> dict[str, object]:
    data = json.loads(out)
    assert isinstance(data, dict)
    return data
