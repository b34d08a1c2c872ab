# SPDX-License-Identifier: MIT
"""Class guesses before the answer is shown: counted, never by name, deleted with the question."""

from __future__ import annotations

import math
import statistics
import threading
import time
from collections import Counter, deque
from collections.abc import Iterable
from typing import NamedTuple

from webui.charts.chain_links import LINKS
from webui.faults import PageFault

PHONES_MOST, OF_AN_ADDRESS = 100, 40
"""Guesses kept for one question, in total and from one network address: a class behind one access
point may share an address, and one machine guessing repeatedly leaves room for others."""
CHANGES_MOST = 20
"""Changes of one phone's guess in one question."""
TOGETHER = (
    "Guess together with somebody, or ask the teacher to hide the answer again: that begins anew."
)
IN_ALL, WITHIN_S = 120, 10.0
"""Guesses accepted from everybody within this many seconds."""
BINS = 6
SHARE_BINNED = 0.9
"""The slowest tenth may lie beyond the bins, so that one typing error does not squeeze them."""


class Guess(NamedTuple):
    """How long, and which part takes the longest; None if left open."""

    ms: float | None
    part: str | None


class Guesses:
    """The guesses for one question. A phone is identified by a random number in its browser's
    session, kept here only while the question is open and nowhere else."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[str, Guess] = {}
        self._changes: Counter[str] = Counter()
        self._phones_at: Counter[str] = Counter()
        self._lately: deque[float] = deque(maxlen=IN_ALL)

    def take(self, phone: str, guess: Guess, address: str = "") -> int:
        """Record a phone's guess, replacing its earlier one; return how many there are. `address`:
        where it came from. Raises PageFault if there are too many."""
        with self._lock:
            now = time.monotonic()
            if len(self._lately) == IN_ALL and now - self._lately[0] < WITHIN_S:
                raise _too_many("More guesses come at once than are taken.", "Wait a moment.")
            if phone not in self._kept and len(self._kept) >= PHONES_MOST:
                raise _too_many(f"{PHONES_MOST} phones have guessed already.", TOGETHER)
            if phone not in self._kept and self._phones_at[address] >= OF_AN_ADDRESS:
                raise _too_many(
                    f"{OF_AN_ADDRESS} phones have guessed from this network address already.",
                    TOGETHER,
                )
            if self._changes[phone] >= CHANGES_MOST:
                raise _too_many(
                    f"This phone has changed its guess {CHANGES_MOST} times.",
                    "The last guess counts.",
                )
            self._lately.append(now)
            self._changes[phone] += 1
            self._phones_at[address] += phone not in self._kept
            self._kept[phone] = guess
            return len(self._kept)

    def forget(self) -> None:
        """Start another question."""
        with self._lock:
            self._kept.clear()
            self._changes.clear()
            self._phones_at.clear()

    def all(self) -> list[Guess]:
        """The guesses without their phones."""
        with self._lock:
            return list(self._kept.values())


def _too_many(what: str, remedy: str) -> PageFault:
    return PageFault(429, "This guess was not taken", what, remedy)


def is_part(name: str) -> bool:
    """Whether this names a link of the chain, or consecutive links that are shown together."""
    names = name.split(" + ")
    if names[0] not in LINKS:
        return False
    at = LINKS.index(names[0])
    return tuple(names) == LINKS[at : at + len(names)]


class PartCount(NamedTuple):
    """How many said this part."""

    name: str
    n: int


class Bin(NamedTuple):
    """How many guessed a time from `from_ms` and below `to_ms`; None: no upper limit."""

    from_ms: float
    to_ms: float | None
    n: int


class Tally(NamedTuple):
    """All guesses summarised."""

    n: int
    parts: tuple[PartCount, ...]
    times: tuple[Bin, ...]
    median_ms: float | None


def tally(guesses: Iterable[Guess]) -> Tally:
    """Count guesses: parts in the order of the chain, times in bins of a round width."""
    kept = list(guesses)
    named = Counter(guess.part for guess in kept if guess.part is not None)
    times = sorted(guess.ms for guess in kept if guess.ms is not None)
    order = sorted(named, key=lambda name: (LINKS.index(name.split(" + ")[0]), name))
    return Tally(
        len(kept),
        tuple(PartCount(name, named[name]) for name in order),
        _bins(times),
        statistics.median(times) if times else None,
    )


def _bins(times: list[float]) -> tuple[Bin, ...]:
    if not times:
        return ()
    most = times[math.ceil(SHARE_BINNED * len(times)) - 1]
    width = round_width(max(most, times[0]) / BINS)
    first = math.floor(times[0] / width)
    counts = Counter(min(math.floor(at / width) - first, BINS) for at in times)
    last = max(counts)
    return tuple(
        Bin(width * (first + k), None if k == BINS else width * (first + k + 1), counts[k])
        for k in range(last + 1)
    )


def round_width(least: float) -> float:
    """The smallest of 1, 2, 5, 10, 20 ... (or 0.1, 0.2, 0.5) that is no less than `least`."""
    if least <= 0.1:
        return 0.1
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= least * 0.999999)
