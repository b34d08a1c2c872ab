# SPDX-License-Identifier: MIT
"""`python -m rig.actions.conduct_for_page`: a run driven over standard input and output, for the
page.

It is a separate process, so that its guard never waits for the page server. Its first line of input
is {"setup", "sheet", "options"}; then orders, one JSON object a line: go (with `by`), beat, stop
(with `why`). The end of the input is a stop, and so is an operator's page that is silent for
PAGE_SILENT_S during the run. The output is tellings, and the records of the run as the bench sends
them.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import select
import signal
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from rig.actions.conduct_run import Run
from rig.actions.progress import ProgressView
from rig.core.errors import RefusedError, RigError
from rig.core.json_values import JsonObject
from rig.core.preflight import Preflight
from rig.desk.outcome import Outcome
from rig.desk.signals import StopSignals

PAGE_SILENT_S = 5.0
F_SETPIPE_SZ = 1031
KEPT_MOST = 4 << 20


class Outlet:
    """Standard output that never makes the desk wait: what a slow reader has not read is kept;
    records above a limit are dropped, tellings never."""

    def __init__(self, fd: int) -> None:
        self._fd, self._buffer = fd, bytearray()
        os.set_blocking(fd, False)
        with contextlib.suppress(OSError):  # a larger pipe if the kernel allows it
            fcntl.fcntl(fd, F_SETPIPE_SZ, 1 << 20)
        self._lock = threading.Lock()

    def tell(self, kind: str, **fields: object) -> None:
        self.put(json.dumps({"tell": kind, **fields}, allow_nan=False).encode(), must=True)

    def put(self, line: bytes, *, must: bool = False) -> None:
        with self._lock:
            if must or len(self._buffer) < KEPT_MOST:
                self._buffer += line + b"\n"
            self._write()

    def _write(self) -> None:
        with contextlib.suppress(BlockingIOError, BrokenPipeError):
            while self._buffer:
                del self._buffer[: os.write(self._fd, self._buffer)]

    def finish(self, within_s: float = 5.0) -> None:
        """Write out what is kept."""
        until = time.monotonic() + within_s
        while self._buffer and time.monotonic() < until:
            select.select([], [self._fd], [], 0.1)
            with self._lock:
                self._write()


class Orders(threading.Thread):
    """Reads the page's orders; a stop becomes this process's own stop signal."""

    def __init__(self, fd: int) -> None:
        super().__init__(name="orders", daemon=True)
        self._fd, self._buffer = fd, b""
        self.go: JsonObject | None = None
        self.went = threading.Event()
        self.signals: StopSignals | None = None
        self.running = self.over = False
        self._beat = time.monotonic()

    def run(self) -> None:
        """The thread's body."""
        while not self.over:
            ready, _, _ = select.select([self._fd], [], [], 0.25)
            if ready and not self._read():
                self._halt("the page ended")
                return
            if self.running and time.monotonic() - self._beat > PAGE_SILENT_S:
                self._halt(f"the operator's page was silent for {PAGE_SILENT_S:.0f} s")
                return

    def _read(self) -> bool:
        data = os.read(self._fd, 65_536)
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        for line in lines:
            order = json.loads(line)
            self._beat = time.monotonic()
            if order["order"] == "go":
                self.go = order
                self.went.set()
            elif order["order"] == "stop":
                self._halt(str(order.get("why") or "stopped on the page"))
        return bool(data)

    def _halt(self, why: str) -> None:
        if self.signals is not None:
            self.signals.why = self.signals.why or why
        self.went.set()
        os.kill(os.getpid(), signal.SIGTERM)  # wakes the desk if it is waiting


class Teller(ProgressView):
    """Passes on what the desk receives."""

    def __init__(self, outlet: Outlet) -> None:
        self._outlet = outlet

    def record(self, line: bytes) -> None:
        self._outlet.put(line)

    def status(self, status: JsonObject) -> None:
        self._outlet.put(json.dumps(dict(status)).encode())

    def guide(self, instruction: str) -> None:
        self._outlet.tell("guide", instruction=instruction)

    def recorder(self, told: JsonObject) -> None:
        if "error" in told:
            self._outlet.tell("recorder", error=str(told["error"]))

    def stopping(self, why: str) -> None:
        self._outlet.tell("stopping", why=why)

    def alarm(self, words: str) -> None:
        self._outlet.tell("alarm", words=words)


