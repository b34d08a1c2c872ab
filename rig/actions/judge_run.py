# SPDX-License-Identifier: MIT
"""The JSON of a run with its diagnosis: what holds for the valve, and what to check next. Log,
page, terminal and report all get from an analysed run to its JSON here."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from rig.core.message_ids import Message

if TYPE_CHECKING:
    from rig.core.results.run import OfTheValve, Result
    from rig.diagnosis.checks_file import ChecksFile
    from rig.diagnosis.findings.model import RunSeen
    from rig.diagnosis.model import Diagnosis
    from rig.results.run_json import AboutRun

AGAIN = Message("advice.run-again", "the same run once more, to its end")

PROVED_CHECKS = {
    "supply": ("supply_loaded", "right"),
    "base pressure": ("base_gauge", "right"),
    "coil": ("coil_ohms", "right"),
    "switch": ("switch_bridged", "closed"),
}
"""For each link that a person can state as proved good: the equivalent check by hand."""


def judged_json(run: RunSeen, about: AboutRun, good: RunSeen | None = None) -> Result:
    """The JSON of `run`, with `of_the_valve` and the verdict's `next_check` and `next_caution`.
    `good` is an earlier run of this valve that conformed, if there is one."""
    from rig.bench.interlock.registry import after_trip
    from rig.results.run_json import run_json
    from rig.text.words import no_valve_words

    shape = run_json(run.result, about)
    shape["of_the_valve"] = None
    if run.result.status == "running" or no_valve_words(about.purpose):
        return shape
    found = diagnosis_of(run, good)
    shape["of_the_valve"] = cast("OfTheValve", found.valve.model_dump())
    verdict, result = shape["verdict"], run.result
    verdict["next_caution"] = advice = None
    if verdict["next_check"]:  # the coil may be live, or the measurement must be repeated first
        return shape
    if result.trip is not None:
        advice = after_trip(result.trip.rule)
    elif result.status == "aborted" and not result.strokes.missed.any():
        advice = AGAIN
    elif verdict["result"] in ("does_not_conform", "undecided") or result.strokes.missed.any():
        advice, verdict["next_caution"] = next_step(found)
    verdict["next_check"] = advice and advice.words
    verdict["next_check_id"] = advice and advice.id
    return shape


def diagnosis_of(run: RunSeen, good: RunSeen | None) -> Diagnosis:
    """The diagnosis of one run alone, with what was stated as proved good."""
    from rig.diagnosis.diagnose import diagnose
    from rig.diagnosis.knowledge.loading import load_knowledge

    return diagnose(load_knowledge(), [run], _proved(run), good)


def _proved(run: RunSeen) -> ChecksFile | None:
    from rig.analysis.verdict.shown_in_run import proved
    from rig.diagnosis.checks_file import ChecksFile, HandCheck

    done = [PROVED_CHECKS[name] for name in proved(run.conditions)]
    if not done:
        return None
    return ChecksFile(check=tuple(HandCheck(check=check, found=state) for check, state in done))


def next_step(found: Diagnosis) -> tuple[Message | None, str | None]:
    """The first thing to do, and its caution: the next check with what must come before
    it, else the repair of the likeliest cause; None if nothing is at fault and nothing left to
    check."""
    from rig.diagnosis.knowledge.loading import load_knowledge

    if found.next and found.undecided:
        best, checks = found.next[0], load_knowledge().checks
        steps = dict.fromkeys((best.begin_with, best.check))
        words = ", then ".join(checks[name].words for name in steps)
        caution = " ".join(f"Engine {checks[name].engine}. {checks[name].safety}" for name in steps)
        return Message(checks[best.begin_with].id, words), caution
    repairs = (
        Message(cause.repair_id, cause.repair)
        for cause in found.causes
        if cause.repair and cause.repair_id
    )
    return next(repairs, None), None
