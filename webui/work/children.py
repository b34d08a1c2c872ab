# SPDX-License-Identifier: MIT
"""Processes of the page's own that are asked through a pipe."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys


def start(
    module: str, *words: str, stderr: int | None = subprocess.DEVNULL, **environment: str
) -> subprocess.Popen[str]:
    """Start a module of ours in a session of its own, with pipes to and from it."""
    return subprocess.Popen(
        [sys.executable, "-m", module, *words], text=True, start_new_session=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=stderr,
        env={**os.environ, **environment},
    )  # fmt: skip


def end(process: subprocess.Popen[str] | None) -> None:
    """End a process, whatever it is doing, and close its pipes."""
    if process is None:
        return
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        with contextlib.suppress(OSError):
            if pipe is not None:
                pipe.close()
