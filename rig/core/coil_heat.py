# SPDX-License-Identifier: MIT
"""What is kept of a coil's heat between runs, in a file beside the state file of its rig.

Before the relay line is claimed the file is marked open; after the coil was released at the end the
last estimated temperature and the energised spans go into it, with the instants of all clocks. A
file found open belongs to a run that nobody saw end: nothing of it may be believed, and its
reader assumes the worst that the limits of the setup allow. The bench writes it at its start and
at its end only, never while the coil may be on.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import time
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from rig.core.clock import NS_PER_S, boot_id, clock_synchronised

VERSION = 2
SPANS_MOST = 2000
"""More are joined, each group put where it ends: it then leaves a window later, never sooner."""

FIRST_USE = "first use of this rig from this data folder"
MISSING = "the file with the coil's last temperature is missing"
DAMAGED = "the file with the coil's last temperature is damaged"
UNCLEAN = "nobody saw the last run release the coil"
GUARDED = "the last run's bench was lost, and the guard released the coil"
RESTARTED = "the computer was restarted since, and its clock was or is not synchronised"

WITHIN_LIMITS = (GUARDED, RESTARTED)
"""Reasons for which the interlock watched the coil to its end: it is no hotter than its limit. For
any other the coil may have been on, unwatched, for any time."""

Spans = Sequence[tuple[int, int]]
"""Energised spans, oldest first: ns from their start, and from their end, to a later instant."""


class Instant(NamedTuple):
    """All clocks at once. `boottime_ns` goes on while the computer sleeps (clock_gettime(2))."""

    utc_s: float
    monotonic_ns: int
    boottime_ns: int
    boot_id: str
    synchronised: bool | None


def read_instant() -> Instant:
    """The clocks now."""
    return Instant(
        time.time(), time.monotonic_ns(), time.clock_gettime_ns(time.CLOCK_BOOTTIME), boot_id(),
        clock_synchronised(),
    )  # fmt: skip


def boot_instant() -> Instant:
    """The clocks when the computer was started: every output was off then."""
    now = read_instant()
    up_s = now.boottime_ns / NS_PER_S
    return now._replace(utc_s=now.utc_s - up_s, monotonic_ns=0, boottime_ns=0)


class Kept(NamedTuple):
    """The file's content. `temperature_degc` is None where the setup had no [coil_heating];
    `spans` reach back `window_ns` before `at`. With `unknown` set to the reason neither counts."""

    open: bool
    temperature_degc: float | None
    spans: list[tuple[int, int]]
    window_ns: int
    at: Instant
    unknown: str = ""
    assumed: str = ""
    """Why temperature and spans rest on an assumption, where they do."""


class Past(NamedTuple):
    """What a start knows of the coil: `kept`, and how long ago that was, at least.

    With `unknown` the worst is to be assumed at that instant. `kept` is None at the first use,
    when nothing was ever energised from this data folder.
    """

    kept: Kept | None
    elapsed_s: float
    unknown: str


def heat_path(state: Path) -> Path:
    """The file of the rig whose state file is `state`."""
    return state.with_suffix(".heat")


def read(path: Path) -> Kept | None:
    """None where there is no file. Raises ValueError for a damaged one, OSError for the disk's."""
    try:
        data = json.loads(path.read_text())
    except FileNotFoundError:
        return None
    except (ValueError, RecursionError) as error:
        raise ValueError(str(error)) from error
    if not isinstance(data, dict):
        raise ValueError("it holds no table")
    try:
        return _kept(data)
    except (KeyError, TypeError, OverflowError, RecursionError) as error:
        raise ValueError(f"a field of another form ({error})") from error


def _kept(data: dict[str, Any]) -> Kept:
    if data.pop("check") != _check(data):
        raise ValueError("its checksum does not fit")
    if data.pop("version") != VERSION:
        raise ValueError("another version")
    data["at"] = Instant(**data["at"])
    data["spans"] = [(int(on_ns), int(off_ns)) for on_ns, off_ns in data["spans"]]
    kept = Kept(**data)
    numbers = [kept.at.utc_s, kept.at.boottime_ns, kept.at.monotonic_ns, kept.window_ns]
    if kept.temperature_degc is not None:
        numbers.append(kept.temperature_degc)
    words = [kept.unknown, kept.assumed, kept.at.boot_id]
    if not (isinstance(kept.open, bool) and all(isinstance(word, str) for word in words)):
        raise ValueError("a field of another type")
    in_order = all(on_ns >= off_ns >= 0 for on_ns, off_ns in kept.spans)
    if not (in_order and all(math.isfinite(n) for n in numbers)):
        raise ValueError("numbers that cannot be")
    return kept


