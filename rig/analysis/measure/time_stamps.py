# SPDX-License-Identifier: MIT
"""Time stamp uncertainty: how far each edge and command of a recording may lie from its stamp.

A rig's own edges are stamped by the kernel. In a capture with a row for every sample, an edge lies
between the last sample before it and the row that shows it, and is placed in the middle of the two.
In any other capture there are only the stamps: their resolution is stated by the file or by a
person, or estimated from the stamps themselves.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.time_grid import COARSER, coarsest_step_ns
from rig.core.recording import STAMP_MS, CommandSeries, EdgeSeries, Int64, Recording
from rig.core.records import COMMAND, RESOLUTION, SAMPLED

KERNEL, ROWS, STATED, ESTIMATED = "kernel", "rows", "stated", "estimated"
BOUNDS = "bounds"
MANY = 20
"""This many stamps on one step are proof of it: a finer stated one is not believed."""
VARIED = 4
"""Gaps of this many lengths, all whole numbers of a step, are hardly chance: one in 2^4 at most."""


LONGEST = 3.0
"""Longest time between two looks of an uneven logger, as a multiple of its shortest (off by half of
the mean either way; common practice, no source)."""
WRITTEN_NS = 1_000
"""Last digit of a computer's stamps: it tells nothing of how often the lines were looked at."""
BY_CHANCE = 0.01


class Resolution(NamedTuple):
    """`how` the instants are known (KERNEL, ROWS, STATED, ESTIMATED, BOUNDS), and `step_ms`, the
    span in which an edge may have been: for a capture with rows the mean over its edges, for
    another that of its most coarsely stamped line."""

    how: str
    step_ms: float


def located(recording: Recording) -> tuple[Recording, Resolution]:
    """The recording with its edges and commands at their most likely instants, each with how far it
    may lie from there (`half_ns`), and the resolution of its times.

    The order of edges and commands stays as recorded.
    """
    if recording.source != "capture":
        half = STAMP_MS.get(recording.source, STAMP_MS["emulated board"])
        return recording, Resolution(KERNEL, 2 * half)
    stated = _said_ns(recording, RESOLUTION)
    before_ns = _samples_before(recording)
    if before_ns is not None:
        return _between_samples(recording, before_ns, stated, _said_ns(recording, SAMPLED))
    lines = {name: edges.t_ns for name, edges in recording.edges.items()}
    lines[COMMAND] = recording.commands.t_ns
    every = np.concatenate(list(lines.values()))
    shared = max(float(stated), _shown_ns(every)) if stated else coarsest_step_ns(every)
    steps = {name: max(shared, _own_step_ns(stamps)) for name, stamps in lines.items()}
    finest = min(steps.values())

    def half_ns(name: str) -> Int64:
        # stamps of one clock are truncated alike; with two, the coarser may be truncated either way
        half = max(round(steps[name] - finest / 2), 1)
        return np.full(len(lines[name]), half)

    halves = {name: half_ns(name) for name in lines}
    how = STATED if stated else ESTIMATED
    # a line that shows a clock of its own comes from a recorder of its own, not from looks at all
    shows = max(steps.values()) > max(shared, WRITTEN_NS)
    if not stated and not shows and not _told(every, shared):
        how = BOUNDS
        halves = {name: np.maximum(halves[name], _open_ns(at, every)) for name, at in lines.items()}
    edges = {
        name: replace(series, half_ns=halves[name]) for name, series in recording.edges.items()
    }
    commands = replace(recording.commands, half_ns=halves[COMMAND])
    widest = max((int(one.max()) for one in halves.values() if len(one)), default=1)
    coarsest_ms = 2 * max(round(max(steps.values()) / 2), widest if how == BOUNDS else 1) / 1e6
    return replace(recording, edges=edges, commands=commands), Resolution(how, coarsest_ms)


def _shown_ns(stamps_ns: Int64) -> float:
    """The step that many stamps themselves show: all of them lie on it. 0 where they are few."""
    return float(np.gcd.reduce(np.diff(np.sort(stamps_ns)))) if len(stamps_ns) >= MANY else 0.0


def _told(stamps_ns: Int64, step_ns: float) -> bool:
    """Whether the stamps tell the clock: it ticks evenly every `step_ns`, hardly by chance (a tenth
    of all steps fits any one gap), or their last digit is coarser than a computer writes to every
    row, however often it looked."""
    gaps = np.unique(np.diff(np.unique(stamps_ns)))
    if not len(gaps):
        return True
    digit = float(np.gcd.reduce(gaps))
    chance = float(gaps[-1]) / step_ns * 0.1 ** (len(gaps) - 1)
    return digit > WRITTEN_NS or (step_ns > COARSER * digit and chance < BY_CHANCE)


