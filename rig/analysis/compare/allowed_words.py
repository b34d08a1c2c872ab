# SPDX-License-Identifier: MIT
"""Whether a difference is the valve's, in words: conditions, mounting, and what is not known."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from rig.analysis.compare.allowed_for import ALPHA, NOT_SHOWN, REAL, AllowedFor, Effect
from rig.analysis.compare.run_values import ENGINE, NAMES, PRESSURE, UNITS, Condition, conditions_of
from rig.analysis.compare.two_samples import Bounds, Difference
from rig.core.results.run import Result
from rig.core.rounding import ends, fixed, pair, places, signed

WORTH_TELLING_MS, WORTH_TELLING_U = 0.05, 0.25
"""Effects below the first are not mentioned, nor unknown ones below that share of the difference's
standard uncertainty."""
APART_SHARE = 0.03
"""Conditions that differ by less are shown as equal (temperatures: share of 100 degC)."""


def interval(ci: Bounds, unit: str = "ms") -> str:
    """ "-5.02 to -2.81 ms" """
    low, high = ends(*ci)
    return f"{low} to {high} {unit}"


def off_by(value: float, ci: Bounds) -> str:
    """ "3.90 ms shorter (95 %: -5.02 to -2.81 ms)" """
    way = "shorter" if value < 0 else "longer"
    text, _ = pair(abs(value), (ci.high - ci.low) / 2)
    return f"{text} ms {way} (95 %: {interval(ci)})"


def allowed_sentences(found: Difference, allowed: AllowedFor) -> Iterator[str]:
    """Is it real? With the figures behind the answer, and what would settle it."""
    known = [one for one in allowed.effects if one.known and _told(one)]
    for one in known:
        unsure = f" (u {fixed(one.u, places(one.u))})" if one.u > 0 else ""
        yield (
            f"The {_apart(one)} explains {signed(one.low, places(one.u, 2))} ms{unsure} of it "
            f"(slope {one.how})." if "share" not in one.how else
            f"The {_apart(one)} explains {signed(one.low, places(one.u, 2))} ms{unsure} of it "
            f"({one.how})."
        )  # fmt: skip
    own = allowed.own
    if own is not None and (abs(own.shift) > WORTH_TELLING_MS or own.u > WORTH_TELLING_MS):
        digits = places(own.u)
        yield (
            f"The rigs' own times, which are not the same, explain {signed(own.shift, digits)} ms "
            f"(u {fixed(own.u, digits)}) of it."
        )
    if allowed.result == NOT_SHOWN:
        if found.p < ALPHA:
            left, u = pair(allowed.difference, (allowed.ci95.high - allowed.ci95.low) / 2)
            yield (
                f"With {_what(allowed, known)} allowed for {left} ms are left, plus or minus {u} "
                "ms: no difference of the valve is shown."
            )
        for one in _open(allowed):
            yield f"The {_apart(one)} could hide one: it may explain {_span(one)}."
        return
    if not found.p < ALPHA:
        yield "The difference only shows once the conditions are allowed for."
    if allowed.result == REAL:
        yield (
            f"It is real, with {_what(allowed, known)} allowed for: "
            f"{off_by(allowed.difference, allowed.ci95)}{_provided(allowed)}."
        )
        return
    yield f"That it is the valve's is not shown{_left(allowed, known)}. {_why(allowed)}"


def _open(allowed: AllowedFor) -> list[Effect]:
    least = WORTH_TELLING_U * allowed.standard_error
    return [
        one for one in allowed.effects
        if not one.known and _told(one) and max(abs(one.low), abs(one.high)) > least
    ]  # fmt: skip


def _span(one: Effect) -> str:
    if not (math.isfinite(one.low) and math.isfinite(one.high)):
        return "any of it"
    if one.known:
        return f"{signed(one.low, places(one.u, 2))} ms"
    low, high = ends(one.low, one.high)
    return f"anything from {low} to {high} ms"


def _told(one: Effect) -> bool:
    return max(abs(one.low), abs(one.high)) > WORTH_TELLING_MS


def _apart(one: Effect) -> str:
    unit = UNITS[one.condition]
    low, high = (_value(value, one.condition) for value in (one.before, one.after))
    return f"{NAMES[one.condition]} ({low} against {high} {unit})"


def _value(value: float, condition: str) -> str:
    return fixed(value, 2 if UNITS[condition] == "V" else 0)


def _what(allowed: AllowedFor, known: Sequence[Effect]) -> str:
    names = [NAMES[one.condition] for one in known] or ["conditions"]
    if allowed.mounting is not None and allowed.mounting.sd > 0:
        names.append(
            f"the spread between mountings ({allowed.mounting.sd:.2g} ms, {allowed.mounting.how})"
        )
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _left(allowed: AllowedFor, known: Sequence[Effect]) -> str:
    if not known:
        return ""
    return f" ({off_by(allowed.difference, allowed.ci95)}, {_what(allowed, known)} allowed for)"


def _provided(allowed: AllowedFor) -> str:
    names = [NAMES[name] for name in allowed.lacking if name != PRESSURE]
    if not names:
        return ""
    return f", provided that {' and '.join(names)}, which a run does not know, were alike"


def alike_if(allowed: AllowedFor) -> list[str]:
    """The assumptions behind two runs being alike, where mounting or pressure is not known."""
    told = ["as they were mounted here"] if allowed.mounting is None else []
    if PRESSURE in allowed.lacking:
        told.append("if the pressure was alike, which a run does not know")
    return told


def alike_proviso(allowed: AllowedFor) -> str:
    """The same within a sentence."""
    told = alike_if(allowed)
    return f" ({'; '.join(told)})" if told else ""


def _why(allowed: AllowedFor) -> str:
    reasons, checks = [], []
    open_effects = _open(allowed)
    if allowed.least <= 0 <= allowed.most:
        for one in open_effects:
            reasons.append(f"the {_apart(one)} alone could explain {_span(one)}")
        if open_effects:
            checks.append(
                "measure both under the same conditions, or give the slope ([compare] in the "
                "sheet, or --slope-runs)"
            )
    if PRESSURE in allowed.lacking:
        share = allowed.pressure_to_explain
        enough = "" if share is None else f", and one that differs by {_pct(share)} may explain it"
        reasons.append(f"the pressure of a run is not known{enough}")
        checks.append("measure or state the pressure (--base-pressure)")
    if allowed.mounting is None:
        sd = allowed.mounting_to_explain
        least = "" if sd is None else (
            f"; a spread between mountings of {fixed(sd, places(sd))} ms (standard deviation) "
            "would explain it"
        )  # fmt: skip
        reasons.append(f"what mounting the valve again adds is not known{least}")
        checks.append("measure that (rig study, then --study, or mounting_sd in the sheet)")
    if not reasons:  # the spread about a difference that exists all the same
        reasons.append("conditions that are not known well enough could explain it")
        checks.append("measure both under the same conditions")
    told, todo = "; ".join(reasons), "; ".join(checks)
    return f"{told[0].upper()}{told[1:]}. {todo[0].upper()}{todo[1:]}."


def _pct(share: float) -> str:
    return f"{100 * share:.1f} %" if share < 0.1 else f"{100 * share:.0f} %"


def explained_words(effects: Sequence[Effect]) -> str:
    """How much conditions could explain of a run that stands apart from others; empty for
    nothing."""
    told = [f"its {_apart_from(one)} could explain {_span(one)} of that"
            for one in effects if _told(one)]  # fmt: skip
    if not told:
        return ""
    text = "; ".join(told)
    return f" {text[0].upper()}{text[1:]}."


def _apart_from(one: Effect) -> str:
    unit = UNITS[one.condition]
    mine, others = _value(one.after, one.condition), _value(one.before, one.condition)
    return f"{NAMES[one.condition]} ({mine} {unit}, the others' median {others} {unit})"


def valves_line(before: Result, after: Result) -> str | None:
    """First line: the runs are of two valves."""
    names = before["valve"], after["valve"]
    if names[0] == names[1]:
        return None
    told = [
        f"run {one['run']} is of {name or 'a valve without a name'}"
        for one, name in zip((before, after), names, strict=True)
    ]
    return (
        f"Two valves: {', '.join(told)}. What differs is between valves and mountings, and no "
        "before and after of one valve."
    )


def condition_notes(results: Sequence[Result]) -> list[str]:
    """The conditions that differ, each as measured or stated in every run."""
    known = [conditions_of(one) for one in results]
    told = []
    for name, unit in UNITS.items():
        values = [one.get(name) for one in known]
        found = [one.value for one in values if one is not None]
        if not found or not _differ(found, len(values), unit):
            continue
        shown = ", ".join(_shown(one, name) for one in values)
        through = " It acts through the pressure, which is compared." if name == ENGINE else ""
        told.append(f"The {NAMES[name]} differs: {shown} {unit}.{through}")
    return told


def _differ(found: Sequence[float], of: int, unit: str) -> bool:
    scale = 100.0 if unit == "degC" else max(map(abs, found))
    return len(found) < of or max(found) - min(found) > APART_SHARE * scale


def _shown(one: Condition | None, name: str) -> str:
    if one is None:
        return "not known"
    how = "" if one.measured else " (stated)"
    return f"{_value(one.value, name)}{how}"
