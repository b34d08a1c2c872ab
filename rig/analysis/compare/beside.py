# SPDX-License-Identifier: MIT
"""Runs that support a comparison: those that slopes are fitted through, and those of a rig
study."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from rig.analysis.compare.mounting import ONE_MOUNTING, Mounting, of_study, same_mounting
from rig.analysis.compare.run_values import conditions_of, run_number, values_of
from rig.analysis.compare.slopes import Slopes, fitted, typed
from rig.analysis.compare.study_runs import check_study, study_figure
from rig.analysis.compare.two_samples import group
from rig.config.sheet.compare import Compare
from rig.core.errors import UsageError
from rig.core.results.run import Result


class Beside(NamedTuple):
    """`slope_runs`: results of one valve under other conditions. `study_runs`: those of a rig
    study."""

    slope_runs: Sequence[Result] = ()
    study_runs: Sequence[Result] = ()


def check_beside(results: Sequence[Result], beside: Beside) -> None:
    """Raise UsageError for runs that cannot support the comparison of `results`: another source or
    valve, compared themselves, without strokes; and as check_study."""
    if beside.study_runs:
        check_study(beside.study_runs)
    for one in (*beside.slope_runs, *beside.study_runs):
        if one["source"] != results[0]["source"]:
            raise UsageError(
                f"Run {one['run']} comes from another source ({one['source']}) than the runs "
                f"compared ({results[0]['source']})."
            )
    if not beside.slope_runs:
        return
    numbers = [run_number(one) for one in beside.slope_runs]
    twice = sorted({n for n in numbers if numbers.count(n) > 1})
    if twice:
        raise UsageError(f"Run {twice[0]} is named twice for the slopes.")
    both = sorted(set(numbers) & {run_number(one) for one in results})
    if both:
        raise UsageError(
            f"Run {both[0]} is compared, and named for the slopes as well: it would explain itself."
        )
    valves = {one["valve"] for one in results}
    for one in beside.slope_runs:
        if one["kind"] != "strokes" or not one["strokes"]:
            raise UsageError(f"Run {one['run']} has no strokes that a slope could go through.")
        if one["valve"] is None or one["valve"] not in valves:
            raise UsageError(
                f"Run {one['run']} is of {one['valve'] or 'a valve without a name'}, which is not "
                "compared here. Slopes come from runs of a valve that is."
            )
    if len({one["valve"] for one in beside.slope_runs}) > 1:
        raise UsageError("The runs named for the slopes are of several valves; name those of one.")


def slopes_of(figure: str, settings: Compare, beside: Beside) -> list[Slopes]:
    """The slopes of a figure: as typed, then as fitted. Raises UsageError, see slopes.fitted."""
    given = typed(settings.slopes(figure))
    found = [] if given is None else [given]
    groups = [(one, group(values_of(one, figure))) for one in beside.slope_runs]
    known = [(one, mean) for one, mean in groups if mean is not None]
    if known:
        more = fitted(
            [run_number(one) for one, _ in known],
            [conditions_of(one) for one, _ in known],
            np.array([mean.mean for _, mean in known]),
            np.array([mean.u_mean for _, mean in known]),
            given,
        )
        found += [] if more is None else [more]
    return found


def mounting_of(
    figure: str, before: Result, after: Result, settings: Compare, beside: Beside
) -> Mounting | None:
    """What a new mounting adds to a figure: nothing within one mounting, else as the rig study
    shows, else as typed; None where it is not known."""
    if same_mounting(before, after):
        return ONE_MOUNTING
    study = study_figure(beside.study_runs, figure, (None, None)) if beside.study_runs else None
    if study is not None:
        runs = ", ".join(str(one["run"]) for one in beside.study_runs)
        return of_study(study.anova, before, after, runs)
    sd = settings.mounting_sd_ms(figure)
    return None if sd is None else Mounting(sd, float("inf"), "as typed")
