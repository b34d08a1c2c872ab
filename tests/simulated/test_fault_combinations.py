# SPDX-License-Identifier: MIT
"""Whatever is wrong at once, the plant goes on: levels change and change back, the pressure is one
that a pump can make, and the same seed gives the same."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_rigs import NS, go, run

from rig.config.plant.fault_names import APART, FAULT_KINDS

MOST_KPA = 1000.0
"""The hand's supply goes to 600 kPa, a surge to 750 kPa, and the ripple comes on top."""


@st.composite
def some_faults(draw: st.DrawFn) -> list[str]:
    names = draw(st.lists(st.sampled_from(list(FAULT_KINDS)), unique=True, max_size=4))
    kept: list[str] = []
    for name in names:
        if not any(name in group and group & set(kept) for group in APART):
            kept.append(name)
    severity = st.floats(0.0, 1.0) | st.sampled_from((0.0, 1.0))
    return [f"{name}:{draw(severity)!r}" for name in kept]


@settings(max_examples=40, deadline=None)
@given(
    fault=some_faults(),
    medium=st.sampled_from(("oil", "air")),
    side=st.sampled_from(("supply", "ground")),
    contact=st.sampled_from(("normally open", "normally closed", "find")),
    port=st.sampled_from(("gallery", "inlet")),
    seed=st.integers(0, 99),
)
def test_any_faults_together(
    fault: list[str], medium: str, side: str, contact: str, port: str, seed: int
) -> None:
    more: dict[str, Any] = {
        "medium": medium,
        "coil": {"feed_side": side},
        "switch": {"contact": contact},
        "simulated": {
            "fault": fault,
            "fault_after": "1 s",
            "seed": seed,
            "supply": {"hand_port": port},
        },
    }
    source, seen, _ = run(3, **more)
    source.hand("raise")
    go(source, seen, 8 * NS)
    source.hand("lower")
    go(source, seen, 12 * NS)
    before: dict[str, tuple[int, int]] = {}
    for line, level, t_ns in seen.edges:
        last_level, last_ns = before.get(line, (1 - level, -1))
        assert (level, t_ns > last_ns) == (1 - last_level, True)
        before[line] = (level, t_ns)
    assert all(source.level(line) == level for line, (level, _) in before.items())
    assert -10.0 <= source.pressure_kpa(12 * NS) < MOST_KPA
    assert run(3, **more)[1].edges == [edge for edge in seen.edges if edge[2] < 5 * NS]
