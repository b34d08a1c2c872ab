# SPDX-License-Identifier: MIT
"""The switch over a whole run: bounce, chatter, and the pressures it changes at in strokes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.measure import marks
from rig.analysis.measure.stroke_table import StrokeTable
from rig.analysis.stats.summary import quantile
from rig.core.recording import Float

BOUNCE_EDGES_MS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
"""Upper ends of the classes of bounce lengths; the last class is open."""


@dataclass(frozen=True)
class Bounce:
    """Length of the bounce, first to settled edge, milliseconds, over the strokes that settled.
    `clean` of `n` had no bounce at all; `counts` (9,) the number of the others in the classes up to
    BOUNCE_EDGES_MS, and above. The numbers are None without strokes. `edges_max` is the most bounce
    edges of one stroke. A lower bound: the kernel may merge edges."""

    n: int
    clean: int
    mean_ms: float | None
    median_ms: float | None
    p95_ms: float | None
    max_ms: float | None
    edges_max: int | None
    counts: tuple[int, ...]


@dataclass(frozen=True)
class Chatter:
    """The switch changing when it should stay put: `strokes` in which it fell back for at least the
    settle window while changing, or changed after it had settled; `edges` of the latter kind."""

    strokes: int
    edges: int
    of: int


@dataclass(frozen=True)
class AtSwitch:
    """Pressures at which the switch changed in strokes, kPa, where the gauge was fast enough: `on`,
    `off` and their difference `differential` in the same stroke, each (k,). In a stroke the
    pressure moves fast: a ramp is the reference."""

    on: Float
    off: Float
    differential: Float


@dataclass(frozen=True)
class SwitchFigures:
    """Everything about the switch in strokes."""

    bounce_on: Bounce
    bounce_off: Bounce
    chatter: Chatter
    at_switch: AtSwitch


def switch_figures(table: StrokeTable) -> SwitchFigures:
    """Work out the figures from the strokes."""
    fell_back = (table.mark_bits & marks.bit(marks.FELL_BACK)) != 0
    unexpected = table.edges_with_no_command > 0
    on, off = table.at_switch_on_kpa, table.at_switch_off_kpa
    both = on - off
    return SwitchFigures(
        _bounce(table.bounce_on_ms, table.bounce_on),
        _bounce(table.bounce_off_ms, table.bounce_off),
        Chatter(
            int(np.count_nonzero(fell_back | unexpected)),
            int(table.edges_with_no_command.sum()), len(table),
        ),
        AtSwitch(on[np.isfinite(on)], off[np.isfinite(off)], both[np.isfinite(both)]),
    )  # fmt: skip


def _bounce(length_ms: Float, edges: np.typing.NDArray[np.int64]) -> Bounce:
    settled = np.isfinite(length_ms) & (edges >= 0)
    length, count = length_ms[settled], edges[settled]
    bounced = length[count > 0]
    classes = np.searchsorted(BOUNCE_EDGES_MS, bounced, "left")
    counts = tuple(np.bincount(classes, minlength=len(BOUNCE_EDGES_MS) + 1).tolist())
    n = len(length)
    if not n:
        return Bounce(0, 0, None, None, None, None, None, counts)
    return Bounce(
        n, int(np.count_nonzero(count == 0)), float(length.mean()), float(np.median(length)),
        quantile(length, 0.95), float(length.max()), int(count.max()), counts,
    )  # fmt: skip
