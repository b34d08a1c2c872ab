# SPDX-License-Identifier: MIT
"""How long a sheet energises the coil: continuously, and within a sliding window."""

from __future__ import annotations

import math
from typing import NamedTuple

from rig.config.sheet.model import Sheet


class Load(NamedTuple):
    """A coil's load, worst case: `times` times `on_s` with `rest_s` between."""

    on_s: float
    rest_s: float
    times: int


def load_of(sheet: Sheet, late_s: float = 0.0) -> Load:
    """Worst-case load of a sheet on the coil; `on_s` is 0 if it is never energised. `late_s`: how
    long the contact may stay closed after each command off."""
    on_s, _ = sheet.longest_on
    if sheet.kind == "strokes":
        late_s = min(late_s, sheet.rest_s)
        return Load(on_s + late_s, sheet.rest_s - late_s, sheet.strokes)
    return Load(on_s + late_s if on_s > 0 else 0.0, 0.0, 1)


class Wear(NamedTuple):
    """Worst-case wear of a whole sheet on coil, relay and valve: times switched on, and time on."""

    operations: int
    energised_s: float


def wear_of(sheet: Sheet) -> Wear:
    """The wear of a sheet run to its end."""
    load = load_of(sheet)
    return Wear(load.times, load.times * load.on_s) if load.on_s > 0 else Wear(0, 0.0)


def worst_duty(load: Load, window_s: float) -> float:
    """Largest share of a sliding window of `window_s` in which the coil is energised.

    The window that begins with an on time holds most: as many whole cycles as fit, and the on time
    of the one it cuts. With few strokes in a long window it is their sum.
    """
    period_s = load.on_s + load.rest_s
    if not period_s > 0:
        return 0.0
    whole = min(math.floor(window_s / period_s), load.times)
    on_s = whole * load.on_s
    if whole < load.times:
        on_s += min(load.on_s, window_s - whole * period_s)
    return on_s / window_s
