# SPDX-License-Identifier: MIT
"""Compare stored results: the first run with each other one, and three or more as a batch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from rig.analysis.compare import compare_words as words
from rig.analysis.compare.allowed_for import (
    NOT_SHOWN,
    REAL,
    WITHHELD,
    AllowedFor,
    Sides,
    alike_when_allowed,
    allowed_for,
    effects_of,
)
from rig.analysis.compare.allowed_words import alike_if, explained_words
from rig.analysis.compare.batch import batch
from rig.analysis.compare.beside import Beside, check_beside, mounting_of, slopes_of
from rig.analysis.compare.compare_words import FigureComparison
from rig.analysis.compare.mounting import Mounting
from rig.analysis.compare.oil_correction import OilModel, mean_at_reference, normalised, oil_model
from rig.analysis.compare.own_times import OwnTimes, own_times
from rig.analysis.compare.run_values import (
    UNITS,
    Condition,
    conditions_of,
    oil_degc,
    run_number,
    values_of,
)
from rig.analysis.compare.slopes import Slopes
from rig.analysis.compare.two_samples import (
    UNDECIDED,
    Group,
    difference,
    equivalence_of,
    strokes_to_equate,
    strokes_to_see,
)
from rig.analysis.stats.two_sets import distance, fisher_p
from rig.config.sheet.compare import Compare
from rig.core.errors import UsageError
from rig.core.figures import figures_of
from rig.core.json_values import plain
from rig.core.recording import Float
from rig.core.results.comparison import Batch as BatchCompared
from rig.core.results.comparison import (
    Comparison,
    FigureCompared,
    MissedCompared,
    PairCompared,
    Ranked,
    RunCompared,
)
from rig.core.results.comparison import Group as GroupCompared
from rig.core.results.run import Result

OIL_ALIKE_K = 0.5
"""Oil temperatures no farther apart than this are equal."""


def check_comparable(results: Sequence[Result]) -> None:
    """Raise UsageError for runs that cannot be compared: too few, one named twice, different
    sources, no strokes."""
    if len(results) < 2:
        raise UsageError("Comparing takes two runs or more: `rig compare BEFORE AFTER`.")
    numbers = [run_number(result) for result in results]
    twice = sorted({n for n in numbers if numbers.count(n) > 1})
    if twice:
        raise UsageError(f"Run {twice[0]} is named twice: a run is not compared with itself.")
    sources = {result["source"] for result in results}
    if len(sources) > 1:
        told = ", ".join(f"run {result['run']}: {result['source']}" for result in results)
        raise UsageError(
            f"These runs do not come from the same source ({told}). Numbers of different sources "
            "are not compared."
        )
    for result in results:
        if result["kind"] != "strokes" or not result["strokes"]:
            raise UsageError(
                f"Run {result['run']} has no strokes to compare (kind {result['kind']}). Runs of a "
                "strokes sheet are compared."
            )
        if result["status"] == "running":
            raise UsageError(f"Run {result['run']} is still going on; compare it when it is over.")


def compare_figure(
    figure: str, before: Float, after: Float, margin: float | None, sides: Sides,
    slopes: Sequence[Slopes] = (), mounting: Mounting | None = None,
    degc: tuple[float, float] | None = None, model: OilModel | None = None,
    own: OwnTimes | None = None,
) -> FigureComparison | None:  # fmt: skip
    """Compare two sets of times (ms) of a figure ("response_ms", "release_ms"); None where one has
    fewer than two. `margin` in ms; `sides`, `slopes`, `mounting`, `own` see allowed_for; `degc` are
    both oil temperatures where known and the medium is oil."""
    found = difference(before, after)
    if found is None:
        return None
    allowed = allowed_for(figure, found, sides, slopes, mounting, own)
    alike = alike_when_allowed(allowed, margin) if margin is not None else None
    sd, seen = found.pooled_sd, margin if margin is not None else found.difference
    needed = strokes_to_see(seen / sd) if sd > 0 else None
    to_equate = None
    if alike is not None and margin is not None and alike.result == UNDECIDED and sd > 0:
        to_equate = strokes_to_equate(margin / sd, abs(found.difference) / sd)
    oil = oil_alike = None
    if degc is not None and model is not None:
        try:
            oil = normalised(found, *degc, model)
        except ValueError:  # thinner than the viscosity line covers
            oil = None
    if oil is not None and margin is not None:
        oil_alike = equivalence_of(oil.difference, oil.standard_error, oil.dof, margin)
    return FigureComparison(
        found, distance(before, after), allowed, alike, needed, to_equate, oil, oil_alike
    )


def compare_runs(
    results: Sequence[Result],
    settings: Compare,
    media: Sequence[str | None],
    beside: Beside | None = None,
) -> Comparison:
    """The comparison of two or more results (rig.results.run_json) as JSON.

    The first run is compared with each of the others; three or more are also ranked. `settings` are
    the sheet's `[compare]`, `media` the medium of each run ("oil", "air", None: not known);
    `beside` the results that slopes and the spread between mountings come from. Top-level
    difference_ms, ci95, p, effect_sd, equivalent and strokes_needed are those of the response of
    the first two runs. Raises UsageError, see check_comparable and check_beside.
    """
    check_comparable(results)
    beside = beside or Beside()
    check_beside(results, beside)
    pairs = [
        _pair(results[0], other, settings, beside, oil=media[0] == "oil" and medium == "oil")
        for other, medium in zip(results[1:], media[1:], strict=True)
    ]
    main = pairs[0]["figures"]["response_ms"]
    warm = [degc for result in results if (degc := oil_degc(result)) is not None]
    all_oil = (
        bool(warm)
        and max(warm) - min(warm) > OIL_ALIKE_K
        and all(medium == "oil" for medium in media)
    )
    every_oil = all(medium == "oil" for medium in media)
    ranked = {
        name: _batch(results, name, settings, beside, warm=all_oil, oil=every_oil)
        for name in figures_of("strokes")
    }
    told = words.batch_words(results, ranked) if len(results) > 2 else pairs[0]["words"]
    return {
        "source": results[0]["source"],
        "runs": [_run(result) for result in results],
        "figure": "response_ms",
        "difference_ms": main and main["difference_ms"],
        "ci95": main and main["ci95"],
        "p": main and main["p"],
        "effect_sd": main and main["effect_sd"],
        "equivalent": main and main["equivalent"],
        "equivalent_if": main and main["equivalent_if"],
        "strokes_needed": main and main["strokes_needed"],
        **pairs[0],
        "comparisons": pairs,
        "batch": ranked if len(results) > 2 else None,
        "words": told,
        "notes": words.notes(results),
    }


def _run(result: Result) -> RunCompared:
    return {
        "run": result["run"],
        "valve": result["valve"],
        "job": result["job"],
        "by": result["by"],
        "mount": result["mount"],
        "status": result["status"],
        "setup_hash": result["setup_hash"],
        "sheet_hash": result["sheet_hash"],
        "strokes": len(result["strokes"]),
        "missed": result["counts"]["missed"],
        "doubtful": result["counts"]["doubtful"],
        "oil_temperature_degc": oil_degc(result),
        "measured": {
            name: {"value": plain(one.value), "unit": UNITS[name], "measured": one.measured}
            for name, one in conditions_of(result).items()
        },
        "summary": result["summary"],
    }


def _pair(
    before: Result, after: Result, settings: Compare, beside: Beside, *, oil: bool
) -> PairCompared:
    warm = oil_degc(before), oil_degc(after)
    degc = None
    if oil and warm[0] is not None and warm[1] is not None:
        degc = (warm[0], warm[1]) if abs(warm[1] - warm[0]) > OIL_ALIKE_K else None
    model = _model(settings)
    hashes = [one["setup_hash"] for one in (before, after)]
    sides = Sides(
        conditions_of(before), conditions_of(after),
        hashes[0] == hashes[1] and hashes[0] is not None, model if oil else None,
    )  # fmt: skip
    figures: dict[str, FigureComparison | None] = {
        name: compare_figure(
            name, values_of(before, name), values_of(after, name), settings.margin_ms(name), sides,
            slopes_of(name, settings, beside), mounting_of(name, before, after, settings, beside),
            degc, model, own_times(name, before, after),
        )
        for name in figures_of("strokes")
    }  # fmt: skip
    missed = _missed(before, after)
    return {
        "before": before["run"],
        "after": after["run"],
        "figures": {name: one and figure_json(one) for name, one in figures.items()},
        "missed_compared": missed,
        "oil": None if degc is None else words.oil_words(model, *degc),
        "words": words.pair_words(before, after, figures, missed),
    }


def figure_json(one: FigureComparison) -> FigureCompared:
    """One figure as JSON. `equivalent`: true, false, null where not decided or without margin;
    `equivalent_if`: what true assumes, empty otherwise."""
    found, alike, oil = one.difference, one.equivalence, one.normalised
    shape: FigureCompared = plain(
        {
            "difference_ms": found.difference,
            "ci95": found.ci95,
            "p": found.p,
            "rank_p": found.rank_p,
            "ks_distance": None if one.distance is None else one.distance.distance,
            "ks_p": None if one.distance is None else one.distance.p,
            "t": found.t,
            "dof": found.dof,
            "effect_sd": found.effect_sd,
            "equivalent": words.equivalent(alike),
            "equivalent_if": alike_if(one.allowed_for) if words.equivalent(alike) else [],
            "equivalence": None if alike is None else alike.result,
            "margin_ms": None if alike is None else alike.margin,
            "equivalence_p": None if alike is None else alike.p,
            "ci90": None if alike is None else alike.ci90,
            "strokes_needed": one.strokes_needed,
            "strokes_needed_equivalence": one.strokes_to_equate,
            "before": found.before,
            "after": found.after,
            "real": {REAL: True, NOT_SHOWN: False, WITHHELD: None}[one.allowed_for.result],
            "allowed_for": _allowed_json(one.allowed_for),
            "normalised": None
            if oil is None
            else {
                "oil_temperature_degc": oil.reference_degc,
                "after_factor": oil.after_factor,
                "difference_ms": oil.difference,
                "ci95": oil.ci95,
                "p": oil.p,
                "u_model_ms": oil.u_model,
                "share_known": oil.share_known,
                "least_ms": oil.least,
                "most_ms": oil.most,
                "equivalent": words.equivalent(one.normalised_equivalence),
            },
        }
    )
    return shape


def _allowed_json(allowed: AllowedFor) -> dict[str, object]:
    """The difference corrected for conditions and mounting; null for what is not bounded."""
    mounting = allowed.mounting
    return {
        "result": allowed.result,
        "difference_ms": allowed.difference,
        "u_ms": allowed.standard_error,
        "dof": allowed.dof,
        "p": allowed.p,
        "ci95": allowed.ci95,
        "least_ms": allowed.least,
        "most_ms": allowed.most,
        "effects": [
            {
                "condition": one.condition,
                "before": one.before,
                "after": one.after,
                "unit": UNITS[one.condition],
                "known": one.known,
                "low_ms": one.low,
                "high_ms": one.high,
                "u_ms": one.u,
                "slope": one.how or None,
            }
            for one in allowed.effects
        ],
        "own_times_ms": None if allowed.own is None else allowed.own.shift,
        "u_own_times_ms": None if allowed.own is None else allowed.own.u,
        "not_known": list(allowed.lacking),
        "mounting_sd_ms": None if mounting is None else mounting.sd,
        "mounting": None if mounting is None else mounting.how,
        "mounting_to_explain_ms": allowed.mounting_to_explain,
        "pressure_to_explain": allowed.pressure_to_explain,
    }


def _missed(before: Result, after: Result) -> MissedCompared:
    counts = [
        (one["counts"]["missed"], len(one["strokes"]) - one["counts"]["missed"])
        for one in (before, after)
    ]
    return {
        "before": {"n": counts[0][0], "of": sum(counts[0])},
        "after": {"n": counts[1][0], "of": sum(counts[1])},
        "p": plain(fisher_p((counts[0], counts[1]))),
    }


def _batch(
    results: Sequence[Result], figure: str, settings: Compare, beside: Beside, *, warm: bool,
    oil: bool,
) -> BatchCompared | None:  # fmt: skip
    """`warm`: the oil temperature differed between runs; `oil`: all of them were in oil."""
    if len(results) < 3:
        return None
    found = batch([values_of(one, figure) for one in results], settings.margin_ms(figure))
    if found is None:
        return None
    model = _model(settings)
    slopes = slopes_of(figure, settings, beside)
    hashes = {one["setup_hash"] for one in results}
    known = [conditions_of(one) for one in results]
    rows: list[Ranked] = []
    for place in found.places:
        others = [one for n, one in enumerate(known) if n != place.place]
        sides = Sides(
            _median(others), known[place.place], len(hashes) == 1 and hashes != {None},
            model if oil else None,
        )  # fmt: skip
        own, mean = results[place.place], place.group.mean
        effects = effects_of(figure, mean - place.away, mean, sides, slopes)
        at_first = _at_first(mean, own, results[0], model) if warm else (None, None)
        rows.append({
            "rank": place.rank,
            "run": own["run"],
            "valve": own["valve"],
            **as_group(place.group),
            "ci95": plain(place.ci95),
            "away_ms": plain(place.away),
            "outlier": place.outlier,
            "normalised_mean_ms": plain(at_first[0]),
            "u_model_ms": plain(at_first[1]),
            "explained_ms": plain([sum(e.low for e in effects), sum(e.high for e in effects)]),
            "explained": explained_words(effects).strip(),
        })  # fmt: skip
    return {"p_all_alike": plain(found.p_all_alike), "ranked": rows}


def as_group(found: Group) -> GroupCompared:
    """One side as JSON."""
    shape: GroupCompared = plain(found)
    return shape


def _median(known: Sequence[Mapping[str, Condition]]) -> dict[str, Condition]:
    """The median of each condition known in all of these runs."""
    found = {}
    for name in UNITS:
        own = [one[name] for one in known if name in one]
        if own and len(own) == len(known):
            middle = float(np.median([one.value for one in own]))
            found[name] = min(own, key=lambda one: abs(one.value - middle))._replace(value=middle)
    return found


def _model(settings: Compare) -> OilModel:
    return oil_model(
        settings.viscosity_40_mm2_s, settings.viscosity_100_mm2_s, settings.viscous_share
    )


def _at_first(
    mean: float, result: Result, first: Result, model: OilModel
) -> tuple[float | None, float | None]:
    """A mean at the oil temperature of the first run and the model's standard uncertainty; None
    where a temperature is not known, or the oil thinner than the viscosity line covers. Ranking and
    flag are those of the times as measured."""
    warm, reference = oil_degc(result), oil_degc(first)
    if warm is None or reference is None:
        return None, None
    try:
        return mean_at_reference(mean, warm, reference, model)
    except ValueError:
        return None, None
