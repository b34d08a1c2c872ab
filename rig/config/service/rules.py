# SPDX-License-Identifier: MIT
"""Check a setup and a sheet against the service information that the sheet refers to.

Whatever exceeds it is refused; a mere difference (a coil that may be the fault itself) is reported.
Every comparison is written so that NaN is refused.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator

from rig.config.files.problems import Finding, Where
from rig.config.service.model import ServiceLimits
from rig.config.setup.model import Setup
from rig.config.sheet.model import Accept, Sheet
from rig.core.message_ids import Message

Findings = Iterator[Finding]


def dates(limits: ServiceLimits) -> Findings:
    """It is not dated in the future, and its review date comes after that day."""
    today = datetime.datetime.now(datetime.UTC).date() + datetime.timedelta(days=1)  # any time zone
    if datetime.date.fromisoformat(limits.date) > today:
        yield Finding(("date",), "this day has not come yet", "write the day it was typed in")
    if limits.review is not None and not limits.review > limits.date:
        yield Finding(("review",), "this is not after date", "write a later day, or take it out")


def says_something(limits: ServiceLimits) -> Findings:
    """A file without a single limit has no effect."""
    values = limits.model_dump(exclude={"kind", "source", "by", "date", "review", "remark"})
    if not any(value for value in values.values()):
        yield Finding((), "there is no limit in it", "write what the service information states")


def _beyond(
    where: Where, mine: float | None, stated: float | None, unit: str, *, most: bool
) -> Findings:
    """`mine` exceeds what is `stated`: above it if that is the `most`, else below it."""
    if mine is None or stated is None:
        return
    held = mine <= stated * (1 + 1e-9) if most else mine >= stated * (1 - 1e-9)
    if not held:
        side = "at most" if most else "at least"
        yield Finding(
            where,
            f"{mine:.5g} {unit} goes beyond the service information, which states {side} "
            f"{stated:.5g} {unit}",
            f"write {side} {stated:.5g} {unit}, or correct the limits file if it was typed wrong",
        )


def setup_within(setup: Setup, limits: ServiceLimits) -> Findings:
    """The interlock trips no later than service information allows."""
    mine = setup.limits
    yield from _beyond(("limits", "pressure"), mine.pressure_kpa, limits.pressure_max_kpa, "kPa",
                       most=True)  # fmt: skip
    yield from _beyond(("limits", "oil_temperature"), mine.oil_temperature_degc,
                       limits.oil_temperature_max_degc, "degC", most=True)  # fmt: skip
    yield from _beyond(("limits", "on_time"), mine.on_time_s, limits.on_time_max_s, "s", most=True)
    yield from _beyond(("limits", "duty"), mine.duty, limits.duty_max, "of the time", most=True)


def base_pressure_within(sheet: Sheet, limits: ServiceLimits) -> Findings:
    """A missed stroke does not count against a valve below its design pressure."""
    yield from _beyond(("base_pressure_min",), sheet.base_pressure_min_kpa,
                       limits.base_pressure_min_kpa, "kPa", most=False)  # fmt: skip


def accept_within(sheet: Sheet, limits: ServiceLimits) -> Findings:
    """A limit of the sheet itself may be tighter than the stated one, never wider."""
    for n, own in enumerate(sheet.accept):
        for stated in (s for s in limits.accept if same_figure(s, own)):
            for key, mine, theirs, most in (
                ("max", own.max_value, stated.max_value, True),
                ("min", own.min_value, stated.min_value, False),
            ):
                if theirs is not None and mine is None:
                    yield Finding(
                        ("accept", n), f"the service information states a {key} and this has none",
                        f"add it, or take this limit of {own.figure} out",
                    )  # fmt: skip
                yield from _beyond(("accept", n, key), mine, theirs, own.unit, most=most)
            yield from _beyond(("accept", n, "risk"), 100 * own.risk, 100 * stated.risk, "%",
                               most=True)  # fmt: skip
            yield from _beyond(
                ("accept", n, "margin"),
                own.margin_value or 0.0,
                stated.margin_value,
                own.unit,
                most=False,
            )


def same_figure(one: Accept, other: Accept) -> bool:
    """Whether two limits apply to the same number of a run."""
    return (one.figure, one.of, one.strokes_of) == (other.figure, other.of, other.strokes_of)


SERVICE_RULES: tuple[Callable[[ServiceLimits], Findings], ...] = (dates, says_something)
SHEET_SERVICE_RULES: tuple[Callable[[Sheet, ServiceLimits], Findings], ...] = (
    base_pressure_within, accept_within,
)  # fmt: skip
SETUP_SERVICE_RULES: tuple[Callable[[Setup, ServiceLimits], Findings], ...] = (setup_within,)


def service_cautions(setup: Setup, limits: ServiceLimits, today: datetime.date) -> list[Message]:
    """Remarks on a setup beside the service information: no refusals."""
    found = []
    if limits.is_due(today):
        found.append(
            Message(
                "caution.review-due",
                f"The limits of {limits.kind} were to be looked at again on {limits.review}: "
                f"compare them with {limits.source}.",
            )
        )
    for what, mine, stated, unit in (
        ("coil.resistance", setup.coil.resistance_ohm, limits.coil_resistance_ohm, "ohm"),
        ("coil.supply_voltage", setup.coil.supply_voltage_v, limits.supply_voltage_v, "V"),
    ):
        if stated is not None and not stated[0] <= mine <= stated[1]:
            found.append(
                Message(
                    "caution.outside-service-information",
                    f"{what} is {mine:.4g} {unit}; the service information of {limits.kind} states "
                    f"{stated[0]:.4g} to {stated[1]:.4g} {unit}. Is it the fault, or a typing "
                    "error?",
                )
            )
    for what, own, most, unit in (
        ("pressure", setup.limits.pressure_kpa, limits.pressure_max_kpa, "kPa"),
        ("oil_temperature", setup.limits.oil_temperature_degc, limits.oil_temperature_max_degc,
         "degC"),
    ):  # fmt: skip
        if own is None and most is not None:
            found.append(
                Message(
                    "caution.nothing-trips-at-stated",
                    f"The service information of {limits.kind} states at most {most:.4g} {unit}; "
                    f"limits.{what} is not in the setup, so nothing trips at it.",
                )
            )
    return found
