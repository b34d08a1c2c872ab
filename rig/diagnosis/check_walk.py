# SPDX-License-Identifier: MIT
"""From findings to a clear repair, one check after another: a pure function of the answers.

Every strategy stops at the same point: a repair is clear (CLEAR), or no check is left.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np

from rig.diagnosis.checks_file import SURE
from rig.diagnosis.findings.model import seen
from rig.diagnosis.knowledge.model import NONE_OF_THESE, Knowledge
from rig.diagnosis.next_check import CLEAR, GETTING_THERE, next_checks, repair_matrix
from rig.diagnosis.posterior import Observed, Posterior, evidence, possible, posterior_of, table_of

Choice = Callable[[Posterior, list[str]], str | None]
"""Choose the next check among those not done; None to stop. Checks that cannot be done are passed
as done."""


class Step(NamedTuple):
    """One check of a walk: its minutes, including those to get there, and the probability of each
    cause once it is answered."""

    check: str
    state: str
    minutes: float
    after: Posterior


class Walk(NamedTuple):
    """A walk to the cause, from `start` on. `clear`: a repair was clear at the end."""

    start: Posterior
    steps: tuple[Step, ...]
    clear: bool

    @property
    def minutes(self) -> float:
        return sum(step.minutes for step in self.steps)

    @property
    def end(self) -> Posterior:
        return self.steps[-1].after if self.steps else self.start


def walk(
    knowledge: Knowledge, observed: Observed, wired: frozenset[str] | None,
    told: Mapping[str, str], choose: Choice,
) -> Walk:  # fmt: skip
    """Do the checks that `choose` names, after those required first for safety. `told` maps each
    check to the state it would find; a check not in it cannot be done on this rig."""
    table, among = table_of(knowledge), possible(knowledge, wired)
    logs = dict(evidence(table, knowledge, observed))
    found = start = posterior_of(table, logs, among)
    done: list[str] = []
    steps: list[Step] = []
    while not is_clear(knowledge, found):
        name = choose(found, [*(n for n in knowledge.checks if n not in told), *done])
        if name is None:
            break
        for each in _with_those_before(knowledge, name, done, told):
            logs.update(evidence(table, knowledge, {each: (seen(each, told[each], each, SURE),)}))
            found = posterior_of(table, logs, among)
            minutes = knowledge.checks[each].minutes + GETTING_THERE
            steps.append(Step(each, told[each], minutes, found))
            done.append(each)
    clear = is_clear(knowledge, found) and found.table.names[0] != NONE_OF_THESE
    return Walk(start, tuple(steps), clear)


def is_clear(knowledge: Knowledge, found: Posterior) -> bool:
    """Whether one repair is likely enough to be the one to do."""
    return float((repair_matrix(knowledge, found) @ found.weight).max()) >= CLEAR


def same_repair(knowledge: Knowledge, found: Posterior, cause: str) -> bool:
    """Whether the likeliest repair is the repair for `cause`."""
    repairs = repair_matrix(knowledge, found)
    best = int(np.argmax(repairs @ found.weight))
    return bool(repairs[best, found.table.names.index(cause)])


def by_information(knowledge: Knowledge) -> Choice:
    """The program's own choice."""

    def choose(found: Posterior, done: list[str]) -> str | None:
        rows = next_checks(knowledge, found, done)
        return rows[0].check.name if rows else None

    return choose


def _with_those_before(
    knowledge: Knowledge, name: str, done: list[str], told: Mapping[str, str]
) -> list[str]:
    found: list[str] = []
    for before in knowledge.checks[name].after:
        more = _with_those_before(knowledge, before, done, told)
        found += [step for step in more if step not in found]
    return [step for step in (*found, name) if step not in done and step in told]
