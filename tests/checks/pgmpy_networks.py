# SPDX-License-Identifier: MIT
"""Random networks of causes and findings, solved by pgmpy; writes pgmpy_networks.json.

    python3 -m venv /tmp/pgmpy && /tmp/pgmpy/bin/pip install pgmpy
    /tmp/pgmpy/bin/python tests/checks/pgmpy_networks.py

pgmpy brings some thirty packages that nothing else here needs, so its answers are kept and it is
not installed for the tests. The network is built of nodes, not of the formula that
`rig.diagnosis.posterior` uses: leak and causes each bring about a grade of their own, and a finding
is the gravest of them (noisy-max; Henrion 1989, Diez 1993). Sure findings are evidence, unsure ones
virtual evidence (Pearl 1988). Solved by variable elimination.
"""

from __future__ import annotations

import datetime
import itertools
import json
import random
from pathlib import Path
from typing import Any

import numpy as np

KEPT = Path(__file__).with_suffix(".json")
NETWORKS = 12
STATES = {"time": ["right", "long"], "pressure": ["right", "low", "none"],
          "supply": ["right", "low", "none"], "bounce": ["no", "yes"]}  # fmt: skip
CAUSES, THINGS = 4, 3
FLAT = 0.6
"""Of "none of these": how much of it is "anything may be seen" (rig.diagnosis.posterior)."""


def chances(rng: random.Random, n: int) -> list[float]:
    """`n` chances, none of them small: the program raises what is below 1e-4."""
    parts = [rng.uniform(0.3, 1.0) for _ in range(n)]
    return [part / sum(parts) for part in parts]


def gravest(one: list[float], other: list[float]) -> list[float]:
    """Chances of the graver of two grades, by counting all combinations."""
    found = [0.0] * len(one)
    for a, b in itertools.product(range(len(one)), repeat=2):
        found[max(a, b)] += one[a] * other[b]
    return found


def drawn(rng: random.Random) -> dict[str, Any]:
    """One network, and what is observed on it."""
    leak = {name: chances(rng, len(states)) for name, states in STATES.items()}
    causes = [
        {
            "name": f"cause {k}", "thing": f"thing {k % THINGS}", "weight": rng.uniform(0.5, 5.0),
            "brings": {name: chances(rng, len(states)) for name, states in STATES.items()
                       if rng.random() < 0.75},
        }
        for k in range(CAUSES)
    ]  # fmt: skip
    observed = {}
    for name in rng.sample(sorted(STATES), rng.randint(2, 4)):
        if rng.random() < 0.5:
            observed[name] = [0.0] * len(STATES[name])
            observed[name][rng.randrange(len(STATES[name]))] = 1.0
        else:
            observed[name] = chances(rng, len(STATES[name]))
    return {
        "sound_weight": rng.uniform(1.0, 6.0), "none_of_these": rng.uniform(0.01, 0.05),
        "second_fault": rng.uniform(0.05, 0.2), "leak": leak, "causes": causes,
        "observed": observed,
    }  # fmt: skip


def prior(net: dict[str, Any]) -> dict[str, float]:
    """Of each hypothesis: "none", each cause, each pair of different things, "none of these"."""
    weight = {cause["name"]: cause["weight"] for cause in net["causes"]}
    total = sum(weight.values())
    known = 1.0 - net["none_of_these"]
    fault = known * total / (total + net["sound_weight"])
    found = {"none": known - fault}
    for name, w in weight.items():
        found[name] = fault * (1.0 - net["second_fault"]) * w / total
    pairs = {
        f"{a['name']} + {b['name']}": a["weight"] * b["weight"]
        for a, b in itertools.combinations(net["causes"], 2)
        if a["thing"] != b["thing"]
    }
    for name, w in pairs.items():
        found[name] = fault * net["second_fault"] * w / sum(pairs.values())
    return {**found, "none of these": net["none_of_these"]}


def solved(net: dict[str, Any]) -> dict[str, float]:
    """The posterior of each hypothesis."""
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.inference import VariableElimination
    from pgmpy.models import DiscreteBayesianNetwork

    root = prior(net)
    model = DiscreteBayesianNetwork()
    model.add_node("root")
    tables = [TabularCPD("root", len(root), [[p] for p in root.values()])]
    unknown = [[float(name != "none of these") for name in root],
               [float(name == "none of these") for name in root]]  # fmt: skip
    model.add_edge("root", "unknown")
    tables.append(TabularCPD("unknown", 2, unknown, ["root"], [len(root)]))
    for finding, states in STATES.items():
        k, parents = len(states), [f"{finding} leak"]
        model.add_node(parents[0])
        tables.append(TabularCPD(parents[0], k, [[p] for p in net["leak"][finding]]))
        for cause in net["causes"]:
            if finding not in cause["brings"]:
                continue
            grade = f"{finding} {cause['name']}"
            there = [cause["name"] in name.split(" + ") for name in root]
            rest = [1.0] + [0.0] * (k - 1)
            columns = [cause["brings"][finding] if yes else rest for yes in there]
            model.add_edge("root", grade)
            tables.append(TabularCPD(grade, k, np.array(columns).T.tolist(), ["root"], [len(root)]))
            parents.append(grade)
        flat = [FLAT / k + (1.0 - FLAT) * p for p in net["leak"][finding]]
        columns = [
            flat if apart else [float(state == max(grades)) for state in range(k)]
            for apart in (False, True)
            for grades in itertools.product(range(k), repeat=len(parents))
        ]
        for parent in ("unknown", *parents):
            model.add_edge(parent, finding)
        tables.append(
            TabularCPD(
                finding,
                k,
                np.array(columns).T.tolist(),
                ["unknown", *parents],
                [2, *[k] * len(parents)],
            )
        )
    model.add_cpds(*tables)
    assert model.check_model()
    sure = {n: c.index(1.0) for n, c in net["observed"].items() if 1.0 in c}
    unsure = [
        TabularCPD(name, len(c), [[p] for p in c])
        for name, c in net["observed"].items()
        if 1.0 not in c
    ]
    answer = VariableElimination(model).query(
        ["root"], evidence=sure, virtual_evidence=unsure or None, show_progress=False
    )
    return dict(zip(root, map(float, answer.values), strict=True))


def main() -> None:
    import pgmpy

    networks = []
    for seed in range(NETWORKS):
        net = drawn(random.Random(seed))
        posterior = solved(net)
        for cause in net["causes"]:  # as a file of knowledge states it: the cause with its leak
            cause["shows"] = {n: gravest(net["leak"][n], c) for n, c in cause.pop("brings").items()}
        networks.append({**net, "posterior": posterior})
    of = f"pgmpy {pgmpy.__version__}, {datetime.date.today().isoformat()}"
    lines = ",\n".join(json.dumps(net) for net in networks)
    KEPT.write_text(f'{{"solved by": "{of}", "networks": [\n{lines}\n]}}\n')
    print(KEPT, of)


if __name__ == "__main__":
    main()
