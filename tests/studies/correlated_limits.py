# SPDX-License-Identifier: MIT
"""Few strokes that resemble one another: do the mean's interval and a percentile's limit hold?

    .venv/bin/python tests/studies/correlated_limits.py                 the whole table (minutes)
    .venv/bin/python tests/studies/correlated_limits.py --runs 500      a short one

Strokes of a stationary AR(1) process (statsmodels), sd 1, without uncertainty of the instrument.
The interval of the mean is that of `dependence`. A limit lies exactly on the true 95 % quantile, so
that every pass is a wrong one.
"""

from __future__ import annotations

import argparse
import math
import sys

import numpy as np
from scipy import special
from statsmodels.tsa.arima_process import ArmaProcess

from rig.analysis.stats.dependence import dependence
from rig.analysis.stats.proportion import clopper_pearson
from rig.analysis.verdict.percentile_decision import SHARE, decide_percentile

STROKES, PHIS = (3, 5, 7, 9, 10, 12, 20, 30, 50), (0.0, 0.3, 0.5, 0.7)
RISK, SEED, FULL_RUNS = 0.05, 2026, 4000
LIMITS = (-math.inf, float(special.ndtri(SHARE)))


def runs_of(phi: float, n: int, count: int) -> np.ndarray:
    """`count` stationary runs of n strokes, sd 1."""
    drawn = ArmaProcess([1, -phi], [1]).generate_sample(
        (n, count), burnin=200, distrvs=np.random.default_rng(SEED).standard_normal
    )
    return np.asarray(drawn.T * math.sqrt(1 - phi**2), np.float64)


def covers(run: np.ndarray) -> bool:
    known = dependence(run)
    assert known is not None
    half = float(special.stdtrit(known.dof, 0.975)) * known.u_mean
    return bool(abs(run.mean()) <= half)


def passes(run: np.ndarray, of: str) -> bool:
    return decide_percentile(run, of, LIMITS, RISK, 0.0, 0.0, 0.0).decision.result == "conforms"


def row(phi: float, n: int, count: int) -> str:
    drawn = runs_of(phi, n, count)
    found = [
        sum(map(covers, drawn)),
        *(sum(passes(run, of) for run in drawn) for of in ("p95", "tolerance")),
    ]
    shown = []
    for hits in found:
        low, high = (100 * end for end in clopper_pearson(hits, count))
        shown.append(f"{100 * hits / count:.1f} ({low:.1f} to {high:.1f})")
    return f"| {phi:g} | {n} | {' | '.join(shown)} |"


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--runs", type=int, default=FULL_RUNS)
    count = parser.parse_args().runs
    print("| correlation | strokes | mean covered, % | p95 passed, % | tolerance passed, % |")
    print("|---|---|---|---|---|")
    for phi in PHIS:
        for n in STROKES:
            print(row(phi, n, count), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