def _open_ns(own_ns: Int64, every_ns: Int64) -> Int64:
    """How long before its stamp each change of a line may have been, where nothing tells how often
    the logger looked. A change came after the row before it, whichever line that shows; and a
    logger that once looked twice within the shortest gap seldom looks less often than LONGEST times
    that."""
    rows = np.unique(every_ns)
    if len(rows) < 2:
        return np.zeros(len(own_ns), np.int64)
    gaps = np.diff(rows)
    before = np.append(gaps[:1], gaps)[np.searchsorted(rows, own_ns)]
    return np.asarray(np.minimum(before, round(LONGEST * float(gaps.min()))), np.int64)


def _own_step_ns(stamps_ns: Int64) -> float:
    """The step that the stamps of one line lie on, where they differ enough to show one: a line may
    be stamped more coarsely than the others. 0 otherwise: a program's commands come in even steps,
    however they are stamped."""
    gaps = np.unique(np.diff(np.unique(stamps_ns)))
    return float(np.gcd.reduce(gaps)) if len(gaps) >= VARIED else 0.0


def estimated(resolution: Resolution) -> str:
    """Remark on a resolution that nobody stated, in a sentence."""
    if resolution.how == BOUNDS:
        early_ms = resolution.step_ms / 2
        return (
            "Nothing states how finely this capture tells time, and nothing in it shows how often "
            f"its lines were looked at: an edge may have been up to {early_ms:.3g} ms before its "
            "stamp. So each time is open by that, and a limit near it is undecided. "
            "State what the recorder does: by --resolution, or by a comment "
            '"resolution: 1 ms" in the file.'
        )
    return (
        f"Nothing states how finely this capture tells time: its stamps show no coarser clock than "
        f"{resolution.step_ms:.3g} ms. If you know better, state it: by --resolution, or by a "
        'comment "resolution: 1 ms" in the file.'
    )


def stamp_half_width_ms(recording: Recording) -> float:
    """Half width of the time stamp of an edge; for a capture the mean over its edges."""
    if recording.source != "capture":
        return STAMP_MS.get(recording.source, STAMP_MS["emulated board"])
    halves = [e.half_ns for e in recording.edges.values() if e.half_ns is not None]
    every = np.concatenate([*halves, np.zeros(0, np.int64)])
    return max(float(every.mean()) / 1e6, 1e-6) if len(every) else 1e-6


def _said_ns(recording: Recording, kind: str) -> int:
    """Nanoseconds at the start of conditions of this kind; 0 where there is none."""
    said = [c.detail.split()[0] for c in recording.conditions if c.kind == kind and c.detail]
    return max((int(ns) for ns in said if ns.isdecimal()), default=0)


def _samples_before(recording: Recording) -> dict[str, Int64] | None:
    """The last sample before each edge and command, by line; None where the capture has none."""
    if not any(condition.kind == SAMPLED for condition in recording.conditions):
        return None
    found: dict[str, Int64] = {}
    counts = {line: len(edges.t_ns) for line, edges in recording.edges.items()}
    for line, n in {**counts, COMMAND: len(recording.commands.t_ns)}.items():
        levels = recording.levels.get(line)
        times = levels.t_ns if levels is not None else np.zeros(0, np.int64)
        if len(times) < n:
            return None
        found[line] = times[len(times) - n :]  # the level at the start has no edge
    return found


def _between_samples(
    recording: Recording, before_ns: dict[str, Int64], stated_ns: int, digit_ns: int
) -> tuple[Recording, Resolution]:
    shown = {line: edges.t_ns for line, edges in recording.edges.items()}
    shown[COMMAND] = recording.commands.t_ns
    lines = list(before_ns)
    at = np.concatenate([shown[line] for line in lines])
    before = np.minimum(np.concatenate([before_ns[line] for line in lines]), at)
    # what a row shows later did not happen earlier, however seldom its line was sampled; within one
    # row the command comes first
    rank = np.concatenate([np.full(len(shown[line]), line != COMMAND) for line in lines])
    order = np.lexsort((rank, at))
    middle = np.empty_like(at)
    middle[order] = np.maximum.accumulate(((at + before) // 2)[order])
    half = np.maximum(at - middle, middle - before) + (digit_ns + 1) // 2
    half = np.maximum(half, (stated_ns + 1) // 2)
    cuts = np.cumsum([len(before_ns[line]) for line in lines])[:-1]
    parts = dict(zip(lines, zip(np.split(middle, cuts), np.split(half, cuts), strict=True),
                     strict=True))  # fmt: skip
    edges = {
        line: EdgeSeries(parts[line][0], series.level, series.sequence, parts[line][1])
        for line, series in recording.edges.items()
    }
    c_t, c_half = parts[COMMAND]
    old = recording.commands
    commands = CommandSeries(c_t, c_t, old.on, old.stroke, c_half)
    step_ms = 2 * float(half.mean()) / 1e6 if len(half) else 0.0
    return replace(recording, edges=edges, commands=commands), Resolution(ROWS, step_ms)
