# SPDX-License-Identifier: MIT
"""Start bench and recorder, each in its own session, and create the sockets between the three.

They are spawned, never forked after GPIO was imported.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
from pathlib import Path

from rig.core.errors import UsageError
from rig.core.json_values import JsonObject

WAIT_S = 8.0
KILLED_S = 2.0


class Processes:
    """The two processes of a run. Start them early: they import while the desk reads the setup."""

    def __init__(self) -> None:
        self.desk, bench_desk = socket.socketpair()
        recorder_in, self._records = socket.socketpair()
        self.status, recorder_status = os.pipe()
        python = [sys.executable, "-m"]
        self.bench = subprocess.Popen(
            [*python, "rig.compose", str(bench_desk.fileno()), str(self._records.fileno())],
            stdin=subprocess.PIPE,
            pass_fds=(bench_desk.fileno(), self._records.fileno()),
            start_new_session=True,
        )
        self.recorder = subprocess.Popen(
            [*python, "rig.recorder", "--in", str(recorder_in.fileno()),
             "--status", str(recorder_status)],
            stdin=subprocess.DEVNULL,
            pass_fds=(recorder_in.fileno(), recorder_status),
            start_new_session=True,
        )  # fmt: skip
        bench_desk.close()
        recorder_in.close()
        os.close(recorder_status)
        self.desk.setblocking(False)
        os.set_blocking(self.status, False)

    def send_plan(self, plan: JsonObject) -> None:
        """Send the bench its plan; it opens the hardware now."""
        stdin = self.bench.stdin
        if stdin is None:
            raise BrokenPipeError("the bench has no standard input")
        stdin.write(json.dumps(plan, allow_nan=False).encode() + b"\n")
        stdin.close()

    def send_header(self, header: JsonObject) -> None:
        """Send the recorder the run's header, then leave its stream to the bench alone."""
        line = json.dumps(header, allow_nan=False).encode() + b"\n"
        self._records.sendall(line)
        self._records.close()

    def close(self) -> None:
        """End what still runs. By now the bench was told to stop, or cannot be reached."""
        stdin = self.bench.stdin
        if stdin is not None and not stdin.closed:
            with contextlib.suppress(BrokenPipeError):
                stdin.close()
        self.desk.close()
        self._records.close()
        for process in (self.bench, self.recorder):
            try:
                process.wait(WAIT_S)
            except subprocess.TimeoutExpired:
                process.kill()
                with contextlib.suppress(subprocess.TimeoutExpired):  # hung in the kernel
                    process.wait(KILLED_S)
        os.close(self.status)


SOCKET_PATH_MAX = 100
"""Maximum length of a Unix socket's name, with a margin (unix(7))."""


def socket_path(state: Path) -> Path:
    """The bench's own Unix socket, beside the state file; raises UsageError if the name is too
    long."""
    path = state.with_suffix(".sock")
    if len(os.fsencode(path)) > SOCKET_PATH_MAX:
        most = SOCKET_PATH_MAX - len(path.name) - len("/state/")
        raise UsageError(
            f"The data folder's name is too long for the bench's socket: {path.parent.parent}. "
            f"Point RIG_DATA at one of at most {most} characters."
        )
    return path
