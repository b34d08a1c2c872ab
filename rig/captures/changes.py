# SPDX-License-Identifier: MIT
"""A recording as one list of changes in time order, for exports with a single time axis."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.captures.columns import COIL, COMMAND, SWITCH_COLUMN
from rig.core.recording import Int64, Recording
from rig.core.records import READBACK, SWITCH


class Channel(NamedTuple):
    """One channel of a recording: its column name, and whether its values are bits."""

    name: str
    digital: bool


class Changes(NamedTuple):
    """`t_ns` (n,) ascending, `channel` (n,) index into `channels`, `value` (n,) bits or readings,
    `good` (n,) whether the reading is valid (always true for bits)."""

    channels: list[Channel]
    t_ns: Int64
    channel: Int64
    value: np.typing.NDArray[np.float64]
    good: np.typing.NDArray[np.bool_]

    def rows(self) -> Iterator[tuple[int, int, float, bool]]:
        """Iterate (t_ns, channel, value, good) in time order, without holding them all in
        memory."""
        for start in range(0, len(self.t_ns), 65_536):
            part = slice(start, start + 65_536)
            yield from zip(
                self.t_ns[part].tolist(), self.channel[part].tolist(), self.value[part].tolist(),
                self.good[part].tolist(), strict=True,
            )  # fmt: skip


def changes(recording: Recording) -> Changes:
    """All changes; every line begins with its start level. Bits: command 1 = commanded on, coil 1 =
    live, switch 1 = contact closed. Channels follow under `channel_unit`."""
    commands = recording.commands
    ones = {COIL: recording.readback_live_level, SWITCH_COLUMN: recording.switch_closed_level}
    channels = [Channel(COMMAND, True)]
    # off until commanded, unless the very first record is a command
    off = np.full(int(not (commands.t_ns[:1] == recording.t0_ns).any()), recording.t0_ns)
    t_ns = [np.append(off, commands.t_ns)]
    values: list[NDArray[np.generic]] = [np.append(np.zeros(len(off), np.bool_), commands.on)]
    goods = [np.ones(len(t_ns[0]), np.bool_)]
    for name, line in ((COIL, READBACK), (SWITCH_COLUMN, SWITCH)):
        start, edges = recording.start_level(line), recording.edges.get(line)
        if start is None:
            continue
        channels.append(Channel(name, True))
        times = edges.t_ns if edges is not None else np.zeros(0, np.int64)
        levels = edges.level if edges is not None else np.zeros(0, np.int8)
        t_ns.append(np.append(_start_ns(recording, line), times))
        values.append(np.append(start, levels) == ones[name])
        goods.append(np.ones(len(times) + 1, np.bool_))
    for channel, samples in recording.samples.items():
        channels.append(Channel(channel, False))
        t_ns.append(samples.t_ns)
        values.append(samples.value)
        goods.append(samples.good)
    place = np.concatenate([np.full(len(t), n) for n, t in enumerate(t_ns)])
    times = np.concatenate(t_ns).astype(np.int64)
    order = np.argsort(times, kind="stable")
    value = np.concatenate([np.asarray(v, np.float64) for v in values])
    return Changes(
        channels, times[order], place[order].astype(np.int64), value[order],
        np.concatenate(goods)[order],
    )  # fmt: skip


def last_ns(recording: Recording) -> int:
    """The last instant in a recording."""
    times = [recording.t0_ns, *(step.t_ns for step in recording.steps)]
    times += [int(levels.t_ns.max()) for levels in recording.levels.values() if len(levels.t_ns)]
    times += [] if recording.end is None else [recording.end.t_ns]
    return max(times)


def _start_ns(recording: Recording, line: str) -> int:
    """When the start level was polled; the first instant where only an edge implies it."""
    edges, levels = recording.edges.get(line), recording.levels.get(line)
    if levels is None or not len(levels.t_ns):
        return recording.t0_ns
    if edges is not None and len(edges.t_ns) and edges.t_ns[0] < levels.t_ns[0]:
        return recording.t0_ns
    return int(levels.t_ns[0])
