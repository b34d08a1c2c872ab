# SPDX-License-Identifier: MIT
"""The state file of a rig: the owner of its relay line, and the latched trip.

It is written before the line is claimed, so that `rig safe` and the guard can find the line without
a valid setup, and it keeps the latch across restarts and reboots. Every change is a
read-modify-write under a lock: written to a new file, synced, renamed.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from rig.core.atomic_file import whole_file
from rig.core.clock import boot_id
from rig.core.errors import InternalFault, RefusedError, StorageError
from rig.core.json_values import JsonObject
from rig.core.kept_file import lock_within, open_lock, read_kept
from rig.core.records import RELEASE_NOT_SEEN, Trip, readback_doubted
from rig.core.spare import FULL, Spare

VERSION = 1
LARGEST = 1e11
"""No limit, reading or wall time (s) in the file reaches this; NaN fails too."""


@dataclass(frozen=True)
class Owner:
    """The process that holds the relay line. `started` tells it from a later process with its
    pid."""

    pid: int
    started: int
    boot_id: str
    socket: str = ""

    def alive(self) -> bool:
        """Whether this same process still runs (a zombie does not)."""
        started = process_started(self.pid)
        return bool(started) and self.boot_id == boot_id() and started == self.started


@dataclass(frozen=True)
class RigState:
    """What is known of a rig between runs. `chip` is the GPIO chip's label, `line` the relay line's
    offset, `plan` the resolved setup (rig.config.files.resolved)."""

    rig: str
    backend: str
    chip: str
    line: int
    plan: JsonObject = field(default_factory=dict)
    owner: Owner | None = None
    trip: Trip | None = None
    tripped_utc_s: float | None = None
    readback_doubted: bool = False
    """This trip, or a later one, found the read-back wrong: it confirms nothing until cleared."""


def rig_name(backend: str, chip: str, line: int) -> str:
    """The name of a rig: its backend or chip label, and its relay line."""
    return f"{chip if backend == 'board' else 'simulated'}-line{line}"


def state_path(folder: Path, rig: str) -> Path:
    """Path of the state file of `rig`."""
    return folder / f"{rig}.json"


def state_files(folder: Path) -> list[Path]:
    """The state file of every rig in `folder`, unread; none if the folder does not exist.

    Raises RefusedError for a folder that cannot be listed: it may still name rigs.
    """
    try:
        paths = list(folder.iterdir())  # glob would silently find nothing
    except FileNotFoundError:
        return []
    except OSError as error:
        raise RefusedError(
            f"The folder {folder} cannot be read ({error.strerror}), so it is not known which rigs "
            "were started from it. Do this as the user who started them.",
            id_="refusal.state-folder-unreadable",
        ) from error
    return sorted(path for path in paths if path.suffix == ".json")


def process_started(pid: int) -> int:
    """Start time of a living process in clock ticks since boot; 0 if it is gone or a zombie."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_bytes()  # its name may not be UTF-8
    except OSError:
        return 0
    fields = stat.rpartition(b")")[2].split()
    return 0 if fields[0] in b"ZX" else int(fields[19])


def this_process(socket: str = "") -> Owner:
    """This process as an owner."""
    pid = os.getpid()
    return Owner(pid, process_started(pid), boot_id(), socket)


_FILE_IS_DAMAGED = "Check the rig and the disk, then move the file away and start again."
_TOO_LITTLE = "End other programs or raise the limit (`ulimit`), and try again. Leave the file."
_FILE_IS_SOUND = {
    errno.EMFILE: _TOO_LITTLE, errno.ENFILE: _TOO_LITTLE, errno.ENOMEM: _TOO_LITTLE,
    errno.EACCES: "Do this as the user who started the rig. Leave the file.",
}  # fmt: skip
"""What to do where the file itself is not what fails: a latch must not be moved away."""


def read(path: Path) -> RigState | None:
    """The state, or None if none was written. A damaged file is refused, never guessed at."""
    try:
        text = read_kept(path)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise RefusedError(
            f"The state file {path} cannot be read ({error}), so it is not known whether a trip is "
            f"latched. {_FILE_IS_SOUND.get(error.errno or 0, _FILE_IS_DAMAGED)}",
            id_="refusal.state-unreadable",
        ) from error
    try:
        data = json.loads(text)
        if not isinstance(data, dict):
            raise ValueError("it holds no table")
        owner, trip = data.pop("owner"), data.pop("trip")
        if data.pop("version") != VERSION:
            raise ValueError("another version")
        state = RigState(
            **data, owner=Owner(**owner) if owner else None, trip=Trip(**trip) if trip else None
        )
        _check_types(state)
        _check_names(path, state)
        return state
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError) as error:
        raise RefusedError(
            f"The state file {path} is damaged ({error}), so it is not known whether a trip is "
            "latched. Check the rig, then move the file away and start again.",
            id_="refusal.state-damaged",
        ) from error


