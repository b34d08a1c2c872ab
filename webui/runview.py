# SPDX-License-Identifier: MIT
"""One run as pages and JSON show it: what was stored, its result, and its strokes in short."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

from rig.core.recording import Recording
from rig.core.records import Trip
from rig.runlog.store import RunLog, StoredRun
from webui import log, words

STROKES_A_PAGE = 100


@dataclass(frozen=True)
class RunView:
    """A stored run and its latest result (design shape), None where it was not analysed."""

    stored: StoredRun
    result: dict[str, Any] | None

    @functools.cached_property
    def recording(self) -> Recording:
        """The raw records; raises FileProblems or StorageError where they cannot be read."""
        return log.recording_of(self.stored)

    @property
    def strokes(self) -> list[dict[str, Any]]:
        return list((self.result or {}).get("strokes") or [])

    def stroke(self, number: int) -> dict[str, Any] | None:
        """The analysed stroke of this number."""
        return next((s for s in self.strokes if s.get("number") == number), None)

    @property
    def verdict(self) -> words.Shown | None:
        return words.verdict(((self.result or {}).get("verdict") or {}).get("result"))

    @property
    def trip(self) -> dict[str, Any] | None:
        """The trip as the result has it; from the raw records where there is no result."""
        if self.result is not None:
            return self.result.get("trip")
        return trip_json(self.recording, self.recording.trips[0]) if self.recording.trips else None

    @property
    def marked(self) -> list[dict[str, Any]]:
        """Strokes that carry a mark, or that the switch did not answer."""
        return [s for s in self.strokes if s.get("marks") or s.get("answered") is False]

    def facts(self) -> dict[str, Any]:
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
            "watched": header.watched,
            "not_watched": header.not_watched,
            "remark": stored.remark,
            "records": stored.n_records,
            "software": header.software,
            "result": self.result,
        }


def trip_json(recording: Recording, trip: Trip) -> dict[str, Any]:
    """A raw trip in the shape of a result."""
    return {
        "rule": trip.rule,
        "value": trip.value,
        "limit": trip.limit,
        "unit": trip.unit,
        "t_ms": round((trip.t_ns - recording.t0_ns) / 1e6, 6),
    }


def open_run(run_log: RunLog, run_id: int) -> RunView:
    """The run of this number; a plain 404 where there is none."""
    stored = log.stored_run(run_id)
    return RunView(stored, run_log.result(run_id))
