# SPDX-License-Identifier: MIT
"""Runs with known truth: a new rig drawn for every run from the budget's own distributions.

What a stroke truly took is normally distributed about that rig's expected value; what the rig
adds (stamps, read-back, relay, merged bounce edges) is drawn once for each rig, rectangular, as
the budget says. Drift is none, so the measurand is the expected value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.measure import instrument_uncertainty
from rig.config.setup.model import Setup
from rig.config.sheet.model import StrokesSheet
from rig.core.recording import STAMP_MS, CommandSeries, EdgeSeries, LevelSeries, Recording
from rig.core.records import READBACK, SWITCH, End

MS = 1_000_000
PERIOD_MS, ON_MS = 1000, 500
RELAY_LEAST = 0.2
"""Of a relay's longest delay its shortest."""


@dataclass(frozen=True)
class Rig:
    """A drawn rig: true expected response and release, and what it adds to each, milliseconds."""

    response_ms: float
    release_ms: float
    sd_ms: float
    relay_ms: tuple[float, float]
    added_ms: tuple[float, float]


def setup(*, readback: bool, relay_ms: float = 10.0) -> Setup:
    data = {
        "backend": "board", "medium": "oil",
        "coil": {
            "feed_side": "supply", "supply_voltage": "12.6 V", "fuse": "5 A",
            "resistance": "14.5 ohm",
        },
        "relay": {
            "line": 17, "operate_delay": f"{relay_ms} ms", "release_delay": f"{relay_ms} ms",
            "operate_delay_least": f"{RELAY_LEAST * relay_ms} ms",
            "release_delay_least": f"{RELAY_LEAST * relay_ms} ms",
        },
        "switch": {"line": 22, "contact": "normally open"},
    }  # fmt: skip
    if readback:
        data["readback"] = {"line": 23}
    return Setup.model_validate(data)


def sheet(strokes: int, **limit: object) -> StrokesSheet:
    return StrokesSheet.model_validate(
        {"kind": "strokes", "strokes": strokes, "on_time": "500 ms", "rest": "500 ms",
         "accept": [limit] if limit else []}
    )  # fmt: skip


def draw_rig(
    rng: np.random.Generator, *, readback: bool, sd_ms: float, relay_ms: float = 10.0,
    response_ms: float | None = None,
) -> Rig:  # fmt: skip
    """Its true expected times are drawn too, unless the response is given."""
    stamp, least = STAMP_MS["board"], RELAY_LEAST * relay_ms
    added = []
    for _ in range(2):
        off = rng.uniform(-stamp, stamp) + rng.uniform(
            -instrument_uncertainty.BOUNCE_MS, instrument_uncertainty.BOUNCE_MS
        )
        if readback:
            off -= rng.uniform(-stamp, stamp)
            off -= rng.uniform(
                -instrument_uncertainty.READBACK_MS, instrument_uncertainty.READBACK_MS
            )
        added.append(float(off))
    return Rig(
        rng.uniform(40, 120) if response_ms is None else response_ms, rng.uniform(30, 90), sd_ms,
        (rng.uniform(least, relay_ms), rng.uniform(least, relay_ms)), (added[0], added[1]),
    )  # fmt: skip


def times(rig: Rig, strokes: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """What each stroke truly took, coil live or dead to switch settled."""
    return (
        rng.normal(rig.response_ms, rig.sd_ms, strokes),
        rng.normal(rig.release_ms, rig.sd_ms, strokes),
    )


def recording(
    rig: Rig, response_ms: np.ndarray, release_ms: np.ndarray, *, readback: bool
) -> Recording:
    """The edges that such a rig would have recorded for these strokes."""
    n = len(response_ms)
    on = np.arange(1, n + 1) * PERIOD_MS * MS
    off = on + ON_MS * MS
    live, dead = on + round(rig.relay_ms[0] * MS), off + round(rig.relay_ms[1] * MS)
    goes_on = live + np.rint((response_ms + rig.added_ms[0]) * MS).astype(np.int64)
    goes_off = dead + np.rint((release_ms + rig.added_ms[1]) * MS).astype(np.int64)
    zero = np.zeros(1, np.int64)
    edges = {SWITCH: _edges(goes_on, goes_off, closed_level=0)}
    levels = {SWITCH: LevelSeries(zero, np.ones(1, np.int8))}
    if readback:
        edges[READBACK] = _edges(live, dead, closed_level=1)
        levels[READBACK] = LevelSeries(zero, np.zeros(1, np.int8))
    at = _woven(on, off)
    commands = CommandSeries(
        at, at, np.tile([True, False], n), np.repeat(np.arange(1, n + 1, dtype=np.int64), 2)
    )
    end = End("finished", "confirmed off", int(off[-1]) + ON_MS * MS)
    return Recording("board", 0, commands, edges, levels, {}, [], [], [], end, 0, 1)


def _woven(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    return np.stack((first, second), axis=1).ravel().astype(np.int64)


def _edges(on: np.ndarray, off: np.ndarray, *, closed_level: int) -> EdgeSeries:
    t_ns = _woven(on, off)
    level = np.tile([closed_level, 1 - closed_level], len(on)).astype(np.int8)
    return EdgeSeries(t_ns, level, np.arange(1, len(t_ns) + 1, dtype=np.int64))
