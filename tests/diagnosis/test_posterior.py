# SPDX-License-Identifier: MIT
"""The posterior against hand-computed examples and against plain enumeration."""

from __future__ import annotations

import itertools
import math
import random

import numpy as np
import pytest

from rig.diagnosis.findings.model import Finding, graded, seen
from rig.diagnosis.knowledge.model import Cause, Effect, Knowledge, Reasoning, Shown
from rig.diagnosis.posterior import LEAST, both, posterior, table_of


def shown(name: str, **sound: float) -> Shown:
    return Shown(name, name, "a sensor", sound, "for the test")


def cause(name: str, weight: float, thing: str | None = None, **shows: dict[str, float]) -> Cause:
    effects = {finding: Effect(chances, "for the test") for finding, chances in shows.items()}
    return Cause(name, "oil", thing or name, weight, "test", f"mend {name}", 10.0, effects)


def knowledge(findings, causes, sound=1.0, none_of_these=1e-6, second=0.1, strength=1.0):
    return Knowledge(
        {one.name: one for one in findings}, {}, tuple(causes),
        Reasoning(sound, none_of_these, second, strength),
    )  # fmt: skip


def test_bayes_by_hand():
    """Prior 1 : 1 : 2 for sound, a, b; no pairs. The slow time is seen in 10, 80 and 30 % of them:
    posterior odds 0.10 : 0.80 : 0.60, so 0.10/1.50, 0.80/1.50, 0.60/1.50 (Bayes' rule by hand)."""
    known = knowledge(
        [shown("time", right=0.9, slow=0.1)],
        [cause("a", 1, "same", time={"right": 0.2, "slow": 0.8}),
         cause("b", 2, "same", time={"right": 0.7, "slow": 0.3})],
    )  # fmt: skip
    found = posterior(known, {"time": (seen("time", "slow", "", 1.0),)}).causes
    assert found["none"] == pytest.approx(0.10 / 1.50, abs=1e-5)
    assert found["a"] == pytest.approx(0.80 / 1.50, abs=1e-5)
    assert found["b"] == pytest.approx(0.60 / 1.50, abs=1e-5)


def test_virtual_evidence_by_hand():
    """Seen as slow with a chance of 3 in 4: the likelihoods are 0.25 right + 0.75 slow (Pearl 1988,
    virtual evidence): sound 0.25*0.9 + 0.75*0.1 = 0.30, a 0.25*0.2 + 0.75*0.8 = 0.65."""
    known = knowledge(
        [shown("time", right=0.9, slow=0.1)],
        [cause("a", 1, time={"right": 0.2, "slow": 0.8})],
    )
    one = Finding("time", {"right": 0.25, "slow": 0.75}, "")
    found = posterior(known, {"time": (one,)}).causes
    assert found["a"] == pytest.approx(0.65 / 0.95, abs=1e-5)


def test_two_causes_of_a_yes_or_no_finding_are_a_noisy_or():
    """Leak 0.1; a alone makes it 0.6, b alone 0.4. Each inhibits independently: 1 - P(a and b)
    = (0.4/0.9)(0.6/0.9) 0.9, by hand 0.26667 (Pearl 1988, section 4.3.2)."""
    pair = both(np.array([0.4, 0.6]), np.array([0.6, 0.4]), np.array([0.9, 0.1]))
    assert pair[0] == pytest.approx(0.4 * 0.6 / 0.9)


