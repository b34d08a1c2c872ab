# SPDX-License-Identifier: MIT
"""The recorder as a separate process: records in on one descriptor, status out on another.

In: the run's header as one line of JSON, then records, one a line. The header may have one more
field, "state": the state file in which to latch a trip, if it was not yet known when this process
was started. Every process except the bench must close the writing end, or the bench's death is not
seen here.

Out, one JSON object a line: {"ready": true} when the log is open; {"run", "raw_file"} when the run
is in it, with "remark" if its disk forgets what is written; {"committed", "lag_s", "free_mb"} after
each commit (and each try, while the log is locked), and while a commit is held up; {"error"} with
plain words, once for each fault; at the end {"done": true, "run", "status", "records",
"committed"}. Nobody has to read it: status is dropped before records are.

An error ends the run: the desk orders the stop. A disk that holds a commit up for STALL_LIMIT_S and
one that is nearly full are errors too, reported while there is still something to save.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from rig.core.errors import StorageError
from rig.core.json_values import JsonObject
from rig.core.records import decode
from rig.recorder.recorder import LATE_S, Recorder
from rig.runlog.header import RunHeader
from rig.runlog.store import RunLog

READ_BYTES = 256 << 10
MAX_LINE_BYTES = 4 << 20
DRAIN_S = 1.0
"""When asked to stop, how long to go on reading what has already been sent."""
LAST_WORD_S = 0.5
"""How long the last message and an error wait for a slow reader."""
LOOK_S = 1.0
"""Interval between checks of the disk, also while nothing is recorded."""
STALL_LIMIT_S = 8.0
"""A disk that accepts nothing for this long ends the run. Cards pause for up to about 5 s."""
STALL_LOOK_S = 0.25
"""Interval between checks for a stall."""
STALL_TOLD_S = 0.5
"""Interval between reports while a stall lasts."""


class Stream:
    """Read complete lines from a descriptor, in large reads."""

    def __init__(self, fd: int) -> None:
        self.fd = fd
        self._tail = b""
        self.ended = False

    def wait(self, timeout_s: float | None, *wake_fds: int) -> bool:
        """Wait until something can be read; returns early when one of `wake_fds` is readable."""
        ready, _, _ = select.select([self.fd, *wake_fds], [], [], timeout_s)
        return self.fd in ready

    def read(self) -> list[bytes]:
        """The lines that one read completes, without newlines. Sets `ended` at the end."""
        try:
            block = os.read(self.fd, READ_BYTES)
        except ConnectionError:  # the bench died with data unread: treat as an end
            block = b""
        if not block:
            self.ended = True
            return []
        *lines, self._tail = (self._tail + block).split(b"\n")
        self.ended = len(self._tail) > MAX_LINE_BYTES  # no record is this long
        return [line for line in lines if line]

    @property
    def cut_bytes(self) -> int:
        """Length of a last line without its end."""
        return len(self._tail)


class Status:
    """Status messages to the desk. Waits at most LAST_WORD_S, and only for those that matter."""

    def __init__(self, fd: int) -> None:
        self._fd = fd

    def say(self, *, wait_s: float = 0.0, **word: object) -> None:
        poll = select.poll()
        poll.register(self._fd, select.POLLOUT)
        with contextlib.suppress(OSError):  # the desk is gone; recording goes on without it
            if poll.poll(wait_s * 1000):
                os.write(self._fd, (json.dumps(word, allow_nan=False) + "\n").encode())

    def error(self, error: BaseException) -> None:
        self.say(wait_s=LAST_WORD_S, error=str(error))


class Stop:
    """SIGTERM as a flag and as a descriptor that becomes readable with it."""

    def __init__(self) -> None:
        self.asked = False
        self.fd, self._write_fd = os.pipe()
        os.set_blocking(self._write_fd, False)

    def __call__(self, *_: object) -> None:
        self.asked = True
        with contextlib.suppress(BlockingIOError):
            os.write(self._write_fd, b"!")

    def close(self) -> None:
        os.close(self.fd)
        os.close(self._write_fd)


@contextlib.contextmanager
def stopping() -> Iterator[Stop]:
    """While inside, SIGTERM asks to stop instead of ending the process."""
    stop = Stop()
    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGTERM, before)
        stop.close()


class StallTeller:
    """Reports from its own thread how far behind the recorder is while its disk holds it up.

    It only reads: the thread that waits for the disk cannot report.
    """

    def __init__(self, recorder: Recorder, status: Status) -> None:
        self._recorder, self._status = recorder, status
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="stall teller", daemon=True)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _watch(self) -> None:
        recorder, limit_told, told_s = self._recorder, False, 0.0
        while not self._over.wait(STALL_LOOK_S):
            lag_s = recorder.lag_s
            if lag_s <= LATE_S or recorder.failure is not None:
                told_s = 0.0
                continue
            if lag_s >= told_s + STALL_TOLD_S or not told_s:
                told_s = lag_s
                self._status.say(**progress(recorder, recorder.room.last_mb))
            if lag_s > STALL_LIMIT_S and not limit_told:
                limit_told = True
                self._status.error(
                    StorageError(
                        f"The disk has not taken what was recorded {lag_s:.0f} s ago (limit "
                        f"{STALL_LIMIT_S:.0f} s). It waits in memory and is stored when the disk "
                        "goes on. Look at the kernel's messages (dmesg); replace a worn card."
                    )
                )


def progress(recorder: Recorder, free_mb: float | None) -> JsonObject:
    """The status message on how far recording has got."""
    lag_s = round(recorder.lag_s, 3)
    return {"committed": recorder.committed, "lag_s": lag_s, "free_mb": free_mb}


def serve(
    in_fd: int, status_fd: int, log_path: Path, raw_dir: Path, state_path: Path | None
) -> int:
    """Record one run; returns the process's exit code."""
    status = Status(status_fd)
    with stopping() as stop:
        try:
            with RunLog(log_path) as log:
                status.say(wait_s=LAST_WORD_S, ready=True)
                return _Run(Stream(in_fd), status, stop).record(log, raw_dir, state_path)
        except StorageError as error:
            status.error(error)
            return error.exit_code


