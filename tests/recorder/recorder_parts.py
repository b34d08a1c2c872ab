# SPDX-License-Identifier: MIT
"""What the recorder's tests are made of: records, a header, and the recorder's process."""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from run_headers import header

from rig.core.clock import NS_PER_S
from rig.core.records import GOOD, OFF_STATES, End, Sample, Trip, encode
from rig.recorder.raw_file import RawReader
from rig.runlog.rows import StoredRun
from rig.runlog.store import RunLog

END = End("finished", OFF_STATES[0], 10**12)
TRIP = Trip("pressure", 812.5, 700.0, "kPa", 5 * NS_PER_S, "Pressure above its limit.")


def sample(i: int) -> Sample:
    return Sample("pressure", 300.0 + i % 50, i * 1_000_000, GOOD)


def lines(n: int, first: int = 0) -> list[bytes]:
    """`n` encoded samples, the first of number `first`."""
    return [encode(sample(first + i)).encode() for i in range(n)]


class Process:
    """`python -m rig.recorder` with this test in the place of bench and desk."""

    def __init__(
        self, folder: Path, *options: str, status: int | None = None, **popen: Any
    ) -> None:
        self.log, self.raw_dir = folder / "runs.sqlite", folder / "raw"
        self.raw_dir.mkdir(exist_ok=True)
        self.bench, recorder_in = socket.socketpair()
        self._read_fd, write_fd = os.pipe() if status is None else (-1, status)
        self.child = subprocess.Popen(
            [
                sys.executable, "-m", "rig.recorder", "--in", str(recorder_in.fileno()),
                "--status", str(write_fd), "--log", str(self.log), "--raw", str(self.raw_dir),
                *options,
            ],
            pass_fds=(recorder_in.fileno(), write_fd),
            **popen,
        )  # fmt: skip
        recorder_in.close()
        os.close(write_fd)
        self._tail = b""
        self.told: list[dict[str, Any]] = []

    def send(self, *sent: bytes) -> None:
        self.bench.sendall(b"".join(line + b"\n" for line in sent))

    def begin(self, **changes: Any) -> int:
        """Send a header; the run's number."""
        self.send(header(**changes).to_json().encode())
        return int(self.hear("run")["run"])

    def hear(self, key: str, timeout_s: float = 20.0) -> dict[str, Any]:
        """The next word with this key."""
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            for word in self.listen(0.05):
                if key in word:
                    return word
            if self._read_fd < 0:
                break
        raise AssertionError(f"no {key!r} was said, but {self.told}")

    def listen(self, wait_s: float = 0.0) -> list[dict[str, Any]]:
        """What has been said since the last time."""
        if self._read_fd < 0 or not select.select([self._read_fd], [], [], wait_s)[0]:
            return []
        data = os.read(self._read_fd, 65_536)
        if not data:
            self.deaf()
        *whole, self._tail = (self._tail + data).split(b"\n")
        words = [json.loads(line) for line in whole]
        self.told += words
        return words

    def deaf(self) -> None:
        """Close the desk's end."""
        if self._read_fd >= 0:
            os.close(self._read_fd)
            self._read_fd = -1

    def ended(self) -> int:
        """Wait for the process; its exit code. Everything it said stands in `told` then."""
        code = self.child.wait(20)
        while self._read_fd >= 0:
            self.listen(0.05)
        return code

    @property
    def acknowledged(self) -> int:
        """Records that were said to be committed."""
        return max((word.get("committed", 0) for word in self.told), default=0)

    def close(self) -> None:
        self.bench.close()
        self.deaf()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.child.wait(5)
        self.child.kill()
        self.child.wait()


def stored(process: Process, run_id: int = 1) -> StoredRun:
    """The run as another process finds it in the log."""
    with RunLog(process.log, readonly=True) as log:
        return log.load(run_id)


def kept_status(process: Process, run_id: int = 1) -> str:
    """The status in the run's row, whatever its readers make of it."""
    with contextlib.closing(sqlite3.connect(process.log)) as log:
        (status,) = log.execute("select status from runs where id = ?", (run_id,)).fetchone()
        return str(status)


def without_stalls(found: list[bytes]) -> list[bytes]:
    """A disk that is slow for a moment leaves a word of it among the records."""
    return [line for line in found if not line.startswith(b'["N","recorder behind",')]


def raw(process: Process) -> tuple[list[bytes], RawReader]:
    """The intact records of the only raw file, and its reader."""
    (path,) = process.raw_dir.glob("*.raw")
    reader = RawReader(path)
    return without_stalls(list(reader.lines())), reader
