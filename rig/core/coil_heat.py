# SPDX-License-Identifier: MIT
"""The coil's heat kept between runs, in a file beside the rig's state file.

The file is marked open before the relay line is claimed. After the coil is released at the end, the
last estimated temperature, the energised spans and the readings of all clocks are written to it. An
open file belongs to a run whose end nobody saw: ignore its content and assume the worst that the
limits of the setup allow. The bench writes the file only at its start and its end, never while the
coil may be on.
"""

from __future__ import annotations

import contextlib
import json
import math
import time
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from rig.core.atomic_file import whole_file
from rig.core.clock import NS_PER_S, boot_id, clock_synchronised
from rig.core.json_values import JsonObject
from rig.core.kept_file import read_kept

VERSION = 2
SPANS_MOST = 2000
"""Above this number, spans are joined and each group is moved to its latest end: it leaves the
window later, never sooner."""

FIRST_USE = "first use of this rig from this data folder"
MISSING = "the file with the coil's last temperature is missing"
DAMAGED = "the file with the coil's last temperature is damaged"
UNCLEAN = "nobody saw the last run release the coil"
GUARDED = "the last run's bench was lost, and the guard released the coil"
RESTARTED = "the computer was restarted since, and its clock was or is not synchronised"
UNWATCHED = "the setup before had no [coil_heating], so no temperature was kept"

WITHIN_LIMITS = (GUARDED, RESTARTED)
"""Reasons that mean the interlock watched the coil until it was off, so the coil is no hotter than
its limit. For any other reason the coil may have been on, unwatched, for any length of time."""

Spans = Sequence[tuple[int, int]]
"""Energised spans, oldest first: for each, ns from its start and from its end to a later
instant."""


class Instant(NamedTuple):
    """All clocks at once. `boottime_ns` keeps counting while the computer sleeps
    (clock_gettime(2))."""

    utc_s: float
    monotonic_ns: int
    boottime_ns: int
    boot_id: str
    synchronised: bool | None


def read_instant() -> Instant:
    """Read the clocks now."""
    return Instant(
        time.time(), time.monotonic_ns(), time.clock_gettime_ns(time.CLOCK_BOOTTIME), boot_id(),
        clock_synchronised(),
    )  # fmt: skip


def boot_instant() -> Instant:
    """The clocks at boot, when every output was off."""
    now = read_instant()
    up_s = now.boottime_ns / NS_PER_S
    return now._replace(utc_s=now.utc_s - up_s, monotonic_ns=0, boottime_ns=0)


class Kept(NamedTuple):
    """The file's content. `temperature_degc` is None if the setup has no [coil_heating]. `spans`
    reach back `window_ns` before `at`. If `unknown` holds a reason, ignore both."""

    open: bool
    temperature_degc: float | None
    spans: list[tuple[int, int]]
    window_ns: int
    at: Instant
    unknown: str = ""
    assumed: str = ""
    """Why temperature and spans are assumed, if they are."""


class Past(NamedTuple):
    """What is known of the coil at a start: `kept`, and the least time since then.

    If `unknown` is set, assume the worst at that instant. `kept` is None at first use, when this
    data folder has never been used to energise anything.
    """

    kept: Kept | None
    elapsed_s: float
    unknown: str


def heat_path(state: Path) -> Path:
    """The coil heat file that belongs to the state file `state`."""
    return state.with_suffix(".heat")


def read(path: Path) -> Kept | None:
    """Read the file; None if there is none. Raises ValueError if damaged, OSError on a disk
    error."""
    try:
        data = json.loads(read_kept(path))
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


def _kept(data: JsonObject) -> Kept:
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


def _check(data: JsonObject) -> str:
    """CRC-32 (zlib) of the content: one altered digit could make a hot coil look cold."""
    return f"{zlib.crc32(json.dumps(data).encode()):08x}"


