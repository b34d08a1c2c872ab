# SPDX-License-Identifier: MIT
"""The verdict of a run: all its limits together, how it ended, and what to check next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from rig.analysis.verdict.decision_rule import CONFORMS, DOES_NOT_CONFORM, UNDECIDED
from rig.analysis.verdict.evaluate import Measured, Sentence
from rig.analysis.verdict.limits import (
    NOT_TESTED,
    Limit,
    Missed,
    figure_limit,
    missed_limit,
    missed_words,
)
from rig.analysis.verdict.shown_in_run import Doubt
from rig.config.sheet.model import Accept
from rig.core.errors import (
    EXIT_COIL_LIVE,
    EXIT_DOES_NOT_CONFORM,
    EXIT_INTERNAL,
    EXIT_OK,
    EXIT_TRIPPED,
    EXIT_UNDECIDED,
)
from rig.core.message_ids import Message
from rig.core.records import OFF_STATES
from rig.core.results.run import Result

NO_DOUBT = Doubt()


class Completion(NamedTuple):
    """Whether the sheet was completed: `done` of `planned` strokes or ramps; `ended` in plain words
    where the run did not finish, else empty."""

    done: int
    planned: int
    ended: str = ""
    each_of: str = "stroke"


@dataclass(frozen=True)
class Verdict:
    """`result`, its words, and every limit. `next_check` must come before any other check because
    the coil may be live, or because the measurement could not be judged; all other checks are named
    by rig.diagnosis."""

    result: str
    said: tuple[Sentence, ...]
    next_check: Message | None = None
    limits: tuple[Limit, ...] = field(default=())

    @property
    def why(self) -> str:
        """The full text, in plain words."""
        return " ".join(one.words for one in self.said)

    @property
    def reason(self) -> str:
        """The same without what to check next."""
        return " ".join(one.text for one in self.said)

    @property
    def deciding(self) -> Limit | None:
        """The limit that decides the result: the surest broken one, else the open or held one
        with the largest risk; None where none was worked out."""
        rank = {DOES_NOT_CONFORM: 2, UNDECIDED: 1}
        known = [limit for limit in self.limits if limit.risk_pct is not None]
        if not known:
            return None
        if any(limit.result == DOES_NOT_CONFORM for limit in known):
            broken = [limit for limit in known if limit.result == DOES_NOT_CONFORM]
            return min(broken, key=lambda limit: limit.risk_pct or 0.0)
        return max(known, key=lambda limit: (rank.get(limit.result, 0), limit.risk_pct or 0.0))

    @property
    def risk_pct(self) -> float | None:
        """The chance, in percent, that the result is wrong: for a broken limit, its own; for limits
        that are all held, at most the sum of theirs; for an open one, that the value lies outside.
        None where it was not worked out."""
        deciding = self.deciding
        if deciding is None or self.result != CONFORMS:
            return deciding.risk_pct if deciding is not None else None
        return min(sum(limit.risk_pct or 0.0 for limit in self.limits), 100.0)


def judge(
    accepts: Sequence[Accept],
    measured: Mapping[str, Measured],
    missed: Missed,
    completion: Completion,
    doubt: Doubt = NO_DOUBT,
) -> Verdict:
    """The verdict of a run. A run that did not finish is at most undecided; so is one that `doubt`
    leaves open with no limit broken."""
    verdict = _judged(accepts, measured, missed, completion, doubt)
    own = [one.next_check for one in verdict.said if one.next_check]
    return replace(
        verdict, said=(*map(Sentence, doubt.why), *verdict.said),
        next_check=doubt.next_check or (own[-1] if own else None),
    )  # fmt: skip


def _judged(
    accepts: Sequence[Accept],
    measured: Mapping[str, Measured],
    missed: Missed,
    completion: Completion,
    doubt: Doubt,
) -> Verdict:
    if completion.ended:
        return _not_finished(completion)
    if not accepts:
        return Verdict(NOT_TESTED, (Sentence("No acceptance limits were given."),))
    limits = tuple(
        missed_limit(accept, missed)
        if accept.figure == "missed"
        else figure_limit(accept, measured.get(accept.figure))
        for accept in accepts
    )
    results = [limit.result for limit in limits]
    reasons = [limit.said for limit in limits if limit.result != CONFORMS]
    if missed.n > 0 and not any(accept.figure == "missed" for accept in accepts):
        results.append(UNDECIDED if missed.gap else DOES_NOT_CONFORM)
        reasons.append(Sentence(missed_words(missed)))
    if doubt.why:
        results.append(UNDECIDED)
    short = completion.done < completion.planned
    if short:
        of = f"{completion.done} of {completion.planned} {completion.each_of}s"
        reasons.append(Sentence(f"Only {of} were recorded."))
    said = tuple(dict.fromkeys(reasons))
    if DOES_NOT_CONFORM in results:
        return Verdict(DOES_NOT_CONFORM, said, limits=limits)
    if all(result == NOT_TESTED for result in results):
        return Verdict(NOT_TESTED, said, limits=limits)
    if short or set(results) != {CONFORMS}:
        return Verdict(UNDECIDED, said, limits=limits)
    n = len(limits)
    held = {1: "Within the limit", 2: "Within both limits"}.get(n, f"Within all {n} limits")
    risks = [limit.risk for limit in limits if limit.figure != "missed"]
    if risks:
        each = " each" if len(risks) > 1 else ""
        held += f" (risk of a wrong pass: at most {100 * max(risks):g} %{each})"
    return Verdict(CONFORMS, (Sentence(f"{held}."),), limits=limits)


def _not_finished(completion: Completion) -> Verdict:
    done, each_of = completion.done, completion.each_of
    if done == 0:
        return Verdict(NOT_TESTED, (Sentence(f"{completion.ended} No {each_of} was completed."),))
    of = f" of {completion.planned}" if completion.planned else ""
    words = f"{completion.ended} {done}{of} {each_of}s were completed."
    return Verdict(UNDECIDED, (Sentence(words),))


def exit_code(result: Result) -> int:
    """The command's exit code for a run's JSON (rig.results.run_json).

    The order is: coil still live, then how the run ended, then the verdict. Without acceptance
    limits nothing can fail: 0.
    """
    end, verdict = result["end"], result["verdict"]
    if end and end["off"] == OFF_STATES[2]:
        return EXIT_COIL_LIVE
    if result["status"] == "fault":
        return EXIT_INTERNAL
    if result["status"] in ("tripped", "aborted", "interrupted"):
        return EXIT_TRIPPED
    if result["status"] == "running":
        return EXIT_UNDECIDED
    match verdict["result"]:
        case "conforms":
            return EXIT_OK
        case "does_not_conform":
            return EXIT_DOES_NOT_CONFORM
        case "not_tested" if not verdict["limits"]:
            return EXIT_OK
    return EXIT_UNDECIDED