class _Run:
    def __init__(self, stream: Stream, status: Status, stop: Stop) -> None:
        self._stream, self._status, self._stop = stream, status, stop
        self._bad_lines = 0
        self._reported: list[BaseException] = []
        self._room: StorageError | None = None  # the disk is nearly full, or lost the state file

    def record(self, log: RunLog, raw_dir: Path, state_path: Path | None) -> int:
        lines = self._first_lines()
        if not lines or _is_record(lines[0]):
            self._status.say(wait_s=LAST_WORD_S, done=True, committed=0)  # no run was begun
            return 0
        header, stated = _header(lines[0])
        recorder = Recorder(log, header, raw_dir, state_path=stated or state_path, real_time=True)
        remark = {"remark": " ".join(recorder.remarks)} if recorder.remarks else {}
        self._status.say(
            wait_s=LAST_WORD_S, run=recorder.run_id, raw_file=str(recorder.raw.path), **remark
        )
        with StallTeller(recorder, self._status):
            return self._until_end(recorder, lines[1:])

    def _first_lines(self) -> list[bytes]:
        """The header and the lines read with it; empty if the run never began."""
        while not self._stop.asked and not self._stream.ended:
            if self._stream.wait(None, self._stop.fd):
                lines = self._stream.read()
                if lines:
                    return lines
        return []

    def _until_end(self, recorder: Recorder, lines: list[bytes]) -> int:
        self._take(recorder, lines)
        deadline_s: float | None = None
        while recorder.end is None and not self._stream.ended:
            if self._stop.asked and deadline_s is None:
                deadline_s = time.monotonic() + DRAIN_S
            if deadline_s is None:
                due_s = min(recorder.due_in_s or LOOK_S, recorder.room.due_in_s)
                readable = self._stream.wait(due_s, self._stop.fd)
            else:
                readable = self._stream.wait(0)
                if not readable or time.monotonic() > deadline_s:
                    break
            self._take(recorder, self._stream.read() if readable else [])
        return self._close(recorder)

    def _take(self, recorder: Recorder, lines: list[bytes]) -> None:
        before = recorder.committed
        records = [line for line in lines if _is_record(line)]
        self._bad_lines += len(lines) - len(records)
        recorder.take(records)
        due = not recorder.room.due_in_s
        if recorder.poll() or recorder.committed != before or due:
            free_mb = recorder.room.look()
            if free_mb is None:
                recorder.medium_gone()
            self._status.say(**progress(recorder, free_mb))
            self._room = self._room or recorder.room.nearly_full() or recorder.state_lost()
        self._report(recorder)

    def _report(self, recorder: Recorder) -> None:
        if recorder.failure is not None and recorder.failure not in self._reported:
            self._status.say(**progress(recorder, recorder.room.last_mb))
        for error in (recorder.failure, recorder.latch_failure, self._room):
            if error is not None and error not in self._reported:
                self._reported.append(error)
                self._status.error(error)

    def _close(self, recorder: Recorder) -> int:
        remarks = []
        if recorder.end is None:
            how = "The recorder was asked to stop" if self._stop.asked else "The bench ended"
            remarks.append(f"{how} before the run did.")
            if self._stream.cut_bytes:
                remarks.append(f"A last record cut after {self._stream.cut_bytes} bytes left out.")
        if self._bad_lines:
            remarks.append(f"{self._bad_lines} lines that are no records were left out.")
        code = 0
        try:
            recorder.finish(remark=" ".join(remarks))
        except StorageError as error:
            code = error.exit_code
        self._report(recorder)
        self._status.say(
            wait_s=LAST_WORD_S,
            done=True,
            run=recorder.run_id,
            status=recorder.status,
            records=recorder.committed + recorder.unlogged,
            committed=recorder.committed,
        )
        return code


def _is_record(line: bytes) -> bool:
    try:
        decode(line)
    except ValueError:
        return False
    return True


def _header(line: bytes) -> tuple[RunHeader, Path | None]:
    """Parse the first line into header and state file. Raises StorageError if it cannot be
    parsed."""
    try:
        data = json.loads(line)
        state = data.pop("state", None)
        return RunHeader.from_json(json.dumps(data)), None if state is None else Path(state)
    except (AttributeError, TypeError, ValueError) as error:
        raise StorageError(f"The run cannot be entered into the log: {error}.") from error
