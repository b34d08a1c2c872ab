# SPDX-License-Identifier: MIT
"""Which check by hand tells most for its minutes, in a safe order, and when to stop checking.

The gain of a check is the expected fall in the entropy of the causes, in bits (Lindley 1956;
Shannon). A check is worth doing only if it can change the repair: the expected probability of
repairing the right thing must rise (value of information under a loss of 0 or 1).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from rig.core.recording import Float
from rig.diagnosis.knowledge.model import Check, Knowledge
from rig.diagnosis.posterior import Posterior, Table

LEAST_BITS = 0.05
"""A check with a smaller gain is not named."""
LEAST_VALUE = 0.01
"""A check that raises the probability of the right repair by less does not change what to do."""
GETTING_THERE = 2.0
"""Extra minutes of every check: tools, access, writing down (common practice)."""
CLEAR = 0.80
"""A repair this likely is the one to do, where no check would change that (common practice)."""


@dataclass(frozen=True)
class Ranked:
    """A check and its expected gain. `minutes` include the checks that must come first; `first` is
    the check to begin with, this one where nothing comes before it. `value`: the rise in the
    probability of the right repair."""

    check: Check
    first: Check
    gain_bits: float
    value: float
    minutes: float

    @property
    def bits_per_minute(self) -> float:
        return self.gain_bits / self.minutes


def ranked_checks(knowledge: Knowledge, found: Posterior, done: Iterable[str]) -> list[Ranked]:
    """Checks not yet done, most bits per minute first."""
    finished = set(done)
    repairs = repair_matrix(knowledge, found)
    rows = []
    for check in knowledge.checks.values():
        if check.name in finished:
            continue
        gain, value = gain_of(found, check.name, repairs)
        before = knowledge.first_done(check, finished)
        minutes = GETTING_THERE + check.minutes
        minutes += sum(GETTING_THERE + other.minutes for other in before)
        rows.append(Ranked(check, before[0] if before else check, gain, value, minutes))
    return sorted(rows, key=lambda row: (-row.bits_per_minute, row.check.name))


def next_checks(knowledge: Knowledge, found: Posterior, done: Iterable[str]) -> list[Ranked]:
    """What to check next, best first; empty where no check would change what to do."""
    rows = ranked_checks(knowledge, found, done)
    worth = [row for row in rows if row.gain_bits >= LEAST_BITS]
    best = float((repair_matrix(knowledge, found) @ found.weight).max())
    if best >= CLEAR and not any(row.value >= LEAST_VALUE for row in worth):
        return []
    return worth


def repair_matrix(knowledge: Knowledge, found: Posterior) -> Float:
    """(r, h): whether each repair is right under each hypothesis. "Nothing at fault" and "none of
    these" are repairs of their own; for a pair, either repair is right to begin with."""
    names = found.table.names
    done = []
    for name in names:
        cause = knowledge.cause(name)
        done.append(name if cause is None else cause.repair)
    kinds = {repair: n for n, repair in enumerate(dict.fromkeys(done))}
    of_name = np.array([kinds[repair] for repair in done])
    matrix = np.zeros((len(kinds), len(found.weight)))
    rows = np.arange(len(found.weight))
    matrix[of_name[found.table.first], rows] = 1.0
    matrix[of_name[found.table.second], rows] = 1.0
    return matrix


def gain_of(found: Posterior, name: str, repairs: Float) -> tuple[float, float]:
    """Expected bits about which causes are present, and expected rise in the probability of the
    right repair, from learning the state of `name`."""
    joint = found.weight[:, None] * found.table.expected(name)
    outcome = joint.sum(0)
    after = joint / np.maximum(outcome, 1e-300)
    bits = after * np.log2(np.where(after > 0.0, after, 1.0))
    gain = entropy_bits(found.weight) + float(bits.sum(0) @ outcome)
    best_now = float((repairs @ found.weight).max())
    best_then = float((repairs @ joint).max(0).sum())
    return max(gain, 0.0), max(best_then - best_now, 0.0)


def parting_bits(table: Table, name: str, pair: Sequence[str]) -> float:
    """Expected bits about which of two equally likely causes is present, from learning the state of
    `name` (Jensen-Shannon divergence; Lin 1991)."""
    one, other = (table.states[name][table.names.index(cause)] for cause in pair)
    return entropy_bits((one + other) / 2) - (entropy_bits(one) + entropy_bits(other)) / 2


def entropy_bits(weight: Float) -> float:
    """Entropy of a distribution in bits."""
    known = weight[weight > 0.0]
    return float(-(known * np.log2(known)).sum())
