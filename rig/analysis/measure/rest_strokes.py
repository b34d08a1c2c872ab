# SPDX-License-Identifier: MIT
"""Strokes after a rest: a figure of their own, left out of every figure of the steady ones.

Oil runs out of passages and a coil cools while a valve rests, so the stroke after it is another
one. What goes by the rest and not by the number cannot be chosen to please.
"""

from __future__ import annotations

import numpy as np

from rig.analysis.measure.stroke_windows import NEVER, Windows
from rig.core.recording import Bool

LONGER = 1.5
"""A rest this many times the sheet's is another rest (common practice, no source)."""
LEAST_STEADY = 5
"""With fewer strokes beside those after rest there is no steady run: all of them count."""


def after_rest(windows: Windows, rest_ns: int | None) -> Bool:
    """Which strokes (n,) begin after a rest longer than the sheet's `rest_ns` (None: than the
    median of this run's own): the first of the run, and each after a pause."""
    n = len(windows)
    found = np.zeros(n, np.bool_)
    found[:1] = True
    if n > 1:
        known = windows.off_ns[:-1] < NEVER
        gaps = np.where(known, windows.on_ns[1:] - windows.off_ns[:-1], 0)
        usual = float(np.median(gaps)) if rest_ns is None else float(rest_ns)
        found[1:] = gaps > LONGER * usual
    return found


def steady(rest: Bool) -> Bool:
    """The strokes (n,) that the figures of the run are of: those not after a rest, or all where
    these are fewer than LEAST_STEADY."""
    return ~rest if int(np.count_nonzero(~rest)) >= LEAST_STEADY else np.ones_like(rest)
