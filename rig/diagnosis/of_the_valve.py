# SPDX-License-Identifier: MIT
"""What may be said about the valve: the verdict applies to it only as far as the chain was
shown."""

from __future__ import annotations

from collections.abc import Sequence

from rig.analysis.verdict.decision_rule import CONFORMS, DOES_NOT_CONFORM
from rig.config.files.problems import listed
from rig.diagnosis.explain import odd
from rig.diagnosis.findings.collect import Evidence
from rig.diagnosis.findings.model import RunSeen
from rig.diagnosis.knowledge.model import Knowledge
from rig.diagnosis.model import OfTheValve

SHOWN = 0.80
"""A valve is called faulty only where its part is at least this likely."""
CHAIN = ("base", "base_gauge", "supply", "supply_loaded", "current", "readback", "oil_temperature")


def of_the_valve(
    knowledge: Knowledge,
    runs: Sequence[RunSeen],
    seen: Evidence,
    parts: dict[str, float],
    first: str,
    cause: str | None,
) -> OfTheValve:
    """`first` is what to do first, as a sentence; `cause` the clear cause, None where there is
    none. Judges the last run's verdict. For a tripped run, the trip says what to do; a stopped run
    is repeated, unless a stroke was missed."""
    result = runs[-1].verdict if runs else "not_tested"
    if result == CONFORMS:
        words = _passed(knowledge, seen)
        return OfTheValve(result="conforms", words=words, reason=words)
    share = parts.get("valve", 0.0)
    if result == DOES_NOT_CONFORM and share >= SHOWN:
        words = (
            "The valve does not conform: its limits are not held, and what was shown points to it "
            f"({100 * share:.0f} %)."
        )
        return OfTheValve(result="does_not_conform", words=words, reason=words)
    why = {
        DOES_NOT_CONFORM: "limits are not held, but the chain in front of the valve was not shown"
        if cause is None
        else f"limits are not held, and what was shown points to {cause}",
        "undecided": "the run is undecided",
    }.get(result, "no limits were judged")
    last = runs[-1].result if runs else None
    if last is not None and last.trip is not None:
        why, first = "the run was tripped", ""
    elif last is not None and last.status == "aborted":
        why, first = "the run was stopped", first if last.strokes.missed.any() else ""
    reason = f"The valve is not judged: {why}."
    words = f"{reason} {first}".rstrip()
    return OfTheValve(result="not_judged", words=words, reason=reason)


def _passed(knowledge: Knowledge, seen: Evidence) -> str:
    """Words for a pass, naming what was not shown and what was odd though within limits."""
    words = "The valve conforms."
    strange = odd(knowledge, seen.observed)
    if strange:
        words += f" Odd all the same: {'; '.join(one.found for one in strange)}."
    missing = [name for name in CHAIN if name in seen.hidden and name in knowledge.findings]
    if missing:
        named = listed((knowledge.findings[name].words for name in missing), "and")
        words += f" Not shown: {named}."
    return words
