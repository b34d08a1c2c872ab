# SPDX-License-Identifier: MIT
"""In the guest: `rig run` from a process that has imported everything beforehand.

Starting Python and importing takes the emulated processor some 20 s a run. Here one process imports
once and forks for desk, bench and recorder; each then runs the program's own code, starting with
reading its plan. lgpio, which starts a thread, is loaded only in the forked bench.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

PRELOADED = (
    "click", "gpiozero", "gpiod", "serial", "select", "rig.cli.run", "rig.actions.conduct_run",
    "rig.actions.confirmation", "rig.compose", "rig.config.files.loading",
    "rig.config.files.resolved",
    "rig.desk.processes", "rig.desk.session", "rig.bench.process", "rig.recorder.process",
    "rig.recorder.__main__", "rig.io.board", "rig.io.gpio", "rig.io.edges", "rig.runlog.store",
)  # fmt: skip
SIGNALS = ("INT", "TERM", "HUP", "QUIT", "TSTP")


def preload() -> None:
    """Import what the three processes need, and nothing that starts a thread."""
    from rig.cli.run import command

    for name in PRELOADED:
        importlib.import_module(name)
    assert "lgpio" not in sys.modules
    assert command.name == "run"


def forked(work: Callable[[], int], pass_fds: Sequence[int] = ()) -> int:
    """Run `work` in a forked child with a session of its own; its pid."""
    pid = os.fork()
    if pid:
        return pid
    code = 70
    try:
        os.setsid()
        signal.set_wakeup_fd(-1)
        for name in SIGNALS:
            signal.signal(getattr(signal, f"SIG{name}"), signal.SIG_DFL)
        keep = sorted({0, 1, 2, *pass_fds})
        for low, high in zip(keep, [*keep[1:], 4096], strict=True):
            os.closerange(low + 1, high)
        code = work()
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


class Child:
    """The parts of subprocess.Popen that rig.desk.processes needs, for `[python, -m, MODULE,
    ...]`."""

    def __init__(self, words: Sequence[str], **options: Any) -> None:
        module, arguments = words[2], [str(word) for word in words[3:]]
        piped = options.get("stdin") == subprocess.PIPE
        reader, writer = os.pipe() if piped else (os.open(os.devnull, os.O_RDONLY), -1)
        fds = options["pass_fds"]
        self.pid = forked(lambda: _module(module, arguments, reader), (*fds, reader))
        os.close(reader)
        self.stdin = os.fdopen(writer, "wb") if piped else None
        self.returncode: int | None = None
        STARTED.append((module, self.pid))

    def poll(self) -> int | None:
        if self.returncode is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        until = None if timeout is None else time.monotonic() + timeout
        while self.poll() is None:
            if until is not None and time.monotonic() > until:
                raise subprocess.TimeoutExpired(str(self.pid), timeout or 0)
            time.sleep(0.002)
        return int(self.returncode or 0)

    def kill(self) -> None:
        if self.poll() is None:
            os.kill(self.pid, signal.SIGKILL)


STARTED: list[tuple[str, int]] = []


def _module(module: str, arguments: list[str], stdin: int) -> int:
    os.dup2(stdin, 0)
    sys.stdin = os.fdopen(0)
    sys.argv = [module, *arguments]
    if module == "rig.compose":
        return int(importlib.import_module("rig.compose").main())
    return int(importlib.import_module("rig.recorder.__main__").main(arguments))


def desk(pair: tuple[Any, Any], tell: int, go: int, *, guard: bool) -> int:
    """One run; JSON lines to `tell`. Afterwards it waits until `go` can be read.

    `guard` False: disable the desk's guard, to see that the faults are then noticed.
    """
    from rig.actions import conduct_run
    from rig.cli.run import command
    from rig.config.files import loading
    from rig.desk import processes, session

    processes.subprocess = SimpleNamespace(  # type: ignore[attr-defined]
        Popen=Child, PIPE=subprocess.PIPE, DEVNULL=subprocess.DEVNULL,
        TimeoutExpired=subprocess.TimeoutExpired,
    )  # fmt: skip

    def say(**words: Any) -> None:
        os.write(tell, json.dumps(words).encode() + b"\n")

    class Teller(session.Watcher):
        def recorder(self, told: Any) -> None:
            if "committed" in told:
                say(committed=told["committed"])

    @contextlib.contextmanager
    def view(*_: Any, **__: Any) -> Iterator[session.Watcher]:
        say(recorder=dict(STARTED)["rig.recorder"])
        yield Teller()

    conduct_run.view = view  # type: ignore[assignment]
    if not guard:
        session.Session._guard = lambda self: None  # type: ignore[method-assign]

    class Run(conduct_run.Run):
        def _finish(self, outcome: Any) -> int:
            trip = outcome.trip.rule if outcome.trip else None
            say(code=outcome.code, run=outcome.run, trip=trip, message=outcome.message)
            os.read(go, 1)
            return int(outcome.code)

    loading.load_pair = lambda *_: pair  # type: ignore[assignment]
    files = Path(pair[0].path), Path(pair[1].path)
    words = [str(path) for path in files]
    words += ["--confirmed-by", "test", "--accept-not-watched", "--json"]
    options = dict(command.make_context("run", words).params)
    options.pop("setup"), options.pop("sheet")
    return Run(*files, options).go()
