# SPDX-License-Identifier: MIT
"""The posterior over causes against pgmpy's variable elimination on random networks.

The numbers in pgmpy_networks.json are pgmpy's; pgmpy_networks.py says how they were made, with
which version, and makes them anew.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.diagnosis.findings.model import Finding
from rig.diagnosis.knowledge.model import Cause, Effect, Knowledge, Reasoning, Shown
from rig.diagnosis.posterior import posterior

KEPT = json.loads(Path(__file__).with_name("pgmpy_networks.json").read_text())
STATES = {2: ("right", "wrong"), 3: ("right", "worse", "worst")}


def stated(chances):
    return dict(zip(STATES[len(chances)], chances, strict=True))


@pytest.mark.parametrize("number", range(len(KEPT["networks"])))
def test_posterior_of_a_random_network_is_that_of_pgmpy(number):
    net = KEPT["networks"][number]
    known = Knowledge(
        {n: Shown(n, n, "test", stated(chances), "test") for n, chances in net["leak"].items()}, {},
        tuple(
            Cause(c["name"], "oil", c["thing"], c["weight"], "test", f"mend {c['name']}", 10.0,
                  {n: Effect(stated(chances), "test") for n, chances in c["shows"].items()})
            for c in net["causes"]
        ),
        Reasoning(net["sound_weight"], net["none_of_these"], net["second_fault"], strength=1.0),
    )  # fmt: skip
    found = posterior(
        known, {n: (Finding(n, stated(chances), ""),) for n, chances in net["observed"].items()}
    )
    names, table = found.table.names, found.table
    by_hypothesis = {
        names[a] if a == b else f"{names[a]} + {names[b]}": p
        for a, b, p in zip(table.first, table.second, found.weight, strict=True)
    }
    assert set(by_hypothesis) == set(net["posterior"])
    for hypothesis, p in net["posterior"].items():
        assert by_hypothesis[hypothesis] == pytest.approx(p, rel=1e-9), hypothesis
