# SPDX-License-Identifier: MIT
"""A rig study from stored results: who mounted which valve how often, and the result."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from rig.analysis.compare.repeatability import (
    GOOD_PCT,
    USABLE_PCT,
    Study,
    anova,
    average_range,
    cells_of,
    one_valve,
    tolerance_pct,
)
from rig.analysis.compare.run_values import run_number, values_of
from rig.config.sheet.model import Accept
from rig.core.errors import UsageError
from rig.core.figures import Figure, figures_of
from rig.core.json_values import plain
from rig.core.results.comparison import FigureStudied, Method
from rig.core.results.comparison import Study as StudyJson
from rig.core.results.run import Result

Limits = tuple[float | None, float | None]

GOOD, USABLE, NOT_GOOD_ENOUGH = "good", "usable", "not good enough"


class FigureStudy(NamedTuple):
    """One figure: `mean` over all mountings, `within_run_sd` the scatter of strokes inside a run
    (root mean square), the two methods, and P/T of each."""

    mean: float
    within_run_sd: float | None
    anova: Study
    average_range: Study | None
    limits: Limits
    anova_pt: float | None
    average_range_pt: float | None


def check_study(results: Sequence[Result]) -> None:
    """Raise UsageError for runs that make no study: different sources, no person or mounting named,
    one person only, nothing mounted twice, unequal numbers with several valves."""
    if len({result["source"] for result in results}) > 1:
        raise UsageError("These runs come from different sources; a study needs one.")
    numbers = [run_number(result) for result in results]
    if len(set(numbers)) < len(numbers):
        raise UsageError("A run is named twice.")
    for result in results:
        if result["kind"] != "strokes" or result["status"] not in ("finished", "captured"):
            raise UsageError(
                f"Run {result['run']} is no finished run of a strokes sheet "
                f"({result['kind']}, {result['status']})."
            )
    nameless = [str(one["run"]) for one in results if not one["by"] or one["mount"] is None]
    if nameless:
        raise UsageError(
            "A study must know who mounted the valve, and which mounting it was; not known for "
            f"run {', '.join(nameless)}. Do the runs with `rig run ... --by NAME --mount N`."
        )
    if len({one["valve"] is None for one in results}) > 1:
        raise UsageError("Some runs name their valve and some do not.")
    counts = _counts(results)
    people = {person for _, person in counts}
    if len(people) < 2:
        raise UsageError("A study needs two people or more (--by).")
    if max(counts.values()) < 2:
        raise UsageError(
            "A study needs the same valve mounted twice or more by a person (--mount)."
        )
    valves = {valve for valve, _ in counts}
    if len(valves) > 1 and (
        len(set(counts.values())) > 1 or len(counts) < len(valves) * len(people)
    ):
        told = ", ".join(f"{v} by {p}: {n}" for (v, p), n in sorted(counts.items()))
        raise UsageError(
            "With several valves every person mounts every valve the same number of times; here "
            f"it is {told}."
        )


def _counts(results: Sequence[Result]) -> dict[tuple[str, str], int]:
    """Mountings by (valve, person)."""
    mounts = {(one["valve"] or "", one["by"] or "", one["mount"]) for one in results}
    counts: dict[tuple[str, str], int] = {}
    for valve, person, _ in mounts:
        counts[valve, person] = counts.get((valve, person), 0) + 1
    return counts


def limits_of(accepts: Sequence[Accept], figure: Figure) -> Limits:
    """The tightest limits of a sheet for a figure, in whatever form (`of`)."""
    own = [accept for accept in accepts if accept.figure == figure.name]
    low = max((a.min_value for a in own if a.min_value is not None), default=None)
    high = min((a.max_value for a in own if a.max_value is not None), default=None)
    return low, high


def study_figure(results: Sequence[Result], figure: str, limits: Limits) -> FigureStudy | None:
    """The study of one figure; None where a run has no number for it.

    Runs of one mounting (the valve was not removed in between) are averaged.
    """
    mounted: dict[tuple[str, str], dict[int, list[float]]] = {}
    variances = []
    for one in results:
        values = values_of(one, figure)
        values = values[np.isfinite(values)]
        if not len(values):
            return None
        if len(values) > 1:
            variances.append(float(values.var(ddof=1)))
        cell = mounted.setdefault((one["valve"] or "", one["by"] or ""), {})
        cell.setdefault(one["mount"] or 0, []).append(float(values.mean()))
    found = {
        key: [float(np.mean(values)) for _, values in sorted(cell.items())]
        for key, cell in mounted.items()
    }
    cells = cells_of(found)
    if cells is not None:
        by_variance, by_range = anova(cells), average_range(cells)
    else:
        by_variance, by_range = one_valve(list(found.values())), None
    mean = float(np.mean([value for values in found.values() for value in values]))
    return FigureStudy(
        mean,
        math.sqrt(float(np.mean(variances))) if variances else None,
        by_variance,
        by_range,
        limits,
        tolerance_pct(by_variance.parts.rig, *limits, mean),
        None if by_range is None else tolerance_pct(by_range.parts.rig, *limits, mean),
    )


def rating(pct: float | None) -> str | None:
    """The meaning of %GRR or P/T (AIAG MSA, 4th ed., from memory)."""
    if pct is None:
        return None
    return GOOD if pct < GOOD_PCT else USABLE if pct <= USABLE_PCT else NOT_GOOD_ENOUGH


def study_runs(results: Sequence[Result], accepts: Sequence[Accept]) -> StudyJson:
    """The study of stored results (rig.results.run_json) as JSON; limits come from `accepts`.

    Raises UsageError, see check_study.
    """
    check_study(results)
    of = figures_of("strokes")
    figures = {key: study_figure(results, key, limits_of(accepts, one)) for key, one in of.items()}
    counts = _counts(results)
    return {
        "source": results[0]["source"],
        "runs": [
            {"run": one["run"], "valve": one["valve"], "by": one["by"], "mount": one["mount"]}
            for one in results
        ],
        "valves": sorted({valve for valve, _ in counts if valve}),
        "people": sorted({person for _, person in counts}),
        "mountings": sum(counts.values()),
        "figures": {name: one and _json(one) for name, one in figures.items()},
        "words": [line for key, one in figures.items() for line in study_words(of[key].short, one)],
    }


def _json(one: FigureStudy) -> FigureStudied:
    by_limits = one.anova_pt is not None
    return {
        "mean_ms": plain(one.mean),
        "within_run_sd_ms": plain(one.within_run_sd),
        "anova": _method(one.anova, one.anova_pt),
        "average_range": one.average_range and _method(one.average_range, one.average_range_pt),
        "limits": plain(one.limits),
        "rating": rating(one.anova_pt if by_limits else one.anova.rig_pct),
        "rated_by": "limits" if by_limits else None if one.anova.rig_pct is None else "valves",
    }


def _method(study: Study, pt: float | None) -> Method:
    parts = study.parts
    shape: Method = plain(
        {
            "repeatability_ms": parts.repeatability,
            "reproducibility_ms": parts.reproducibility,
            "grr_ms": parts.rig,
            "repeatability_ci95_ms": sd_bounds(parts.repeatability, study.repeatability_dof),
            "grr_ci95_ms": sd_bounds(parts.rig, study.rig_dof),
            "valves_ms": parts.valves,
            "total_ms": parts.total,
            "grr_pct": study.rig_pct,
            "ndc": study.ndc,
            "precision_to_tolerance_pct": pt,
            "repeatability_limit_ms": study.repeatability_limit,
            "interaction_p": study.interaction_p,
            "pooled": study.pooled,
        }
    )
    return shape


def sd_bounds(sd: float, dof: float) -> tuple[float, float] | None:
    """95 % interval of a standard deviation with `dof` degrees of freedom (chi-square; of GRR by
    Satterthwaite's, about 95 %); None without any."""
    from scipy import special

    if not dof > 0:
        return None
    low, high = (math.sqrt(dof / float(special.chdtri(dof, tail))) for tail in (0.025, 0.975))
    return sd * low, sd * high


def _between(one: FigureStudy) -> str:
    bounds = sd_bounds(one.anova.parts.repeatability, one.anova.repeatability_dof)
    return "" if bounds is None else f", 95 %: {bounds[0]:.2f} to {bounds[1]:.2f}"


def study_words(name: str, one: FigureStudy | None) -> list[str]:
    """What the study of a figure says, the plainest first (analysis of variance)."""
    if one is None:
        return [f"The {name} cannot be studied: a run has no number for it."]
    study, parts = one.anova, one.anova.parts
    told = [
        f"Mounting the same valve again moves the {name} by {parts.repeatability:.2f} ms "
        f"(standard deviation{_between(one)}); another person adds "
        f"{parts.reproducibility:.2f} ms. Two mountings by one person may "
        f"differ by {study.repeatability_limit:.2f} ms with nothing changed."
    ]
    low, high = one.limits
    if one.anova_pt is not None:
        of = "room between its limits" if low is not None and high is not None else (
            "room from the mean to its limit")  # fmt: skip
        told.append(
            f"That takes up {one.anova_pt:.0f} % of the {of}: for this limit the rig is "
            f"{rating(one.anova_pt)}."
        )
    elif low is None and high is None:
        told.append(f"The sheet has no limit for the {name} to hold this against.")
    else:
        told.append(f"The mean {name} lies beyond its limit, so there is no room to compare with.")
    if study.rig_pct is None:
        told.append(
            "One valve does not show how valves differ: %GRR of the total and the number of groups "
            "need two valves or more."
        )
    else:
        told.append(
            f"Of the spread over these valves {study.rig_pct:.0f} % is the rig's own: "
            f"{rating(study.rig_pct)}; it tells {study.ndc} groups of valves apart."
        )
    return told
