# SPDX-License-Identifier: MIT
"""Widths of the control charts for the length of a run: `python tests/studies/chart_limits.py`.

Steady normal runs whose centre and sigma come from the run itself (numpy alone, nothing of `rig`).
Each of the four rules gets the same share of false alarms, chosen so that one chart of all four
gives one in CHART of the runs: response and release together then stay below twice that. Prints
the table of rig/analysis/stats/chart_limits.py.
"""

from __future__ import annotations

import math
import sys

import numpy as np

CHART = 0.024
"""Wanted share of steady runs in which one chart breaks a rule."""
LENGTHS = (5, 6, 7, 8, 10, 12, 15, 20, 30, 50, 80, 120, 200, 500, 1000, 3000)
LAMBDA, K = 0.3, 0.5


def largest(n: int, runs: int, rng: np.random.Generator) -> np.ndarray:
    """Of every run (4, runs): the largest single value, moving range, average and sum, each in
    the unit of its limit."""
    x = rng.standard_normal((n, runs)).astype(np.float32)
    moving = np.abs(np.diff(x, axis=0))
    mean_range = moving.mean(axis=0)
    z = (x - x.mean(axis=0)) / (mean_range * math.sqrt(math.pi) / 2)
    average, high, low = (np.zeros(runs, np.float32) for _ in range(3))
    top = np.zeros((4, runs), np.float32)
    top[0], top[1] = np.abs(z).max(axis=0), moving.max(axis=0) / mean_range
    for t in range(n):
        average = LAMBDA * z[t] + (1 - LAMBDA) * average
        wide = math.sqrt(LAMBDA / (2 - LAMBDA) * (1 - (1 - LAMBDA) ** (2 * t + 2)))
        top[2] = np.maximum(top[2], np.abs(average) / wide)
        high, low = np.maximum(0, high + z[t] - K), np.maximum(0, low - z[t] - K)
        top[3] = np.maximum(top[3], np.maximum(high, low))
    return top


def widths(n: int, runs: int, rng: np.random.Generator) -> tuple[list[float], float]:
    """The four limits for runs of `n` strokes, and the share of false alarms they give."""
    top = largest(n, runs, rng)
    low, high = 0.0, CHART
    for _ in range(30):
        share = (low + high) / 2
        limits = np.quantile(top, 1 - share, axis=1)
        joint = float((top > limits[:, None]).any(axis=0).mean())
        low, high = (share, high) if joint < CHART else (low, share)
    return limits.tolist(), joint


def main(runs: int = 200_000) -> None:
    rng = np.random.default_rng(20)
    for n in LENGTHS:
        limits, joint = widths(n, min(runs, 60_000_000 // n), rng)
        print(f"    ({n}, {', '.join(f'{one:.3f}' for one in limits)}),  # {joint:.4f}", flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
