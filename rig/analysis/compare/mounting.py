# SPDX-License-Identifier: MIT
"""What remounting a valve adds to its times, where it is known."""

from __future__ import annotations

from typing import NamedTuple

from rig.analysis.compare.repeatability import Study
from rig.core.results.run import Result


class Mounting(NamedTuple):
    """Standard deviation (ms) of the mean from one mounting to the next, its degrees of freedom,
    and its source in words."""

    sd: float
    dof: float
    how: str


ONE_MOUNTING = Mounting(0.0, float("inf"), "one mounting")


def same_mounting(before: Result, after: Result) -> bool:
    """Whether two runs are stated to be of one mounting: same valve, person and number
    (--mount)."""
    told = [(one.get("valve"), one.get("by"), one.get("mount")) for one in (before, after)]
    return told[0] == told[1] and told[0][0] is not None and told[0][2] is not None


def of_study(study: Study, before: Result, after: Result, runs: str) -> Mounting:
    """From a rig study: the repeatability where one person mounted both, else also the spread
    between people."""
    person = before.get("by")
    if person and person == after.get("by"):
        return Mounting(
            study.parts.repeatability, study.repeatability_dof,
            f"repeatability of the rig study of runs {runs}",
        )  # fmt: skip
    return Mounting(study.parts.rig, study.rig_dof, f"GRR of the rig study of runs {runs}")