class AttendedRun(Run):
    """The steps of `rig run`, with questions and answers over the wire instead of a terminal."""

    ARMED_FROM = "page"

    def __init__(self, plan: JsonObject, outlet: Outlet, orders: Orders) -> None:
        super().__init__(Path(plan["setup"]), Path(plan["sheet"]), plan["options"])
        self._outlet, self._orders = outlet, orders

    def _waits(self) -> bool:
        """The page counts down, and a person checks again."""
        return False

    def _real_time(self, signals: StopSignals) -> Outcome:
        self._orders.signals = signals
        self._orders.start()
        return super()._real_time(signals)

    def _show_preflight(self, found: Preflight) -> None:
        fields = found._asdict()
        fields["checks"] = [{"id": check.id, **check._asdict()} for check in found.checks]
        self._outlet.tell("preflight", **fields)

    def _header(self, found: Preflight, signals: StopSignals) -> JsonObject:
        """Wait for a person's go, and meanwhile keep beating the bench."""
        self._outlet.tell("waiting")
        while not self._orders.went.wait(0.2) and signals.why is None:
            pass
        go = self._orders.go
        if go is None or signals.why is not None:
            raise RefusedError(
                f"Not begun: {signals.why or 'left'}. Nothing was energised.",
                id_="refusal.not-begun",
            )
        self._options = {
            **self._options,
            "confirmed_by": go.get("by") or "unnamed",
            "accept_not_watched": bool(go.get("not_watched_accepted")),
        }
        self._orders.running = True
        return super()._header(found, signals)

    @contextlib.contextmanager
    def _view(self, source: str) -> Iterator[ProgressView]:
        self._outlet.tell("started", source=source)
        yield Teller(self._outlet)

    def _finish(self, outcome: Outcome) -> int:
        self._orders.running = False
        self._outlet.tell("ended", **_facts(outcome))
        if outcome.run is not None and outcome.started:
            self._analyse(outcome)
        return outcome.code

    def _analyse(self, outcome: Outcome) -> None:
        from rig.actions.analyse_run import analyse_and_save
        from rig.core import places
        from rig.runlog.store import RunLog

        try:
            with RunLog(places.log_path()) as log:
                if not outcome.stored_whole:
                    log.mark_interrupted()
                shape = analyse_and_save(log, int(outcome.run or 0))
        except (RigError, OSError) as error:
            self._outlet.tell("not analysed", why=str(error))
        else:
            self._outlet.tell("analysed", run=outcome.run, verdict=shape["verdict"],
                              of_the_valve=shape["of_the_valve"])  # fmt: skip


def _facts(outcome: Outcome) -> JsonObject:
    return {
        "run": outcome.run,
        "code": outcome.code,
        "message": outcome.message,
        "stopped": outcome.stopped,
        "notes": outcome.notes,
        "started": outcome.started,
        "reason": outcome.end.reason if outcome.end else None,
        "off": outcome.end.off if outcome.end else None,
        "trip": {"id": outcome.trip.id, **outcome.trip._asdict()} if outcome.trip else None,
    }


def main() -> int:
    """Drive one run; returns the exit code of `rig run`."""
    outlet = Outlet(os.dup(sys.stdout.fileno()))
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # a stray print is no telling
    plan = json.loads(sys.stdin.buffer.readline())
    orders = Orders(sys.stdin.fileno())
    try:
        return AttendedRun(plan, outlet, orders).go()
    except RigError as error:
        outlet.tell("refused", why=str(error), code=error.exit_code)
        return error.exit_code
    except Exception as error:  # noqa: BLE001 - the page must hear why nothing happens
        outlet.tell("refused", why=f"Internal fault: {type(error).__name__}: {error}", code=7)
        return 7
    finally:
        orders.over = True
        outlet.finish()


if __name__ == "__main__":
    sys.exit(main())