def _check_types(state: RigState) -> None:
    """Raise TypeError now: a field of the wrong type would fail later, in the middle of a stop."""
    texts = [state.rig, state.backend, state.chip]
    numbers = [state.line]
    reals = [state.tripped_utc_s]
    if state.owner is not None:
        texts += [state.owner.boot_id, state.owner.socket]
        numbers += [state.owner.pid, state.owner.started]
    if state.trip is not None:
        texts += [state.trip.rule, state.trip.message, state.trip.unit]
        numbers.append(state.trip.t_ns)
        reals += [state.trip.value, state.trip.limit]
    whole = all(isinstance(n, int) and not isinstance(n, bool) for n in numbers)
    real = all(n is None or (isinstance(n, int | float) and abs(n) < LARGEST) for n in reals)
    if not (
        whole
        and real
        and all(isinstance(text, str) for text in texts)
        and isinstance(state.plan, dict)
        and isinstance(state.readback_doubted, bool)
    ):
        raise TypeError("a field of another type")


def _check_names(path: Path, state: RigState) -> None:
    """Raises ValueError. A file of another rig under this name, or with backend, chip or line
    altered, would drive off the wrong line, or none."""
    named = rig_name(state.backend, state.chip, state.line)
    if state.backend not in ("board", "simulated") or not state.rig == named == path.stem:
        raise ValueError(
            f"it names the rig {state.rig}, {state.backend}, line {state.line} of {state.chip}"
        )


LOCK_S = 6.0
"""Wait for another program's change: cards pause for up to about 5 s. One that stands still for
longer may not keep a person from being told what is known of the coil."""


@contextlib.contextmanager
def changing(path: Path) -> Iterator[None]:
    """Hold the lock that makes a read-modify-write of the state file atomic. Raises StorageError
    if it cannot be had."""
    lock_path = path.with_suffix(".change")
    try:
        lock = open_lock(lock_path)
    except OSError as error:
        raise StorageError(
            f"The state file {path} cannot be changed: {lock_path} cannot be opened "
            f"({error.strerror})."
        ) from error
    try:
        if not lock_within(lock, LOCK_S):
            raise StorageError(
                f"The state file {path} cannot be changed: another program has held {lock_path} "
                f"for more than {LOCK_S:.0f} s."
            )
        yield
    finally:
        os.close(lock)


SPARE_BYTES = 64 << 10


def write(path: Path, state: RigState) -> None:
    """Write the state atomically: a power cut leaves the old file or the new one.

    If the disk is full, the spare file beside it is removed: an end and a latch must be written.
    Raises StorageError.
    """
    spare = Spare(path.with_suffix(".spare"), SPARE_BYTES)
    try:
        try:
            _write(path, state)
        except OSError as error:
            if error.errno not in FULL or not spare.give_up():
                raise
            _write(path, state)
    except OSError as error:
        why = "the disk is full" if error.errno in FULL else error.strerror or str(error)
        raise StorageError(f"The state file {path} cannot be written: {why}.") from error
    spare.keep()


def _write(path: Path, state: RigState) -> None:
    data = {"version": VERSION, **asdict(state)}
    data["trip"] = state.trip._asdict() if state.trip else None
    with whole_file(path, lasting=True) as file:
        json.dump(data, file, indent=1)


def claim(path: Path, state: RigState) -> bool:
    """Write `state` as the rig's owner, keeping a latched trip; returns whether the file is new."""
    with changing(path):
        before = read(path)
        if before is not None:
            state = replace(
                state, trip=before.trip, tripped_utc_s=before.tripped_utc_s,
                readback_doubted=before.readback_doubted,
            )  # fmt: skip
        try:
            write(path, state)
        except StorageError:
            if before is None:
                _leave_no_trace(path)
            raise
    return before is None


