# SPDX-License-Identifier: MIT
"""Probability of each cause given the findings: exact, over single causes and pairs.

The hypotheses are: nothing at fault, one cause, two causes of different things, and "none of
these". Findings are assumed independent given a hypothesis and the severity of its causes: a slight
fault is slight in all that it shows. `strength` relaxes that further. Two causes act on a finding
as in a noisy-max with a leak (Henrion 1989; Diez 1993): with F(k) the probability of a
state no graver than k, F of both is F1(k) F2(k) / F0(k), where F0 is that of a sound rig, already
contained in each of the two. For a finding with two states this is the noisy-or (Pearl 1988).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from rig.core.recording import Bool, Float, Int64
from rig.diagnosis.findings.model import Finding
from rig.diagnosis.knowledge.model import NONE_OF_THESE, SOUND, Knowledge

LEAST = 1e-4
"""No state is impossible: every judged probability is at least this."""
SEVERITIES = 3
"""Slight, middling, grave: equally likely."""
FLAT = 0.6
"""Share of "none of these" that means "anything may be seen"; the rest is as on a sound rig."""

Observed = Mapping[str, Sequence[Finding]]


@dataclass(frozen=True)
class Table:
    """The hypotheses of a knowledge: `names` of single ones (sound first, "none of these" last);
    `first`, `second` (h,) places in `names`, equal for single ones; `prior` (h,);
    `states` name -> (h, k) probability of each state, `by_severity` the same for each severity,
    (s, h, k), or (1, h, k) where it does not depend on it; `strength` of a finding as evidence."""

    names: tuple[str, ...]
    first: Int64
    second: Int64
    prior: Float
    states: Mapping[str, Float]
    by_severity: Mapping[str, Float]
    strength: float
    _expected: dict[str, Float] = field(default_factory=dict, compare=False, repr=False)

    def expected(self, name: str) -> Float:
        """Probability of each state as evidence of this strength, (h, k); worked out once."""
        if name not in self._expected:
            chances = self.states[name] ** self.strength
            self._expected[name] = chances / chances.sum(1, keepdims=True)
        return self._expected[name]


@dataclass(frozen=True)
class Posterior:
    """`weight` (h,) of each hypothesis, adding up to 1; `table` they belong to."""

    table: Table
    weight: Float

    @property
    def causes(self) -> dict[str, float]:
        """Probability that each cause is present, alone or beside another; includes "none" and
        "none of these". Pairs count for both of their causes."""
        return dict(zip(self.table.names, self.members(self.weight).tolist(), strict=True))

    def members(self, weight: Float) -> Float:
        """Sum of `weight` (h,) over the hypotheses that contain each name, (n,)."""
        n = len(self.table.names)
        total = np.bincount(self.table.first, weight, n)
        pairs = self.table.first != self.table.second
        return np.asarray(total + np.bincount(self.table.second[pairs], weight[pairs], n))

    @property
    def likely_pairs(self) -> list[tuple[str, str, float]]:
        """Pairs with their probability, likeliest first."""
        pairs = np.flatnonzero(self.table.first != self.table.second)
        ranked = pairs[np.argsort(-self.weight[pairs], kind="stable")][:5]
        names = self.table.names
        return [
            (names[self.table.first[h]], names[self.table.second[h]], float(self.weight[h]))
            for h in ranked
        ]


@lru_cache(maxsize=4)
def table_of(knowledge: Knowledge) -> Table:
    """The hypotheses of `knowledge`, built once."""
    return build_table(knowledge)


def build_table(knowledge: Knowledge) -> Table:
    """Build priors and probabilities of all hypotheses."""
    causes, reasoning = knowledge.causes, knowledge.reasoning
    names = (SOUND, *(cause.name for cause in causes), NONE_OF_THESE)
    n = len(causes)
    things = np.unique([cause.thing for cause in causes], return_inverse=True)[1]
    a, b = np.triu_indices(n, 1)
    apart = things[a] != things[b]
    a, b = a[apart] + 1, b[apart] + 1
    first = np.concatenate((np.arange(n + 2), a)).astype(np.int64)
    second = np.concatenate((np.arange(n + 2), b)).astype(np.int64)

    weight = np.array([cause.weight for cause in causes])
    share = weight / weight.sum()
    known = 1.0 - reasoning.none_of_these
    at_fault = weight.sum() / (weight.sum() + reasoning.sound_weight) * known
    pairs = share[a - 1] * share[b - 1]
    single_part = at_fault * (1.0 - reasoning.second_fault)
    pair_part = at_fault * reasoning.second_fault
    if not len(pairs):
        single_part, pair_part = at_fault, 0.0
    prior = np.concatenate(
        ([known - at_fault], single_part * share, [reasoning.none_of_these],
         pair_part * pairs / pairs.sum() if len(pairs) else pairs)
    )  # fmt: skip

    states: dict[str, Float] = {}
    by_severity: dict[str, Float] = {}
    tied = reasoning.one_severity
    for name in knowledge.names():
        shown = knowledge.shown(name)
        sound = _floored(np.array([shown.sound[state] for state in shown.states]))
        rows = np.tile(sound, (n + 2, 1))
        for place, cause in enumerate(causes, 1):
            effect = cause.shows.get(name)
            if effect is not None:
                rows[place] = _floored(
                    np.array([effect.chances.get(state, 0.0) for state in shown.states])
                )
        rows[-1] = FLAT / len(sound) + (1.0 - FLAT) * sound
        states[name] = np.concatenate((rows, both(rows[a], rows[b], sound)))
        by_severity[name] = states[name][np.newaxis]
        if tied and name in knowledge.findings:
            has = [name in cause.shows for cause in causes]
            by_severity[name] = np.stack(
                [
                    np.concatenate((one, both(one[a], one[b], sound)))
                    for one in _severities(rows, np.array([False, *has, False]), tied)
                ]
            )
    return Table(names, first, second, prior / prior.sum(), states, by_severity, reasoning.strength)


def _severities(rows: Float, which: Bool, tied: float) -> Float:
    """Probabilities of the states at each severity, (s, n, k), from those over all severities,
    (n, k): a slight fault shows the soundest part of what the cause shows, a grave one the gravest
    (comonotone), in the share `tied` of all cases. Their mean is `rows`; only rows in `which`
    differ."""
    above = np.cumsum(rows, -1)
    below = above - rows
    edges = np.linspace(0.0, 1.0, SEVERITIES + 1)[:, np.newaxis, np.newaxis]
    inside = np.minimum(above, edges[1:]) - np.maximum(below, edges[:-1])
    own = tied * SEVERITIES * np.maximum(inside, 0.0) + (1.0 - tied) * rows
    return np.asarray(np.where(which[:, np.newaxis], own, rows))


def _floored(chances: Float) -> Float:
    raised = np.maximum(chances, LEAST)
    return np.asarray(raised / raised.sum())


def both(one: Float, other: Float, sound: Float) -> Float:
    """Probabilities (..., k) of each state where two causes act at once, states from sound to
    grave."""
    cumulative = np.cumsum(one, -1) * np.cumsum(other, -1) / np.cumsum(sound)
    cumulative = np.minimum(cumulative / cumulative[..., -1:], 1.0)
    chances = np.maximum(np.diff(cumulative, axis=-1, prepend=0.0), LEAST)
    return np.asarray(chances / chances.sum(-1, keepdims=True))


def likelihood(table: Table, knowledge: Knowledge, finding: Finding) -> Float:
    """Likelihood of the observation by severity and hypothesis, (s, h), by Pearl's virtual
    evidence: the probabilities of the states, weighted by how sure each observation is."""
    states = knowledge.shown(finding.name).states
    spare = finding.chances.get("", 0.0)
    unnamed = [state for state in states if state not in finding.chances]
    rest = spare / len(unnamed) if unnamed else 0.0
    seen = np.array([finding.chances.get(state, rest) for state in states])
    return np.asarray(table.by_severity[finding.name] @ seen)


def evidence(table: Table, knowledge: Knowledge, observed: Observed) -> dict[str, Float]:
    """Log likelihood by finding, (s, h). Several observations of the same finding (runs of the same
    rig) count as one: the mean of their logarithms."""
    return {
        name: np.mean([np.log(likelihood(table, knowledge, one)) for one in several], axis=0)
        * knowledge.reasoning.strength
        for name, several in observed.items()
    }


def posterior(
    knowledge: Knowledge, observed: Observed, wired: frozenset[str] | None = None
) -> Posterior:
    """Exact posterior over all hypotheses. `wired`: which of "gauge" and "readback" are wired;
    None where not known, so that both may be at fault."""
    table = table_of(knowledge)
    return posterior_of(table, evidence(table, knowledge, observed), possible(knowledge, wired))


def possible(knowledge: Knowledge, wired: frozenset[str] | None) -> frozenset[str]:
    """The possible causes: a gauge that is not wired cannot be at fault."""
    return frozenset(
        cause.name
        for cause in knowledge.causes
        if wired is None or not cause.only_with or cause.only_with in wired
    )


def posterior_of(table: Table, logs: Mapping[str, Float], among: frozenset[str]) -> Posterior:
    """The same from the logarithms of `evidence`, among the possible causes."""
    can = np.array([name in among or name in (SOUND, NONE_OF_THESE) for name in table.names])
    prior = np.where(can[table.first] & can[table.second], table.prior, 0.0)
    with np.errstate(divide="ignore"):  # log 0: left out
        total = np.log(prior) + over_severities(sum(logs.values(), np.zeros((1, len(prior)))))
    weight = np.exp(total - total.max())
    return Posterior(table, weight / weight.sum())


def over_severities(logs: Float) -> Float:
    """Logarithm of the mean likelihood over the severities, (s, h) to (h,)."""
    most = logs.max(0)
    return np.asarray(most + np.log(np.exp(logs - most).mean(0)))
