# SPDX-License-Identifier: MIT
"""Analyse one run: everything its recording, setup and sheet say, and the verdict."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, partial

import numpy as np

from rig.analysis.coil.plunger_timing import Signature, signature_of
from rig.analysis.measure import marks
from rig.analysis.measure.conditions import oil_degc, supply_v
from rig.analysis.measure.edge_loss import Doubts, doubts
from rig.analysis.measure.gauge_calibration import Applied, applied_of, remarks
from rig.analysis.measure.hold import HoldResult, hold
from rig.analysis.measure.own_timing import Applied as OwnTiming
from rig.analysis.measure.own_timing import applied_timing, reference_of
from rig.analysis.measure.own_timing import remarks as own_remarks
from rig.analysis.measure.pressure_at import alike_kpa, pressure_of
from rig.analysis.measure.pressure_rise_fall import PressureTable, pressure_table
from rig.analysis.measure.ramp import RampTable, ramp_table
from rig.analysis.measure.sampling import channel_figures, engine_figures
from rig.analysis.measure.stroke_table import StrokeTable, stroke_table
from rig.analysis.measure.stroke_windows import (
    Reference,
    Windows,
    last_ns,
    relay_bounce_ms,
    stroke_windows,
)
from rig.analysis.measure.switch_figures import SwitchFigures, switch_figures
from rig.analysis.measure.switch_state import (
    Contact,
    SwitchTrack,
    contact_told,
    rest_instant_ns,
    switch_track,
)
from rig.analysis.measure.time_stamps import BOUNDS, ESTIMATED, Resolution, estimated, located
from rig.analysis.stats.summary import Summary, summarise
from rig.analysis.stats.uncertainty import Budget
from rig.analysis.verdict import judged_figures
from rig.analysis.verdict.behaviour import Behaviour, behaviour
from rig.analysis.verdict.budgets import budgets
from rig.analysis.verdict.early_stop_test import Sequential, sequential_of
from rig.analysis.verdict.evaluate import Sentence
from rig.analysis.verdict.limits import Missed
from rig.analysis.verdict.shown_in_run import Doubt, Link, chain, doubt, gauge_of, missed_of
from rig.analysis.verdict.verdict import Completion, Verdict, judge
from rig.config.setup.model import Setup
from rig.config.sheet.model import HoldSheet, RampSheet, Sheet, StrokesSheet
from rig.core.clock import NS_PER_S
from rig.core.figures import figures_of
from rig.core.message_ids import Message
from rig.core.recording import Recording, SampleSeries
from rig.core.records import STOPPED_EARLY, SWITCH, End, Trip
from rig.core.results.run import ChannelFigures, Conditions, Engine

SETTLE_WINDOW_S = 0.02
"""Without a sheet."""

ENDED = {
    "tripped": "The run was tripped.",
    "aborted": "The run was stopped.",
    "fault": "The run ended in an internal fault.",
    "interrupted": "The run was interrupted.",
    "running": "The run is still going on.",
}
"""How an unfinished run ended. The other two states are "captured" and "finished"."""


@dataclass(frozen=True)
class Judged:
    """What statistics make of a run. `budgets` are the uncertainties by result
    (rig.analysis.verdict.budgets)."""

    behaviour: Behaviour
    budgets: Mapping[str, Budget]
    verdict: Verdict


@dataclass(frozen=True)
class RunResult:
    """The result of the analysis.

    `strokes` has a row for each stroke of any kind of sheet; `hold` and `ramp` are set for their
    kinds. `marks` are those of the whole run, `mark_counts` the number of strokes or ramps with
    each mark, `doubtful` the marks of both that make numbers doubtful. `pressures` is the rise and
    fall of pressure by stroke, `signature` what the coil current shows, `summaries` are those of
    the steady strokes by figure. `judge` works out what `judged` keeps, when it is first asked: a
    diagnosis of a logged run needs none of it, and does not wait for it.
    """

    kind: str
    source: str
    status: str
    t0_ns: int
    settle_window_ms: float
    contact: Contact
    reference: Reference
    strokes: StrokeTable
    summaries: Mapping[str, Summary]
    pressures: PressureTable | None
    signature: Signature | None
    channels: Mapping[str, ChannelFigures]
    resolution: Resolution
    engine: Engine | None
    calibration: Applied | None
    timing: OwnTiming | None
    switch: SwitchFigures
    sequential: Sequential | None
    unexpected_edges: int
    hold: HoldResult | None
    ramp: RampTable | None
    chain: tuple[Link, ...]
    conditions_seen: Mapping[str, int]
    marks: tuple[str, ...]
    mark_counts: Mapping[str, int]
    doubtful: tuple[str, ...]
    trip: Trip | None
    end: End | None
    doubt: Doubt
    judge: Callable[[], Judged] = field(repr=False, compare=False)

    @cached_property
    def judged(self) -> Judged:
        return self.judge()

    @property
    def behaviour(self) -> Behaviour:
        return self.judged.behaviour

    @property
    def budgets(self) -> Mapping[str, Budget]:
        return self.judged.budgets

    @property
    def verdict(self) -> Verdict:
        return self.judged.verdict

    @property
    def next_check(self) -> Message | None:
        """The verdict's: what must come before any other check. Only a hold's limit adds one to
        those of `doubt`."""
        return self.doubt.next_check if self.hold is None else self.verdict.next_check


def analyse(
    recording: Recording,
    setup: Setup | None,
    sheet: Sheet | None,
    conditions: Conditions | None = None,
    status: str | None = None,
    done_on: datetime.date | None = None,
) -> RunResult:
    """Analyse a recording.

    Without a setup, the contact sense comes from the rest state and the relay delay is not known.
    Without a sheet, the settle window is 20 ms and there is no verdict. `conditions` are stated by
    a person or measured by an instrument for this run (name -> {value, unit, how}); `status`
    overrides how the run ended ("running"); `done_on` is the date of the run, for checking that
    the gauge calibration was in date. Never raises for what a recording holds.
    """
    recording, resolution = located(recording)
    last = last_ns(recording)
    window_ns = round((sheet.settle_window_s if sheet else SETTLE_WINDOW_S) * NS_PER_S)
    track = switch_track(recording, contact_told(setup))
    windows = stroke_windows(recording)
    found = doubts(recording)
    pressure = pressure_of(recording, setup)
    alike = alike_kpa(setup)
    rest_ns = None  # a capture: by its own rests
    if isinstance(sheet, StrokesSheet) and recording.source != "capture":
        rest_ns = round(sheet.rest_s * NS_PER_S)
    table = stroke_table(
        recording, track, windows, found, pressure, window_ns, last, alike, rest_ns
    )
    held = ramps = None
    if isinstance(sheet, HoldSheet):
        held = hold(recording, track, pressure, window_ns, last, alike)
    elif isinstance(sheet, RampSheet):
        ramps = ramp_table(recording, track, pressure, window_ns, last, alike)
    state = status or _status(recording)
    own = applied_timing(recording, setup, done_on)
    timed_from = reference_of(windows, setup, own)
    pressures = pressure_table(recording, windows, pressure, setup)
    gauge = gauge_of(table, pressures)
    told = conditions or {}
    oil = oil_degc(recording, told)
    current = signature_of(
        recording, setup, windows, table, supply_v(recording, told), oil[0] if oil else None, own
    )
    links = chain(recording, setup, sheet, told, table, pressure, gauge, track.contact, current)
    on_run = _run_marks(recording, track, windows, table, found, state)
    counts = _mark_counts(table, ramps, held)
    applied = applied_of(recording, setup, done_on)
    unsure = doubt(sheet, table, links)
    judging = partial(
        _judge, recording, setup, sheet, timed_from, table, windows, pressure, held, ramps, on_run,
        applied, resolution, own, missed_of(sheet, table, links), state, unsure,
    )  # fmt: skip
    return RunResult(
        kind=sheet.kind if sheet else "strokes",
        source=recording.shown_source,
        status=state,
        t0_ns=recording.t0_ns,
        settle_window_ms=window_ns / 1e6,
        contact=track.contact,
        reference=timed_from,
        strokes=table,
        summaries={
            key: summarise(table.figure(key)[table.counted]) for key in figures_of("strokes")
        },
        pressures=pressures,
        signature=current,
        channels=channel_figures(recording, setup),
        resolution=resolution,
        engine=engine_figures(recording, setup),
        calibration=applied,
        timing=own,
        switch=switch_figures(table),
        sequential=sequential_of(sheet, table),
        unexpected_edges=_outside(track, windows) + int(table.edges_with_no_command.sum()),
        hold=held,
        ramp=ramps,
        chain=links,
        conditions_seen=_conditions_seen(recording),
        marks=on_run,
        mark_counts=counts,
        doubtful=tuple(marks.doubtful(dict.fromkeys([*on_run, *counts]))),
        trip=recording.trips[0] if recording.trips else None,
        end=recording.end,
        doubt=unsure,
        judge=judging,
    )


def _judge(
    recording: Recording, setup: Setup | None, sheet: Sheet | None, timed_from: Reference,
    table: StrokeTable, windows: Windows, pressure: SampleSeries | None, held: HoldResult | None,
    ramps: RampTable | None, on_run: tuple[str, ...], applied: Applied | None,
    resolution: Resolution, own: OwnTiming | None, missed: Missed, state: str, unsure: Doubt,
) -> Judged:  # fmt: skip
    bounces_ms = relay_bounce_ms(recording, windows)
    known = budgets(
        recording, setup, timed_from, table, pressure, held, ramps, applied, resolution,
        bounces_ms, own,
    )  # fmt: skip
    early = any(condition.kind == STOPPED_EARLY for condition in recording.conditions)
    accepts = sheet.accept if sheet else ()
    verdict = judge(
        accepts,
        judged_figures.measured(table, timed_from, held, ramps, on_run, known, bounces_ms),
        missed,
        _completion(state, sheet, table, ramps, early=early),
        unsure,
    )
    verdict = _remarked(verdict, sheet, applied, resolution, own)
    return Judged(behaviour(table, accepts), known, verdict)


def _remarked(
    verdict: Verdict, sheet: Sheet | None, applied: Applied | None, resolution: Resolution,
    own: OwnTiming | None,
) -> Verdict:  # fmt: skip
    """The verdict, with remarks on the gauge where a pressure was judged, and on the clock and the
    rig's own times where a time was."""
    said = remarks(applied)
    figures = {accept.figure for accept in sheet.accept} if sheet is not None else set()
    if figures & {"response", "release"}:
        said = [*said, *own_remarks(own)]
        if resolution.how in (ESTIMATED, BOUNDS):
            said.append(estimated(resolution))
    if not said or not figures:
        return verdict
    return replace(verdict, said=(*verdict.said, *map(Sentence, said)))


