# SPDX-License-Identifier: MIT
"""The last completed stroke during a run, for the progress display.

Records are put in one at a time. Only those of the current stroke are kept. When the next stroke
begins, the usual analysis runs on that one stroke, so that each stroke costs the same however long
the run is.
"""

from __future__ import annotations

from rig.analysis.analyse import SETTLE_WINDOW_S
from rig.analysis.measure import marks
from rig.analysis.measure.edge_loss import doubts
from rig.analysis.measure.stroke_table import stroke_table
from rig.analysis.measure.stroke_windows import last_ns, stroke_windows
from rig.analysis.measure.switch_state import contact_told, switch_track
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet
from rig.core.clock import NS_PER_S
from rig.core.recording import RecordingBuilder
from rig.core.records import Command, Edge, End, Level, Record, Trip
from rig.core.results.run import Stroke
from rig.results import run_json


class LiveStrokes:
    """Feed with `put`. `last` is the JSON of the last completed stroke (without pressures); `done`,
    `missed` and `doubtful` count so far."""

    def __init__(self, setup: Setup, sheet: Sheet | None, source: str) -> None:
        self._setup, self._source = setup, source
        self._window_ns = round((sheet.settle_window_s if sheet else SETTLE_WINDOW_S) * NS_PER_S)
        self._told = contact_told(setup)
        self._before: dict[str, Edge | Level] = {}
        self._builder = self._new()
        self._open = self._on = False
        self.last: Stroke | None = None
        self.done = self.missed = self.doubtful = 0

    def put(self, record: Record) -> Stroke | None:
        """Add one record; return the stroke that it completed, or None."""
        completed = None
        match record:
            case Command(on=on):
                if on and not self._on:
                    completed = self._complete(record)
                    self._open = record.stroke > 0
                self._on = on
                self._builder.add(record)
            case End():
                completed = self._complete(record)
                self._open = False
            case Edge():
                if self._open:
                    self._builder.add(record)
                self._before[record.line] = record
            case Level() if record.line not in self._before:
                self._before[record.line] = record
            case Trip():
                self._builder.add(record)
        return completed

    def _new(self) -> RecordingBuilder:
        builder = RecordingBuilder(
            self._source, self._setup.switch_closed_level, self._setup.coil_live_level
        )
        return builder.add_all(self._before.values())

    def _complete(self, last: Command | End) -> Stroke | None:
        """The stroke so far, ended by `last`: the next energise or the end of the run."""
        self._builder.add(last)
        recording = self._builder.build()
        self._builder = self._new()
        track = switch_track(recording, self._told)
        if self._told == "find" and track.contact.sense is not None:
            self._told = track.contact.sense
        windows = stroke_windows(recording)
        if not self._open or not len(windows):
            return None
        table = stroke_table(
            recording, track, windows, doubts(recording), None, self._window_ns, last_ns(recording)
        )
        # a stroke that begins with `last` has only just started
        self.last = run_json.stroke_json(table, 0)
        self.done += 1
        self.missed += bool(table.missed[0])
        self.doubtful += bool(marks.doubtful(self.last["marks"]))
        return self.last
