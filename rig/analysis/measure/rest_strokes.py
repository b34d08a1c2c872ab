# SPDX-License-Identifier: MIT
"""Strokes after a rest: a separate figure, left out of every figure of the steady ones.

While a valve rests, oil drains from its passages and its coil cools, so the stroke after it
differs. The rule uses the rest and not the stroke number, so that it cannot be chosen to suit the
result.
"""

from __future__ import annotations

import numpy as np

from rig.analysis.measure.stroke_windows import NEVER, Windows
from rig.core.recording import Bool

LONGER = 1.5
"""A rest longer than this many times the sheet's is another rest (common practice, no source)."""
LEAST_STEADY = 5
"""With fewer strokes other than those after rest there is no steady run: all of them are used."""


def after_rest(windows: Windows, rest_ns: int | None) -> Bool:
    """Which strokes (n,) begin after a rest longer than the sheet's `rest_ns` (None: the median of
    this run's own): the first of the run, and each after a pause."""
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
    """The strokes (n,) used for the figures of the run: those not after a rest, or all where these
    are fewer than LEAST_STEADY."""
    return ~rest if int(np.count_nonzero(~rest)) >= LEAST_STEADY else np.ones_like(rest)
