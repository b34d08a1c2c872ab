# SPDX-License-Identifier: MIT
"""From runs and checks to causes, the next check, and what cannot be told. A pure function."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from rig.analysis.verdict.decision_rule import DOES_NOT_CONFORM
from rig.config.files.problems import listed
from rig.config.setup.model import Setup
from rig.core.message_ids import message_id
from rig.core.recording import Float
from rig.diagnosis.explain import contra, likelihoods, pro, spoken, unexplained
from rig.diagnosis.findings.collect import Evidence, findings_of, together
from rig.diagnosis.findings.model import BY_HAND, Finding, RunSeen
from rig.diagnosis.knowledge.model import NONE_OF_THESE, PARTS, SOUND, Knowledge
from rig.diagnosis.model import (
    CauseFound,
    Diagnosis,
    FindingSeen,
    NextCheck,
    NotObservable,
    PairFound,
    PutRight,
    RepairFound,
)
from rig.diagnosis.next_check import (
    CLEAR,
    Ranked,
    gain_of,
    next_checks,
    parting_bits,
    repair_matrix,
)
from rig.diagnosis.of_the_valve import of_the_valve
from rig.diagnosis.posterior import Observed, Posterior, evidence, possible, posterior_of, table_of
from rig.diagnosis.repair_order import Repair, in_order

if TYPE_CHECKING:
    from rig.diagnosis.checks_file import ChecksFile

MOST_NEXT = 5
OF_OIL = ("oil_level", "oil_label", "warm_again")
"""Checks that a rig on air does not have."""
LEAST_PROBABILITY = 0.005
PAIR_TOLD = 0.05
LOOK_ALIKE = 0.15
"""Causes at least this likely are listed among those that cannot be told apart."""
PARTS_PAIR = 0.15
"""Minimum bits separating the two likeliest causes for a missing sensor to be named as the
reason."""


def diagnose(
    knowledge: Knowledge,
    runs: Sequence[RunSeen],
    checks: ChecksFile | None = None,
    good: RunSeen | None = None,
) -> Diagnosis:
    """Diagnose `runs` of one rig together with the `checks` done on it. `good` is a run of a
    known-good valve on the same rig."""
    told = checks.gauge_at if checks is not None else None
    findings: list[Finding] = [one for run in runs for one in findings_of(run, good, told)]
    if checks is not None:
        from rig.diagnosis.checks_file import check_findings

        findings += check_findings(checks, knowledge, runs[-1].setup if runs else None)
    seen = together(findings)
    table = table_of(knowledge)
    logs = evidence(table, knowledge, seen.observed)
    wired = wired_of(runs)
    found = posterior_of(table, logs, possible(knowledge, wired))
    repairs = repair_matrix(knowledge, found)
    not_asked = () if wired is None or "oil" in wired else OF_OIL
    live = any(one.state == "stays_live" for one in seen.observed.get("readback", ()))
    not_safe = ("relay_heard",) if live else ()  # it commands strokes, and hands are at the coil
    ranked = next_checks(knowledge, found, (*seen.observed, *not_asked, *not_safe))
    hidden = _hidden(knowledge, found, seen, repairs)
    likely = likelihoods(table, logs)
    causes = tuple(
        CauseFound(
            id=message_id("cause", name),
            cause=name,
            part=knowledge.part(name),
            probability=round(p, 4),
            **{"for": pro(why)},
            against=contra(why),
            repair=mending.repair if mending else None,
            repair_id=mending.repair_id if mending else None,
        )
        for name, p in sorted(found.causes.items(), key=lambda item: -item[1])
        if p >= LEAST_PROBABILITY
        for why in (spoken(knowledge, likely, seen.observed, name),)
        for mending in (knowledge.cause(name),)
    )
    parts = _parts(knowledge, found)
    wrong = _put_right(knowledge, seen.observed)
    undecided = _undecided(knowledge, found, ranked, hidden, repairs, wrong)
    # where the coil may be live, the verdict says so, and that comes first
    urgent = runs[-1].result.next_check if runs else None
    first = urgent.words if urgent else wrong and wrong.words
    if not first and undecided and ranked:
        first = f"Look first at: {ranked[0].first.words}."
    else:
        first = f"Do first: {first or causes[0].repair or 'nothing'}."
    failed = bool(runs) and runs[-1].verdict == DOES_NOT_CONFORM
    unlike = (
        (f"{runs[-1].name} does not conform. A sound rig would not show that",)
        if failed and causes[0].cause == SOUND
        else ()
    )
    return Diagnosis(
        source=runs[-1].result.source if runs else "checks by hand",
        runs=tuple(run.name for run in runs),
        causes=causes,
        next=tuple(_next(found, row) for row in ranked[:MOST_NEXT]),
        undecided=undecided,
        not_observable=hidden,
        contradictions=(
            *seen.contradictions,
            *unlike,
            *unexplained(knowledge, found, seen.observed),
        ),
        pairs=tuple(
            PairFound(causes=(a, b), probability=round(p, 4))
            for a, b, p in found.likely_pairs
            if p >= PAIR_TOLD
        ),
        part=parts,
        repairs=_repairs(knowledge, found),
        valve=of_the_valve(
            knowledge, runs, seen, parts, first, None if undecided else causes[0].cause
        ),
        findings=_seen(knowledge, seen.observed),
        put_right=wrong,
    )


def wired_of(runs: Sequence[RunSeen]) -> frozenset[str] | None:
    """Which parts that can themselves be at fault are wired; None without a setup."""
    setups = [run.setup for run in runs if run.setup is not None]
    return wired_in(*setups) if setups else None


def wired_in(*setups: Setup) -> frozenset[str]:
    """The same from setups."""
    seen = {
        "gauge": any(setup.pressure_source is not None for setup in setups),
        "serial gauge": any(setup.gauge is not None for setup in setups),
        "readback": any(setup.readback is not None for setup in setups),
        "oil": any(setup.medium == "oil" for setup in setups),
    }
    return frozenset(name for name, there in seen.items() if there)


def _seen(knowledge: Knowledge, observed: Observed) -> tuple[FindingSeen, ...]:
    return tuple(
        FindingSeen(
            id=shown.id,
            finding=one.name,
            words=shown.words,
            state=str(one.state),
            sure=round(one.sure, 4),
            found=one.found,
            by=one.by,
        )
        for several in observed.values()
        for one in several
        for shown in (knowledge.shown(one.name),)
    )


def _put_right(knowledge: Knowledge, observed: Observed) -> PutRight | None:
    """The first check by hand, in order of checks, whose state holds up all the others."""
    for check in knowledge.checks.values():
        for one in observed.get(check.name, ()):
            if one.by == BY_HAND and one.state in check.holds_up:
                words = f"{check.put_right}, then run the sheet again"
                return PutRight(id=check.id, check=check.name, words=words, found=one.found)
    return None


def _parts(knowledge: Knowledge, found: Posterior) -> dict[str, float]:
    """Probability, by part, that at least one of its causes is present."""
    table = found.table
    of_name = np.array([PARTS.index(knowledge.part(name)) for name in table.names])
    first, second = of_name[table.first], of_name[table.second]
    return {
        part: round(float(found.weight[(first == n) | (second == n)].sum()), 4)
        for n, part in enumerate(PARTS)
    }


def _hidden(
    knowledge: Knowledge, found: Posterior, seen: Evidence, repairs: Float
) -> tuple[NotObservable, ...]:
    """What could not be observed, the most informative first."""
    rows = [
        NotObservable(
            id=knowledge.findings[name].id,
            finding=name,
            words=knowledge.findings[name].words,
            why=why,
            gain_bits=round(gain_of(found, name, repairs)[0], 3),
        )
        for name, why in seen.hidden.items()
        if name in knowledge.findings
    ]
    return tuple(sorted(rows, key=lambda row: -row.gain_bits))


def _next(found: Posterior, row: Ranked) -> NextCheck:
    check = row.check
    return NextCheck(
        id=check.id,
        check=check.name,
        words=check.words,
        gain_bits=round(row.gain_bits, 3),
        minutes=row.minutes,
        why=_why(found, row),
        begin_with=row.first.name,
        engine=check.engine,
        needs=check.needs,
        takes_off=check.takes_off,
        how=check.how,
        safety=check.safety,
        normal=check.normal,
        states=check.states,
    )


def _why(found: Posterior, row: Ranked) -> str:
    """Which of the likely causes the check would settle."""
    table = found.table
    rows = table.states[row.check.name]
    likely = [(name, p) for name, p in found.causes.items() if p >= 0.03]
    likely.sort(key=lambda item: -item[1])
    differs = [
        name for name, _ in likely if rows[table.names.index(name)].argmax() != rows[0].argmax()
    ]
    words = f"it tells {row.check.tells}"
    if differs:
        words = f"it settles {listed(differs[:4], 'and')}"
    if row.first is not row.check:
        words += f"; before it: {row.first.words}"
    return words


def _undecided(
    knowledge: Knowledge,
    found: Posterior,
    ranked: Sequence[Ranked],
    hidden: Sequence[NotObservable],
    repairs: Float,
    wrong: PutRight | None,
) -> str | None:
    """Why no cause can be told, None where one can."""
    if float((repairs @ found.weight).max()) >= CLEAR:
        return None
    alike = [
        name
        for name, p in sorted(found.causes.items(), key=lambda item: -item[1])
        if p >= LOOK_ALIKE
    ]
    named = {SOUND: "nothing at fault", NONE_OF_THESE: NONE_OF_THESE}
    causes = [named.get(name, name) for name in alike]
    if len(causes) > 1:
        words = f"Cannot tell {listed(causes, 'from')}"
    elif alike == [SOUND]:
        words = "Cannot tell whether anything is at fault"
    elif causes:
        words = f"Cannot tell whether it is {causes[0]}"
    else:
        words = "Cannot tell the cause: many look alike"
    pair = sorted(found.causes, key=lambda name: -found.causes[name])[:2]
    missing = [row for row in hidden if parting_bits(found.table, row.finding, pair) >= PARTS_PAIR]
    if missing:
        needs = dict.fromkeys(
            f"{knowledge.findings[row.finding].words} was not observed ({row.why})"
            for row in missing[:2]
        )
        words += f", because {'; '.join(needs)}"
    if wrong:
        words += f". Next: {wrong.words}"
    elif ranked:
        words += f". Next: {ranked[0].check.words}"
    return f"{words}."


def _repairs(knowledge: Knowledge, found: Posterior) -> tuple[RepairFound, ...]:
    """Repairs worth trying, in order of probability over minutes."""
    chances: dict[str, tuple[float, float]] = {}
    ids: dict[str, str] = {}
    for cause in knowledge.causes:
        place = found.table.names.index(cause.name)
        mine = (found.table.first == place) | (found.table.second == place)
        ids.setdefault(cause.repair, cause.repair_id)
        p, minutes = chances.get(cause.repair, (0.0, cause.minutes))
        chances[cause.repair] = (p + float(found.weight[mine].sum()), max(minutes, cause.minutes))
    worth = [Repair(name, min(p, 1.0), m) for name, (p, m) in chances.items() if p >= 0.02]
    return tuple(
        RepairFound(
            id=ids[r.repair],
            repair=r.repair,
            probability=round(r.probability, 4),
            minutes=r.minutes,
        )
        for r in in_order(worth)
    )