def _status(recording: Recording) -> str:
    if recording.end is not None:
        return recording.end.reason
    return "captured" if recording.source == "capture" else "interrupted"


def _completion(
    state: str, sheet: Sheet | None, table: StrokeTable, ramps: RampTable | None, *, early: bool
) -> Completion:
    ended = ENDED.get(state, "")
    if isinstance(sheet, StrokesSheet):
        done = int(np.count_nonzero(table.whole))
        planned = min(done, sheet.strokes) if early else sheet.strokes
        return Completion(done, planned, ended)
    if isinstance(sheet, RampSheet) and ramps is not None:
        done = int(np.isfinite(ramps.reset_kpa).sum()) if ended else len(ramps)
        return Completion(done, sheet.ramps, ended, "ramp")
    if isinstance(sheet, HoldSheet):
        return Completion(0 if ended else 1, 1, ended, "hold")
    return Completion(len(table), 0, ended)


def _outside(track: SwitchTrack, windows: Windows) -> int:
    """Edges before the coil went live in the first stroke; all edges where there is no stroke."""
    if not len(windows):
        return 0
    return int(np.searchsorted(track.t_ns, windows.start_on_ns[0], "left"))


def _run_marks(
    recording: Recording,
    track: SwitchTrack,
    windows: Windows,
    table: StrokeTable,
    found: list[Doubts],
    state: str,
) -> tuple[str, ...]:
    contact, n = track.contact, len(windows)
    rest_ns = rest_instant_ns(recording)
    early = 0 if rest_ns is None else int(np.searchsorted(track.t_ns, rest_ns, "left"))
    no_record = SWITCH not in recording.edges and SWITCH not in recording.levels
    seen = [
        (no_record, marks.NO_SWITCH),
        (not no_record and contact.sense is None, marks.SENSE_UNKNOWN),
        (contact.rest_on is True, marks.ON_AT_REST),
        (n > 0 and not no_record and not len(track.t_ns), marks.STUCK),
        (_wrong_way(track, windows, table), marks.WRONG_WAY),
        (early > 0, marks.EDGES_AT_REST),
        (track.sorted_here, marks.OUT_OF_ORDER),
        (state == "interrupted", marks.INTERRUPTED),
        (any(c.kind == STOPPED_EARLY for c in recording.conditions), STOPPED_EARLY),
    ]
    words = [mark for true, mark in seen if true]
    return tuple(dict.fromkeys(words + [span.mark for span in found]))


def _wrong_way(track: SwitchTrack, windows: Windows, table: StrokeTable) -> bool:
    """Whether most strokes start with the switch on and turn it off: the contact sense is wrong."""
    n = len(windows)
    if not n or not len(track.t_ns):
        return False
    low = np.searchsorted(track.t_ns, windows.start_on_ns, "left")
    high = np.searchsorted(track.t_ns, windows.start_off_ns, "left")
    goes_off = (high > low) & ~np.append(track.on, np.True_)[low]
    begins_on = (table.mark_bits & marks.bit(marks.ALREADY_ON)) != 0
    return int(np.count_nonzero(goes_off & begins_on & ~table.answered)) * 2 > n


def _mark_counts(
    table: StrokeTable, ramps: RampTable | None, held: HoldResult | None
) -> dict[str, int]:
    counts = table.mark_counts()
    words = [word for row in ramps.marks for word in row] if ramps else []
    words += held.marks if held else ()
    for word in words:
        counts[word] = counts.get(word, 0) + 1
    return counts


def _conditions_seen(recording: Recording) -> dict[str, int]:
    seen: dict[str, int] = {}
    for condition in recording.conditions:
        seen[condition.kind] = seen.get(condition.kind, 0) + 1
    return seen
