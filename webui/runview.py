# SPDX-License-Identifier: MIT
"""One run as pages and JSON show it: what was stored, its result, and its strokes in short."""

from __future__ import annotations

import contextlib
import functools
from dataclasses import asdict, dataclass
from typing import Any

from rig.analysis.run import analyse
from rig.analysis.shapes import run_json
from rig.core.errors import RigError
from rig.core.recording import Recording
from rig.core.records import Trip
from rig.runlog.store import RunLog, StoredRun
from webui import log, timeline, words
from webui.faults import PageFault

STROKES_A_PAGE = 25


@dataclass(frozen=True)
class RunView:
    """A stored run and the result saved with it, None where none was."""

    stored: StoredRun
    saved: dict[str, Any] | None

    @functools.cached_property
    def recording(self) -> Recording:
        """The raw records; raises PageFault, StorageError or ValueError where unreadable."""
        return log.decoded(self.stored).recording

    @functools.cached_property
    def result(self) -> dict[str, Any] | None:
        """The saved result; worked out now where none was saved; None where it cannot be."""
        if self.saved is not None:
            return self.saved
        with contextlib.suppress(RigError, PageFault, ValueError):
            kept = log.decoded(self.stored)
            if kept.result is None:
                kept.result = computed(self.stored, kept)
            return kept.result
        return None

    @property
    def computed_now(self) -> bool:
        return self.saved is None and self.result is not None

    @property
    def strokes(self) -> list[dict[str, Any]]:
        return list((self.result or {}).get("strokes") or [])

    def stroke(self, number: int) -> dict[str, Any] | None:
        """The analysed stroke of this number."""
        return next((s for s in self.strokes if s.get("number") == number), None)

    @property
    def verdict(self) -> words.Shown | None:
        return words.verdict(((self.result or {}).get("verdict") or {}).get("result"))

    def trip(self) -> dict[str, Any] | None:
        """The first trip, as recorded, in the shape of a result; None where there was none."""
        for trip in self.recording.trips:
            return trip_json(self.recording, trip)
        return None

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
            "result_saved": self.saved is not None,
            "result": self.result,
        }


def computed(stored: StoredRun, decoded: log.Decoded) -> dict[str, Any]:
    """The analysis of a stored run, as the command line makes it."""
    header = stored.header
    status = stored.status if stored.status in ("running", "interrupted") else None
    found = analyse(decoded.recording, decoded.setup, decoded.sheet, header.conditions, status)
    return run_json(found, {**asdict(header), "run": stored.id})


def trip_json(recording: Recording, trip: Trip) -> dict[str, Any]:
    """A raw trip in the shape of a result."""
    return {
        "rule": trip.rule,
        "value": trip.value,
        "limit": trip.limit,
        "unit": trip.unit,
        "t_ms": timeline.to_ms(trip.t_ns, recording),
        "message": trip.message,
    }


def open_run(run_log: RunLog, run_id: int) -> RunView:
    """The run of this number; a plain 404 where there is none."""
    stored = log.stored_run(run_id)
    return RunView(stored, run_log.result(run_id))
