# SPDX-License-Identifier: MIT
"""One run as pages and JSON show it: what was stored, its result, and its strokes in brief."""

from __future__ import annotations

import contextlib
import functools
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from rig.actions.analyse_run import analysed, remark_of, saved_result, texts_of
from rig.config.files.simulated_table import without_table
from rig.core.errors import RigError
from rig.core.json_values import JsonObject
from rig.core.recording import Recording
from rig.core.records import Trip
from rig.core.results.run import Result, Stroke
from rig.results.run_json import rules_json
from rig.runlog.store import StoredRun
from webui import log, words
from webui.exercise.seats import as_shown
from webui.faults import PageFault

STROKES_A_PAGE = 25


class ShownSetup(NamedTuple):
    """The text of a setup as the page shows it."""

    text: str
    hides: bool
    """The simulated rig's table is left out, or the whole text if that is impossible."""
    revealed: bool
    locked: bool = False
    """Of an exercise: not to be revealed yet."""


def shown_setup(text: str, *, whole: bool, locked: bool = False) -> ShownSetup:
    """A stored setup's text; the `[simulated]` table, which may name a fault yet to be found, is
    included only if `whole`, and never while `locked`."""
    left = without_table(text)
    if locked:
        return ShownSetup("" if left is None else left, True, False, True)
    if whole or left == text or "simulated" not in text:
        return ShownSetup(text, False, whole)
    return ShownSetup(left or "", True, False)


@dataclass(frozen=True)
class RunView:
    """A stored run and the result saved with it, None if there was none."""

    stored: StoredRun
    saved: Result | None

    @functools.cached_property
    def recording(self) -> Recording:
        """The raw records; raises PageFault, StorageError or ValueError if unreadable."""
        return log.decoded(self.stored).recording

    @functools.cached_property
    def readable(self) -> bool:
        """Whether the setup stored with the run is readable: without it levels would be guessed."""
        return texts_of(self.stored)[0] is not None

    @functools.cached_property
    def remark(self) -> str:
        """Remark on how the run was stored; empty if there is none."""
        return remark_of(self.stored)

    @functools.cached_property
    def result(self) -> Result | None:
        """The saved result; computed now if none was saved; None if that is impossible."""
        found = self._found
        # the cache holds the run for every viewer; the header is as this viewer may see it
        if found is None:
            return None
        shown = found.copy()
        shown["seed"] = self.stored.header.seed
        return shown

    @property
    def _found(self) -> Result | None:
        if self.saved is not None:
            return self.saved
        with contextlib.suppress(RigError, PageFault, ValueError):
            kept = log.decoded(self.stored)
            if kept.result is None:
                kept.result = analysed(self.stored)
            return kept.result
        return None

    @property
    def computed_now(self) -> bool:
        return self.saved is None and self.result is not None

    @property
    def strokes(self) -> list[Stroke]:
        return self.result["strokes"] if self.result else []

    def stroke(self, number: int) -> Stroke | None:
        """The analysed stroke of this number."""
        return next((s for s in self.strokes if s["number"] == number), None)

    @property
    def verdict(self) -> words.Shown | None:
        return words.verdict(self.result["verdict"]["result"] if self.result else None)

    @functools.cached_property
    def suspect(self) -> list[Stroke]:
        """Strokes that the switch did not answer, or with a mark that makes them doubtful."""
        doubtful = set(self.result["doubtful"] if self.result else ())
        return [s for s in self.strokes if s["missed"] or doubtful & set(s["marks"])]

    @functools.cached_property
    def mark_counts(self) -> Counter[str]:
        """How many strokes carry each mark."""
        return Counter(mark for stroke in self.strokes for mark in stroke["marks"])

    @property
    def every_mark(self) -> list[str]:
        """Marks carried by every stroke of several: stated once, not in every row."""
        n = len(self.strokes)
        return [mark for mark, count in self.mark_counts.items() if count == n > 1]

    def mark_key(self, page: list[Stroke]) -> list[tuple[str, str, int]]:
        """The marks on these strokes, the most frequent first: (letter, words, count in the run).

        Long marks repeat on stroke after stroke; the table refers to them by letter.
        """
        shown = {mark for stroke in page for mark in stroke["marks"]}
        counts = self.mark_counts.copy()
        for mark in self.every_mark:
            del counts[mark]
        listed = [(mark, n) for mark, n in counts.most_common() if mark in shown]
        return [(letter(i), mark, n) for i, (mark, n) in enumerate(listed)]

    def facts(self) -> JsonObject:
        """The run for /api/runs/<id>: header, state and result."""
        header, stored = self.stored.header, self.stored
        return {
            "run": stored.id,
            "source": header.source,
            "seed": header.seed,
            "status": stored.status,
            "started_utc_s": header.wall.utc_s,
            "clock_synchronised": header.wall.synchronised,
            "ended_utc_s": stored.end_utc_s,
            "off": None if stored.end is None else stored.end.off,
            "valve": header.valve,
            "job": header.job,
            "by": header.by,
            "mount": header.mount,
            "note": header.note,
            "conditions": dict(header.conditions),
            "confirmed_by": header.confirmed_by,
            "confirmation": header.confirmation,
            "setup": {"name": header.setup_name, "hash": header.setup_hash},
            "sheet": None
            if header.sheet_text is None
            else {"name": header.sheet_name, "hash": header.sheet_hash, "kind": header.kind},
            "hardware": dict(header.hardware),
            "watched": rules_json(header.watched),
            "not_watched": rules_json(header.not_watched),
            "remark": self.remark,
            "purpose": header.purpose,
            "records": stored.n_records,
            "software": header.software,
            "result_saved": self.saved is not None,
            "result": self.result,
        }


def letter(i: int) -> str:
    """a to z, then aa, ab ..."""
    return (letter(i // 26 - 1) if i >= 26 else "") + chr(ord("a") + i % 26)


def trip_json(to_ms: Callable[[int], float], trip: Trip) -> JsonObject:
    """A raw trip in the form of a result; `to_ms` gives its place on the time axis."""
    return {
        "id": trip.id,
        "rule": trip.rule,
        "value": trip.value,
        "limit": trip.limit,
        "unit": trip.unit,
        "t_ms": to_ms(trip.t_ns),
        "message": trip.message,
    }


def open_run(run_id: int) -> RunView:
    """The run with this number; a plain 404 if there is none."""
    stored = as_shown(log.stored_run(run_id))
    return RunView(stored, saved_result(log.run_log(), stored))