def test_what_a_cause_leaves_alone_stays_the_other_ones():
    sound = np.array([0.8, 0.15, 0.05])
    other = np.array([0.1, 0.3, 0.6])
    assert both(other, sound, sound) == pytest.approx(other, abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_noisy_max_against_enumeration_of_the_mechanisms(seed):
    """Leak and both causes each bring about a grade of their own; the gravest is seen. All
    combinations are enumerated."""
    rng = np.random.default_rng(seed)
    leak, one, two = (rng.dirichlet([2, 1, 1]) for _ in range(3))

    def worst(*grades):
        found = np.zeros(3)
        for combination in itertools.product(range(3), repeat=len(grades)):
            p = math.prod(g[k] for g, k in zip(grades, combination, strict=True))
            found[max(combination)] += p
        return found

    with_one, with_two = worst(leak, one), worst(leak, two)
    assert both(with_one, with_two, leak) == pytest.approx(worst(leak, one, two), abs=3 * LEAST)


def _random_knowledge(rng: random.Random) -> Knowledge:
    def chances(states):
        parts = [rng.uniform(0.05, 1) for _ in states]
        return {s: p / sum(parts) for s, p in zip(states, parts, strict=True)}

    names = {"one": ("right", "slow"), "two": ("right", "low", "none"), "three": ("no", "yes")}
    findings = [Shown(n, n, "s", chances(states), "t") for n, states in names.items()]
    causes = [
        cause(f"c{k}", rng.uniform(0.5, 5), f"thing {k % 3}",
              **{n: chances(states) for n, states in names.items() if rng.random() < 0.8})
        for k in range(5)
    ]  # fmt: skip
    return knowledge(findings, causes, rng.uniform(1, 5), 0.02, 0.15)


@pytest.mark.parametrize("seed", range(6))
def test_the_posterior_is_that_of_plain_enumeration(seed):
    """Every hypothesis written out one by one, with Python floats and no tables."""
    rng = random.Random(seed)
    known = _random_knowledge(rng)
    evidence = {"one": "slow", "two": rng.choice(["low", "none"]), "three": "yes"}
    observed = {n: (seen(n, state, "", 1.0),) for n, state in evidence.items()}

    def single(name, finding, state):
        shown_ = known.findings[finding]
        found = known.cause(name)
        if name == "none of these":
            return 0.6 / len(shown_.sound) + 0.4 * shown_.sound[state]
        if found is None or finding not in found.shows:
            return shown_.sound[state]
        return found.shows[finding].chances[state]

    def pair(a, b, finding, state):
        states = known.findings[finding].states
        place = states.index(state)

        def below(name, k):
            return sum(single(name, finding, s) for s in states[: k + 1])

        def grade(k):
            if k < 0:
                return 0.0
            sound = sum(known.findings[finding].sound[s] for s in states[: k + 1])
            return min(below(a, k) * below(b, k) / sound, 1.0)

        raw = [max(grade(k) - grade(k - 1), LEAST) for k in range(len(states))]
        return raw[place] / sum(raw)

    weights = {c.name: c.weight for c in known.causes}
    total = sum(weights.values())
    reasoning = known.reasoning
    fault = total / (total + reasoning.sound_weight) * (1 - reasoning.none_of_these)
    prior = {("none",): 1 - reasoning.none_of_these - fault,
             ("none of these",): reasoning.none_of_these}  # fmt: skip
    for name, w in weights.items():
        prior[(name,)] = fault * (1 - reasoning.second_fault) * w / total
    pairs = {
        (a.name, b.name): a.weight * b.weight
        for a, b in itertools.combinations(known.causes, 2)
        if a.thing != b.thing
    }
    for key, w in pairs.items():
        prior[key] = fault * reasoning.second_fault * w / sum(pairs.values())

    joint = {}
    for key, p in prior.items():
        for finding, state in evidence.items():
            p *= single(key[0], finding, state) if len(key) == 1 else pair(*key, finding, state)
        joint[key] = p
    whole = sum(joint.values())
    found = posterior(known, observed).causes
    for name in found:
        wanted = sum(p for key, p in joint.items() if name in key) / whole
        assert found[name] == pytest.approx(wanted, rel=2e-3, abs=2e-4), name


def test_runs_of_the_same_rig_count_once():
    """Ten runs that show the same thing are one rig, not ten."""
    known = knowledge(
        [shown("time", right=0.9, slow=0.1)],
        [cause("a", 1, time={"right": 0.2, "slow": 0.8})],
    )
    one = (seen("time", "slow", "", 0.99),)
    assert posterior(known, {"time": one * 10}).causes == pytest.approx(
        posterior(known, {"time": one}).causes
    )


def test_no_evidence_leaves_the_prior():
    from rig.diagnosis.knowledge.loading import load_knowledge

    known = load_knowledge()
    found = posterior(known, {})
    assert found.weight.sum() == pytest.approx(1.0)
    assert found.weight == pytest.approx(table_of(known).prior)


def test_a_graded_finding_shares_its_chance_at_a_bound():
    one = graded("time", 1.3, 0.1, (1.3,), ("right", "long"), "")
    assert one.chances["right"] == pytest.approx(0.5)
    sure = graded("time", 2.6, 0.1, (1.3,), ("right", "long"), "")
    assert sure.chances["long"] == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("ratio", [0.0, -1.0, math.nan, math.inf])
def test_no_number_is_not_observed(ratio):
    assert not graded("time", ratio, 0.1, (1.3,), ("right", "long"), "").observed