def write(path: Path, kept: Kept) -> None:
    """Write atomically: a power cut leaves the old file or the new one, and after the return the
    new one. If the folder was removed meanwhile, make it again: the coil is still warm."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    data: JsonObject = {"version": VERSION, **kept._asdict(), "at": kept.at._asdict()}
    data["check"] = _check(data)
    with whole_file(path, lasting=True) as file:  # else a power cut could restore a cold coil
        json.dump(data, file, allow_nan=False)


def past(state: Path) -> Past:
    """What is known of the coil now. The caller must know that no bench holds the rig."""
    path = heat_path(state)
    try:
        kept = read(path)
    except (OSError, ValueError):
        return Past(None, 0.0, DAMAGED)
    now = read_instant()
    if kept is None:
        return Past(None, 0.0, MISSING if _used_before(state) else "")
    elapsed_s = _elapsed_s(kept.at, now)
    if kept.at.boot_id == now.boot_id and elapsed_s is None:  # kept in the future
        return Past(None, 0.0, DAMAGED)
    if kept.open:  # its end time is unknown, but a restart turned every output off
        rebooted = kept.at.boot_id != now.boot_id
        return Past(kept, now.boottime_ns / NS_PER_S if rebooted else 0.0, UNCLEAN)
    if elapsed_s is None:
        return Past(kept, now.boottime_ns / NS_PER_S, kept.unknown or RESTARTED)
    return Past(kept, elapsed_s, kept.unknown)


def _used_before(state: Path) -> bool:
    """Whether this data folder ever held a state file of this rig, even one moved aside."""
    return any(state.with_suffix(suffix).exists() for suffix in (".json", ".change", ".damaged"))


def _elapsed_s(then: Instant, now: Instant) -> float | None:
    """Time between two instants; None if no clock can give it."""
    up_s = now.boottime_ns / NS_PER_S
    if then.boot_id == now.boot_id != "unknown":
        elapsed_s = (now.boottime_ns - then.boottime_ns) / NS_PER_S
        return elapsed_s if elapsed_s >= 0 else None
    elapsed_s = now.utc_s - then.utc_s
    trusted = then.synchronised is True and now.synchronised is True
    return elapsed_s if trusted and elapsed_s >= up_s else None


def mark_open(state: Path, *, watched: bool = True) -> None:
    """Mark the file open: from here on the coil may be energised. `watched`: the setup has a
    [coil_heating] whose limit ends the run. Raises OSError."""
    assumed = "" if watched else UNWATCHED
    write(heat_path(state), Kept(True, None, [], 0, read_instant(), assumed=assumed))


def keep(
    state: Path, temperature_degc: float | None, spans: Spans, window_ns: int, assumed: str
) -> None:
    """Record the heat of a coil that has been released. Raises OSError."""
    kept = Kept(
        False, temperature_degc, joined(spans), window_ns, read_instant(), assumed=assumed
    )  # fmt: skip
    write(heat_path(state), kept)


def settle(state: Path, unknown: str = UNCLEAN) -> None:
    """Record that the coil was seen off after a run that its bench did not end: it cools from now,
    or from the computer's start if that was later. Leaves any other file alone and never raises.
    `unknown`: GUARDED if the guard took the line within its time."""
    with contextlib.suppress(OSError, ValueError):
        kept = read(heat_path(state))
        if kept is not None and kept.open:
            at = read_instant() if kept.at.boot_id == boot_id() else boot_instant()
            write(heat_path(state), kept._replace(open=False, at=at, unknown=unknown))


def put_back(state: Path, before: Past) -> None:
    """Restore the previous content, because nothing was claimed. Never raises."""
    path = heat_path(state)
    with contextlib.suppress(OSError):
        if before.kept is not None and not before.kept.open:
            write(path, before.kept)
        elif before.unknown:
            write(path, Kept(False, None, [], 0, read_instant(), unknown=before.unknown))
        else:
            path.unlink(missing_ok=True)


def joined(spans: Spans) -> list[tuple[int, int]]:
    """At most SPANS_MOST spans with the same total; none ends sooner than before."""
    size = -(-len(spans) // SPANS_MOST) or 1
    if size == 1:
        return list(spans)
    groups = [spans[n : n + size] for n in range(0, len(spans), size)]
    ends = [group[-1][1] for group in groups]
    sums = [sum(on_ns - off_ns for on_ns, off_ns in group) for group in groups]
    return [(end + total, end) for end, total in zip(ends, sums, strict=True)]


def duration_words(seconds: float) -> str:
    """A duration in words: 45 s, 3 min 10 s, 1 h 5 min; rounded up."""
    whole = math.ceil(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"
