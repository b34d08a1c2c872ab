# SPDX-License-Identifier: MIT
"""Store encoded records twice: raw file first, then a chunk in the run log.

Committed means: in the run log and synced to the disk. Timing rules:
1. what has arrived is committed at most COMMIT_S later, or sooner at COMMIT_BYTES;
2. a trip and the end are committed, and the raw file synced, at once;
3. otherwise the raw file is handed to the kernel with every commit and synced every RAW_SYNC_S:
   the log is the guarantee, the raw file the second copy, and cards bear few syncs;
4. while another program locks the log, records wait in memory, up to LOCK_LIMIT_S and WAIT_BYTES;
5. if one of the two fails for good, the other continues, so that the run can be restored; if the
   raw file fails, or its folder or medium is gone, it continues in the next place that can be
   written (home, then /tmp), with whatever can still be recovered of the run;
6. a disk or lock that held a commit up for longer than STALL_S is entered as a condition, after the
   records are stored, and noted in the run's remark.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path

from rig.core.clock import NS_PER_S, Clock, Clocks, MonotonicClock, clock_change, read_clocks
from rig.core.errors import RigError, StorageError
from rig.core.records import Condition, End, Trip, decode, encode
from rig.core.spare import Spare
from rig.core.state_file import write_latch
from rig.recorder.disk import Room, lost_at_power_off
from rig.recorder.elsewhere import open_elsewhere
from rig.recorder.raw_file import RawFile, raw_file_name
from rig.runlog.engine import LogBusyError
from rig.runlog.header import RunHeader
from rig.runlog.store import RunLog

COMMIT_S = 0.4
COMMIT_NS = int(COMMIT_S * NS_PER_S)
COMMIT_BYTES = 256 << 10
RAW_SYNC_S = 2.0
RAW_SYNC_NS = int(RAW_SYNC_S * NS_PER_S)
LOCK_LIMIT_S = 5.0
LOCK_LIMIT_NS = int(LOCK_LIMIT_S * NS_PER_S)
STALL_S = 0.5
LATE_S = COMMIT_S + STALL_S
BEHIND = "recorder behind"
"""Kind of the condition that a stall leaves in the record."""
WAIT_BYTES = 8 << 20
KEPT_BYTES = 8 << 20
"""Size of the end of the run that stays in memory."""
SPARE_BYTES = 256 << 10
"""Space reserved on the disk for the last records, and the same again for closing the run."""

STATE_MISSING_LOOKS = 2
"""Consecutive looks without the state file before it counts as lost."""
LOOK_EVERY = 64  # records between two clock readings in put()
SPECIAL = (b'["T",', b'["Z",')


def _there(path: Path | None) -> bool:
    return path is not None and os.path.exists(path)  # noqa: PTH110 - Path.exists may raise


class Recorder:
    """Records one run (core.ports.RecordSink). Belongs to one thread.

    Creating it enters the run into `log` (after marking runs left open by a crash as interrupted)
    and creates its raw file: `raw_path` is that file, or the folder to create it in. It raises
    StorageError if either fails, or the disk has too little room. After that nothing raises until
    `finish`: the first fault is kept in `failure`, and `unlogged` counts the records that are not
    in the log. A trip is latched in the state file `state_path` whatever has failed.

    `clock` is real time even if the rig's is virtual, because the waiting is for the disk.
    `real_time` says that the records are stamped by that clock too, so that a stall can be entered
    among them. `read_clocks` reads the clocks at start and end (core.clock).
    """

    def __init__(
        self,
        log: RunLog,
        header: RunHeader,
        raw_path: Path,
        *,
        state_path: Path | None = None,
        clock: Clock | None = None,
        real_time: bool = False,
        read_clocks: Callable[[], Clocks] = read_clocks,
    ) -> None:
        self._log, self._state_path = log, state_path
        self._had_state, self._state_missing = _there(state_path), 0
        self._clock = clock or MonotonicClock()
        self._real_time = real_time
        path = raw_path / raw_file_name(header) if raw_path.is_dir() else raw_path
        folders = (log.path.parent, path.absolute().parent)
        self.room = Room(folders, self._clock)
        self.room.require()
        found = dict.fromkeys(lost_at_power_off(folder) for folder in folders)
        self.remarks = [words for words in found if words]
        """What the run's remark will say about its start."""
        self._read_clocks, self._clocks = read_clocks, read_clocks()
        log.mark_interrupted()
        self.raw = RawFile(path.absolute(), header)
        try:
            self.run_id = log.begin_run(header, self.raw.path.name)
        except BaseException:
            self.raw.discard()
            raise
        self._header = header
        for kept in (self.raw.path, log.path):
            self.room.watch(kept)
        self._spares = [Spare(log.path.with_name(f"{log.path.name}.spare-{n}"), SPARE_BYTES)
                        for n in ("raw", "end")]  # fmt: skip
        for spare in self._spares:
            spare.keep()
        self._kept: deque[tuple[bytes, ...]] = deque()  # the end of the run, in memory
        self._kept_bytes = self._forgotten = 0
        self._new: list[bytes] = []  # not yet in the raw file
        self._waiting: list[bytes] = []  # given to the raw file, not yet in the log
        self._bytes = 0  # size of both
        self._oldest_ns: int | None = None
        self._next_ns = 0
        self._raw_synced_ns = self._clock.now_ns()
        self._raw_works = self._log_works = True
        self._finished = False
        self.status = "running"
        self.committed = 0
        self.unlogged = 0
        self.stalls = 0
        self.worst_lag_s = 0.0
        self.end: End | None = None
        self._gone = self._moved = False
        self.failure: StorageError | None = None
        self.latch_failure: StorageError | None = None

    @property
    def lag_s(self) -> float:
        """Age of the oldest uncommitted record, seconds; 0 if there is none."""
        if self._oldest_ns is None:
            return 0.0
        return (self._clock.now_ns() - self._oldest_ns) / NS_PER_S

    @property
    def overflowed(self) -> bool:
        """Whether the raw file or the log has failed for good."""
        return self.failure is not None

    @property
    def due_in_s(self) -> float | None:
        """Time until the next commit, seconds; None if nothing waits for one."""
        if not self._bytes:
            return None
        return max(0.0, (self._next_ns - self._clock.now_ns()) / NS_PER_S)

    def put(self, line: str) -> None:
        """Take one encoded record (records.encode)."""
        self.take((line.encode(),))

    def take(self, lines: Sequence[bytes]) -> None:
        """Take encoded records, each without its newline."""
        for line in lines:
            if not self._bytes:
                self._first_waits()
            self._new.append(line)
            self._bytes += len(line) + 1
            if line.startswith(SPECIAL):
                self._note(line)
                self._commit(sync_raw=True)
            elif self._bytes >= COMMIT_BYTES or not len(self._new) % LOOK_EVERY:
                self.poll()

    def state_lost(self) -> StorageError | None:
        """What to report where the run should end because its bench can no longer be found; None
        while the folder or medium as a whole is going, which is reported by itself."""
        missing = self._had_state and not _there(self._state_path)
        self._state_missing = self._state_missing + 1 if missing else 0
        if self._state_missing < STATE_MISSING_LOOKS or self.room.look(at_once=True) is None:
            return None
        return StorageError(
            f"The state file {self._state_path} was removed: neither a page's Stop nor `rig safe` "
            "finds this run's bench without it. What was recorded is kept."
        )

    def _first_waits(self) -> None:
        now_ns = self._clock.now_ns()
        self._next_ns = now_ns + COMMIT_NS
        if self._oldest_ns is None:
            self._oldest_ns = now_ns

    def _note(self, line: bytes) -> None:
        record = decode(line)
        if isinstance(record, End):
            self.end = record
        elif isinstance(record, Trip) and self._state_path is not None:
            self._latch(self._state_path, record)

    def _latch(self, path: Path, trip: Trip) -> None:
        """Latch before storing: the latch must stand even if the records can no longer be
        stored."""
        try:
            write_latch(path, trip, time.time())
        except (OSError, RigError) as error:
            self.latch_failure = StorageError(
                f"The trip could not be latched in {path}: {error}. Do not start this rig again "
                "before its cause is gone."
            )

    def poll(self) -> bool:
        """Commit what waits, if due; returns whether it was due."""
        if not self._bytes:
            return False
        full = self._bytes >= COMMIT_BYTES and not self._waiting  # do not hammer a locked log
        if not full and self._clock.now_ns() < self._next_ns:
            return False
        self._commit(sync_raw=False)
        return True

    def _commit(self, *, sync_raw: bool) -> None:
        if self._raw_works:
            self._store_raw(sync_raw)
        self._waiting += self._new
        self._new = []
        if self._log_works and self._waiting:
            self._store_log()
        if not self._log_works:
            self.unlogged += len(self._waiting)
            self._waiting = []
        if self._waiting:
            self._next_ns = self._clock.now_ns() + COMMIT_NS
        else:
            self._bytes = 0

    def _store_raw(self, sync: bool) -> None:
        now_ns = self._clock.now_ns()
        sync = sync or now_ns - self._raw_synced_ns >= RAW_SYNC_NS
        try:
            try:
                self._append(sync)
            except StorageError:
                if not self._spares[0].give_up():
                    raise
                self._append(sync)
            if sync:
                self._raw_synced_ns = now_ns
        except StorageError as error:
            if self.room.look(at_once=True) is None:
                self.medium_gone(error)
            else:
                self._elsewhere(error)
        self._keep(self._new)

    def _append(self, sync: bool) -> None:
        if self._new:
            self.raw.append(self._new)
        if sync:
            self.raw.sync()

    def _keep(self, lines: Sequence[bytes]) -> None:
        """Keep them in memory too, in case the raw file's medium is lost."""
        if not lines:
            return
        self._kept.append(tuple(lines))
        self._kept_bytes += sum(map(len, lines))
        while self._kept_bytes > KEPT_BYTES:
            old = self._kept.popleft()
            self._kept_bytes -= sum(map(len, old))
            self._forgotten += len(old)

    def medium_gone(self, error: StorageError | None = None) -> None:
        """The folder or medium of log and raw file is gone: continue elsewhere. Idempotent."""
        if self._gone:
            return
        self._gone = True
        self._log_works = False  # what it accepts now is lost
        folder = self.raw.path.parent
        why = f" ({error})" if error else ""
        self._elsewhere(
            StorageError(
                f"The folder of the run log or of its raw file is gone: {folder} was removed, or "
                f"its medium was taken out{why}."
            )
        )

    def _elsewhere(self, error: StorageError) -> None:
        """Continue in a raw file in the next place that can be written, with all that can still be
        recovered of the run: read back, or else from memory."""
        try:
            lines, forgotten = self.raw.read_back(), 0
        except OSError:
            lines, forgotten = [line for kept in self._kept for line in kept], self._forgotten
        lines = [*lines, *self._new] if lines[-len(self._new) :] != self._new else lines
        old = self.raw
        new = None if self._moved else open_elsewhere(self._header, old.path, lines)
        self._moved = True
        if new is None:
            self._raw_works = False
            self.failure = self.failure or StorageError(
                f"{error} No other place for the records could be written (home, /tmp)."
            )
            return
        old.close()
        self.raw = new
        lost = f" {forgotten} records from the beginning of the run are not in it." * bool(
            forgotten
        )
        self.failure = self.failure or StorageError(
            f"{error} The records are kept in {new.path} instead.{lost} `rig recover {new.path}` "
            "puts them into the log."
        )

    def _store_log(self) -> None:
        text = b"\n".join(self._waiting) + b"\n"
        try:
            self._log.append_chunk(self.run_id, len(self._waiting), text)
        except LogBusyError as busy:
            if self.lag_s < LOCK_LIMIT_S and self._bytes < WAIT_BYTES:
                return
            self._log_works = False
            self.failure = self.failure or busy
        except StorageError as error:
            self._log_works = False
            self.failure = self.failure or error
        else:
            self.committed += len(self._waiting)
            self._waiting = []
            self._committed_after(self.lag_s)
            self._oldest_ns = None

    def _committed_after(self, lag_s: float) -> None:
        self.worst_lag_s = max(self.worst_lag_s, lag_s)
        if lag_s <= LATE_S:
            return
        self.stalls += 1
        if self._real_time and self.end is None and not self._finished:
            detail = f"records were committed up to {lag_s:.1f} s after they arrived"
            self._new.append(encode(Condition(BEHIND, self._clock.now_ns(), detail)).encode())

    def finish(self, end: End | None = None, remark: str = "") -> str:
        """Commit the rest, close the run, and return its `status`. Idempotent.

        `end` is taken from the records if not given; without one the run is interrupted. A run with
        records that are not in the log is closed as fault. Afterwards raises `failure`, or else
        `latch_failure`.
        """
        if self._finished:
            return self.status
        self._finished = True
        end = self.end = end or self.end
        self.status = end.reason if end else "interrupted"
        try:
            if self.room.look(at_once=True) is None:
                self.medium_gone()
            self._commit(sync_raw=True)
            while self._waiting:  # each try waits for the lock itself, until the limit is used up
                self._commit(sync_raw=False)
            if self.unlogged:
                self.status = "fault"
                remark += f" {self.unlogged} records are in the raw file only."
            if self.stalls and self._real_time:
                remark += f" The recorder was up to {self.worst_lag_s:.1f} s behind."
            for problem in (self.failure, self.latch_failure):
                remark += f" {problem}" if problem else ""
            self._close_row(end, remark)
        finally:
            self.raw.close()
            for spare in self._spares:
                spare.give_up()
        if self.failure is not None:
            raise self.failure
        if self.latch_failure is not None:
            raise self.latch_failure
        return self.status

    def _close_row(self, end: End | None, remark: str) -> None:
        limit_ns = LOCK_LIMIT_NS if self._log_works else 0  # the lock was already waited for
        deadline_ns = self._clock.now_ns() + limit_ns
        clock = clock_change(self._clocks, self._read_clocks())
        words = [*self.remarks, remark.strip(), *clock.words()]
        remark = " ".join(text for text in words if text)
        while True:
            try:
                self._log.end_run(self.run_id, self.status, end, remark, clock)
                return
            except LogBusyError as busy:
                if self._clock.now_ns() < deadline_ns:
                    continue
                self.failure = self.failure or busy
            except StorageError as error:
                if self._spares[1].give_up():
                    continue
                self.failure = self.failure or error
            return