def _leave_no_trace(path: Path) -> None:
    """Remove what lies beside a state file for a use that never was."""
    for beside in (".change", ".spare"):
        path.with_suffix(beside).unlink(missing_ok=True)


def release(path: Path, owner: Owner) -> None:
    """Remove `owner` from the state, if it is still there."""
    with changing(path):
        state = read(path)
        if state is not None and state.owner == owner:
            write(path, replace(state, owner=None))


def give_up(path: Path, owner: Owner, *, new: bool) -> None:
    """Undo `claim` after a start that never claimed the line. Remove the file if `claim` created
    it, or `rig safe` would look for that line for ever."""
    if not new:
        release(path, owner)
        return
    with changing(path):
        state = read(path)
        if state is not None and state.owner == owner and state.trip is None:
            path.unlink()
            _leave_no_trace(path)


def latch_dead_owner(path: Path) -> RigState | None:
    """Latch a dead owner of this boot as a trip, unless one is latched already: nobody saw it
    release its line. Returns the state."""
    with changing(path) if os.path.lexists(path) else contextlib.nullcontext():
        state = read(path)
        owner = state.owner if state is not None else None
        if state is None or owner is None or owner.boot_id != boot_id() or owner.alive():
            return state
        if state.trip is None:
            message = (
                f"The bench (process {owner.pid}) ended without releasing its line, and nobody saw "
                "the coil off since. Make sure that the coil is off (`rig safe`), and find out "
                "what ended the bench."
            )
            trip = Trip(RELEASE_NOT_SEEN, None, None, "", time.monotonic_ns(), message)
            state = replace(state, trip=trip, tripped_utc_s=time.time())
            write(path, state)
        return state


def write_latch(path: Path, trip: Trip, utc_s: float, rig: RigState | None = None) -> None:
    """Latch `trip`. The first trip is kept; a later one adds only that it doubts the read-back.

    `rig` is what the file should hold. With it, a missing file is created and a damaged one moved
    aside, so that the latch is written in any case.
    """
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with changing(path):
        try:
            state = read(path)
        except RefusedError:
            if rig is None:
                raise
            path.replace(path.with_suffix(".damaged"))
            state = None
        state = state or rig
        if state is None:
            raise InternalFault(f"No state file {path} to latch a trip in.")
        doubted = state.readback_doubted or readback_doubted(trip)
        if state.trip is None:
            write(
                path,
                replace(state, trip=trip, tripped_utc_s=utc_s, readback_doubted=doubted),
            )
        elif doubted and not state.readback_doubted:
            write(path, replace(state, readback_doubted=True))


def clear_latch(path: Path) -> None:
    """Remove the latch and a dead owner. The caller has shown that the condition is gone and that
    the line can be driven off."""
    with changing(path):
        state = read(path)
        if state is not None:
            owner = state.owner if state.owner is not None and state.owner.alive() else None
            write(
                path,
                replace(state, owner=owner, trip=None, tripped_utc_s=None, readback_doubted=False),
            )


def held(path: Path) -> bool:
    """Whether a process holds the lock of this state file's rig, whatever the file says."""
    try:
        lock = open_lock(path.with_suffix(".lock"), create=False)
    except FileNotFoundError:  # nothing was ever started
        return False
    except OSError:  # not known: it may be
        return True
    try:
        fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(lock)
    return False


def _owner(path: Path) -> Owner | None:
    state = read(path)
    return state.owner if state is not None else None


class RigLock:
    """The one-bench-per-rig lock, held for the life of this process, however it ends."""

    def __init__(self, path: Path) -> None:
        lock_path = path.with_suffix(".lock")
        try:
            self._fd = open_lock(lock_path)
        except OSError as error:
            raise StorageError(
                f"The rig's lock {lock_path} cannot be opened ({error.strerror}). Nothing was "
                "energised."
            ) from error
        try:
            owner = _owner(path)
            free = lock_within(self._fd, 0) and (
                owner is None or owner.pid == os.getpid() or not owner.alive()
            )
            if not free:  # also if the lock is free because its file was removed and created again
                raise RefusedError(self._who(owner), id_="refusal.rig-in-use")
        except BaseException:
            self.close()
            raise

    @staticmethod
    def _who(owner: Owner | None) -> str:
        holder = f"process {owner.pid}" if owner else "another process"
        return (
            f"This rig is in use by {holder}. One run at a time: wait for it, or command the coil "
            "off and end that run with `rig safe`."
        )

    def close(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1
