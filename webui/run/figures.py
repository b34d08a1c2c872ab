# SPDX-License-Identifier: MIT
"""A result's figures as cards: line of the table, numbers, and uncertainty."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from rig.core.figures import FIGURES, Figure, figures_of
from rig.core.reader_units import units
from rig.core.results.metrology import Budget, MeanSummary
from rig.core.results.run import Hold, Result
from rig.text.budget import in_reader_units as budget_read
from rig.text.rounded import (
    beside_text,
    in_reader_units,
    mean_text,
    spread_text,
    too_few,
    value_text,
)
from rig.text.run_facts import rate_is
from webui.words import UNKNOWN


class Card(NamedTuple):
    """A figure ready to print: `of` says which number is the big one, `stats` are the others,
    `sure` its uncertainty, `budget` the lines behind that, None if there is no budget."""

    meaning: Figure
    value: str
    of: str
    stats: list[tuple[str, str]]
    sure: str
    budget: Budget | None


def cards(result: Result | None) -> list[Card]:
    """The cards of every figure this kind of run has."""
    return [] if result is None else list(_cards(result))


def _cards(result: Result) -> Iterator[Card]:
    summaries: dict[str, MeanSummary] = {**result["summary"]} if result["strokes"] else {}
    ramp, held = result["ramp"], result["hold"]
    budgets = {key: budget_read(one) for key, one in result["budget"].items()}
    if held:
        yield _hold_card(held, budgets.get("decay_rate_kpa_s"))
    if ramp:
        summaries |= ramp["summary"]
    for key, figure in (figures_of("strokes") | figures_of("ramp")).items():
        # a hold or a ramp energises the coil too; without any number the card says nothing
        if key in summaries and (result["kind"] == "strokes" or summaries[key]["n"]):
            yield _summary_card(
                figure, summaries[key], budgets.get(key), budgets.get(f"single_{key}")
            )


def _summary_card(
    meaning: Figure, figure: MeanSummary, budget: Budget | None, single_budget: Budget | None,
) -> Card:  # fmt: skip
    single, unit = single_budget["U"] if single_budget else None, meaning.unit_read
    figure = in_reader_units(figure, meaning.unit)
    values = (("min", figure["min"]), ("median", figure["median"]), ("max", figure["max"]))
    stats = [("n", str(figure["n"])), (f"sd, {unit}", spread_text(figure["sd"], UNKNOWN))]
    stats += [
        (f"{name}, {unit}", value_text(value, single, UNKNOWN, meaning.digits()))
        for name, value in values
    ]
    mean = mean_text(figure, UNKNOWN, meaning.digits())
    return Card(
        meaning, mean, "mean", stats, beside_text(figure["mean"], figure, unit),
        None if too_few(figure) else budget,
    )  # fmt: skip


def _hold_card(held: Hold, budget: Budget | None) -> Card:
    figure, held = FIGURES["decay_rate"], in_reader_units(held, "kPa/s")
    unit, digits = units().unit("kPa"), units().digits("kPa", 1)
    stats = [
        (f"start, {unit}", _text(held["pressure_start_kpa"], digits)),
        (f"end, {unit}", _text(held["pressure_end_kpa"], digits)),
        ("readings", str(held["readings"])),
        (f"std. error, {unit}/s", spread_text(held["standard_error_kpa_s"], UNKNOWN)),
    ]
    rate = held["decay_rate_kpa_s"]
    return Card(
        figure,
        value_text(rate, held["U"], UNKNOWN, figure.digits(rate)),
        rate_is(held).strip(" ()"),
        stats,
        f"no interval: {held['no_interval']}"
        if held["no_interval"]
        else beside_text(rate, held, figure.unit_read),
        budget,
    )


def _text(value: float | None, digits: int) -> str:
    return UNKNOWN if value is None else f"{value:.{digits}f}"


def caveat(result: Result | None) -> str:
    """Note for times that do not count from a read-back; empty otherwise."""
    if not result or not result["strokes"] or result["reference"]["of"] != "command":
        return ""
    reference = result["reference"]
    response, release = reference["response_ms"], reference["release_ms"]
    if response is None or release is None:
        return (
            "Timed from the command: no read-back shows when the coil followed, "
            "and no relay delay is stated."
        )
    spans = [
        f"{least or 0.0:.1f} to {most:.1f} ms"
        for least, most in (
            (reference["response_least_ms"], response), (reference["release_least_ms"], release)
        )
    ]  # fmt: skip
    return (
        f"Timed from the command, without read-back: the true response is {spans[0]} shorter, the "
        f"true release {spans[1]} (the relay's delay)."
    )