def _check(data: dict[str, Any]) -> str:
    """CRC-32 (zlib) of the content: one altered digit may make a hot coil a cold one."""
    return f"{zlib.crc32(json.dumps(data).encode()):08x}"


def write(path: Path, kept: Kept) -> None:
    """Write it so that a power cut leaves the old file or the new one, and after the return the
    new one. The folder is made where it was removed meanwhile: the coil is warm all the same."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    data: dict[str, Any] = {"version": VERSION, **kept._asdict(), "at": kept.at._asdict()}
    data["check"] = _check(data)
    part = path.with_suffix(f".{os.getpid()}.part")
    with part.open("w") as file:
        json.dump(data, file, allow_nan=False)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)  # or a power cut could leave the file of before a run that heated the coil
    finally:
        os.close(folder)


def past(state: Path) -> Past:
    """What is known of the coil now, for a caller that knows that no bench holds the rig."""
    path = heat_path(state)
    try:
        kept = read(path)
    except (OSError, ValueError):
        return Past(None, 0.0, DAMAGED)
    now = read_instant()
    if kept is None:
        return Past(None, 0.0, MISSING if _used_before(state) else "")
    elapsed_s = _elapsed_s(kept.at, now)
    if kept.at.boot_id == now.boot_id and elapsed_s is None:  # later than now
        return Past(None, 0.0, DAMAGED)
    if kept.open:  # when it ended is not known, but a restart took every output off
        rebooted = kept.at.boot_id != now.boot_id
        return Past(kept, now.boottime_ns / NS_PER_S if rebooted else 0.0, UNCLEAN)
    if elapsed_s is None:
        return Past(kept, now.boottime_ns / NS_PER_S, kept.unknown or RESTARTED)
    return Past(kept, elapsed_s, kept.unknown)


def _used_before(state: Path) -> bool:
    """Whether this data folder ever held a state of this rig, also one that was moved away."""
    return any(state.with_suffix(suffix).exists() for suffix in (".json", ".change", ".damaged"))


def _elapsed_s(then: Instant, now: Instant) -> float | None:
    """Time between two instants; None where no clock can tell it."""
    up_s = now.boottime_ns / NS_PER_S
    if then.boot_id == now.boot_id != "unknown":
        elapsed_s = (now.boottime_ns - then.boottime_ns) / NS_PER_S
        return elapsed_s if elapsed_s >= 0 else None
    elapsed_s = now.utc_s - then.utc_s
    trusted = then.synchronised is True and now.synchronised is True
    return elapsed_s if trusted and elapsed_s >= up_s else None


def mark_open(state: Path) -> None:
    """From here on the coil may be energised. Raises OSError."""
    write(heat_path(state), Kept(True, None, [], 0, read_instant()))


def keep(
    state: Path, temperature_degc: float | None, spans: Spans, window_ns: int, assumed: str
) -> None:
    """The coil was released and its heat is known. Raises OSError."""
    kept = Kept(
        False, temperature_degc, joined(spans), window_ns, read_instant(), assumed=assumed
    )  # fmt: skip
    write(heat_path(state), kept)


def settle(state: Path, unknown: str = UNCLEAN) -> None:
    """The coil was seen off after a run that its bench did not end: it cools from here on, or from
    the start of the computer where that came after. Does nothing to any other file; never raises.
    `unknown`: GUARDED where the guard took the line within its time."""
    with contextlib.suppress(OSError, ValueError):
        kept = read(heat_path(state))
        if kept is not None and kept.open:
            at = read_instant() if kept.at.boot_id == boot_id() else boot_instant()
            write(heat_path(state), Kept(False, None, [], 0, at, unknown=unknown))


def put_back(state: Path, before: Past) -> None:
    """Nothing was claimed: the file says again what it said before. Never raises."""
    path = heat_path(state)
    with contextlib.suppress(OSError):
        if before.kept is not None and not before.kept.open:
            write(path, before.kept)
        elif before.unknown:
            write(path, Kept(False, None, [], 0, read_instant(), unknown=before.unknown))
        else:
            path.unlink(missing_ok=True)


def joined(spans: Spans) -> list[tuple[int, int]]:
    """At most SPANS_MOST spans of the same total, none of which ends sooner than it did."""
    size = -(-len(spans) // SPANS_MOST) or 1
    if size == 1:
        return list(spans)
    groups = [spans[n : n + size] for n in range(0, len(spans), size)]
    ends = [group[-1][1] for group in groups]
    sums = [sum(on_ns - off_ns for on_ns, off_ns in group) for group in groups]
    return [(end + total, end) for end, total in zip(ends, sums, strict=True)]


def duration_words(seconds: float) -> str:
    """A time for a person: 45 s, 3 min 10 s, 1 h 5 min; rounded up."""
    whole = math.ceil(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"
