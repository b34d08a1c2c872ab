# SPDX-License-Identifier: MIT
"""A comparison in words for a customer; the numbers are below."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from rig.analysis.compare.allowed_for import AllowedFor
from rig.analysis.compare.allowed_words import (
    alike_proviso,
    allowed_sentences,
    condition_notes,
    valves_line,
)
from rig.analysis.compare.oil_correction import TEMPERATURE_HALF_WIDTH_K, Normalised, OilModel
from rig.analysis.compare.own_times import one_rig
from rig.analysis.compare.two_samples import REFUTED, SHOWN, Difference, Equivalence
from rig.analysis.stats.two_sets import Distance
from rig.core.figures import short_names
from rig.core.results.comparison import Batch, MissedCompared, Ranked
from rig.core.results.run import Result
from rig.core.rounding import fixed, pair, places

ALPHA = 0.05


class FigureComparison(NamedTuple):
    """One figure of two runs. `strokes_needed`: in each run, to show a difference as large as the
    margin (without one: as the one found) in 9 of 10 such comparisons; `strokes_to_equate` to show
    that the runs are alike, where that is not decided."""

    difference: Difference
    distance: Distance | None
    allowed_for: AllowedFor
    equivalence: Equivalence | None
    strokes_needed: int | None
    strokes_to_equate: int | None
    normalised: Normalised | None
    normalised_equivalence: Equivalence | None


def equivalent(alike: Equivalence | None) -> bool | None:
    """True where equivalence was shown, False where it was refuted, None otherwise."""
    if alike is None:
        return None
    return {SHOWN: True, REFUTED: False}.get(alike.result)


def chance(p: float) -> str:
    """How often chance alone gives this much."""
    if p < 0.001:
        return "in fewer than 1 of 1000"
    if p < 0.01:
        return f"in about {round(1000 * p)} of 1000"
    return f"in about {round(100 * p)} of 100"


def name_of(result: Result) -> str:
    """A run's name for a person."""
    return f"run {result['run']}" + (f" ({result['valve']})" if result["valve"] else "")


def pair_words(
    before: Result, after: Result, figures: Mapping[str, FigureComparison | None],
    missed: MissedCompared,
) -> list[str]:  # fmt: skip
    """Sentences on two runs, the plainest first."""
    first = valves_line(before, after)
    told = [] if first is None else [first]
    for figure, one in figures.items():
        name = short_names()[figure]
        if one is None:
            told.append(f"The {name} cannot be compared: a run has fewer than two numbers for it.")
        else:
            told.append(" ".join(_figure(name, before, after, one)))
    lost = [missed["before"], missed["after"]]
    if lost[0]["n"] or lost[1]["n"]:
        real = missed["p"] < ALPHA
        told.append(
            f"Missed strokes: {lost[0]['n']} of {lost[0]['of']} in run {before['run']}, "
            f"{lost[1]['n']} of {lost[1]['of']} in run {after['run']}. "
            + ("This is more than chance." if real else "Chance alone could give as much.")
        )
    return told


def _figure(name: str, before: Result, after: Result, one: FigureComparison) -> list[str]:
    found, alike = one.difference, one.equivalence
    half = (found.ci95.high - found.ci95.low) / 2
    apart, sure = pair(abs(found.difference), half)
    way = "shorter" if found.difference < 0 else "longer"
    how = f"{apart} ms {way} in {name_of(after)} than in"
    if float(apart) == 0:
        how = f"the same to within {sure or '0.1'} ms in {name_of(after)} and in"
    digits = places(half)
    told = [
        f"The {name} is {how} {name_of(before)}: {fixed(found.after.mean, digits)} ms against "
        f"{fixed(found.before.mean, digits)} ms."
    ]
    if found.p < ALPHA:
        told.append(
            "That is more than the scatter of these strokes explains: chance would give as much "
            f"{chance(found.p)} comparisons."
        )
    else:
        told.append(
            f"No difference is shown: chance alone gives as much {chance(found.p)} comparisons."
        )
        if alike is None or alike.result != SHOWN:
            told.append("That does not yet mean that they are alike.")
    told += allowed_sentences(found, one.allowed_for)
    if (found.p < ALPHA) != (found.rank_p < ALPHA):
        told.append(
            "The test by ranks, which a few odd strokes do not sway, says otherwise "
            f"(p = {found.rank_p:.2g}): look at the single strokes."
        )
    if one.distance is not None and one.distance.p < ALPHA <= min(found.p, found.rank_p):
        told.append(
            "The strokes are spread otherwise, though their means are not shown to differ "
            f"(Kolmogorov and Smirnov, p = {one.distance.p:.2g}): look at the single strokes."
        )
    if alike is None:
        told.append("Whether it matters is not judged: the sheet gives no margin.")
    elif alike.result == SHOWN:
        told.append(
            f"They are alike for the purpose{alike_proviso(one.allowed_for)}: with 95 % "
            f"confidence they differ by less than the "
            f"sheet's margin of {alike.margin:g} ms."
        )
    elif alike.result == REFUTED:
        told.append(f"They are not alike: they differ by more than the margin of {alike.margin:g} "
                    "ms.")  # fmt: skip
    else:
        more = ""
        if one.strokes_to_equate is not None:
            more = f"; about {one.strokes_to_equate} strokes in each run would likely show it"
        told.append(f"Whether they are alike within {alike.margin:g} ms is not decided{more}.")
    return told


