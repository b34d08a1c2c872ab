# SPDX-License-Identifier: MIT
"""A result's figures as cards: line of the table, numbers, and uncertainty."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from rig.core.figures import FIGURES, Figure, figures_of
from rig.core.reader_units import units
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
    budget: Mapping[str, Any] | None


STATISTICS = ("n", "sd", "min", "median", "max")


def cards(result: Mapping[str, Any] | None) -> list[Card]:
    """The cards of every figure this kind of run has."""
    return list(_cards(result or {}))


def _cards(result: Mapping[str, Any]) -> Iterator[Card]:
    summaries = dict(result.get("summary") or {}) if result.get("strokes") else {}
    ramp, held, budgets = result.get("ramp"), result.get("hold"), result.get("budget") or {}

    def budget(key: str) -> Mapping[str, Any] | None:
        return budget_read(budgets[key]) if budgets.get(key) else None

    if held:
        yield _hold_card(held, budget("decay_rate_kpa_s"))
    if ramp:
        summaries |= ramp["summary"]
    for key, figure in (figures_of("strokes") | figures_of("ramp")).items():
        # a hold or a ramp energises the coil too; without any number the card says nothing
        if key in summaries and (result.get("kind") == "strokes" or summaries[key].get("n")):
            yield _summary_card(figure, summaries[key], budget(key), budget(f"single_{key}"))


def _summary_card(
    meaning: Figure, figure: Mapping[str, Any], budget: Mapping[str, Any] | None,
    single_budget: Mapping[str, Any] | None,
) -> Card:  # fmt: skip
    figure, single = in_reader_units(figure, meaning.unit), (single_budget or {}).get("U")
    of = {
        name: value_text(figure.get(name), single, UNKNOWN, meaning.digits())
        for name in ("min", "median", "max")
    } | {"sd": spread_text(figure.get("sd"), UNKNOWN), "n": _text(figure.get("n"), 0)}
    unit = meaning.unit_read
    stats = [(f"{name}, {unit}" if name != "n" else name, of[name]) for name in STATISTICS]
    mean = mean_text(figure, UNKNOWN, meaning.digits())
    return Card(
        meaning, mean, "mean", stats, beside_text(figure.get("mean"), figure, meaning.unit_read),
        None if too_few(figure) else budget,
    )  # fmt: skip


def _hold_card(held: Mapping[str, Any], budget: Mapping[str, Any] | None) -> Card:
    figure, held = FIGURES["decay_rate"], in_reader_units(held, "kPa/s")
    unit, digits = units().unit("kPa"), units().digits("kPa", 1)
    stats = [
        (f"start, {unit}", _text(held.get("pressure_start_kpa"), digits)),
        (f"end, {unit}", _text(held.get("pressure_end_kpa"), digits)),
        ("readings", _text(held.get("readings"), 0)),
        (f"std. error, {unit}/s", spread_text(held.get("standard_error_kpa_s"), UNKNOWN)),
    ]
    rate = held.get("decay_rate_kpa_s")
    return Card(
        figure,
        value_text(rate, held.get("U"), UNKNOWN, figure.digits(rate)),
        rate_is(held).strip(" ()"),
        stats,
        f"no interval: {held['no_interval']}"
        if held.get("no_interval")
        else beside_text(rate, held, figure.unit_read),
        budget,
    )


def _text(value: Any, digits: int) -> str:
    if value is None:
        return UNKNOWN
    return str(value) if isinstance(value, int) else f"{value:.{digits}f}"


def caveat(result: Mapping[str, Any] | None) -> str:
    """Note for times that do not count from a read-back; empty otherwise."""
    reference = (result or {}).get("reference") or {}
    if not (result or {}).get("strokes") or reference.get("of") != "command":
        return ""
    response, release = reference.get("response_ms"), reference.get("release_ms")
    if response is None or release is None:
        return (
            "Timed from the command: no read-back shows when the coil followed, "
            "and no relay delay is stated."
        )
    spans = [  # results of earlier versions have no least
        f"{reference.get(f'{name}_least_ms') or 0.0:.1f} to {most:.1f} ms"
        for name, most in (("response", response), ("release", release))
    ]
    return (
        f"Timed from the command, without read-back: the true response is {spans[0]} shorter, the "
        f"true release {spans[1]} (the relay's delay)."
    )
