# SPDX-License-Identifier: MIT
"""How often the plunger's movement is found in the coil's current, and how well its time.

    python3 tests/studies/current_signature.py               the full table (some minutes)
    python3 tests/studies/current_signature.py --rigs 40     a short one

Random rigs (tests/studies/current_rigs.py), each sampled at several rates. "Wrongly moved": a stuck
plunger that was taken to move; "wrongly still": a plunger that landed and was taken not to move.
The rest is "not decided", which says nothing false.
"""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
from current_rigs import draw, error_ms, one_stroke

from rig.analysis.coil.current_rise import MOVED, NOT_SEEN

RATES_HZ = (1000, 2000, 5000, 10000)
FULL_RIGS = 400


class Row(NamedTuple):
    """What came out at one rate. Errors in ms; `inside` is the share of landings within their
    expanded uncertainty (k = 2), which should be 95 % or more."""

    rate_hz: int
    moving: int
    found: int
    wrongly_still: int
    stuck: int
    called_stuck: int
    wrongly_moved: int
    bias_ms: float
    rms_ms: float
    worst_ms: float
    inside: float
    leaves_rms_ms: float
    leaves_inside: float
    back: int
    back_rms_ms: float
    back_inside: float
    back_wrongly: int

    def __str__(self) -> str:
        back = "none" if self.back == 0 else f"{self.back_rms_ms:.2f}"
        back_inside = "none" if self.back == 0 else f"{100 * self.back_inside:.0f} %"
        return (
            f"| {self.rate_hz} Hz | {100 * self.found / max(self.moving, 1):.1f} % of {self.moving}"
            f" | {self.wrongly_still} | {100 * self.called_stuck / max(self.stuck, 1):.1f} % of "
            f"{self.stuck} | {self.wrongly_moved} | {self.bias_ms:+.3f} | {self.rms_ms:.3f} | "
            f"{self.worst_ms:.2f} | {100 * self.inside:.1f} % | {self.leaves_rms_ms:.2f} | "
            f"{100 * self.leaves_inside:.0f} % | {self.back} | {back} | "
            f"{back_inside} | {self.back_wrongly} |"
        )


HEAD = (
    "| rate | movement found | wrongly still | stuck found | wrongly moved | landing: bias ms | "
    "rms ms | worst ms | within U95 | leaving: rms ms | within U95 | way back found | rms ms | "
    "within U95 | wrongly |\n" + "|---" * 15 + "|"
)


def study(rate_hz: int, rigs: int, seed: int = 1, *, readback: bool = True) -> Row:
    """`rigs` random rigs at one rate."""
    rng = np.random.default_rng(seed)
    count = dict.fromkeys(("moving", "found", "still", "stuck", "called", "wrong", "back"), 0)
    count["backwrong"] = 0
    errors: list[tuple[float, float]] = []
    leaving: list[tuple[float, float]] = []
    back: list[tuple[float, float]] = []
    for _ in range(rigs):
        rig = draw(rng, readback=readback)
        row, truth, _ = one_stroke(rig, rate_hz, rng)
        if truth.seated_ns is None:
            count["stuck"] += 1
            count["called"] += row.state == NOT_SEEN
            count["wrong"] += row.state == MOVED
            count["backwrong"] += math.isfinite(row.back_seated_ms)
            continue
        count["moving"] += 1
        count["found"] += row.state == MOVED
        count["still"] += row.state == NOT_SEEN
        if row.state == MOVED:
            errors.append((error_ms(row.seated_ms, truth.seated_ns), 2 * row.u_seated_ms))
            leaving.append((error_ms(row.electrical_ms, truth.leaves_ns), 2 * row.u_electrical_ms))
        if math.isfinite(row.back_seated_ms):
            count["back"] += 1
            back.append((error_ms(row.back_seated_ms, truth.back_ns), 2 * row.u_back_seated_ms))
    e, e_in = _figures(errors)
    lv, lv_in = _figures(leaving)
    bk, bk_in = _figures(back)
    return Row(
        rate_hz, count["moving"], count["found"], count["still"], count["stuck"], count["called"],
        count["wrong"], float(e.mean()), float(np.sqrt((e**2).mean())), float(np.abs(e).max()),
        e_in, float(np.sqrt((lv**2).mean())), lv_in, count["back"],
        float(np.sqrt((bk**2).mean())), bk_in, count["backwrong"],
    )  # fmt: skip


def _figures(pairs: list[tuple[float, float]]) -> tuple[np.ndarray, float]:
    known = [pair for pair in pairs if math.isfinite(pair[0])]
    if not known:
        return np.array([math.nan]), math.nan
    errors = np.array([error for error, _ in known])
    inside = np.array([abs(error) <= limit for error, limit in known])
    return errors, float(inside.mean())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=FULL_RIGS)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    for readback in (True, False):
        print(f"\n{'With' if readback else 'Without'} read-back, {args.rigs} rigs a rate\n\n{HEAD}")
        for rate_hz in RATES_HZ:
            print(study(rate_hz, args.rigs, args.seed, readback=readback), flush=True)


if __name__ == "__main__":
    main()