def oil_words(model: OilModel, before_degc: float, after_degc: float) -> str:
    """The model and its assumptions, for below the numbers."""
    if model.share_low == model.share_high:
        share = f"{100 * model.share_low:.0f} % of each time (as the sheet states)"
    else:
        share = (
            "a part of each time that is not known, taken as anything from none to all "
            "(rectangular; half of it for the number shown)"
        )
    try:
        nu = [model.line.kinematic_mm2_s(degc) for degc in (before_degc, after_degc)]
    except ValueError as error:
        return f"Not brought to the same oil temperature: {error}."
    oil = "the sheet's oil" if model.stated else "a common engine oil (the sheet names none)"
    return (
        f"Oil: {before_degc:.0f} and {after_degc:.0f} degC, {nu[0]:.1f} and {nu[1]:.1f} mm^2/s for "
        f"{oil}, by the short form of ASTM D341. Model: viscosity acts in proportion on {share}; "
        f"temperatures right to {TEMPERATURE_HALF_WIDTH_K:g} K. Both are in its uncertainty."
    )


def batch_words(results: Sequence[Result], ranked: Mapping[str, Batch | None]) -> list[str]:
    """Sentences on a batch."""
    told = []
    for figure, name in short_names().items():
        found = ranked[figure]
        if found is None:
            told.append(f"The {name} cannot be ranked: fewer than three runs have numbers for it.")
            continue
        rows = found["ranked"]
        first, last = rows[0], rows[-1]
        told.append(
            f"Shortest {name}: {_row(first)} with {first['mean']:.1f} ms; longest: {_row(last)} "
            f"with {last['mean']:.1f} ms."
        )
        p = found["p_all_alike"]
        if p is not None:
            told.append(
                f"No run's {name} differs from the others by more than chance would give."
                if p >= ALPHA
                else f"They differ in their {name} by more than chance: if all were alike it would "
                f"come {chance(p)} such batches."
            )
        odd = [row for row in rows if row["outlier"]]
        for row in odd:
            way = "longer" if row["away_ms"] > 0 else "shorter"
            told.append(
                f"R{_row(row)[1:]} stands apart: its {name} is {abs(row['away_ms']):.1f} "
                f"ms {way} than is usual in this batch. It is flagged, not left out."
                + (f" {row['explained']}" if row["explained"] else "")
            )
        if not odd:
            told.append(f"None stands apart by its {name}.")
    missing = [name_of(one) for one in results if one["counts"]["missed"]]
    if missing:
        told.append(f"Missed strokes in {', '.join(missing)}.")
    return told


def _row(row: Ranked) -> str:
    return f"run {row['run']}" + (f" ({row['valve']})" if row["valve"] else "")


def notes(results: Sequence[Result]) -> list[str]:
    """What prevents a fair comparison."""
    told = []
    for key, word in (("sheet_hash", "sheets"), ("setup_hash", "setups")):
        if len({one.get(key) for one in results}) > 1:
            told.append(f"The runs were done with different {word}.")
    if len({one["reference"]["of"] for one in results}) > 1:
        told.append(
            "Some times count from the read-back and some from the command: the relay's delay is "
            "in the second kind only."
        )
    others = [str(one["run"]) for one in results[1:] if not one_rig(results[0], one)]
    if others:
        ranked = " The ranking is of times as read." if len(results) > 2 else ""
        told.append(
            f"The rig's own times are not the same in run {results[0]['run']} and in run "
            f"{', '.join(others)} (another rig, wiring or measurement): in what is called real "
            f"they are subtracted, where they are known.{ranked}"
        )
    told += condition_notes(results)
    for one in results:
        counts = one["counts"]
        if one["status"] not in ("finished", "captured"):
            told.append(f"Run {one['run']} did not finish ({one['status']}).")
        if counts["doubtful"]:
            told.append(
                f"Run {one['run']}: {counts['doubtful']} strokes carry doubtful marks. They count "
                "here as in the run's own mean: look at them first."
            )
        for figure, name in short_names().items():
            first = (one.get("first_stroke") or {}).get(figure)
            if first and first["stands_out"]:
                told.append(
                    f"Run {one['run']}: the {name} of the first stroke after rest stands out by "
                    f"{first['excess_ms']:+.1f} ms. Strokes after rest are in no run's mean, and "
                    "not compared."
                )
            moved = (one.get("trend") or {}).get(figure)
            if moved and moved["direction"] != "none":
                told.append(
                    f"Run {one['run']}: its {name} was {moved['direction']} during the run "
                    f"({moved['change']:+.1f} ms), so its strokes are not independent and the "
                    "intervals are too narrow."
                )
    told.append(
        "Each run is one mounting. What mounting it again adds is only in what is called real, and "
        "only where it is known (`rig study` measures it)."
    )
    return told
