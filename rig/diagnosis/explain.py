# SPDX-License-Identifier: MIT
"""Why a cause is likely or not: evidence for it, evidence against it, and what nothing explains."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from rig.core.recording import Float
from rig.diagnosis.findings.model import BY_HAND, Finding
from rig.diagnosis.knowledge.model import Knowledge
from rig.diagnosis.posterior import Observed, Posterior, Table, over_severities

LEAST_FACTOR = 3.0
"""A finding that moves the odds by less is not reported (Kass and Raftery, "Bayes factors",
Journal of the American Statistical Association 90(430), 1995: 1 to 3 is "not worth more than a bare
mention")."""
LEAST_BITS = math.log2(LEAST_FACTOR)
MOST = 5
NOTHING_FOR = "nothing seen that a sound rig, or another cause, would not show as well"
UNEXPLAINED = 0.08
"""A finding this unlikely under the likeliest hypothesis contradicts it."""


class Spoken(NamedTuple):
    """A finding for a cause (bits above 0) or against it (below). `over_sound`: bits against a
    sound rig alone, None for "nothing at fault" itself."""

    finding: str
    bits: float
    over_sound: float | None
    words: str


def in_words(cause: str) -> str:
    """A cause as written in a sentence or list."""
    return "nothing at fault" if cause == "none" else cause


class Likelihoods(NamedTuple):
    """Of each finding: `names` (f,), `of_sound` (f,) and `weighted` (f, h), by the prior."""

    table: Table
    names: tuple[str, ...]
    of_sound: Float
    weighted: Float


def likelihoods(table: Table, logs: Mapping[str, Float]) -> Likelihoods:
    """Likelihoods from `logs`, as from posterior.evidence."""
    rows = [over_severities(one) for one in logs.values()]
    found = np.exp(np.array(rows).reshape(len(logs), len(table.prior)))
    return Likelihoods(table, tuple(logs), found[:, 0], found * table.prior)


def spoken(
    knowledge: Knowledge, likely: Likelihoods, observed: Observed, cause: str
) -> list[Spoken]:
    """Weight of evidence of every finding for `cause` against all other hypotheses, in bits (Good
    1950), the heaviest first."""
    table = likely.table
    place = table.names.index(cause)
    mine = (table.first == place) | (table.second == place)
    own = likely.weighted[:, mine].sum(1) / table.prior[mine].sum()
    other = likely.weighted[:, ~mine].sum(1) / table.prior[~mine].sum()
    over = np.log2(own / likely.of_sound).tolist() if place else [None] * len(own)
    found = [
        Spoken(name, bits, over_sound, _words(knowledge, observed, name, cause, bits))
        for name, bits, over_sound in zip(
            likely.names, np.log2(own / other).tolist(), over, strict=True
        )
    ]
    return sorted(found, key=lambda one: -abs(one.bits))


def _words(knowledge: Knowledge, observed: Observed, name: str, cause: str, bits: float) -> str:
    told = max(observed[name], key=lambda one: one.sure)
    text = said(told, observed)
    known = knowledge.cause(cause)
    effect = known.shows.get(name) if known is not None else None
    if bits > 0 and effect is not None and told.state != knowledge.shown(name).states[0]:
        return f"{text} ({effect.because})"
    if bits < 0 and effect is not None:
        others = {state: p for state, p in effect.chances.items() if state != told.state}
        likely = max(others, key=lambda state: others[state])
        how = "would be expected" if others[likely] >= 0.5 else "is often seen with it"
        return f"{text} ({knowledge.shown(name).words}: {likely.replace('_', ' ')} {how})"
    if bits < 0 and known is not None:
        return f"{text} (this cause leaves it as on a sound rig)"
    return text


def said(one: Finding, observed: Observed) -> str:
    """What was found, with the run's name where there are several runs, or checks."""
    alone = all(other.by == one.by for several in observed.values() for other in several)
    return one.found if alone else f"{one.by}: {one.found}"


def pro(found: list[Spoken]) -> tuple[str, ...]:
    """Evidence for, the heaviest first. A finding that a sound rig shows too is not evidence for a
    fault: it only rules out others."""
    return tuple(
        one.words
        for one in found
        if min(one.bits, one.bits if one.over_sound is None else one.over_sound) >= LEAST_BITS
    )[:MOST]


def contra(found: list[Spoken]) -> tuple[str, ...]:
    """Evidence against, the heaviest first."""
    return tuple(one.words for one in found if one.bits <= -LEAST_BITS)[:MOST]


def unexplained(knowledge: Knowledge, found: Posterior, observed: Observed) -> list[str]:
    """Findings that do not fit the likeliest hypothesis, in words."""
    table, best = found.table, int(np.argmax(found.weight))
    names = [table.names[table.first[best]]]
    if table.second[best] != table.first[best]:
        names.append(table.names[table.second[best]])
    told = []
    for name, several in observed.items():
        states = knowledge.shown(name).states
        for one in several:
            if one.sure < 0.7 or one.state not in states:
                continue
            chance = float(table.states[name][best, states.index(one.state)])
            if chance < UNEXPLAINED and not _sound(knowledge, one):
                would = (
                    f"That is not what {' and '.join(in_words(name) for name in names)} would show"
                )
                first = (
                    ". Put it right first, then run the sheet again" if one.by == BY_HAND else ""
                )
                told.append(f"{said(one, observed)}. {would}{first}")
    return told


def odd(knowledge: Knowledge, observed: Observed) -> list[Finding]:
    """Findings that differ from a sound rig, whatever the limits say."""
    return [
        one
        for several in observed.values()
        for one in several
        if one.sure >= 0.7 and not _sound(knowledge, one)
    ]


def _sound(knowledge: Knowledge, one: Finding) -> bool:
    return one.state == knowledge.shown(one.name).states[0]
