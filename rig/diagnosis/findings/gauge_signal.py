# SPDX-License-Identifier: MIT
"""Finding on the gauge itself: whether its readings come, change, and can be believed."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from rig.analysis.measure.gauge_position import NEAR_ZERO_KPA
from rig.diagnosis.findings.model import Finding, RunSeen, hidden, seen

NO_GAUGE = "a pressure gauge is not wired"
GAUGE_LOST, FRAME_REJECTED = "gauge lost", "frame rejected"
"""Conditions of a recording: the port disappeared; the data could not be parsed."""
FROZEN_READINGS, FROZEN_COMMANDS = 15, 3
"""This many equal readings over this many commands are not pressure any more (common practice)."""
RECENT = 1000
"""The usual time between readings is that of the last ones, however many there are."""
SILENT_NS = 1_000_000_000
"""Readings that end this long before the last command have stopped (common practice)."""
FROZEN_IN_FRONT = 60
"""Where the pressure does not move with the coil."""


def gauge_signal(run: RunSeen) -> Finding:
    """Whether the gauge's readings can be trusted at all."""
    kinds = [one.kind for one in run.recording.conditions]
    if GAUGE_LOST in kinds:
        return seen("gauge_signal", "unplugged", "the gauge's port went away during the run")
    rejected = kinds.count(FRAME_REJECTED)
    trip = run.result.trip
    rules = {"gauge stale": "lost", "gauge implausible": "bad", "gauge stuck": "frozen"}
    samples = run.recording.samples.get("pressure")
    if samples is None:
        source = run.setup.pressure_source if run.setup is not None else None
        if source is None:
            return hidden("gauge_signal", NO_GAUGE)
        state = "unreadable" if rejected else "lost"
        return seen("gauge_signal", state, "the gauge gave no readings", 0.9)
    if _frozen(run):
        words = "the gauge shows the same to the last digit while the coil goes on and off"
        return seen("gauge_signal", "frozen", words, 0.97)
    bad = int(np.count_nonzero(~samples.good))
    if trip is not None and trip.rule in rules:
        state = rules[trip.rule]
        if state == "lost" and (rejected or bad):
            state = "unreadable" if rejected else "bad"
        return seen("gauge_signal", state, f"tripped: {trip.message}")
    if len(samples.t_ns) > FROZEN_READINGS and len(run.recording.commands.t_ns):
        silent_ns = int(run.recording.commands.t_ns[-1] - samples.t_ns[-1])
        usual_ns = int(np.median(np.diff(samples.t_ns[-RECENT:])))
        if silent_ns > max(SILENT_NS, 10 * usual_ns):
            words = f"the gauge's readings end {silent_ns / 1e9:.3g} s before the last command"
            return seen("gauge_signal", "lost", words)
    if bad * 10 > len(samples.good):
        words = f"{bad} of {len(samples.good)} readings of the gauge cannot be believed"
        return seen("gauge_signal", "bad", words, 0.9)
    return seen("gauge_signal", "right", "the gauge's readings come in time and make sense")


def _frozen(run: RunSeen) -> bool:
    """Identical readings, to the last digit, across several commands."""
    samples, t_ns = run.recording.samples.get("pressure"), run.recording.commands.t_ns
    if samples is None or "pressure" in run.recording.fast or len(samples.t_ns) <= FROZEN_READINGS:
        return False
    same = samples.value[1:] == samples.value[:-1]  # a NaN differs from everything
    long = sliding_window_view(same, FROZEN_READINGS).all(axis=1)  # small: readings may be millions
    turns = np.flatnonzero(np.diff(long, prepend=False, append=False))
    starts, ends = turns[::2], turns[1::2] + FROZEN_READINGS - 1
    commands = np.searchsorted(t_ns, samples.t_ns[ends]) - np.searchsorted(
        t_ns, samples.t_ns[starts]
    )
    stands = commands >= FROZEN_COMMANDS
    table = run.result.strokes
    follows = bool(len(table)) and 2 * int(table.answered.sum()) > len(table)
    # a gauge that shows nothing where nothing happens is not frozen; nor is one in front of the
    # valve whose last digit does not resolve a steady pressure for a while
    moves = float(np.ptp(samples.value[samples.good])) > NEAR_ZERO_KPA
    at_zero = samples.value[starts] <= NEAR_ZERO_KPA
    long = moves | (ends - starts >= FROZEN_IN_FRONT)
    return bool((stands & ((follows & at_zero) | (~at_zero & long))).any())
