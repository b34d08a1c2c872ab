# SPDX-License-Identifier: MIT
"""Cross checks of a sheet by itself, and of a sheet with its setup."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rig.config.files.problems import Finding, listed
from rig.config.setup.model import Setup
from rig.config.sheet.compare import viscosities
from rig.config.sheet.loads import load_of, worst_duty
from rig.config.sheet.model import Accept, RampSheet, Sheet, StrokesSheet
from rig.core.figures import FIGURES

Findings = Iterator[Finding]


def settle_window_fits(sheet: Sheet) -> Findings:
    """The switch must be able to settle before the next command."""
    if sheet.kind == "strokes":
        yield from _window_against(sheet, "on_time", sheet.on_time_s)


def settle_window_fits_rest(sheet: Sheet) -> Findings:
    """The switch must be able to settle before the next command."""
    if sheet.kind == "strokes":
        yield from _window_against(sheet, "rest", sheet.rest_s)


def _window_against(sheet: StrokesSheet, key: str, time_s: float) -> Findings:
    if not sheet.settle_window_s < time_s:
        yield Finding(
            ("settle_window",),
            f"the switch must stay put for {1e3 * sheet.settle_window_s:g} ms to count as settled, "
            f"and {key} is only {1e3 * time_s:g} ms: no stroke could ever settle",
            f"write a settle_window shorter than {key}, or a longer {key}",
        )


def ramp_goes_up(sheet: Sheet) -> Findings:
    """A ramp has a lower and an upper end."""
    if sheet.kind == "ramp":
        yield from _ramp_order(sheet)


def _ramp_order(sheet: RampSheet) -> Findings:
    if not sheet.low_kpa < sheet.high_kpa:
        yield Finding(
            ("high",),
            f"the ramp's upper end ({sheet.high_kpa:.0f} kPa) is not above its lower end "
            f"({sheet.low_kpa:.0f} kPa)",
            "write a high above low",
        )


def early_stop_can_tell(sheet: Sheet) -> Findings:
    """The two shares of an early stop differ, the right way round."""
    plan = sheet.early_stop if sheet.kind == "strokes" else None
    if plan is not None and not plan.acceptable < plan.unacceptable:
        yield Finding(
            ("early_stop", "unacceptable"),
            f"the unacceptable share ({100 * plan.unacceptable:g} %) is not above the acceptable "
            f"one ({100 * plan.acceptable:g} %): nothing could tell them apart",
            "write an unacceptable share above the acceptable one",
        )


def accept_figure(sheet: Sheet, n: int, accept: Accept) -> Findings:
    """This kind of sheet provides this figure."""
    kind = FIGURES[accept.figure].kind
    if kind != sheet.kind:
        names = [name for name, figure in FIGURES.items() if figure.kind == sheet.kind]
        yield Finding(
            ("accept", n, "figure"),
            f'a "{sheet.kind}" sheet does not measure {accept.figure}: a "{kind}" sheet does',
            f"write {listed(names)}, or put this limit into a {kind} sheet",
        )


def accept_of(_: Sheet, n: int, accept: Accept) -> Findings:
    """The figure allows this `of`."""
    ways = FIGURES[accept.figure].of
    whole = isinstance(accept, Accept)  # half read: a left-out `of` is not yet the figure's default
    if whole and accept.of not in ways:
        yield Finding(
            ("accept", n, "of"),
            f'"{accept.of}" makes no sense for {accept.figure}',
            f"write of = {listed(_quoted(ways))}",
        )


def accept_strokes(_: Sheet, n: int, accept: Accept) -> Findings:
    """Only a figure that every stroke has can be taken from some of them."""
    figure = FIGURES[accept.figure]
    of_strokes = figure.kind == "strokes" and "each" in figure.of
    if accept.strokes is not None and not of_strokes:
        yield Finding(
            ("accept", n, "strokes"),
            f"{accept.figure} is no figure of single strokes, so there are none to choose",
            "take strokes out",
        )


def _quoted(words: tuple[str, ...]) -> list[str]:
    return [f'"{word}"' for word in words]


def accept_limits(_: Sheet, n: int, accept: Accept) -> Findings:
    """There is a limit, and a value can lie within both."""
    figure, least, most = FIGURES[accept.figure], accept.min_value, accept.max_value
    if accept.min is None and accept.max is None:
        yield Finding(
            ("accept", n),
            f"there is neither max nor min: nothing to hold {accept.figure} against",
            f"add a line like: max = {figure.example}",
        )
    elif least is not None and most is not None and not least <= most:
        yield Finding(
            ("accept", n, "min"),
            "min is above max: nothing could ever conform",
            "exchange the two, or take one out",
        )


def accept_margin(_: Sheet, n: int, accept: Accept) -> Findings:
    """A margin is a width, leaves room between the limits, and counts have none."""
    width, least, most = accept.margin_value, accept.min_value, accept.max_value
    if accept.margin is None or width is None:
        return
    if accept.figure == "missed":
        yield Finding(
            ("accept", n, "margin"),
            "missed strokes are counted: there is no uncertainty to keep a margin for",
            "take margin out",
        )
    elif not width >= 0:
        yield Finding(
            ("accept", n, "margin"),
            "a margin below zero would accept what is beyond the limit",
            f"write a width, like margin = {FIGURES[accept.figure].example}, or take it out",
        )
    elif least is not None and most is not None and not 2 * width <= most - least:
        yield Finding(
            ("accept", n, "margin"),
            "the margins of min and max meet: nothing could ever conform",
            "write a smaller margin",
        )


def compare_table(sheet: Sheet) -> Findings:
    """The oil named for comparisons is plausible."""
    if sheet.kind == "strokes":
        yield from viscosities(sheet.compare)


SheetRule = Callable[[Sheet], Findings]
AcceptRule = Callable[[Sheet, int, Accept], Findings]

SHEET_RULES: tuple[SheetRule, ...] = (
    settle_window_fits, settle_window_fits_rest, ramp_goes_up, compare_table, early_stop_can_tell,
)  # fmt: skip
OWN_ACCEPT_RULES: tuple[AcceptRule, ...] = (
    accept_of, accept_strokes, accept_limits, accept_margin,
)  # fmt: skip
"""Of a limit by itself, whatever sheet it is for."""
ACCEPT_RULES: tuple[AcceptRule, ...] = (accept_figure, *OWN_ACCEPT_RULES)


def on_time(setup: Setup, sheet: Sheet) -> Findings:
    """The interlock would trip at its on-time limit."""
    (on_s, key), limit_s = sheet.longest_on, setup.limits.on_time_s
    if on_s > 0 and not on_s < limit_s:
        yield Finding(
            (key,),
            f"the coil would be energised for up to {on_s:g} s at a stretch; the setup's "
            f"limits.on_time trips at {limit_s:g} s",
            "shorten the sheet, or raise limits.on_time if the coil's data allow it",
        )


def duty(setup: Setup, sheet: Sheet) -> Findings:
    """The interlock would trip at its duty limit; this applies to a short sheet as well."""
    load, limits = load_of(sheet, setup.relay.release_delay_s), setup.limits
    share, over = worst_duty(load, limits.duty_window_s), f"any {limits.duty_window_s:g} s"
    key, remedy = sheet.longest_on[1], f"shorten {sheet.longest_on[1]}"
    if load.times > 1:
        key, remedy = "rest", "lengthen rest or shorten on_time"
        of_stroke = load.on_s / (load.on_s + load.rest_s)
        if of_stroke > share:
            share, over = of_stroke, "every stroke"
    if load.on_s > 0 and not (share < limits.duty or limits.duty >= 1):
        yield Finding(
            (key,),
            f"the coil would be energised for {100 * share:.0f} % of {over}; the setup's "
            f"limits.duty trips at {100 * limits.duty:.0f} %",
            f"{remedy}, or raise limits.duty if the coil's data allow it",
        )


def needs_gauge(setup: Setup, sheet: Sheet) -> Findings:
    """A hold and a ramp need pressure."""
    if setup.pressure_source is None and sheet.kind != "strokes":
        yield Finding(
            ("kind",),
            f'a "{sheet.kind}" sheet measures pressure, and the setup has no gauge',
            "describe a gauge in the setup's [gauge] table, or pressure as an [[analog]] channel, "
            "or use a strokes sheet",
        )


def _below_pressure_limit(setup: Setup, key: str, pressure_kpa: float | None) -> Findings:
    limit_kpa = setup.limits.pressure_kpa
    if pressure_kpa is not None and limit_kpa is not None and not pressure_kpa < limit_kpa:
        yield Finding(
            (key,),
            f"{pressure_kpa:.0f} kPa is not below the setup's pressure limit of {limit_kpa:.0f} "
            "kPa: the run would trip before it got there",
            "lower it, or raise limits.pressure if the parts allow it",
        )


def base_pressure_below_limit(setup: Setup, sheet: Sheet) -> Findings:
    """Base pressure is reached without a trip."""
    yield from _below_pressure_limit(setup, "base_pressure_min", sheet.base_pressure_min_kpa)


def ramp_below_limit(setup: Setup, sheet: Sheet) -> Findings:
    """The ramp's upper end is reached without a trip."""
    if sheet.kind == "ramp":
        yield from _below_pressure_limit(setup, "high", sheet.high_kpa)


def ramp_can_be_seen(setup: Setup, sheet: Sheet) -> Findings:
    """The gauge can show the ramp's lower end."""
    if sheet.kind != "ramp" or setup.pressure_source is None:
        return
    least_kpa = setup.pressure_source.measuring_range_kpa[0]
    if not sheet.low_kpa >= least_kpa:
        yield Finding(
            ("low",),
            f"the gauge shows {least_kpa:.0f} kPa at least, so a reading of {sheet.low_kpa:.0f} "
            "kPa would never come",
            "write a low within gauge.measuring_range",
        )


PairRule = Callable[[Setup, Sheet], Findings]

PAIR_RULES: tuple[PairRule, ...] = (
    on_time,
    duty,
    needs_gauge,
    base_pressure_below_limit,
    ramp_below_limit,
    ramp_can_be_seen,
)
